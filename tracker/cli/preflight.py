"""Plate files at the command line: how they are read, their pieces confirmed, the check before a print."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tracker.cautions import PRINTING
from tracker.cli._bench import Bench, pass_bench, prompt, prompt_spools
from tracker.cli._output import as_json, folded, note, print_json, table, width
from tracker.desk.jobplates import PieceWanted, PlateFile, read_piece
from tracker.errors import Refused
from tracker.forms import NONE
from tracker.lazy_modules import lazy
from tracker.orientation import checked_letters

if TYPE_CHECKING:
    from tracker import preflight as _preflight
    from tracker.desk import platemaps, plates
    from tracker.desk.plates import PlatePiece, PlateRead
    from tracker.preflight import Difference, Report
else:
    platemaps = lazy("tracker.desk.platemaps")
    plates = lazy("tracker.desk.plates")
    _preflight = lazy("tracker.preflight")


Texts = tuple[str, ...]

_READING = (
    click.option("--plate", type=int, metavar="NUMBER", help="Which plate of a container of several."),
    click.option(
        "--separate/--together",
        default=None,
        help="Parts that share one marker and nowhere touch: specimens of their own, or one. If neither is"
        " given they are told apart where each fits a template.",
    ),
    click.option("--g90-sets-e", is_flag=True, help="G90 and G91 set E too, as in some firmware."),
    click.option("--relative-e/--absolute-e", default=None, help="How E is read before the file says so."),
)


def reads_plate(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options on how a plate file is read; it gets them as ``read_as``."""

    @functools.wraps(command)
    def with_reading(
        *args: Any,
        plate: int | None,
        separate: bool | None,
        g90_sets_e: bool,
        relative_e: bool | None,
        **rest: Any,
    ) -> Any:
        given = {"plate": plate, "separate": separate, "g90_sets_e": g90_sets_e, "relative_e": relative_e}
        read_as = {name: value for name, value in given.items() if value is not None}
        if not g90_sets_e:
            del read_as["g90_sets_e"]
        return command(*args, read_as=read_as, **rest)

    for option in reversed(_READING):
        with_reading = option(with_reading)
    return with_reading


def taken_in(bench: Bench, path: Path, read_as: dict[str, Any]) -> PlateFile:
    """Take a plate file in; of a container of several plates let the person choose by number and picture.

    Raises:
        Refused: It is no plate file, or holds several plates and nobody can be asked.
    """
    plate = PlateFile.read(path, read_as)
    if "plate" in read_as:
        return plate

    choices = platemaps.choices_in(plate, width())
    if not choices:
        return plate
    if not bench.may_ask:
        listed = "; ".join(f"{each.number}: {each.words}" for each in choices)
        raise Refused(f"{plate.name} holds {len(choices)} plates", why=listed, do="--plate NUMBER")
    for each in choices:
        note(folded(f"plate {each.number}: {each.words}"))
        click.echo(each.drawn, err=True)
    known = {str(each.number): each.number for each in choices}

    def check(typed: str) -> None:
        if typed not in known:
            raise Refused(f"There is no plate {typed}", do=f"Type one of {', '.join(known)}")

    typed = prompt(f"Plate ({', '.join(known)})", check, needed=True)
    return replace(plate, read_as={**read_as, "plate": known[typed]})


@dataclass(frozen=True)
class PieceOptions:
    """What was said of the pieces on the command line.

    Attributes:
        wanted: Pieces named by hand.
        geometries: ``[PIECE=]TEMPLATE`` each.
        gauges: ``[PIECE=]x:FROM-TO`` each.
        dummies: Names of pieces printed for layer times only.
    """

    wanted: list[PieceWanted]
    geometries: Texts = ()
    gauges: Texts = ()
    dummies: Texts = ()


def settle(bench: Bench, read: PlateRead, options: PieceOptions) -> None:
    """Bring what the plate says of its pieces together with what the person says, and have it confirmed.

    Raises:
        Refused: They cannot be brought together.
    """
    plates.give_geometries(read, options.geometries)
    plates.mark_dummies(read, options.dummies)
    plates.give_gauges(read, options.gauges)
    plates.give_pieces(read, [(p.name, p.orientation) for p in options.wanted for _ in range(p.count)])
    for sentence in read.notes if bench.may_ask else ():
        note(folded(sentence))
    for group in plates.alike(read):
        note(folded(plates.kind_words(read, group)))
        if bench.may_ask and not options.wanted:
            plates.give_orientation(group, _confirmed(group[0]))
        if bench.may_ask and group[0].gauge_open:
            _ask_gauge(read, group)


