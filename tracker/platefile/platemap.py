"""The plate from above: what to draw where, before any picture format.

Drawn as seen from the front of the machine: X to the right, Y to the back (up).
Pieces are numbered in reading order; each carries its label, or its number if the
label does not fit, and a list beside the plate holds everything in words. An
outcome is a word and a mark's shape; colour only repeats it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tracker.platefile.facts import Point
from tracker.platefile.orientation import orientation_of
from tracker.platefile.platefacts import PlateObject

Labels = Mapping[str, tuple[str, str]]
Bed = tuple[float, float, float, float]
"""xmin, ymin, xmax, ymax of the bed, mm."""

TICK, CROSS, TRIANGLE, RING = "tick", "cross", "triangle", "ring"
_GOOD = frozenset({"good", "ok", "sound", "kept", "fine", "usable"})
_LOST = frozenset({"lost", "failed", "broken", "scrap", "loose", "came loose", "discarded", "missing"})

_PAPER, _INK, _FAINT, _PIECE, _MARKED = "#ffffff", "#1a1a1a", "#c8c8c8", "#dfe7ee", "#ffe08a"
_COLOURS = {TICK: "#1b6e3c", CROSS: "#a11d1d", TRIANGLE: "#8a5a00", RING: "#555555"}
_UNITS = 640.0
_LIST_UNITS = 330.0
_MARGIN = 36.0
_LINE = 20.0
_TEXT = 13.0
_TITLE = 13.0
_WIDE = 0.62
_DUMMY = ("", "")


@dataclass(frozen=True, slots=True)
class Polygon:
    """A closed outline; points in drawing units, Y downwards."""

    points: tuple[Point, ...]
    fill: str
    stroke: str
    width: float = 1.2
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    start: Point
    end: Point
    stroke: str
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Circle:
    """A ring."""

    centre: Point
    radius: float
    stroke: str
    width: float = 2.0


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; ``anchor`` is ``start`` or ``middle``; ``upright`` runs it upwards."""

    at: Point
    text: str
    size: float
    anchor: str = "start"
    fill: str = _INK
    upright: bool = False
    bold: bool = False


Shape = Polygon | Line | Circle | Text


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes on a sheet.

    Attributes:
        width: Drawing units.
        height: Drawing units.
        shapes: From back to front.
        title: What it shows, in words, for whoever cannot see it.
    """

    width: float
    height: float
    shapes: tuple[Shape, ...]
    title: str


def mark_of(outcome: str) -> str:
    """Return the shape of an outcome's mark: tick, cross, ring where nothing is recorded, else triangle."""
    word = outcome.strip().lower()
    if not word:
        return RING
    return TICK if word in _GOOD else CROSS if word in _LOST else TRIANGLE


def reading_order(objects: Iterable[PlateObject]) -> list[PlateObject]:
    """Return the objects as a person reads the map: the back row first, each row from left to right.

    A row is begun by the rearmost object left; those whose middle lies within its depth belong to it.
    """
    left = sorted(objects, key=lambda one: (-one.centre_mm[1], one.centre_mm[0]))
    ordered: list[PlateObject] = []
    while left:
        low, high = left[0].box_mm[1], left[0].box_mm[4]
        row = [one for one in left if low <= one.centre_mm[1] <= high]
        ordered += sorted(row, key=lambda one: one.centre_mm[0])
        # By rows as the eye takes them: sorted by Y alone, two bars a millimetre apart would change the
        # numbering.
        left = [one for one in left if one not in row]
    return ordered


class _Scale:
    """Turns mm of the plate into drawing units."""

    def __init__(self, bed: Bed) -> None:
        span = max(bed[2] - bed[0], bed[3] - bed[1], 1.0)
        self.factor = _UNITS / span
        self.bed = bed
        self.width = (bed[2] - bed[0]) * self.factor
        self.height = (bed[3] - bed[1]) * self.factor

    def __call__(self, x: float, y: float) -> Point:
        return (
            _MARGIN + (x - self.bed[0]) * self.factor,
            _MARGIN + (self.bed[3] - y) * self.factor,
        )


def drawing(
    objects: Sequence[PlateObject], labels: Labels, bed: Bed | None = None, highlight: str | None = None
) -> Drawing:
    """Lay the map out.

    Args:
        objects: The pieces.
        labels: Per key: label (an ID, say) and outcome as a word, empty where none is recorded.
        bed: The bed; None takes the pieces with some room around.
        highlight: Key of a piece to stand out.
    """
    scale = _Scale(bed or bed_around(objects))
    ordered = reading_order(objects)
    shapes: list[Shape] = [*_plate(scale)]
    for number, piece in enumerate(ordered, 1):
        shapes += _piece(scale, piece, number, labels.get(piece.key, _DUMMY), piece.key == highlight)
    shapes += _list(scale, ordered, labels, highlight)
    height = max(scale.height + 2 * _MARGIN + _LINE, _MARGIN + _LINE * (len(ordered) + 3))
    width = scale.width + 2 * _MARGIN + _LIST_UNITS
    return Drawing(width, height, tuple(shapes), _words(ordered, labels))


def bed_around(objects: Sequence[PlateObject]) -> Bed:
    """Return a bed that holds the pieces with 10 mm of room."""
    boxes = [one.box_mm for one in objects] or [(0.0,) * 6]
    room = 10.0
    return (
        math.floor(min(box[0] for box in boxes) - room),
        math.floor(min(box[1] for box in boxes) - room),
        math.ceil(max(box[3] for box in boxes) + room),
        math.ceil(max(box[4] for box in boxes) + room),
    )


