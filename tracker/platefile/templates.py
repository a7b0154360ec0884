"""Usual test pieces: which of them an object may be, and where its gauge section lies."""

from __future__ import annotations

import math
import os
import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path

from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.platefile.facts import PlateObject
from tracker.platefile.gauge import Window
from tracker.platefile.orientation import NO_AXIS, orientation_of

FREE = "free"
_TOLERANCE = 0.06
_TOLERANCE_MM = 0.6
"""A printed piece is a line width or a little warp off its nominal size. Common practice, no source."""
_STEEP_DEG = 20.0
"""A bar that rises less is cut by its length in the plane. Our choice."""
_SIDES = ("length", "width", "thickness")


@dataclass(frozen=True, slots=True)
class Piece:
    """A template of a test piece.

    Attributes:
        id: Its short name.
        title: Its name in words.
        size_mm: Length, width, thickness; None for a free shape.
        open: Sides that may be larger: ``length``, ``width``, ``thickness``.
        gauge_mm: Length of the gauge section along the longest dimension; None takes the whole piece.
        gauge: What the gauge section is.
        section_mm: Width and thickness of the gauge section; None for a free shape.
        source: Where the figures come from.
    """

    id: str
    title: str
    size_mm: tuple[float, float, float] | None
    open: tuple[str, ...]
    gauge_mm: float | None
    gauge: str
    section_mm: tuple[float, float] | None
    source: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A template that an object may be.

    Attributes:
        piece: The template.
        deviation_mm: Greatest difference of a dimension; None for the free shape.
        margin_mm: How much more the next template of another size differs; None where there is none.
    """

    piece: Piece
    deviation_mm: float | None
    margin_mm: float | None = None


OWN_FOLDER = "STRANDBOOK_TEMPLATES"
"""Names the folder of one's own templates; else ``strandbook/templates`` among the user's settings."""


def pieces() -> tuple[Piece, ...]:
    """Return all templates: those built in, then one's own, the free shape last.

    A template of one's own with the id of another takes its place.

    Raises:
        Refused: A file of one's own cannot be read.
    """
    settings = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    folder = Path(os.environ.get(OWN_FOLDER) or Path(settings) / "strandbook" / "templates")
    own = {each.id: each for path in sorted(folder.glob("*.toml")) for each in _own(path)}
    found = {each.id: each for each in _built_in()} | own
    return (*(each for each in found.values() if each.size_mm), *(e for e in found.values() if not e.size_mm))


@cache
def _built_in() -> tuple[Piece, ...]:
    table = tomllib.loads(files(__package__).joinpath("pieces.toml").read_text("utf-8"))
    return tuple(_piece(row) for row in table["piece"])


def _own(path: Path) -> tuple[Piece, ...]:
    try:
        table = tomllib.loads(read_input(path, "settings").decode("utf-8"))
        return tuple(_piece(row) for row in table["piece"])
    # What cannot be decoded, and what is no TOML, are ValueErrors.
    except (OSError, KeyError, TypeError, ValueError, RecursionError) as error:
        raise Refused(
            f"{path} is no file of templates",
            why=str(error),
            do="Write [[piece]] with id, title, size_mm, gauge_mm, gauge and source, as the built-in ones do",
        ) from error


def _piece(row: dict[str, object]) -> Piece:
    size = row.get("size_mm")
    length, width, thickness = size if isinstance(size, list) else (0.0, 0.0, 0.0)
    opened = row.get("open")
    gauge = row.get("gauge_mm")
    section = row.get("section_mm", [width, thickness] if isinstance(size, list) else None)
    return Piece(
        id=str(row["id"]),
        title=str(row["title"]),
        size_mm=(length, width, thickness) if isinstance(size, list) else None,
        open=tuple(str(side) for side in opened) if isinstance(opened, list) else (),
        gauge_mm=float(gauge) if isinstance(gauge, int | float) else None,
        gauge=str(row["gauge"]),
        section_mm=(float(section[0]), float(section[1])) if isinstance(section, list) else None,
        source=str(row["source"]),
    )


def piece_named(name: str) -> Piece:
    """Return the template of this name.

    Raises:
        Refused: There is none.
    """
    for piece in pieces():
        if piece.id == name.strip().lower():
            return piece
    known = ", ".join(piece.id for piece in pieces())
    raise Refused(f"No piece is called {name!r}", do=f"Known are: {known}.")


def match_geometry(size_mm: tuple[float, float, float]) -> list[Candidate]:
    """Return the templates that a piece of this size may be, closest first, the free shape last.

    Args:
        size_mm: Its own dimensions in mm, in any order; of an askew piece those of its smallest rectangle.
    """
    found = [
        Candidate(piece, deviation)
        for piece in pieces()
        if piece.size_mm and (deviation := _deviation(size_mm, piece)) is not None
    ]
    free = [Candidate(piece, None) for piece in pieces() if not piece.size_mm]
    ordered = sorted(found, key=lambda one: one.deviation_mm or 0.0)
    return [*(replace(one, margin_mm=_margin(one, ordered)) for one in ordered), *free]


def _margin(one: Candidate, ordered: list[Candidate]) -> float | None:
    """Return how much farther off the nearest template of another size is."""
    others = [each.deviation_mm or 0.0 for each in ordered if each.piece.size_mm != one.piece.size_mm]
    return round(min(others) - (one.deviation_mm or 0.0), 4) if others else None


def match_object(piece: PlateObject) -> list[Candidate]:
    """Return the templates that an object of a plate may be, closest first, the free shape last."""
    return match_geometry(own_size(piece))


def own_size(piece: PlateObject) -> tuple[float, float, float]:
    """Return a piece's dimensions along its own sides, mm, height last: askew ones as if turned straight."""
    if piece.tilt:
        return piece.tilt.size_mm
    if orientation_of(piece).rotation_deg:
        return (*piece.rect_mm, piece.size_mm[2])
    return piece.size_mm


