"""The book: begun, kept, verified, and an old spreadsheet brought into it."""

from __future__ import annotations

import importlib
import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from tracker.backup import (
    Contents,
    backup,
    backup_into,
    check_backup,
    copy_to,
    head_in,
    prune,
    restore,
    upgrade_book,
)
from tracker.book import new_book, shown
from tracker.cli._bench import Bench, pass_bench, warn_of_password
from tracker.cli._output import as_json, folded, note, print_json, progress, stages, sure, titled, width
from tracker.desk.measuring import recomputing, recomputing_anew
from tracker.errors import Refused
from tracker.heads import KEY_ENTERED, Head, KeyRing, write_head
from tracker.inputs import read_input
from tracker.lazy_modules import lazy
from tracker.verify import attach_stamp, clean, head_now, mend_derived, read_heads, verify

if TYPE_CHECKING:
    from tracker.desk.importing import ColumnMap

# Brings scipy, which is installed by choice: a book is kept without it.
benches = lazy("tracker.benches")
importing = lazy("tracker.desk.importing")


@click.command("init", epilog="Example: strandbook init bench --zone Europe/Vienna")
@click.argument("place", required=False)
@click.option("--title", default="", metavar="TEXT", help="What you call it.")
@click.option(
    "--zone", metavar="NAME", help="Time zone of the bench, as Europe/Vienna; else this computer's."
)
@click.option("--address", default="", metavar="HOST:PORT", help="Address of the bench page, for labels.")
@as_json
@pass_bench
def init_command(
    bench: Bench, /, place: str | None, title: str, zone: str | None, address: str, as_json: bool
) -> None:
    """Begin a book in the folder PLACE, or on a server: postgresql://…?files=/path/to/attachments."""
    warn_of_password("PLACE", place or "")
    where = place or bench.place or "."
    with new_book(where, bench.who, title=title, zone=zone or own_zone(), address=address) as book:
        code = book.code
    if as_json:
        print_json({"book": code, "place": shown(where)})
        return
    named = where if where == shown(where) else "URL"
    note(f"Book {code} begun in {shown(where)}. Next: strandbook --book {named} material add")
    click.echo(code)


@click.command("demo", epilog="Examples: strandbook demo bench-demo · strandbook demo --large year")
@click.argument("folder", required=False, default="strandbook-demo", type=click.Path(path_type=Path))
@click.option("--large", is_flag=True, help="A year of two benches, every method, and causes to be found.")
@as_json
@pass_bench
def demo_command(bench: Bench, /, folder: Path, large: bool, as_json: bool) -> None:
    """Build a demonstration book in FOLDER and walk through it: labels, a scan, a trace.

    With --large: a year with 120 jobs, and questions to ask of it; what was really going on is written into
    FOLDER/causes.txt.
    """
    _same_place(bench, folder)
    # The demonstration is a package of its own; no other command needs it.
    tracker_demo = importlib.import_module("tracker_demo")
    if large:
        with progress("Building the year") as step, tracker_demo.build_year(str(folder), step) as book:
            year = tracker_demo.questions(book, folder)
        if as_json:
            print_json({"book": year.code, "place": str(folder), "made": year.counts, "ask": list(year.ask)})
            return
        click.echo(
            f"Book {year.code} in {folder}: {', '.join(f'{n} {kind}' for kind, n in year.counts.items())}."
        )
        click.echo(f"\nSix things went wrong in that year. Ask, with --book {folder}:\n")
        for line in year.ask:
            click.echo(f"  strandbook {line}")
        click.echo(f"\nWhat was really going on: {year.causes}")
        return
    with progress("Building the book") as step, tracker_demo.build(str(folder), step) as book:
        walked = tracker_demo.walk(book, folder, width())
        code = book.code
    if as_json:
        print_json({"book": code, "place": str(folder), "made": walked.counts, "labels": str(walked.labels)})
        return
    made = ", ".join(f"{count} {kind}" for kind, count in walked.counts.items())
    click.echo(f"Book {code} in {folder}: {made}.")
    click.echo(f"Labels of all pieces: {walked.labels}")
    click.echo("\nOne label, read back from its own picture:")
    for line in walked.scanned:
        click.echo(folded(titled(line), "  "))
    click.echo("\nThe weakest bar, walked back:")
    for line in walked.traced:
        click.echo(titled(line))
    click.echo("\nNext:")
    for words in (f"show {walked.result}", "why J0001-J J0004-D --of tensile.strength", "table", "serve"):
        click.echo(f"  strandbook --book {shlex.quote(str(folder))} {words}")