def outline(piece: PlateObject) -> tuple[Point, ...]:
    """Return what to draw of a piece in mm: its box, or the turned rectangle of one that lies askew."""
    if not orientation_of(piece).rotation_deg:
        x0, y0, _, x1, y1, _ = piece.box_mm
        return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
    angle = math.radians(piece.angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    half_length, half_width = piece.rect_mm[0] / 2, piece.rect_mm[1] / 2
    corners = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    middle = _middle_along(piece, c, s)
    return tuple(
        (
            middle[0] + a * half_length * c - b * half_width * s,
            middle[1] + a * half_length * s + b * half_width * c,
        )
        for a, b in corners
    )


def _middle_along(piece: PlateObject, c: float, s: float) -> Point:
    """Return the middle of the turned rectangle, which need not be that of the box."""
    along = [x * c + y * s for x, y in piece.outline_mm]
    across = [y * c - x * s for x, y in piece.outline_mm]
    u, v = (min(along) + max(along)) / 2, (min(across) + max(across)) / 2
    return u * c - v * s, u * s + v * c


def _plate(scale: _Scale) -> list[Shape]:
    """Draw bed, grid and which way is the front."""
    x0, y0, x1, y1 = scale.bed
    corners = tuple(scale(x, y) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1)))
    shapes: list[Shape] = [Polygon(corners, _PAPER, _INK, 1.5)]
    step = 50.0 if max(x1 - x0, y1 - y0) > 120 else 10.0  # noqa: PLR2004 - at least a dozen lines either way
    for x in _between(x0, x1, step):
        shapes.append(Line(scale(x, y0), scale(x, y1), _FAINT, 0.6))
        shapes.append(Text((scale(x, y0)[0], scale(x, y0)[1] + 15), f"{x:g}", 10, "middle", "#555555"))
    for y in _between(y0, y1, step):
        shapes.append(Line(scale(x0, y), scale(x1, y), _FAINT, 0.6))
        shapes.append(Text((6, scale(x0, y)[1] + 4), f"{y:g}", 10, "start", "#555555"))
    middle = (corners[0][0] + corners[1][0]) / 2
    shapes.append(
        Text((middle, corners[0][1] + 34), "front of the machine (X to the right, mm)", 12, "middle")
    )
    return shapes


def _between(low: float, high: float, step: float) -> list[float]:
    first = math.floor(low / step) + 1
    return [number * step for number in range(first, math.ceil(high / step))]


def _piece(
    scale: _Scale, piece: PlateObject, number: int, label: tuple[str, str], standing_out: bool
) -> list[Shape]:
    points = tuple(scale(x, y) for x, y in outline(piece))
    shapes: list[Shape] = [
        Polygon(points, _MARKED if standing_out else _PIECE, _INK, 3.0 if standing_out else 1.2)
    ]
    x, y = scale(*piece.centre_mm)
    width, height = piece.size_mm[0] * scale.factor, piece.size_mm[1] * scale.factor
    text = label[0] or piece.name
    shapes += _inscribed(text, str(number), (x, y), width, height)
    return shapes


def _inscribed(text: str, number: str, at: Point, width: float, height: float) -> list[Shape]:
    """Write into a piece: number and label if they fit, lying or standing, else the number alone."""
    x, y = at
    whole = f"{number}  {text}"
    # Letters are about this wide whatever the font; a label that overflows is worse than a number.
    needed = len(whole) * _TEXT * _WIDE
    if needed < width and height > _TEXT:
        return [Text((x, y + _TEXT / 3), whole, _TEXT, "middle", bold=True)]
    if needed < height and width > _TEXT:
        return [Text((x + _TEXT / 3, y), whole, _TEXT, "middle", upright=True, bold=True)]
    size = max(9.0, min(_TEXT, height, width))
    return [Text((x, y + size / 3), number, size, "middle", bold=True)]


def _list(
    scale: _Scale, ordered: Sequence[PlateObject], labels: Labels, highlight: str | None
) -> list[Shape]:
    left = scale.width + 2 * _MARGIN
    shapes: list[Shape] = [Text((left, _MARGIN - 8), "back row first, left to right", _TITLE)]
    for row, piece in enumerate(ordered):
        text, outcome = labels.get(piece.key, _DUMMY)
        y = _MARGIN + _LINE * (row + 0.9)
        shapes += _mark(mark_of(outcome), (left + 8, y - 4))
        lies = orientation_of(piece)
        words = [f"{row + 1}", text or piece.name, lies.text, outcome or "not recorded"]
        shapes.append(Text((left + 24, y), "  ".join(words), _TEXT, bold=piece.key == highlight))
    return shapes


def _mark(kind: str, at: Point) -> list[Shape]:
    x, y, r, colour = at[0], at[1], 6.0, _COLOURS[kind]
    if kind == TICK:
        return [
            Line((x - r, y), (x - r / 3, y + r * 0.7), colour, 2.4),
            Line((x - r / 3, y + r * 0.7), (x + r, y - r), colour, 2.4),
        ]
    if kind == CROSS:
        return [
            Line((x - r, y - r), (x + r, y + r), colour, 2.4),
            Line((x - r, y + r), (x + r, y - r), colour, 2.4),
        ]
    if kind == TRIANGLE:
        return [Polygon(((x, y - r), (x + r, y + r), (x - r, y + r)), _PAPER, colour, 2.0)]
    return [Circle((x, y), r * 0.8, colour)]


def _words(ordered: Sequence[PlateObject], labels: Labels) -> str:
    parts = []
    for number, piece in enumerate(ordered, 1):
        text, outcome = labels.get(piece.key, _DUMMY)
        parts.append(
            f"{number} {text or piece.name}, {orientation_of(piece).text}, {outcome or 'not recorded'}"
        )
    return "Plate from above, back row first: " + "; ".join(parts)
