"""The check before a print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tracker.cli._asking import finder, prompt
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._pieces import reads_plate, taken_in
from tracker.cli._telling import as_json, folded, note, say_json, table, width
from tracker.errors import Refused

if TYPE_CHECKING:
    from tracker.preflight import Difference, Report

_SETTINGS_SHOWN = 20
_LEAST_VALUE, _ROOM_OF_NAMES = 10, 44
_LONG_MIN = 90


@click.command(
    "preflight",
    epilog="Example: strandbook preflight plate.gcode --spool S0007-K --like J0012-P; exit code 1 on a stop",
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--spool",
    "spools",
    multiple=True,
    metavar="ID",
    help="Spool it is to be printed from; once for each tool.",
)
@click.option("--like", metavar="JOB|PLAN.toml", help="Job or plan that it should repeat.")
@click.option(
    "--dummy", "dummies", multiple=True, metavar="PIECE", help="Piece printed for layer times only."
)
@reads_plate
@as_json
@pass_bench
def preflight_command(
    bench: Bench,
    /,
    file: Path,
    spools: tuple[str, ...],
    like: str | None,
    read_as: dict[str, Any],
    dummies: tuple[str, ...],
    as_json: bool,
) -> None:
    """Hold a plate FILE against data sheet, spool, programme and an earlier job, before it is printed."""
    from tracker.preflight import preflight  # noqa: PLC0415 - brings numpy

    plate = taken_in(bench, file, read_as)
    report = preflight(bench.book, plate, spools or (_asked_spool(bench),), like, dummies)
    if as_json:
        say_json(report.as_json())
    else:
        _tell(report)
    if report.stopped:
        raise click.exceptions.Exit(1)


def _asked_spool(bench: Bench) -> str:
    if not bench.may_ask:
        raise Refused("It is not said which spool it is to be printed from", do="--spool ID; see list spools")
    return prompt("Spool it is to be printed from (ID)", finder(bench, "spool"), needed=True)


def _tell(report: Report) -> None:
    click.echo(folded(f"{report.plate}: {_needs(report)}."))
    for line in report.pieces:
        click.echo(folded(line, "  "))
    for sentence in report.says:
        note(folded(sentence))
    if report.like:
        _tell_differences(report)
    for finding in report.findings:
        click.echo(folded(f"{'STOP' if finding.kind == 'stop' else 'warning'}: {finding.text}"))
    click.echo("Do not print it as it is." if report.stopped else "Nothing speaks against printing it.")


def _needs(report: Report) -> str:
    """Return what the plate takes: ``12.4 g, about 45 min without heating``."""
    parts = [] if report.filament_g is None else [f"{report.filament_g:.3g} g"]
    minutes = (report.time_s or 0.0) / 60
    hours = f"{minutes / 60:.1f} h" if minutes > _LONG_MIN else f"{max(minutes, 1):.0f} min"
    return ", ".join([*parts, f"about {hours} without heating"])


def _tell_differences(report: Report) -> None:
    like, found = report.like, report.differences
    if not found:
        # Said of every specimen or not at all: the plate as a whole may be alike and one section not.
        whole = "" if report.agrees is not False else ", but not every specimen has its like there"
        click.echo(f"As {like} in every value that both know{whole}.")
        return
    click.echo(folded(f"Differs from {like}, the largest relative difference first:"))
    settings = [each for each in found if each.unit == "setting"]
    compared = [each for each in settings if not each.alone]
    folded_in = {id(each) for each in (*compared[_SETTINGS_SHOWN:], *(s for s in settings if s.alone))}
    table([_row(each, like) for each in found if id(each) not in folded_in], fit=True)
    rest = _left_out(like, settings, len(compared) - _SETTINGS_SHOWN)
    if rest:
        click.echo(folded(rest))


def _left_out(like: str, settings: list[Difference], more: int) -> str:
    """Return how many of the settings stand only in the JSON; empty where none do."""
    counts = {
        f"that only {like} states": sum(each.alone and each.plate is None for each in settings),
        "that only this plate states": sum(each.alone and each.like is None for each in settings),
        "that differ less or in words": max(more, 0),
    }
    said = ", ".join(f"{count} {which}" for which, count in counts.items() if count)
    return f"Further settings, in --json: {said}." if said else ""


def _row(each: Difference, like: str) -> dict[str, object]:
    apart = "from 0" if each.from_zero else None if each.relative is None else f"{100 * each.relative:.3g} %"
    return {"what": each.what, "here": _short(each.plate), like: _short(each.like), "apart": apart}


def _short(value: float | str | None) -> float | str | None:
    """Shorten words, so that a long value does not take the room of the names."""
    room = max(_LEAST_VALUE, (width() - _ROOM_OF_NAMES) // 2)
    return value if not isinstance(value, str) or len(value) <= room else f"{value[: room - 1]}…"
