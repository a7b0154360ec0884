"""Looking: one record, or all of a kind."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import (
    as_json,
    facts,
    note,
    picture_form,
    say_json,
    say_json_stream,
    table,
    width,
    write_file,
)
from tracker.errors import Refused

KINDS = ("materials", "spools", "dryings", "jobs", "specimens", "rigs", "measurements", "results")
"""As in ``tracker.records``, which is loaded when something is really listed."""


@click.command("show", epilog="Example: strandbook show J0012-04-K --factors")
@click.argument("target", metavar="ID")
@click.option(
    "--factors", "wants_factors", is_flag=True, help="Everything that could explain a specimen's results."
)
@click.option(
    "--figure",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Of a measurement: its method's own picture, SVG or PNG.",
)
@as_json
@pass_bench
def show_command(
    bench: Bench, /, target: str, wants_factors: bool, figure: Path | None, as_json: bool
) -> None:
    """Show everything about one ID, or about a material by its name; of a job also its plate."""
    if figure is not None:
        from tracker.table.figures import method_picture  # noqa: PLC0415 - the methods and matplotlib follow

        form = picture_form(figure)
        write_file(figure, method_picture(bench.book, bench.plugged, target, form))
        return
    from tracker.desk.finding import find  # noqa: PLC0415 - not for a list
    from tracker.records import shown_record  # noqa: PLC0415 - the same

    book = bench.book
    with book.read() as session:
        if wants_factors:
            from tracker.records.factors import shown_factors  # noqa: PLC0415 - brings numpy

            told = shown_factors(book, find(book, session, target, "specimen"), bench.plugged)
        else:
            told = shown_record(session, _meant(bench, session, target), book.zone)
    if as_json:
        say_json(told.data)
        return
    facts(told.title, told.facts)
    if any(piece.get("box_mm") for piece in told.data.get("specimens") or ()):
        from tracker.desk.platemaps import map_text  # noqa: PLC0415 - brings numpy

        click.echo(map_text(book, told.data["id"], min(width(), 80)), nl=False)


def _meant(bench: Bench, session: Any, target: str) -> Any:
    """Return the row of an ID, or the material of that name."""
    from tracker.desk.finding import NotFoundError, find, material_named  # noqa: PLC0415 - not for a list
    from tracker.ids import IdError  # noqa: PLC0415 - the same

    try:
        return find(bench.book, session, target)
    except (IdError, NotFoundError) as refusal:
        try:
            return material_named(session, target)
        except NotFoundError as unknown:
            raise (unknown if "Did you mean" in unknown.do else refusal) from None


@click.command("list", epilog="Example: strandbook list results orientation=upright --csv")
@click.argument("kind", type=click.Choice(KINDS))
@click.argument("where", required=False, default="", metavar="[FILTER]")
@click.option(
    "--factors",
    "wants_factors",
    is_flag=True,
    help="Specimens with everything that could explain their results.",
)
@click.option("--csv", "as_csv", is_flag=True, help="Answer as CSV.")
@as_json
@pass_bench
def list_command(
    bench: Bench, /, kind: str, where: str, wants_factors: bool, as_csv: bool, as_json: bool
) -> None:
    """List all records of a KIND, or those of which a FILTER holds."""
    from tracker.records import listed  # noqa: PLC0415 - not for showing one record

    if wants_factors and kind != "specimens":
        raise Refused(f"{kind.capitalize()} have no factors", do="strandbook list specimens --factors")
    people = not (as_json or as_csv)
    with bench.book.connect() as connection:
        rows: Iterable[Mapping[str, Any]]
        if wants_factors:
            from tracker.records.factors import factor_table  # noqa: PLC0415 - brings numpy

            rows = factor_table(bench.book, bench.plugged, bases=not people)
        else:
            rows = listed(connection, kind, bench.book.zone if people else None)
        if where.strip():
            from tracker.cli._choosing import chosen  # noqa: PLC0415 - a whole list needs no filter

            rows = chosen(bench, kind, where, rows)
        if as_json:
            say_json_stream(rows)
        elif as_csv:
            _say_csv(rows)
        elif not table(rows) and not where.strip():
            note(f"There are no {kind} in this book yet.")


def _say_csv(rows: Iterable[Mapping[str, Any]]) -> None:
    """Print rows as CSV under their names, a line each; what is not recorded is empty."""
    writer = None
    for row in rows:
        if writer is None:
            writer = csv.DictWriter(sys.stdout, list(row), lineterminator="\n")
            writer.writeheader()
        writer.writerow(row)
