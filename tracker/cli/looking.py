"""Looking: one record, or all of a kind."""

from __future__ import annotations

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, facts, note, say_json, say_json_stream, table

KINDS = ("materials", "spools", "dryings", "jobs", "specimens", "rigs", "measurements", "results")
"""As in ``tracker.records``, which is loaded when something is really listed."""


@click.command("show", epilog="Example: strandbook show J0012-04-K")
@click.argument("target", metavar="ID")
@as_json
@pass_bench
def show_command(bench: Bench, /, target: str, as_json: bool) -> None:
    """Show everything about one ID, or about a material by its name."""
    from tracker.desk.finding import NotFoundError, find, material_named  # noqa: PLC0415 - not for a list
    from tracker.ids import IdError  # noqa: PLC0415 - the same
    from tracker.records import shown_record  # noqa: PLC0415 - the same

    book = bench.book
    with book.read() as session:
        try:
            row = find(book, session, target)
        except (IdError, NotFoundError) as refusal:
            try:
                row = material_named(session, target)
            except NotFoundError as unknown:
                raise (unknown if "Did you mean" in unknown.do else refusal) from None
        told = shown_record(session, row, book.zone)
    if as_json:
        say_json(told.data)
    else:
        facts(told.title, told.facts)


@click.command("list", epilog="Example: strandbook list specimens")
@click.argument("kind", type=click.Choice(KINDS))
@as_json
@pass_bench
def list_command(bench: Bench, /, kind: str, as_json: bool) -> None:
    """List all records of a KIND."""
    from tracker.records import listed  # noqa: PLC0415 - not for showing one record

    with bench.book.connect() as connection:
        if as_json:
            say_json_stream(listed(connection, kind))
        elif not table(listed(connection, kind, bench.book.zone)):
            note(f"There are no {kind} in this book yet.")