def _confirmed(piece: PlatePiece) -> str:
    """Ask whether the letters are right; Enter takes them."""
    typed = prompt(f"  Orientation of {piece.kind}", checked_letters, piece.orientation)
    return "" if typed in ("", NONE) else checked_letters(typed)


def _ask_gauge(read: PlateRead, group: list[PlatePiece]) -> None:
    """Ask for the gauge section of a shape that no template knows, and show what it holds."""
    numbers = plates.numbers_of(read, group)

    def give(typed: str) -> None:
        for piece in group:
            plates.give_gauge(piece, typed)

    prompt(f"  Gauge section of {numbers} in mm of its box, as x:20-60 or z:5-15; Enter for all of it", give)
    if group[0].gauge:
        note(folded(plates.gauge_words(group[0].thing, group[0].gauge), "  "))


def asked_pieces() -> list[PieceWanted]:
    """Ask for the pieces of a plate that no file describes, one kind a line."""
    wanted: list[PieceWanted] = []
    note("Pieces on the plate as NAME:ORIENTATION:COUNT, one kind a line; an empty line ends.")
    while typed := prompt("Pieces", read_piece):
        wanted.append(read_piece(typed))
    return wanted


def commanded(read: PlateRead) -> dict[str, Any]:
    """Return the set-points that the plate commands, so that nobody is asked for them."""
    kept = ("nozzle_set_c", "bed_set_c", "chamber_set_c", "fan_set_pct", "layer_height_mm", "line_width_mm")
    columns = plates.job_columns(read.plate)
    return {name: columns[name] for name in kept if columns.get(name) is not None}


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
    """Check a plate FILE against data sheet, spool, programme and an earlier job, before it is printed."""
    plate = taken_in(bench, file, read_as)
    report = _preflight.preflight(bench.book, plate, spools or _asked_spools(bench), like, dummies)
    if as_json:
        print_json(report.as_json())
    else:
        _print_report(report)
    if report.stopped:
        raise click.exceptions.Exit(1)


def _asked_spools(bench: Bench) -> Texts:
    if not bench.may_ask:
        raise Refused("No spool is named to print it from", do="--spool ID; see list spools")
    return tuple(prompt_spools(bench, "Spool it is to be printed from (ID)", needed=True).split())


def _print_report(report: Report) -> None:
    click.echo(folded(f"{report.plate}: {_needs(report)}."))
    for line in report.pieces:
        click.echo(folded(line, "  "))
    for sentence in report.notes:
        note(folded(sentence))
    if report.like:
        _print_differences(report)
    for finding in report.findings:
        click.echo(folded(f"{'STOP' if finding.kind == 'stop' else 'warning'}: {finding.text}"))
    note(f"Caution: {PRINTING}")
    click.echo(_verdict(report))


def _verdict(report: Report) -> str:
    if report.stopped:
        return "Do not print it as it is."
    return "Check these before printing it." if report.findings else "No objections found."


def _needs(report: Report) -> str:
    """Return what the plate takes: ``12.4 g, about 45 min without heating``."""
    parts = [] if report.filament_g is None else [f"{report.filament_g:.3g} g"]
    minutes = (report.time_s or 0.0) / 60
    hours = f"{minutes / 60:.1f} h" if minutes > _LONG_MIN else f"{max(minutes, 1):.0f} min"
    return ", ".join([*parts, f"about {hours} without heating"])


def _print_differences(report: Report) -> None:
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
    counted = ", ".join(f"{count} {which}" for which, count in counts.items() if count)
    return f"Further settings, in --json: {counted}." if counted else ""


def _row(each: Difference, like: str) -> dict[str, object]:
    apart = "from 0" if each.from_zero else None if each.relative is None else f"{100 * each.relative:.3g} %"
    return {"what": each.what, "here": _short(each.plate), like: _short(each.like), "apart": apart}


def _short(value: float | str | None) -> float | str | None:
    """Shorten words, so that a long value does not take the room of the names."""
    room = max(_LEAST_VALUE, (width() - _ROOM_OF_NAMES) // 2)
    return value if not isinstance(value, str) or len(value) <= room else f"{value[: room - 1]}…"