def _deviation(size_mm: tuple[float, float, float], piece: Piece) -> float | None:
    """Return the greatest difference in mm, None if it is too great."""
    worst = 0.0
    for side, have, want in zip(_SIDES, sorted(size_mm, reverse=True), piece.size_mm or (), strict=True):
        difference = have - want
        # "At least" is no licence for any length: half as much again is another piece.
        most = want * 0.5 if side in piece.open and difference > 0 else want * _TOLERANCE + _TOLERANCE_MM
        if abs(difference) > most:
            return None
        worst = max(worst, abs(difference))
    return round(worst, 4)


def gauge_window(piece: Piece, thing: PlateObject) -> Window:
    """Return where the gauge section of an object lies.

    It lies in the middle of the longest dimension: a range of heights for an upright
    piece, a range along X, Y or the askew direction for one that lies.

    Args:
        piece: The template.
        thing: The object.
    """
    box = thing.box_mm
    length, width, height = (*_in_plane(thing), thing.size_mm[2])
    if thing.tilt and piece.size_mm and thing.tilt.angle_deg >= _STEEP_DEG:
        # Layers cut a tilted bar aslant: the heights between which its middle part lies.
        middle = (box[2] + box[5]) / 2
        rise = min(piece.gauge_mm or thing.tilt.size_mm[0], thing.tilt.size_mm[0])
        half = rise / 2 * math.sin(math.radians(thing.tilt.angle_deg))
        return Window.heights(middle - half, middle + half)
    # A cube has no middle part along anything: it is taken whole, layer by layer.
    by_height = height > max(length, width) or orientation_of(thing).plain == NO_AXIS
    # Without a stated gauge section the whole piece may break, and all of it counts.
    gauge = piece.gauge_mm or max(length, width, height)
    if by_height or not piece.size_mm:
        middle = (box[2] + box[5]) / 2
        half = min(gauge, height) / 2 if piece.size_mm else height / 2
        return Window.heights(middle - half, middle + half)
    angle = _direction(thing)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    middle = thing.centre_mm[0] * c + thing.centre_mm[1] * s
    half = min(gauge, length) / 2
    return Window(middle - half, middle + half, angle)


def _in_plane(thing: PlateObject) -> tuple[float, float]:
    """Return length and width in the plane, the longer one first."""
    if orientation_of(thing).rotation_deg:
        return thing.rect_mm
    return max(thing.size_mm[:2]), min(thing.size_mm[:2])


def _direction(thing: PlateObject) -> float:
    turn = orientation_of(thing).rotation_deg
    if turn:
        return turn
    return 0.0 if thing.size_mm[0] >= thing.size_mm[1] else 90.0
