"""Looking: one record, all of a kind, the journal, and the whole way back from a number."""

from __future__ import annotations

import csv
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._output import (
    SEEN_FIRST,
    as_json,
    note,
    picture_form,
    print_card,
    print_json,
    print_json_stream,
    progress,
    table,
    titled,
    width,
    write_file,
)
from tracker.errors import Refused
from tracker.forms import Ask, read, when_at
from tracker.lazy_modules import lazy
from tracker.safe_text import cell

if TYPE_CHECKING:
    from tracker import kinds, listfilter, records
    from tracker import trace as tracing
    from tracker.desk import platemaps
    from tracker.kinds.registry import Judge
    from tracker.table import charts
else:
    # Help needs none of them, and each answer only some.
    kinds, listfilter = lazy("tracker.kinds"), lazy("tracker.listfilter")
    platemaps = lazy("tracker.desk.platemaps")
    records = lazy("tracker.records")
    charts = lazy("tracker.table.charts")
    tracing = lazy("tracker.trace")


@click.command("show", epilog="Example: strandbook show J0012-04-K --factors")
@click.argument("target", metavar="ID")
@click.option(
    "--factors", "wants_factors", is_flag=True, help="Everything that could explain a specimen's results."
)
@click.option(
    "--picture",
    "--figure",
    "picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw it, SVG or PNG: the readings of a measurement, the plate of a job, the days of a spool.",
)
@as_json
@pass_bench
def show_command(
    bench: Bench, /, target: str, wants_factors: bool, picture: Path | None, as_json: bool
) -> None:
    """Show everything about one ID, or about a material by its name; of a job also its plate."""
    if picture is not None:
        form = picture_form(picture)
        write_file(picture, _picture_of(bench, target, form))
        return
    book = bench.book
    with book.read() as session:
        if wants_factors:
            card = records.shown_factors(book, kinds.find(book, session, target, "specimen"), bench.plugged)
        else:
            card = kinds.card_of(session, kinds.find_row(book, session, target, voided=True), book.zone)
    if as_json:
        print_json(card.data)
        return
    print_card(card)
    if any(piece.get("box_mm") for piece in card.data.get("specimens") or ()):
        click.echo(platemaps.map_text(book, card.data["id"], min(width(), 80)), nl=False)


def _picture_of(bench: Bench, target: str, form: str) -> bytes:
    """Return the picture that the card of a record names.

    Raises:
        Refused: There is no such record, or nothing of it can be drawn.
    """
    with bench.book.read() as session:
        card = kinds.card_of(session, kinds.find_row(bench.book, session, target), bench.book.zone)
    drawn = card.pictures[0].name if card.pictures else ""
    if drawn == "figure":
        return charts.method_picture(bench.book, bench.plugged, target, form)
    if drawn == "plate":
        return platemaps.map_picture(bench.book, target, form)
    if drawn == "days":
        return records.spool_story(bench.book, target).picture(form)
    raise Refused(
        f"There is no picture of {target}", do="Name a measurement, a spool, or a job with its plate file"
    )


@click.command("list", epilog="Example: strandbook list results orientation=upright --csv")
@click.argument("kind")
@click.argument("where", required=False, default="", metavar="[FILTER]")
@click.option(
    "--factors",
    "wants_factors",
    is_flag=True,
    help="Specimens with everything that could explain their results.",
)
@click.option("--voided", is_flag=True, help="Those that were taken back, and no others.")
@click.option("--csv", "as_csv", is_flag=True, help="Answer as CSV.")
@as_json
@pass_bench
def list_command(
    bench: Bench, /, kind: str, where: str, wants_factors: bool, voided: bool, as_csv: bool, as_json: bool
) -> None:
    """List all records of a KIND, or those of which a FILTER holds.

    KIND is a plural: materials, spools, storage, weighings, dryings, jobs, changes, logs, photographs,
    specimens, rigs, calibrations, measurements, results, people.
    """
    if kind not in kinds.LISTS:
        raise click.BadParameter(f"{kind!r} is none of {', '.join(kinds.LISTS)}")

    if wants_factors and kind != "specimens":
        raise Refused(f"{kind.capitalize()} have no factors", do="strandbook list specimens --factors")
    people = not (as_json or as_csv)
    # What reads filters brings the table's arithmetic along: not for a list without one.
    asked = None
    if where.strip():
        asked = listfilter.asked_of(bench.book, bench.plugged, kind, where, voided=voided)
    conditions = () if asked is None else asked.conditions
    judge = None if asked is None else asked.judge
    asks = judge is not None or wants_factors
    with (
        bench.book.connect() as connection,
        _progress_until_shown(judge, people, asks) as (judged, tell, shown),
    ):
        rows: Iterable[Mapping[str, Any]]
        if wants_factors:
            rows = records.factor_table(
                bench.book, bench.plugged, bases=not people, where=conditions, judge=judged, tell=tell
            )
        else:
            zone = bench.book.zone if people else None
            rows = kinds.listed(connection, kind, zone, voided=voided, where=conditions, judge=judged)
        rows = shown(rows)
        if asked is not None:
            rows = asked.kept(rows, note)
        if as_json:
            print_json_stream(rows)
        elif as_csv:
            _print_csv(rows)
        elif not table(_as_read(rows)) and not where.strip():
            note(f"Nothing was taken back of {kind}." if voided else f"There are no {kind} in this book yet.")
        if people and not voided and (gone := kinds.count_voided(connection, kind)):
            note(f"{gone} taken back: strandbook list {kind} --voided")


