"""The plate from above, as numbers for a template: where each piece lies, and which is meant."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

_MARGIN: Final = 6.0
_LEAST: Final = 0.06
"""A thin piece is hit by a finger over at least this part of the map's width."""
_TEXT: Final = 0.05
"""Height of the numbers as a part of the map's width: 16 px on the narrowest phone, however large the bed."""
_WIDE: Final = 120.0

Points = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class Spot:
    """A piece on the map.

    Attributes:
        id: Of the piece.
        number: Its number in the job.
        name: Of the piece.
        outcome: ``open`` where none is recorded.
        meant: Whether it is the one that is asked of.
        points: Corners of its outline, as SVG has them, mm, Y downwards.
        x: Left edge of where a finger hits it, mm.
        y: Top edge of it.
        width: Width of it.
        height: Height of it.
    """

    id: str
    number: int
    name: str
    outcome: str
    meant: bool
    points: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class PlateMap:
    """A map; ``view`` is the SVG view box in mm, ``grid`` a path of lines, ``text`` the numbers' height."""

    spots: tuple[Spot, ...]
    view: str
    grid: str = ""
    step: int = 0
    text: float = 6.0


def plate_map(
    pieces: Sequence[Mapping[str, Any]], meant: str = "", outlines: Mapping[str, Points] | None = None
) -> PlateMap | None:
    """Return the map of a job's pieces; None where the plate does not say where they lie.

    Args:
        pieces: As ``show JOB --json`` has them.
        meant: ID of the piece to be marked.
        outlines: Corners by ID where the plate file tells of them; its box is drawn of any other piece.
    """
    held = outlines or {}
    corners = {
        each["id"]: held.get(each["id"]) or _box(each["box_mm"]) for each in pieces if each.get("box_mm")
    }
    if not corners:
        return None
    x = [point[0] for points in corners.values() for point in points]
    y = [point[1] for points in corners.values() for point in points]
    low_x, high_x, low_y, high_y = min(x), max(x), min(y), max(y)
    width, height = high_x - low_x + 2 * _MARGIN, high_y - low_y + 2 * _MARGIN
    spots = tuple(
        _spot(place, each, corners[each["id"]], high_y, meant, _LEAST * width)
        for place, each in enumerate(pieces, start=1)
        if each["id"] in corners
    )
    step = 50 if max(width, height) > _WIDE else 10
    return PlateMap(
        spots,
        f"{low_x - _MARGIN:.2f} {-_MARGIN:.2f} {width:.2f} {height:.2f}",
        # Lines at round millimetres of the bed, and so only where a plate file says where they are.
        grid=_grid((low_x, low_y, high_x, high_y), step) if held else "",
        step=step if held else 0,
        text=round(_TEXT * width, 2),
    )


def _box(box: Sequence[float]) -> Points:
    x0, y0, _, x1, y1, _ = box
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def _grid(over: tuple[float, float, float, float], step: int) -> str:
    low_x, low_y, high_x, high_y = over
    left, right, top, bottom = low_x - _MARGIN, high_x + _MARGIN, -_MARGIN, high_y - low_y + _MARGIN
    lines = [f"M{x} {top:.2f}V{bottom:.2f}" for x in _between(left, right, step)]
    # Y is counted downwards from the rearmost edge.
    return "".join(
        lines
        + [
            f"M{left:.2f} {high_y - y:.2f}H{right:.2f}"
            for y in _between(low_y - _MARGIN, high_y + _MARGIN, step)
        ]
    )


def _between(low: float, high: float, step: int) -> Iterable[int]:
    return range(int(-(-low // step)) * step, int(high) + 1, step)


def _spot(
    place: int, piece: Mapping[str, Any], corners: Points, top: float, meant: str, least: float
) -> Spot:
    x, y = [point[0] for point in corners], [point[1] for point in corners]
    width, height = max(least, max(x) - min(x)), max(least, max(y) - min(y))
    return Spot(
        id=piece["id"],
        number=place,
        name=piece["name"] or "",
        outcome=piece["outcome"] or "open",
        meant=piece["id"] == meant,
        # The back of the plate is up on the screen, as it is seen from in front of the machine.
        points=" ".join(f"{point[0]:.2f},{top - point[1]:.2f}" for point in corners),
        x=round((min(x) + max(x) - width) / 2, 2),
        y=round(top - (min(y) + max(y) + height) / 2, 2),
        width=round(width, 2),
        height=round(height, 2),
    )


@dataclass(frozen=True)
class Mini:
    """A plate in small: an SVG view box in mm, and the corners of each specimen."""

    view: str
    outlines: tuple[str, ...]


def mini_map(boxes: Sequence[Sequence[float]]) -> Mini | None:
    """Return a plate in small; None where it is not known where its specimens are.

    Args:
        boxes: x, y, z of two corners of each specimen, mm.
    """
    if not boxes:
        return None
    low_x, low_y = min(box[0] for box in boxes), min(box[1] for box in boxes)
    high_x, high_y = max(box[3] for box in boxes), max(box[4] for box in boxes)
    width, height = high_x - low_x + 2 * _MARGIN, high_y - low_y + 2 * _MARGIN
    outlines = tuple(" ".join(f"{x:.1f},{high_y - y:.1f}" for x, y in _box(box)) for box in boxes)
    return Mini(f"{low_x - _MARGIN:.1f} {-_MARGIN:.1f} {width:.1f} {height:.1f}", outlines)