def _same_place(bench: Bench, folder: Path) -> None:
    """Refuse a --book that would be passed over; the environment's is the person's own and is left alone.

    Raises:
        Refused: --book names another place than FOLDER.
    """
    context = click.get_current_context().parent
    typed = context is not None and context.get_parameter_source("places") is ParameterSource.COMMANDLINE
    if typed and Path(bench.place or "") != folder:
        raise Refused("The demonstration makes a book of its own", do=f"strandbook demo {bench.place}")


AS_IT_IS = click.option(
    "--as-it-is", is_flag=True, help="Go on where attachments are missing or damaged, and say so."
)


@click.command(
    "backup",
    epilog="Examples: strandbook backup bench-2026-03-14.backup --to /mnt/other · strandbook backup --folder "
    "/mnt/backups --keep 30",
)
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--folder", type=click.Path(path_type=Path), help="Add a run to a folder: only what is new is written."
)
@click.option("--keep", type=click.IntRange(1), help="With --folder: how many runs to keep; older ones go.")
@click.option("--to", "second", type=click.Path(path_type=Path), help="A second place, for a copy of FILE.")
@click.option("--check", is_flag=True, help="Read a backup and say whether it is whole; needs no book.")
@AS_IT_IS
@as_json
@pass_bench
def backup_command(
    bench: Bench,
    /,
    file: Path | None,
    folder: Path | None,
    keep: int | None,
    second: Path | None,
    check: bool,
    as_it_is: bool,
    as_json: bool,
) -> None:
    """Copy the book with its attachments into one FILE or a growing folder, and read it again to be sure."""
    if (file is None) == (folder is None):
        raise Refused("A backup needs a FILE or --folder", do="strandbook backup bench-2026-03-14.backup")
    if check:
        _check_backup(file or folder or Path(), as_json)
    elif folder is not None:
        _backup_into(bench, folder, keep, as_it_is, as_json)
    elif file is not None:
        with stages() as tell:
            held = backup(bench.book, file, tell, as_it_is=as_it_is)
        places = [file, *([copy_to(file, second)] if second is not None else [])]
        for each in places[1:]:
            note(f"And copied to {each}")
        _print_contents(held, str(file), as_json)


def _backup_into(bench: Bench, folder: Path, keep: int | None, as_it_is: bool, json_wanted: bool) -> None:
    with stages() as tell:
        run = backup_into(bench.book, folder, tell, as_it_is=as_it_is)
    gone = prune(folder, keep) if keep is not None else 0
    if not json_wanted:
        note(f"{run.added} bytes were new" + (f"; {gone} earlier runs taken away" if gone else ""))
    _print_contents(run.contents, str(run.file), json_wanted)


def _check_backup(file: Path, json_wanted: bool) -> None:
    with stages() as tell:
        held, head = check_backup(file, tell)
    if head is not None and not json_wanted:
        signed = f"signed with the key {head.fingerprint}…" if head.key else "not signed"
        note(f"Head of its journal: entry {head.entry}, {head.hash}, {signed}")
    _print_contents(held, str(file), json_wanted)


@click.command("restore", epilog="Example: strandbook restore bench-2026-03-14.backup bench-again")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("place", required=False)
@click.option("-n", "--dry-run", is_flag=True, help="Check the backup and the place, and write nothing.")
@as_json
@pass_bench
def restore_command(bench: Bench, /, file: Path, place: str | None, dry_run: bool, as_json: bool) -> None:
    """Make a book in an empty PLACE (folder or server) from a backup FILE, or a run of a backup folder."""
    warn_of_password("PLACE", place or "")
    where = place or bench.place or "."
    with stages() as tell:
        held = restore(file, where, tell, dry_run=dry_run)
    if not as_json:
        named = where if where == shown(where) else "URL"
        note("It could be restored there; nothing was written" if dry_run else
             f"Next: strandbook --book {named} verify")  # fmt: skip
    _print_contents(held, shown(where), as_json)


def _print_contents(held: Contents, place: str, json_wanted: bool) -> None:
    rows = {name: table.rows for name, table in held.tables.items()}
    if json_wanted:
        lost = {"damaged": held.damaged, "missing": held.missing}
        counted = {"rows": rows, "attachments": held.attachments, **lost}
        print_json({"book": held.code, "place": place, "head": held.head, **counted})
        return
    note(f"Book {held.code}: {sum(rows.values())} rows, {held.attachments} attachments.")
    if held.damaged or held.missing:
        note(f"{len(held.damaged)} attachments were damaged and {len(held.missing)} missing in the book.")
    click.echo(place)


