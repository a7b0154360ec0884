"""The pieces of a job at the command line: what plate and person say of them, and what is confirmed."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tracker.cli._asking import prompt
from tracker.cli._bench import Bench
from tracker.cli._telling import folded, note, width
from tracker.desk.jobplates import PlateFile
from tracker.desk.typedpieces import PieceWanted, read_piece
from tracker.errors import Refused
from tracker.forms import NONE
from tracker.orientation import checked_letters

if TYPE_CHECKING:
    from tracker.desk.plates import PlatePiece, PlateRead

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
    from tracker.desk.platemaps import choices_in  # noqa: PLC0415 - brings numpy

    choices = choices_in(plate, width())
    if not choices:
        return plate
    if not bench.may_ask:
        listed = "; ".join(f"{each.number}: {each.words}" for each in choices)
        raise Refused(f"{plate.name} holds {len(choices)} plates", why=listed, do="--plate NUMBER")
    for each in choices:
        note(folded(f"plate {each.number}: {each.words}"))
        click.echo(each.drawn, err=True)
    known = {str(each.number): each.number for each in choices}
    typed: str = click.prompt("Plate", type=click.Choice(list(known)), err=True)
    return replace(plate, read_as={**read_as, "plate": known[typed]})


@dataclass(frozen=True)
class Said:
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


def settle(bench: Bench, read: PlateRead, said: Said) -> None:
    """Bring what the plate says of its pieces together with what the person says, and have it confirmed.

    Raises:
        Refused: They cannot be brought together.
    """
    from tracker.desk import plates  # noqa: PLC0415 - brings numpy, which other commands do not need

    plates.give_geometries(read, said.geometries)
    plates.mark_dummies(read, said.dummies)
    plates.give_gauges(read, said.gauges)
    plates.give_pieces(read, [(p.name, p.orientation) for p in said.wanted for _ in range(p.count)])
    for sentence in read.says if bench.may_ask else ():
        note(folded(sentence))
    for group in plates.alike(read):
        note(folded(plates.kind_words(read, group)))
        if bench.may_ask and not said.wanted:
            plates.give_orientation(group, _confirmed(group[0]))
        if bench.may_ask and group[0].gauge_open:
            _ask_gauge(read, group)


def _confirmed(piece: PlatePiece) -> str:
    """Ask whether the letters are right; Enter takes them."""
    typed = prompt(f"  Orientation of {piece.kind}", checked_letters, piece.orientation)
    return "" if typed in ("", NONE) else checked_letters(typed)


def _ask_gauge(read: PlateRead, group: list[PlatePiece]) -> None:
    """Ask for the gauge section of a shape that no template knows, and show what it holds."""
    from tracker.desk import plates  # noqa: PLC0415 - loaded by now

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
    from tracker.desk import plates  # noqa: PLC0415 - loaded by now

    kept = ("nozzle_set_c", "bed_set_c", "chamber_set_c", "fan_set_pct", "layer_height_mm", "line_width_mm")
    columns = plates.job_columns(read.plate)
    return {name: columns[name] for name in kept if columns.get(name) is not None}
