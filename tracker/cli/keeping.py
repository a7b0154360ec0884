"""The book itself: begun, checked, copied, brought back."""

from __future__ import annotations

import importlib
import os
from pathlib import Path

import click
from click.core import ParameterSource

from tracker.backup import Contents, backup, restore, upgrade_book
from tracker.book import new_book, shown
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, note, progress, say_json, stages, width
from tracker.desk.measuring import recomputing
from tracker.errors import Refused
from tracker.verify import verify


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
    where = place or bench.place or "."
    with new_book(where, bench.who, title=title, zone=zone or own_zone(), address=address) as book:
        code = book.code
    if as_json:
        say_json({"book": code, "place": shown(where)})
        return
    named = where if where == shown(where) else "URL"
    note(f"Book {code} begun in {shown(where)}. Next: strandbook --book {named} material add")
    click.echo(code)


@click.command("demo", epilog="Example: strandbook demo bench-demo")
@click.argument("folder", required=False, default="strandbook-demo", type=click.Path(path_type=Path))
@as_json
@pass_bench
def demo_command(bench: Bench, /, folder: Path, as_json: bool) -> None:
    """Build a demonstration book in FOLDER and walk through it: labels, a scan, a trace."""
    _same_place(bench, folder)
    # The demonstration is a package of its own; no other command needs it.
    tracker_demo = importlib.import_module("tracker_demo")
    with progress("Building the book") as step, tracker_demo.build(str(folder), step) as book:
        told = tracker_demo.walk(book, folder, width())
        code = book.code
    if as_json:
        say_json({"book": code, "place": str(folder), "made": told.counts, "labels": str(told.labels)})
        return
    made = ", ".join(f"{count} {kind}" for kind, count in told.counts.items())
    click.echo(f"Book {code} in {folder}: {made}.")
    click.echo(f"Labels of all pieces: {told.labels}")
    click.echo("\nOne label, read back from its own picture:")
    for line in told.scanned:
        click.echo(f"  {line}")
    click.echo("\nThe weakest bar, walked back:")
    for line in told.traced:
        click.echo(line)
    click.echo(f"\nNext, with --book {folder}: list results · show {told.result} · scan · verify")


def _same_place(bench: Bench, folder: Path) -> None:
    """Refuse a --book that would be passed over; the environment's is the person's own and is left alone.

    Raises:
        Refused: --book names another place than FOLDER.
    """
    context = click.get_current_context().parent
    typed = context is not None and context.get_parameter_source("place") is ParameterSource.COMMANDLINE
    if typed and Path(bench.place or "") != folder:
        raise Refused("The demonstration makes a book of its own", do=f"strandbook demo {bench.place}")


@click.command("backup", epilog="Example: strandbook backup bench-2026-03-14.backup")
@click.argument("file", type=click.Path(path_type=Path))
@as_json
@pass_bench
def backup_command(bench: Bench, /, file: Path, as_json: bool) -> None:
    """Copy the book with its attachments into one FILE, and read it again to be sure."""
    with stages() as tell:
        held = backup(bench.book, file, tell)
    _tell_contents(held, str(file), as_json)


@click.command("restore", epilog="Example: strandbook restore bench-2026-03-14.backup bench-again")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("place", required=False)
@as_json
@pass_bench
def restore_command(bench: Bench, /, file: Path, place: str | None, as_json: bool) -> None:
    """Make a book in an empty PLACE (folder or server) from a backup FILE."""
    where = place or bench.place or "."
    with stages() as tell:
        held = restore(file, where, tell)
    if not as_json:
        note(f"Next: strandbook --book {where if where == shown(where) else 'URL'} verify")
    _tell_contents(held, shown(where), as_json)


def _tell_contents(held: Contents, place: str, json_wanted: bool) -> None:
    rows = {name: table.rows for name, table in held.tables.items()}
    if json_wanted:
        say_json({"book": held.code, "place": place, "rows": rows, "attachments": held.attachments})
        return
    note(f"Book {held.code}: {sum(rows.values())} rows, {held.attachments} attachments.")
    click.echo(place)


@click.command("upgrade", epilog="Example: strandbook --book bench upgrade")
@as_json
@pass_bench
def upgrade_command(bench: Bench, /, as_json: bool) -> None:
    """Bring a book from an older version up to date, after a backup beside it."""
    with stages() as tell:
        done = upgrade_book(bench.named, bench.who, tell)
    if as_json:
        say_json({"found": done.found, "now": done.now, "backup": str(done.backup) if done.backup else None})
    elif done.backup is None:
        click.echo(f"Nothing to do: the book is of schema {done.now}.")
    else:
        click.echo(f"Schema {done.found} brought to {done.now}; the book as it was is in {done.backup}.")


@click.command("verify", epilog="Example: strandbook verify; exit code 1 where something was found")
@click.option(
    "--noted",
    default="",
    metavar="HASH",
    help="Look for the head that verify printed earlier, or its beginning.",
)
@as_json
@pass_bench
def verify_command(bench: Bench, /, noted: str, as_json: bool) -> None:
    """Check the chain of the journal, every row, every attachment, and every result from its readings.

    It ends with the journal's head. Written down outside the book it can be looked for later with --noted:
    as long as an entry has it and nothing else is found, nothing entered up to then was changed or taken
    away.
    """
    with stages() as tell:
        findings = verify(bench.book, recomputing(bench.book, bench.plugged), tell, noted)
    if as_json:
        say_json(findings.as_json())
    else:
        for text in findings.notes:
            note(text)
        for line in findings.lines():
            click.echo(line)
    if not findings.clean:
        raise click.exceptions.Exit(1)


def own_zone() -> str:
    """Return this computer's time zone by name, or UTC where it does not tell."""
    if os.environ.get("TZ"):
        return os.environ["TZ"].lstrip(":")
    link = Path("/etc/localtime")
    target = str(link.resolve()) if link.exists() else ""
    return target.partition("zoneinfo/")[2] or "UTC"
