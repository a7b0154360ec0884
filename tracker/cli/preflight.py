"""The check before a print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, note, say_json, table
from tracker.desk.jobplates import PlateFile

if TYPE_CHECKING:
    from tracker.preflight import Difference, Report

_SETTINGS_SHOWN = 20


@click.command(
    "preflight",
    epilog="Example: strandbook preflight plate.gcode --spool S0007-K --like J0012-P; exit code 1 on a stop",
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--spool", required=True, metavar="ID", help="Spool it is to be printed from.")
@click.option("--like", metavar="JOB|PLAN.toml", help="Job or plan that it should repeat.")
@click.option(
    "--dummy", "dummies", multiple=True, metavar="PIECE", help="Piece printed for layer times only."
)
@as_json
@pass_bench
def preflight_command(
    bench: Bench, /, file: Path, spool: str, like: str | None, dummies: tuple[str, ...], as_json: bool
) -> None:
    """Hold a plate FILE against data sheet, spool, programme and an earlier job, before it is printed."""
    from tracker.preflight import preflight  # noqa: PLC0415 - brings numpy

    report = preflight(bench.book, PlateFile.read(file), spool, like, dummies)
    if as_json:
        say_json(report.as_json())
    else:
        _tell(report)
    if report.stopped:
        raise click.exceptions.Exit(1)


def _tell(report: Report) -> None:
    for line in report.pieces:
        click.echo(f"  {line}")
    for sentence in report.says:
        note(sentence)
    if report.like:
        _tell_differences(report.like, report.differences)
    for finding in report.findings:
        click.echo(f"{'STOP' if finding.kind == 'stop' else 'warning'}: {finding.text}")
    click.echo("Do not print it as it is." if report.stopped else "Nothing speaks against printing it.")


def _tell_differences(like: str, found: list[Difference]) -> None:
    if not found:
        click.echo(f"As {like} in every value that both know.")
        return
    click.echo(f"Differs from {like}, the largest relative difference first:")
    settings = [each for each in found if each.unit == "setting"]
    left_out = settings[_SETTINGS_SHOWN:]
    table([_row(each, like) for each in found if each not in left_out])
    if left_out:
        note(f"{len(left_out)} further settings differ less or in words; see --json.")


def _row(each: Difference, like: str) -> dict[str, object]:
    relative = None if each.relative is None else f"{100 * each.relative:.1f} %"
    return {"what": each.what, "this plate": each.plate, like: each.like, "difference": relative}
