"""The plate from above on a page: the layout of every map, as SVG attributes, with places for a finger."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tracker.desk.platefacts import boxed
from tracker.kinds.specimen import Shape
from tracker.platefile import PlateObject
from tracker.platemap import Layout, Named, layout
from tracker.platemap import Spot as Deposits

_MARGIN: Final = 6.0
_LEAST: Final = 0.06
"""A thin piece is hit by a finger over at least this part of the map's width."""
_TEXT: Final = 0.05
"""Height of the numbers as a part of the map's width: 16 px on the narrowest phone, however large the bed."""
_WIDE: Final = 0.62

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
        orientation: Its orientation in letters and words.
        marks: Orientation and tools in short, where there is room for them; else empty.
        points: Corners of its outline, as SVG has them, mm, Y downwards.
        gauge: Corners of its gauge section likewise, the first one again at the end; empty where that is a
            range of heights.
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
    orientation: str
    marks: str
    points: str
    gauge: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class PlateMap:
    """A map; ``view`` is the SVG view box in mm, ``grid`` a path of lines, ``text`` the numbers' height.

    ``bed`` are the corners of the machine's bed, empty where no plate file states them. Where only a part of
    it is shown, ``place`` says which, and ``whole`` is all of it in small.
    """

    spots: tuple[Spot, ...]
    view: str
    grid: str = ""
    bed: str = ""
    step: int = 0
    text: float = 6.0
    place: str = ""
    whole: Mini | None = None


def plate_map(
    pieces: Sequence[Mapping[str, Any]],
    meant: str = "",
    things: Mapping[str, PlateObject] | None = None,
    bed: Points = (),
) -> PlateMap | None:
    """Return the map of a job's pieces; None where the plate does not say where they lie.

    Args:
        pieces: As ``show JOB --json`` has them.
        meant: ID of the piece to be marked.
        things: By ID what the plate file tells of them; its box is drawn of any other piece.
        bed: Corners of the bed, mm.
    """
    held = things or {}
    placed = {number: each for number, each in enumerate(pieces, 1) if each.get("box_mm")}
    if not placed:
        return None
    shown = {
        number: held.get(each["id"]) or boxed(each["id"], each["name"] or "", each["box_mm"])
        for number, each in placed.items()
    }
    named = {
        shown[number].key: Named(each["id"], each["outcome"] or "", each.get("orientation") or "")
        for number, each in placed.items()
    }
    numbers = {thing.key: number for number, thing in shown.items()}
    plan = layout(list(shown.values()), named, bed, numbers, near=True)
    place = plan.shown.place
    left, top, width, height = plan.view if place else _view(plan)
    names = {each["id"]: each["name"] or "" for each in placed.values()}
    spots = tuple(_spot(plan, spot, names[spot.label], meant, width) for spot in plan.spots)
    return PlateMap(
        spots,
        f"{left:.2f} {top:.2f} {width:.2f} {height:.2f}",
        # Lines at round millimetres of the bed, and so only where a plate file says where they are.
        grid=_grid(plan, (left, top, width, height)) if held else "",
        bed=_text(plan.bed) if plan.known else "",
        step=int(plan.step) if held else 0,
        text=round(_TEXT * width, 2),
        place=place,
        whole=_whole(plan) if place else None,
    )


def _whole(plan: Layout) -> Mini:
    """Return the whole bed in small."""
    left, top, width, height = _view(plan)
    outlines = (_text(plan.bed), *(_text(spot.outline) for spot in plan.spots))
    return Mini(f"{left:.1f} {top:.1f} {width:.1f} {height:.1f}", outlines)


def _view(plan: Layout) -> tuple[float, float, float, float]:
    """Return what is shown: the bed where it is known, else the pieces, with a margin."""
    points = [point for spot in plan.spots for point in spot.outline]
    points += plan.bed if plan.known else []
    x, y = [point[0] for point in points], [point[1] for point in points]
    return (
        min(x) - _MARGIN, min(y) - _MARGIN, max(x) - min(x) + 2 * _MARGIN, max(y) - min(y) + 2 * _MARGIN,
    )  # fmt: skip