@click.command("upgrade", epilog="Example: strandbook --book bench upgrade")
@AS_IT_IS
@as_json
@pass_bench
def upgrade_command(bench: Bench, /, as_it_is: bool, as_json: bool) -> None:
    """Bring a book from an older version up to date, after a backup beside it."""
    with stages() as tell:
        done = upgrade_book(bench.named, bench.who, tell, as_it_is=as_it_is)
    if as_json:
        backup_file = str(done.backup) if done.backup else None
        print_json({"found": done.found, "now": done.now, "backup": backup_file, "foreign": done.foreign})
        return
    for sentence in done.foreign:
        note(sentence)
    if done.backup is None:
        click.echo(f"Nothing to do: the book is of schema {done.now}.")
    else:
        click.echo(f"Schema {done.found} brought to {done.now}; the book as it was is in {done.backup}.")


@click.command(
    "verify",
    epilog="Example: strandbook verify --note head.json. Exit codes: 0 sound, 1 damaged, 3 not reachable, "
    "4 other schema",
)
@click.option(
    "--noted",
    default="",
    metavar="HASH",
    help="Look for the head that verify printed earlier, or its beginning.",
)
@click.option(
    "--note", "note_to", type=click.Path(path_type=Path), help="Write the signed head of the journal here."
)
@click.option(
    "--against",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Look for a head noted earlier, in a note, a published head.json or a backup.",
)
@click.option(
    "--since", type=click.Path(path_type=Path), help="Go only through what was entered after a noted head."
)
@click.option(
    "--clean",
    "cleaning",
    is_flag=True,
    help="Remove files that belong to no act, and repair what only follows from records.",
)
@click.option(
    "--processes",
    type=click.IntRange(min=1),
    metavar="N",
    help="Divide the work among N processes; else a large book among the processors.",
)
@as_json
@pass_bench
def verify_command(
    bench: Bench,
    /,
    noted: str,
    note_to: Path | None,
    against: tuple[Path, ...],
    since: Path | None,
    cleaning: bool,
    processes: int | None,
    as_json: bool,
) -> None:
    """Check schema, journal, every row, every attachment, and every result from its readings.

    It ends with the journal's head. Written down outside the book (--note) it can be looked for later
    (--against): a journal that was rewritten, or whose end was cut off, does not have it. Heads that this
    computer signed are looked for by themselves.
    """
    heads: list[Head] = []
    for file in against:
        kept = head_in(file)
        heads += [kept] if kept is not None else read_heads(file)
    begin = read_heads(since)[-1] if since is not None else None
    with stages() as tell:
        findings = verify(
            bench.book,
            recomputing(bench.book, bench.plugged),
            tell,
            noted,
            against=heads,
            since=begin,
            anew=recomputing_anew,
            processes=processes,
        )
    gone = clean(bench.book, findings.unnamed) if cleaning and findings.unnamed else []
    mended = cleaning and bool(findings.of("derived"))
    if mended:
        with stages() as tell:
            mend_derived(bench.book, tell)
    # Not of a damaged book: the note would vouch for it.
    if note_to is not None and findings.clean:
        write_head(head_now(bench.book), note_to)
    if as_json:
        print_json({**findings.as_json(), "cleaned": gone, "mended": mended})
    else:
        for line in findings.lines():
            click.echo(line)
        if gone:
            note(f"{len(gone)} {'file' if len(gone) == 1 else 'files'} removed")
        if mended:
            note("What is kept of jobs and specimens was worked out again; run verify again")
        if note_to is not None and findings.clean:
            note(f"Noted in {note_to}; keep it outside the book, and give it to others")
    if not findings.clean:
        raise click.exceptions.Exit(1)


@click.command("settings", epilog="Example: strandbook settings --zone Europe/Vienna")
@click.option("--title", metavar="TEXT", help="What you call the book.")
@click.option("--zone", metavar="NAME", help="Time zone of the bench, as Europe/Vienna.")
@click.option("--address", metavar="HOST:PORT", help="Address of the bench page, for labels.")
@as_json
@pass_bench
def settings_command(
    bench: Bench, /, title: str | None, zone: str | None, address: str | None, as_json: bool
) -> None:
    """Show the book's own settings, or change them."""
    wanted = {"title": title, "zone": zone, "address": address}
    changed = {name: value for name, value in wanted.items() if value is not None}
    if changed:
        bench.book.change_settings(bench.who, **changed)
    now = bench.book.settings()
    if as_json:
        print_json(now)
        return
    for name, value in now.items():
        click.echo(f"{name}: {value or '–'}")


