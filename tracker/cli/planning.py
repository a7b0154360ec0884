"""What is left to do for a material, and what falls due."""

from __future__ import annotations

from pathlib import Path

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, done, note, say_json, table
from tracker.desk.plans import set_programme
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.moments import local_time as local
from tracker.programme import due, read_programme, standing


@click.command("programme", epilog="Example: strandbook programme 'Brand X ASA'")
@click.argument("material")
@click.option(
    "--set",
    "file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Give it the programme of a TOML file.",
)
@as_json
@pass_bench
def programme_command(bench: Bench, /, material: str, file: Path | None, as_json: bool) -> None:
    """Show what a complete MATERIAL needs, what of it is there, and what to print next."""
    if file is not None:
        try:
            text = read_input(file, "settings").decode("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise Refused(f"{file} cannot be read", why=str(error)) from error
        done(set_programme(bench.book, bench.who, material, read_programme(text).name, text), as_json)
        return
    told = standing(bench.book, material)
    if as_json:
        say_json(told.as_json())
        return
    click.echo(f"{told.material}: programme {told.programme!r}")
    table([vars(need) for need in told.needs])
    plate = ", ".join(f"{count} {_lying(way)}" for way, count in told.next_plate)
    click.echo(f"Next plate: {plate}." if plate else "Nothing has to be printed.")


def _lying(way: str) -> str:
    return "in any orientation" if way == "any" else way


@click.command("due", epilog="Example: strandbook due")
@as_json
@pass_bench
def due_command(bench: Bench, /, as_json: bool) -> None:
    """Show what waits: readings, rested pieces, calibrations, jobs and dryings left open."""
    found = due(bench.book)
    if as_json:
        say_json([each.as_json() for each in found])
    elif not found:
        note("Nothing is due.")
    else:
        table(
            {
                "when": local(each.at, bench.book.zone) if each.at else "open",
                "": "late" if each.late else "",
                "id": each.id,
                "what": each.what,
            }
            for each in found
        )
