"""Jobs: added, changed by hand while they run, ended."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypedDict

import click

from tracker.cautions import PRINTING
from tracker.cli._bench import Bench, Station, asks, pass_bench, prompt, prompt_spools, until_stored
from tracker.cli._output import as_json, done, note, print_json, sure, width, write_file
from tracker.cli.preflight import PieceOptions, asked_pieces, commanded, reads_plate, settle, taken_in
from tracker.desk import jobs
from tracker.desk.doubts import Done
from tracker.desk.jobplates import PieceWanted, PlateFile, read_job_plate, read_piece
from tracker.desk.jobs import SPOOL_USE_FORM, change_setting, use_spool
from tracker.desk.photographs import add_photograph, read_photograph
from tracker.errors import Refused
from tracker.forms import when_at
from tracker.kinds import card_of, find, material_named
from tracker.kinds.job import END_FORM, MEASURED_FORM, SET_FORM
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    from tracker import preflight as _preflight
    from tracker.desk import jobs as _gauges
    from tracker.desk import logs, platemaps
    from tracker.desk.logs import By, LogFile
    from tracker.desk.plates import PlateRead
else:
    _preflight = lazy("tracker.preflight")
    platemaps = lazy("tracker.desk.platemaps")
    logs = lazy("tracker.desk.logs")
    _gauges = lazy("tracker.desk.jobs")


_UNASKED: Final = tuple(replace(each, prompt=False) for each in MEASURED_FORM)
"""What was measured can be given with a new job and is asked for at its end, when it is known."""


@click.group("job", cls=Station, short_help="Jobs: add, change, end.")
def job_command() -> None:
    """Jobs: one run of a plate file on a printer."""


@job_command.command(
    "add",
    epilog="Example: strandbook job add plate.gcode --spool S0007-K --started now --geometry iso527-1a",
)
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option(
    "--spool", "spools", multiple=True, metavar="ID", help="Spool printed from; once for each tool."
)
@click.option("--material", metavar="NAME", help="Material, where the spool is not known.")
@click.option(
    "--piece",
    "pieces",
    multiple=True,
    metavar="NAME:ORIENTATION[:COUNT]",
    help="What is on the plate; with FILE only to correct what it says.",
)
@click.option(
    "--geometry",
    "geometries",
    multiple=True,
    metavar="[PIECE=]TEMPLATE",
    help="Template of pieces, where the one found by size is wrong: iso178, bar=iso527-1a, 3=free.",
)
@click.option(
    "--dummy", "dummies", multiple=True, metavar="PIECE", help="Piece printed for layer times only."
)
@click.option(
    "--gauge",
    "gauges",
    multiple=True,
    metavar="[PIECE=]RANGE",
    help="Gauge section of a free shape, or of one clamped otherwise, in mm from the corner of its box:"
    " bar=x:20-60, 2=z:5-15, x:20-60,y:3-7.",
)
@click.option("--again", metavar="JOB", help="The job of which this is another attempt.")
@reads_plate
@asks((*SET_FORM, *MEASURED_FORM))
@sure
@as_json
@pass_bench
def job_add(
    bench: Bench,
    /,
    file: Path | None,
    spools: tuple[str, ...],
    material: str | None,
    pieces: tuple[str, ...],
    geometries: tuple[str, ...],
    dummies: tuple[str, ...],
    gauges: tuple[str, ...],
    again: str | None,
    read_as: dict[str, Any],
    yes: bool,
    as_json: bool,
    **typed: Any,
) -> None:
    """Enter a job: plate FILE, spools, pieces, what was set and what was measured.

    Pieces, places, orientations, set-points and times are read from FILE; without one they are typed.
    """
    options = PieceOptions([read_piece(each) for each in pieces], geometries, gauges, dummies)
    plate = taken_in(bench, file, read_as) if file else None
    if bench.may_ask and not (spools or material or again):
        named = prompt_spools(bench, "Spools printed from (IDs), Enter if not known", needed=False)
        spools = tuple(named.split())
        material = material or (None if spools else prompt("Material", _material(bench), needed=True))
    of: _Of = {"spools": spools, "material": material, "again": again}
    read = read_job_plate(bench.book, plate, **of) if plate is not None else None
    wanted, typed = _pieces_of(bench, read, options, typed, again)
    stops = _stops(bench, plate, spools, dummies) if plate is not None and spools and not yes else []
    act = until_stored(
        bench, (*SET_FORM, *_UNASKED), typed, when_at(bench.book),
        lambda answers, certain: jobs.add_job(
            bench.book, bench.who, answers, plate=plate, pieces=wanted, read=read, asked=stops, sure=certain,
            **of,
        ),
        yes, _last(bench, again),
    )  # fmt: skip
    _print_added(bench, act, as_json)


def _material(bench: Bench) -> Callable[[str], None]:
    def known(typed: str) -> None:
        with bench.book.read() as session:
            material_named(session, typed)

    return known


def _stops(bench: Bench, plate: PlateFile, spools: tuple[str, ...], dummies: tuple[str, ...]) -> list[str]:
    """Return what the check before the print would stop this plate for."""
    report = _preflight.preflight(bench.book, plate, spools, None, dummies)
    return [each.text.rstrip(".") for each in report.findings if each.kind == "stop"]


@job_command.command("pieces", epilog="Example: strandbook job pieces J0012-P --piece bar:ZXY:5")
@click.argument("job")
@click.option(
    "--piece", "pieces", multiple=True, metavar="NAME:ORIENTATION[:COUNT]", help="What is on the plate."
)
@as_json
@pass_bench
def job_pieces(bench: Bench, /, job: str, pieces: tuple[str, ...], as_json: bool) -> None:
    """Enter the specimens of a JOB that has none yet."""
    wanted = [read_piece(each) for each in pieces] or (asked_pieces() if bench.may_ask else [])
    done(jobs.add_specimens(bench.book, bench.who, job, wanted), as_json)


class _Of(TypedDict):
    """What a job is printed from: spools or material, and the attempt before it."""

    spools: tuple[str, ...]
    material: str | None
    again: str | None


def _pieces_of(
    bench: Bench, read: PlateRead | None, options: PieceOptions, typed: dict[str, Any], again: str | None
) -> tuple[list[PieceWanted], dict[str, Any]]:
    """Return the pieces that are typed, and the answers with what the plate commands.

    Raises:
        Refused: Something is said of pieces that only a plate file could hold.
    """
    if read is not None:
        settle(bench, read, options)
        given = {key: value for key, value in typed.items() if value is not None}
        return [], {**typed, **commanded(read), **given}
    if options.geometries or options.dummies or options.gauges:
        raise Refused(
            "--geometry, --gauge and --dummy name pieces of a plate file", do="Give FILE, a new one"
        )
    if bench.may_ask and not (options.wanted or again):
        return asked_pieces(), typed
    return options.wanted, typed


def _print_added(bench: Bench, act: Done, json_wanted: bool) -> None:
    note(f"Caution: {PRINTING}")
    if not json_wanted:
        done(act, False, f"strandbook job end {act.id}, then strandbook offbed {act.id}")
        return
    for sentence in act.notes:
        note(sentence)
    print_json(job_data(bench, act.id))


def _last(bench: Bench, again: str | None) -> dict[str, Any]:
    """Return what is offered in the prompts: the last printer; nothing that another attempt takes over."""
    if not bench.may_ask or again:
        return {}
    with bench.book.read() as session:
        return {"printer": jobs.last_value(session, "printer"), "started_at": "now"}


def job_data(bench: Bench, job: str) -> dict[str, Any]:
    """Return a job as JSON."""
    with bench.book.read() as session:
        return card_of(session, find(bench.book, session, job, "job"), bench.book.zone).data


@job_command.command("change", epilog="Example: strandbook job change J0012-P fan=50 --layer 40")
@click.argument("job")
@click.argument("assignment", metavar="SETTING=VALUE")
@click.option("--at", metavar="TIME", help="From when (14:32); else now.")
@click.option("--layer", metavar="NUMBER", help="From which layer.")
@click.option("--height", "height_mm", metavar="NUMBER", help="From which height [mm].")
@click.option("--note", metavar="TEXT", help="Why.")
@as_json
@pass_bench
def job_change(bench: Bench, /, job: str, assignment: str, as_json: bool, **typed: Any) -> None:
    """Enter a setting that was changed by hand while the job ran."""
    done(change_setting(bench.book, bench.who, job, assignment, typed), as_json)


@job_command.command(
    "end", epilog="Example: strandbook job end J0012-P --outcome finished --chamber-measured 58"
)
@click.argument("job")
@asks(END_FORM)
@sure
@as_json
@pass_bench
def job_end(bench: Bench, /, job: str, yes: bool, as_json: bool, **typed: Any) -> None:
    """Enter how a job ended and what was measured while it ran."""
    offered = jobs.offered_end(bench.book, job) if bench.may_ask else ""
    act = until_stored(
        bench, END_FORM, typed, when_at(bench.book),
        lambda answers, certain: jobs.end_job(bench.book, bench.who, job, answers, sure=certain),
        yes, {"ended_at": offered or None},
    )  # fmt: skip
    done(act, as_json)


@job_command.command("spool", epilog="Example: strandbook job spool J0012-P S0009-6 --from-layer 40")
@click.argument("job")
@click.argument("spool")
@asks(SPOOL_USE_FORM[1:])
@sure
@as_json
@pass_bench
def job_spool(bench: Bench, /, job: str, yes: bool, as_json: bool, **typed: Any) -> None:
    """Enter another SPOOL that JOB was printed from: of a tool, from a layer on, or for some pieces."""
    act = bench.sure(lambda certain: use_spool(bench.book, bench.who, job, typed, sure=certain), yes)
    done(act, as_json)


@job_command.command("map", epilog="Example: strandbook job map J0012-P -o plate.svg")
@click.argument("job")
@click.option(
    "-o", "--output", metavar="FILE", type=click.Path(path_type=Path), help="Picture: FILE.svg or FILE.png."
)
@click.option("--mark", metavar="PIECE", help="Piece to highlight.")
@as_json
@pass_bench
def job_map(bench: Bench, /, job: str, output: Path | None, mark: str | None, as_json: bool) -> None:
    """Draw the plate of JOB from above: which piece is which, and what became of it."""
    if as_json:
        print_json({"id": job_data(bench, job)["id"], "specimens": job_data(bench, job)["specimens"]})
        return

    if output is None:
        click.echo(platemaps.map_text(bench.book, job, min(width(), 100), mark), nl=False)
        return
    data = platemaps.map_picture(bench.book, job, output.suffix.lower().removeprefix("."), mark)
    write_file(output, data)


@job_command.command("first-layer", epilog="Example: strandbook job first-layer J0012-P 14:32")
@click.argument("job")
@click.argument("first_layer_at", metavar="[TIME]", required=False)
@click.option("--heating", "heating_s", metavar="TIME", help="Instead: how long it heated, as '12 min'.")
@as_json
@pass_bench
def job_first_layer(bench: Bench, /, job: str, as_json: bool, **typed: Any) -> None:
    """Say when the first layer of JOB began: no plate file knows how long it heated.

    Logs and changes by hand at a time are aligned with the layers from then on.
    """
    done(logs.first_layer(bench.book, bench.who, bench.plugged, job, typed), as_json)


@job_command.command("gauge", epilog="Example: strandbook job gauge J0012-P x:20-60 --piece bar")
@click.argument("job")
@click.argument("stated", metavar="RANGE|template")
@click.option(
    "--piece", "pieces", multiple=True, metavar="PIECE", help="Name or number; else all but dummies."
)
@sure
@as_json
@pass_bench
def job_gauge(
    bench: Bench, /, job: str, stated: str, pieces: tuple[str, ...], yes: bool, as_json: bool
) -> None:
    """State the gauge section of pieces of JOB, in mm from the corner of a piece's box.

    RANGE is x:20-60, y:3-7 or both for a flat piece, z:5-15 for an upright one; template takes it back.
    Layer times, set-points and logs of these pieces are read again over it.
    """
    act = bench.sure(
        lambda meant: _gauges.state_gauge(
            bench.book, bench.who, bench.plugged, job, stated, pieces, sure=meant
        ),
        yes,
    )
    done(act, as_json)


@job_command.command(
    "photo", epilog="Example: strandbook job photo J0012-04-K corner.jpg --note 'lifted at one corner'"
)
@click.argument("target", metavar="JOB|PIECE")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--note", metavar="TEXT", help="What is to be seen.", default="")
@as_json
@pass_bench
def job_photo(bench: Bench, /, target: str, file: Path, note: str, as_json: bool) -> None:
    """Keep a photograph FILE of a plate or of one piece: JPEG, PNG, WebP or GIF."""
    data = read_photograph(file)
    done(add_photograph(bench.book, bench.who, target, file.name, data, note), as_json)


@job_command.command("log", epilog="Example: strandbook job log J0012-P chamber.csv --map 'chamber=Sensor 2'")
@click.argument("job")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--map",
    "mapping",
    multiple=True,
    metavar="CHANNEL=COLUMN",
    help="Which column is chamber, bed, nozzle, room or humidity, where the guess is wrong.",
)
@click.option(
    "--align",
    type=click.Choice(["clock", "first-rise"]),
    default="clock",
    show_default=True,
    help="Trust the logger's clock, or take the first rise of a temperature for the start.",
)
@click.option(
    "--offset",
    metavar="TIME",
    help="Own offset: how long after the job's start the log begins (-90 s, 2 min).",
)
@click.option(
    "--zone", metavar="NAME", help="Zone of the logger's clock, as Europe/Vienna; else the bench's."
)
@click.option(
    "-n", "--dry-run", is_flag=True, help="Show how it is read and how it fits the job; keep nothing."
)
@as_json
@pass_bench
def job_log(
    bench: Bench,
    /,
    job: str,
    file: Path,
    mapping: tuple[str, ...],
    align: str,
    offset: str | None,
    zone: str | None,
    dry_run: bool,
    as_json: bool,
) -> None:
    """Keep a log FILE of JOB; each piece gets what it says of the time in which it was printed."""
    log = logs.LogFile.read(file, mapping, zone)
    offset_s = logs.offset_typed(offset or "")
    by: By = "own offset" if offset_s is not None else "clock" if align == "clock" else "first rise"
    if dry_run:
        _print_preview(bench, job, log, by, offset_s, as_json)
    else:
        done(logs.add_log(bench.book, bench.who, bench.plugged, job, log, by, offset_s), as_json)


def _print_preview(
    bench: Bench, job: str, log: LogFile, by: By, offset_s: float | None, json_wanted: bool
) -> None:
    """Say what a log would be; one that does not fit the job is refused after that.

    Raises:
        Refused: It cannot be laid beside the job.
    """
    look = logs.look_at_log(bench.book, bench.plugged, job, log, by, offset_s)
    if json_wanted:
        print_json(look.as_json())
        return
    for line in filter(None, (*look.how, look.placing, *look.doubts)):
        click.echo(line)
    if look.refusal:
        raise Refused(look.refusal)
    note("Nothing was kept; without --dry-run it is.")