@click.command("key", epilog="Example: strandbook key --stamp head.json.tsr --of head.json")
@click.option("--new", is_flag=True, help="Make a new signing key; the journal names it from now on.")
@click.option("--stamp", type=click.Path(path_type=Path), help="Attach a time stamp (RFC 3161) of a head.")
@click.option("--of", "stamped", type=click.Path(path_type=Path), help="The head that was stamped.")
@as_json
@pass_bench
def key_command(bench: Bench, /, new: bool, stamp: Path | None, stamped: Path | None, as_json: bool) -> None:
    """Show with which key this computer signs heads of the book, and where it is kept."""
    ring = KeyRing()
    if new:
        with bench.book.act("key", bench.who) as act:
            act.reason = f"{KEY_ENTERED}{ring.new_key(bench.book.code)}"
    if stamp is not None:
        if stamped is None:
            raise Refused("A time stamp is of a head", do="Name the file that was stamped: --of head.json")
        at = attach_stamp(bench.book, bench.who, stamp, stamped)
        if not as_json:
            note(f"The stamp says {at}. Whether its service's signature holds, ask: openssl ts -verify")
    public = ring.public_key(bench.book.code)
    if as_json:
        print_json({"book": bench.book.code, "key": public, "folder": str(ring.folder)})
        return
    if not public:
        note(
            f"This computer has no key of book {bench.book.code} in {ring.folder}: heads are not signed here"
        )
    click.echo(public or "–")


def own_zone() -> str:
    """Return this computer's time zone by name, or UTC where it does not tell."""
    if os.environ.get("TZ"):
        return os.environ["TZ"].lstrip(":")
    link = Path("/etc/localtime")
    target = str(link.resolve()) if link.exists() else ""
    return target.partition("zoneinfo/")[2] or "UTC"


@click.command("import", epilog="Example: strandbook import old.csv --columns old.toml --dry-run")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--columns", type=click.Path(path_type=Path), metavar="MAP", help="Column map, TOML.")
@click.option(
    "-n", "--dry-run", is_flag=True, help="Say what would be made and what is refused; write nothing."
)
@click.option("--leave-out-refused", is_flag=True, help="Bring in the rest where lines are refused.")
@sure
@as_json
@pass_bench
def import_command(
    bench: Bench,
    /,
    file: Path,
    columns: Path | None,
    dry_run: bool,
    leave_out_refused: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Bring in FILE: one specimen a row, factors and quantities as columns, named by a column map.

    A folder is the site of another bench: its results come in as theirs, under their IDs and licence, and are
    never mixed with ours unasked (`why --with-benches`, `compare-benches`).
    """
    if file.is_dir():
        _site(bench, file, dry_run, as_json)
        return
    if not file.exists():
        raise Refused(
            f"{file} is not there", do="Name a table saved as CSV, or the folder of another bench's site"
        )
    column_map = _column_map(columns)
    with progress("Reading") as step:
        plan = importing.plan_import(bench.book, bench.plugged, file, column_map, step)
    if dry_run:
        if as_json:
            print_json(importing.plan_json(plan))
        else:
            for line in importing.plan_lines(plan):
                click.echo(line)
        return
    if not as_json:
        for line in importing.plan_lines(plan):
            note(line)
    with progress("Writing") as step:
        made = bench.sure(
            lambda certain: importing.carry_out(
                bench.book, plan, bench.who, step, sure=certain, leave_out=leave_out_refused
            ),
            yes,
        )
    if as_json:
        print_json(
            {"id": made.jobs[0], "jobs": list(made.jobs), "made": dict(made.counts), "entry": made.entry}
        )
        return
    note(f"Made {importing.counted(made.counts)}: journal entry {made.entry}. Next: strandbook list results")
    for job in made.jobs:
        click.echo(job)


def _column_map(columns: Path | None) -> ColumnMap:
    if columns is None:
        raise Refused("A column map is missing", do="Add --columns MAP, a TOML file that names the columns")
    try:
        found: ColumnMap = importing.read_map(read_input(columns, "settings file"), columns.name)
    except OSError as error:
        raise Refused(f"{columns} cannot be read", why=error.strerror or str(error)) from error
    return found


def _site(bench: Bench, folder: Path, dry_run: bool, as_json: bool) -> None:
    made = benches.import_site(bench.book, bench.who, folder, dry=dry_run)
    if as_json:
        print_json({"bench": made.code, **vars(made)})
        return
    note(
        f"{made.title} ({made.code}), licence {made.licence or 'none stated, so ask before you use it'}: "
        f"{made.new} new results, {made.changed} changed, {made.gone} gone, {made.same} as before"
    )
    click.echo(made.code)