@contextmanager
def _progress_until_shown(
    judge: Judge | None, people: bool, asks: bool
) -> Iterator[tuple[Judge | None, Any, Any]]:
    """Show how many records were gone through while none is printed yet.

    Yields a judge that tells so, a function that is told how many, and one that gives rows as they are and
    ends the progress before the first of them is printed: a table holds some rows back, JSON and CSV none.
    """
    if not asks:
        yield None, None, iter
        return
    done = 0
    with ExitStack() as until_shown:
        step = until_shown.enter_context(progress("Looking"))

        def tell(count: int) -> None:
            step(count, None, f"{count:,} gone through")

        def judged(connection: Any, rows: Mapping[int, Mapping[str, Any]]) -> Collection[int]:
            nonlocal done
            held = judge(connection, rows) if judge is not None else rows
            done += len(rows)
            tell(done)
            return held

        def shown(rows: Iterable[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
            for count, row in enumerate(rows, start=1):
                if count == (SEEN_FIRST if people else 1):
                    until_shown.close()
                yield row
            until_shown.close()

        yield judged if judge is not None else None, tell, shown


def _as_read(rows: Iterable[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    """Yield rows with the titles of quantities."""
    for row in rows:
        quantity = row.get("quantity")
        yield {**row, "quantity": titled(quantity)} if isinstance(quantity, str) else row


def _print_csv(rows: Iterable[Mapping[str, Any]]) -> None:
    """Print rows as CSV under their names, a line each; what is not recorded is empty."""
    writer = None
    for row in rows:
        if writer is None:
            writer = csv.DictWriter(sys.stdout, list(row), lineterminator="\n")
            writer.writeheader()
        writer.writerow({name: cell(value) for name, value in row.items()})


@click.command("log", epilog="Example: strandbook log --since yesterday --person Ada; strandbook log J0012-P")
@click.argument("about", required=False, metavar="[ID]")
@click.option("--today", is_flag=True, help="Only what was done today.")
@click.option("--since", metavar="TIME", help="Only what was done from then on.")
@click.option("--person", metavar="NAME", help="Only what this person did.")
@click.option(
    "--most", type=click.IntRange(min=1), default=50, metavar="N", help="Acts at the most; else 50."
)
@as_json
@pass_bench
def log_command(
    bench: Bench,
    /,
    about: str | None,
    today: bool,
    since: str | None,
    person: str | None,
    most: int,
    as_json: bool,
) -> None:
    """Read the journal: who did what, when, to which record and why, the newest first."""
    when = when_at(bench.book)
    begin = read(Ask("since", "Since", "moment"), "today 00:00" if today else since or "", when)
    with bench.book.read() as session:
        ident = kinds.name_of(kinds.find(bench.book, session, about)) if about else None
    with bench.book.connect() as connection:
        found = records.acts(connection, bench.book.zone, since=begin, who=person, about=ident)
        shown = list(islice(found, most))
        more = next(found, None) is not None
    if as_json:
        print_json([each.as_json() for each in shown])
        return
    rows = [{name: titled(text) for name, text in each.as_row(bench.book.zone).items()} for each in shown]
    wrapped = {"time": 10, "who": 5, "act": 9, "records": 10, "what": 9}
    if sys.stdout.isatty() and width() < _SIX_COLUMNS:
        rows, wrapped = [_in_three_columns(row) for row in rows], {"time": 10, "what": 9}
    table(rows, wrapped=wrapped)
    if not shown:
        note("Nothing was done, as far as that is asked for.")
    if more:
        note(f"There are more; --most {2 * most} shows them.")


_SIX_COLUMNS: Final = 60
"""Columns of a terminal below which six of the journal would break IDs and times."""


def _in_three_columns(row: Mapping[str, str]) -> dict[str, str]:
    what = "; ".join(part for part in (row["records"], row["what"]) if part)
    return {"entry": row["entry"], "time": row["time"], "what": f"{row['who']}, {row['act']}: {what}"}


@click.command("trace", epilog="Example: strandbook trace M0451-C --of tensile.strength")
@click.argument("target", metavar="ID")
@click.option("--of", "quantity", metavar="QUANTITY", help="Which result, where there are several.")
@click.option("--prov", is_flag=True, help="As W3C PROV-JSON.")
@click.option("--graph", is_flag=True, help="As a picture, SVG.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write it to a file.")
@as_json
@pass_bench
def trace_command(
    bench: Bench,
    /,
    target: str,
    quantity: str | None,
    prov: bool,
    graph: bool,
    output: Path | None,
    as_json: bool,
) -> None:
    """Walk back from a result, measurement, specimen or job to spool, storage, dryings and journal."""
    # For scripts the units of the readings are said too; they are the methods' to say.
    describe = tracing.described_by(bench.plugged) if as_json or prov else None
    titles = None if as_json or prov else bench.plugged.titles
    way = tracing.trace(bench.book, target, quantity, describe, titles)
    if graph:
        _put(way.svg(), output)
    elif output is not None:
        raise Refused("Only a picture goes to a file", do="Add --graph, or send the output there with >")
    elif prov:
        print_json(way.prov())
    elif as_json:
        if way.path.specimen is not None:
            way.factors = records.factors_with_basis(bench.book, way.path.specimen.id, bench.plugged)
        print_json(way.as_json())
    else:
        for line in way.lines(width()):
            click.echo(titled(line))


def _put(text: str, output: Path | None) -> None:
    if output is None:
        click.echo(text)
        return
    write_file(output, text.encode())
