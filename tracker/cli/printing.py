"""Jobs: added, changed by hand while they run, ended."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from tracker.cli._asking import answered, asks
from tracker.cli._bench import Bench, pass_bench
from tracker.cli._telling import as_json, done, note, say_json
from tracker.desk import jobs
from tracker.desk.finding import find
from tracker.desk.moments import when_at
from tracker.errors import Refused
from tracker.records import shown_record


@click.group("job", short_help="Jobs: add, change, end.")
def job_command() -> None:
    """Jobs: one run of a plate file on a printer."""


@job_command.command(
    "add",
    epilog="Example: strandbook job add plate.gcode --spool S0007-K --piece bar:ZXY:5 --started now",
)
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option(
    "--spool", "spools", multiple=True, metavar="ID", help="Spool printed from; once for each tool."
)
@click.option("--material", metavar="NAME", help="Material, where the spool is not known.")
@click.option(
    "--piece", "pieces", multiple=True, metavar="NAME:ORIENTATION[:COUNT]", help="What is on the plate."
)
@click.option("--again", metavar="JOB", help="The job of which this is another attempt.")
@asks((*jobs.MEANT_FORM, *jobs.MEASURED_FORM))
@as_json
@pass_bench
def job_add(
    bench: Bench,
    /,
    file: Path | None,
    spools: tuple[str, ...],
    material: str | None,
    pieces: tuple[str, ...],
    again: str | None,
    as_json: bool,
    **typed: Any,
) -> None:
    """Enter a job: plate FILE, spools, pieces, what was set and what was measured."""
    wanted = [jobs.read_piece(each) for each in pieces]
    plate = jobs.PlateFile.read(file) if file else None
    if bench.may_ask and not (spools or material or again):
        spools = tuple(click.prompt("Spools printed from (IDs)", err=True).split())
    if bench.may_ask and not (wanted or again):
        wanted = _asked_pieces()
    answers = answered(
        bench, (*jobs.MEANT_FORM, *jobs.MEASURED_FORM), typed, when_at(bench.book), _last(bench, again)
    )
    act = jobs.add_job(
        bench.book,
        bench.who,
        answers,
        spools=spools,
        material=material,
        plate=plate,
        pieces=wanted,
        again=again,
    )
    if as_json:
        say_json(job_data(bench, act.id))
    else:
        done(act, False, f"strandbook job end {act.id}, then strandbook offbed {act.id}")


def _last(bench: Bench, again: str | None) -> dict[str, Any]:
    """Return what is offered in the prompts: the last printer; nothing that another attempt takes over."""
    if not bench.may_ask or again:
        return {}
    with bench.book.read() as session:
        return {"printer": jobs.last_value(session, "printer"), "started_at": "now"}


def _asked_pieces() -> list[jobs.PieceWanted]:
    wanted: list[jobs.PieceWanted] = []
    note("Pieces on the plate as NAME:ORIENTATION:COUNT, one kind a line; an empty line ends.")
    while typed := click.prompt("Pieces", default="", show_default=False, err=True).strip():
        try:
            wanted.append(jobs.read_piece(typed))
        except Refused as error:
            note(f"  {error}")
    return wanted


def job_data(bench: Bench, job: str) -> dict[str, Any]:
    """Return a job as JSON."""
    with bench.book.read() as session:
        return shown_record(session, find(bench.book, session, job, "job"), bench.book.zone).data


@job_command.command("change", epilog="Example: strandbook job change J0012-P fan=50 --layer 40")
@click.argument("job")
@click.argument("assignment", metavar="SETTING=VALUE")
@click.option("--at", metavar="TIME", help="From when (14:32); now where nothing is said.")
@click.option("--layer", metavar="NUMBER", help="From which layer.")
@click.option("--height", "height_mm", metavar="NUMBER", help="From which height [mm].")
@click.option("--note", metavar="TEXT", help="Why.")
@as_json
@pass_bench
def job_change(bench: Bench, /, job: str, assignment: str, as_json: bool, **typed: Any) -> None:
    """Enter a setting that was changed by hand while the job ran."""
    done(jobs.change_setting(bench.book, bench.who, job, assignment, typed), as_json)


@job_command.command(
    "end", epilog="Example: strandbook job end J0012-P --outcome finished --chamber-measured 58"
)
@click.argument("job")
@asks(jobs.END_FORM)
@as_json
@pass_bench
def job_end(bench: Bench, /, job: str, as_json: bool, **typed: Any) -> None:
    """Enter how a job ended and what was measured while it ran."""
    answers = answered(bench, jobs.END_FORM, typed, when_at(bench.book), {"ended_at": "now"})
    done(jobs.end_job(bench.book, bench.who, job, answers), as_json)