def _text(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)


def _grid(plan: Layout, view: tuple[float, float, float, float]) -> str:
    left, top, width, height = view
    lines = [f"M{x:g} {top:.2f}v{height:.2f}" for _, x in plan.columns if left <= x <= left + width]
    lines += [f"M{left:.2f} {y:.2f}h{width:.2f}" for _, y in plan.rows if top <= y <= top + height]
    return "".join(lines)


def _spot(plan: Layout, spot: Deposits, name: str, meant: str, over: float) -> Spot:
    x, y = [point[0] for point in spot.outline], [point[1] for point in spot.outline]
    width, height = max(_LEAST * over, max(x) - min(x)), max(_LEAST * over, max(y) - min(y))
    tools = "+".join(f"T{tool}" for tool in spot.tools) if plan.several_tools else ""
    marks = " ".join(part for part in (spot.orientation, tools) if part)
    # Beside the number, in letters of half its height.
    fits = max(x) - min(x) > len(marks) * _WIDE * _TEXT * over / 2 and max(y) - min(y) > 1.7 * _TEXT * over
    return Spot(
        id=spot.label,
        number=spot.number,
        name=name,
        outcome=spot.outcome or "open",
        meant=spot.label == meant,
        orientation=spot.words + (f", {tools}" if tools else ""),
        marks=marks if fits else "",
        points=_text(spot.outline),
        gauge=_text([*spot.gauge, *spot.gauge[:1]]),
        x=round((min(x) + max(x) - width) / 2, 2),
        y=round((min(y) + max(y) - height) / 2, 2),
        width=round(width, 2),
        height=round(height, 2),
    )


@dataclass(frozen=True)
class Mini:
    """A plate or specimen in small: SVG view box in mm, the corners of each outline, the bed as a path."""

    view: str
    outlines: tuple[str, ...]
    bed: str = ""


def mini_map(outlines: Sequence[Sequence[Sequence[float]]]) -> Mini | None:
    """Return a plate in small; None where it is not known where its specimens are.

    Args:
        outlines: Corners of each specimen seen from above, mm.
    """
    if not outlines:
        return None
    x, y = ([point[axis] for corners in outlines for point in corners] for axis in (0, 1))
    left, back = min(x) - _MARGIN, max(y) + _MARGIN
    drawn = tuple(_text([(u - left, back - v) for u, v in corners]) for corners in outlines)
    return Mini(f"0 0 {max(x) + _MARGIN - left:.1f} {back - min(y) + _MARGIN:.1f}", drawn)


def shape_map(shape: Shape | None) -> Mini | None:
    """Return a specimen in small, its long side across where it lay; None where its shape is not known."""
    if shape is None:
        return None
    corners = [(float(u), float(v)) for u, v in shape.corners]
    x, y = ([point[axis] for point in corners] for axis in (0, 1))
    if max(y) - min(y) > max(x) - min(x) and not shape.stands:
        corners = [(v, -u) for u, v in corners]
        x, y = ([point[axis] for point in corners] for axis in (0, 1))
    around = 0.04 * max(max(x) - min(x), max(y) - min(y))
    left, back = min(x) - around, max(y) + around
    drawn = _text([(u - left, back - v) for u, v in corners])
    wide, high = max(x) - min(x) + 2 * around, max(y) - min(y) + 2 * around
    # What stood has the bed below it.
    bed = f"M0 {high - around:.2f}H{wide:.2f}" if shape.stands else ""
    return Mini(f"0 0 {wide:.2f} {high:.2f}", (drawn,), bed)


def mini_of(objects: Sequence[PlateObject]) -> Mini | None:
    """Return the objects of a plate in small; None where there are none."""
    if not objects:
        return None
    plan = layout(objects, {})
    left, top, width, height = _view(plan)
    outlines = tuple(_text(spot.outline) for spot in plan.spots)
    return Mini(f"{left:.1f} {top:.1f} {width:.1f} {height:.1f}", outlines)
