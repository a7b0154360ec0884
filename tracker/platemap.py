"""The map of a plate from above: laid out once, drawn as SVG, PNG, block characters and on the page."""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from xml.sax.saxutils import escape, quoteattr

from tracker.lazy_modules import lazy
from tracker.orientation import in_words
from tracker.platefile.facts import PlateObject, Point
from tracker.platefile.orientation import orientation_of

if TYPE_CHECKING:
    from PIL import Image, ImageDraw, ImageFont
else:
    Image = lazy("PIL.Image")
    ImageDraw = lazy("PIL.ImageDraw")
    ImageFont = lazy("PIL.ImageFont")

TICK, CROSS, TRIANGLE, RING = "tick", "cross", "triangle", "ring"
_GOOD = frozenset({"good", "ok", "sound", "kept", "fine", "usable"})
_LOST = frozenset({"lost", "failed", "broken", "scrap", "loose", "came loose", "discarded", "missing"})

_PAPER, _INK, _FAINT, _PIECE, _MARKED = "#ffffff", "#1a1a1a", "#c8c8c8", "#dfe7ee", "#ffe08a"
_SOFT: Final = "#555555"
_COLOURS = {TICK: "#1b6e3c", CROSS: "#a11d1d", TRIANGLE: "#8a5a00", RING: _SOFT}
_UNITS, _LIST_UNITS, _MARGIN, _LINE, _TEXT = 640.0, 330.0, 36.0, 20.0, 13.0
_WIDE: Final = 0.62
"""Width of a letter as a part of its height, whatever the font."""
_ROOM_MM: Final = 10.0
_NEAR_MM: Final = 5.0
_NEAR_SHARE: Final = 0.1
_NEARLY: Final = 0.7
"""Around the pieces, where not the whole bed is shown, the greater of the first two; the whole is shown where
this part of both its sides would be."""
_COARSE_MM: Final = 120.0


class Named(NamedTuple):
    """What is written of a piece.

    Attributes:
        label: An ID, say; empty for the name in the file.
        outcome: As a word; empty where none is recorded.
        orientation: Its orientation in letters as it is recorded; empty for what its shape says.
    """

    label: str = ""
    outcome: str = ""
    orientation: str = ""


Labels = Mapping[str, tuple[str, ...]]
"""Per key of a piece what `Named` holds, or the first of it."""
Bed = Sequence[Point]
"""Corners of the bed, mm."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One piece on the map; mm, Y downwards as pictures have it.

    Attributes:
        key: Of the piece.
        number: As it is written on the map.
        label: Its label, else its name.
        outcome: As a word; empty where none is recorded.
        orientation: Its orientation in letters, or in words where it has none.
        words: Its orientation in letters and words.
        tools: Numbers of the tools that laid it.
        outline: Its corners: of the true shape where it is known.
        gauge: Corners of its gauge section; empty where that is a range of heights.
        middle: Where its number stands.
        turn_deg: Of its long side from X, counter-clockwise; 0 where it is straight.
    """

    key: str
    number: int
    label: str
    outcome: str
    orientation: str
    words: str
    tools: tuple[int, ...]
    outline: tuple[Point, ...]
    gauge: tuple[Point, ...]
    middle: Point
    turn_deg: float = 0.0


class View(NamedTuple):
    """The part of a bed that is drawn; mm of the bed, Y to the back.

    Attributes:
        left: Least X; likewise the next three.
        right: Greatest X.
        front: Least Y.
        back: Greatest Y.
        whole: The same of all there is to draw.
    """

    left: float
    right: float
    front: float
    back: float
    whole: tuple[float, float, float, float]

    @property
    def edges(self) -> tuple[bool, bool, bool, bool]:
        """Whether nothing lies beyond its left, right, front and back side."""
        left, right, front, back = (a == b for a, b in zip(self[:4], self.whole, strict=True))
        return left, right, front, back

    @property
    def place(self) -> str:
        """Which part of the bed it is, in words and mm; empty for the whole."""
        if all(self.edges):
            return ""
        left, right, front, back = self.whole
        across = _third((self.left + self.right) / 2, left, right, ("left", "", "right"))
        deep = _third((self.front + self.back) / 2, front, back, ("front", "", "back"))
        part = " ".join(word for word in (deep, across) if word) or "middle"
        size = f"{right - left:.0f} x {back - front:.0f} mm"
        ranges = f"X {self.left:.0f} to {self.right:.0f}, Y {self.front:.0f} to {self.back:.0f} mm"
        return f"{part} part of the bed ({size}): {ranges}"


def _third(at: float, low: float, high: float, words: tuple[str, str, str]) -> str:
    return words[min(2, max(0, int(3 * (at - low) / ((high - low) or 1.0))))]


@dataclass(frozen=True, slots=True)
class Layout:
    """A plate from above, before it is drawn; mm, Y downwards.

    Attributes:
        spots: In order of their numbers.
        bed: Corners of the bed, or of a frame around the pieces.
        known: Whether the bed is that of the machine.
        shown: The part of the bed that is drawn.
        view: Least X, least Y, width and height of that, Y downwards.
        columns: X of the grid's lines in mm of the bed, with their place.
        rows: Likewise Y.
        several_tools: Whether its pieces were laid by more than one tool.
    """

    spots: tuple[Spot, ...]
    bed: tuple[Point, ...]
    known: bool
    shown: View
    view: tuple[float, float, float, float]
    columns: tuple[tuple[float, float], ...]
    rows: tuple[tuple[float, float], ...]
    several_tools: bool

    @property
    def step(self) -> float:
        """Distance of the grid's lines, mm."""
        return _step(self.view[2], self.view[3])


def layout(
    objects: Sequence[PlateObject],
    labels: Labels,
    bed: Bed | None = None,
    numbers: Mapping[str, int] | None = None,
    *,
    near: bool = False,
) -> Layout:
    """Lay a plate out.

    Args:
        objects: The pieces.
        labels: What is written of each, by key.
        bed: Corners of the bed; None draws a frame around the pieces.
        numbers: Of the pieces by key; None numbers them as they are read, the back row first.
        near: Whether to show what lies around the pieces only, and not the whole of a bed.
    """
    corners = tuple(bed) if bed else _around([point for one in objects for point in _corners(one.box_mm)])
    drawn = [point for one in objects for point in outline(one)]
    # Counted from the rearmost edge that is really there: a frame is drawn beyond it.
    back = max(y for _, y in [*drawn, *(corners if bed or not drawn else ())])
    shown = _shown([*corners, *drawn], drawn if near and bed else [])
    ordered = reading_order(objects) if numbers is None else objects
    spots = tuple(
        _spot(one, numbers[one.key] if numbers else place, Named(*labels.get(one.key, ())), back)
        for place, one in enumerate(ordered, 1)
    )
    wide, high = shown.right - shown.left, shown.back - shown.front
    step = _step(wide, high)
    return Layout(
        spots=spots,
        bed=_down(corners, back),
        known=bool(bed),
        shown=shown,
        view=(shown.left, back - shown.back, wide, high),
        columns=tuple((x, x) for x in _between(shown.left, shown.right, step)),
        rows=tuple((y, back - y) for y in _between(shown.front, shown.back, step)),
        several_tools=len({tool for spot in spots for tool in spot.tools}) > 1,
    )


def _down(points: Iterable[Point], back: float) -> tuple[Point, ...]:
    return tuple((x, back - y) for x, y in points)


def _shown(everything: Sequence[Point], wanted: Sequence[Point]) -> View:
    """Return the view of all there is, or of what is wanted with some room, as far as there is anything."""
    x, y = zip(*everything, strict=True)
    whole = (min(x), max(x), min(y), max(y))
    if not wanted:
        return View(*whole, whole)
    x, y = zip(*wanted, strict=True)
    room = max(_NEAR_MM, _NEAR_SHARE * max(max(x) - min(x), max(y) - min(y)))
    left, right = max(whole[0], min(x) - room), min(whole[1], max(x) + room)
    front, back = max(whole[2], min(y) - room), min(whole[3], max(y) + room)
    sides = ((right - left, whole[1] - whole[0]), (back - front, whole[3] - whole[2]))
    nearly = all(shown > _NEARLY * side for shown, side in sides)
    return View(*whole, whole) if nearly else View(left, right, front, back, whole)


def _spot(one: PlateObject, number: int, named: Named, back: float) -> Spot:
    shape = orientation_of(one)
    words = shape.text
    if named.orientation not in ("", shape.letters):
        words = f"{named.orientation} ({in_words(named.orientation)})"
    return Spot(
        key=one.key,
        number=number,
        label=named.label or one.name,
        outcome=named.outcome,
        orientation=named.orientation or shape.letters or shape.plain,
        words=words,
        tools=tuple(use.tool for use in one.tools),
        outline=_down(outline(one), back),
        gauge=_down(one.gauge_mm, back),
        middle=(one.centre_mm[0], back - one.centre_mm[1]),
        turn_deg=one.angle_deg if shape.rotation_deg else 0.0,
    )


def _step(width: float, height: float) -> float:
    return 50.0 if max(width, height) > _COARSE_MM else 10.0


def _between(low: float, high: float, step: float) -> list[float]:
    first = math.floor(low / step) + 1
    return [number * step for number in range(first, math.ceil(high / step))]


def _corners(box: Sequence[float]) -> tuple[Point, ...]:
    return ((box[0], box[1]), (box[3], box[1]), (box[3], box[4]), (box[0], box[4]))


def _around(points: Sequence[Point]) -> tuple[Point, ...]:
    """Return the corners of a frame that holds the pieces with some room."""
    x, y = [point[0] for point in points] or [0.0], [point[1] for point in points] or [0.0]
    low = (math.floor(min(x) - _ROOM_MM), math.floor(min(y) - _ROOM_MM))
    high = (math.ceil(max(x) + _ROOM_MM), math.ceil(max(y) + _ROOM_MM))
    return _corners((*low, 0, *high, 0))


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
        taken = {id(one) for one in row}
        left = [one for one in left if id(one) not in taken]
    return ordered


def outline(piece: PlateObject) -> tuple[Point, ...]:
    """Return what to draw of a piece in mm: its outline, else its box, or its rectangle turned askew."""
    if piece.contour_mm:
        return piece.contour_mm
    if not orientation_of(piece).rotation_deg:
        return _corners(piece.box_mm)
    angle = math.radians(piece.angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    along = [x * c + y * s for x, y in piece.outline_mm]
    across = [y * c - x * s for x, y in piece.outline_mm]
    # The middle of the turned rectangle need not be that of the box.
    u, v = (min(along) + max(along)) / 2, (min(across) + max(across)) / 2
    a, b = piece.rect_mm[0] / 2, piece.rect_mm[1] / 2
    sides = ((u - a, v - b), (u + a, v - b), (u + a, v + b), (u - a, v + b))
    return tuple((x * c - y * s, x * s + y * c) for x, y in sides)


@dataclass(frozen=True, slots=True)
class Polygon:
    """A closed outline in drawing units."""

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
    """One line of text; ``anchor`` is ``start`` or ``middle``; ``turn`` degrees counter-clockwise."""

    at: Point
    text: str
    size: float
    anchor: str = "start"
    fill: str = _INK
    turn: float = 0.0
    bold: bool = False


Shape = Polygon | Line | Circle | Text


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes on a sheet, from back to front; sizes in drawing units, ``title`` for whoever cannot see it."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    title: str


def drawing(
    objects: Sequence[PlateObject], labels: Labels, bed: Bed | None = None, highlight: str | None = None
) -> Drawing:
    """Draw the map with a list of its pieces beside it.

    Args:
        objects: The pieces.
        labels: Per key: label (an ID, say) and outcome as a word, empty where none is recorded.
        bed: Corners of the bed; None draws a frame around the pieces.
        highlight: Key of a piece to stand out.
    """
    plan = layout(objects, labels, bed)
    left, top, wide, high = plan.view
    factor = _UNITS / max(wide, high, 1.0)

    def at(point: Point) -> Point:
        return _MARGIN + (point[0] - left) * factor, _MARGIN + (point[1] - top) * factor

    shapes = [*_bed(plan, at), *(s for spot in plan.spots for s in _piece(plan, spot, at, highlight))]
    shapes += _list(plan, wide * factor + 2 * _MARGIN, highlight)
    height = max(high * factor + 2 * _MARGIN + _LINE, _MARGIN + _LINE * (len(plan.spots) + 3))
    words = "; ".join(f"{spot.number} {', '.join(_caption(spot, plan))}" for spot in plan.spots)
    title = f"Plate from above, back row first: {words}"
    return Drawing(wide * factor + 2 * _MARGIN + _LIST_UNITS, height, tuple(shapes), title)


def _caption(spot: Spot, plan: Layout) -> list[str]:
    """Return what is written of a piece beside the map: label, orientation, tools, outcome."""
    tools = [_tools(spot)] if plan.several_tools and spot.tools else []
    return [spot.label, spot.words, *tools, spot.outcome or "not recorded"]


def _tools(spot: Spot) -> str:
    return "+".join(f"T{tool}" for tool in spot.tools)


def _bed(plan: Layout, at: Any) -> list[Shape]:
    """Draw bed, grid and which way is the front."""
    left, top, wide, high = plan.view
    shapes: list[Shape] = [Polygon(tuple(map(at, plan.bed)), _PAPER, _INK, 2.0 if plan.known else 1.0)]
    for value, x in plan.columns:
        shapes.append(Line(at((x, top)), at((x, top + high)), _FAINT, 0.6))
        shapes.append(Text((at((x, 0))[0], at((x, top + high))[1] + 15), f"{value:g}", 10, "middle", _SOFT))
    for value, y in plan.rows:
        shapes.append(Line(at((left, y)), at((left + wide, y)), _FAINT, 0.6))
        shapes.append(Text((6, at((0, y))[1] + 4), f"{value:g}", 10, "start", _SOFT))
    middle = at((left + wide / 2, top + high))
    front = "front of the machine (X to the right, mm)"
    return [*shapes, Text((middle[0], middle[1] + 34), front, 12, "middle")]


def _piece(plan: Layout, spot: Spot, at: Any, highlight: str | None) -> list[Shape]:
    meant = spot.key == highlight
    points = tuple(map(at, spot.outline))
    shapes: list[Shape] = [Polygon(points, _MARKED if meant else _PIECE, _INK, 3.0 if meant else 1.2)]
    if spot.gauge:
        shapes.append(Polygon(tuple(map(at, spot.gauge)), "none", _INK, 1.0, dashed=True))
    marks = f" {_tools(spot)}" if plan.several_tools and spot.tools else ""
    words = f"{spot.number}{marks}"
    texts = (f"{words}  {spot.label}  {spot.orientation}", f"{words} {spot.orientation}", words)
    return [*shapes, _inscribed(texts, at(spot.middle), points, spot.turn_deg)]


def _inscribed(texts: Sequence[str], at: Point, outline: Sequence[Point], turn: float) -> Text:
    """Write the first text that fits into a piece, along its long side or across; the last fits always."""
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    along, across = [x * c - y * s for x, y in outline], [x * s + y * c for x, y in outline]
    width, height = max(along) - min(along), max(across) - min(across)
    for text in texts:
        needed = len(text) * _TEXT * _WIDE
        if needed < width and height > _TEXT:
            return _centred(text, at, _TEXT, turn)
        if needed < height and width > _TEXT:
            return _centred(text, at, _TEXT, turn + 90)
    return _centred(texts[-1], at, max(9.0, min(_TEXT, height, width)), 0.0)


def _centred(text: str, at: Point, size: float, turn: float) -> Text:
    """Return a text whose middle is at a point, no matter how it is turned; never upside down."""
    turn = 90 - (90 - turn) % 180
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return Text((at[0] + s * size / 3, at[1] + c * size / 3), text, size, "middle", turn=turn, bold=True)


def _list(plan: Layout, left: float, highlight: str | None) -> list[Shape]:
    shapes: list[Shape] = [Text((left, _MARGIN - 8), "back row first, left to right", _TEXT)]
    for row, spot in enumerate(plan.spots):
        y = _MARGIN + _LINE * (row + 0.9)
        shapes += _mark(mark_of(spot.outcome), (left + 8, y - 4))
        words = "  ".join([f"{spot.number}", *_caption(spot, plan)])
        shapes.append(Text((left + 24, y), words, _TEXT, bold=spot.key == highlight))
    return shapes


def _mark(kind: str, at: Point) -> list[Shape]:
    x, y, r, colour = at[0], at[1], 6.0, _COLOURS[kind]
    if kind == TICK:
        corner = (x - r / 3, y + r * 0.7)
        return [Line((x - r, y), corner, colour, 2.4), Line(corner, (x + r, y - r), colour, 2.4)]
    if kind == CROSS:
        return [
            Line((x - r, y - r), (x + r, y + r), colour, 2.4),
            Line((x - r, y + r), (x + r, y - r), colour, 2.4),
        ]
    if kind == TRIANGLE:
        return [Polygon(((x, y - r), (x + r, y + r), (x - r, y + r)), _PAPER, colour, 2.0)]
    return [Circle((x, y), r * 0.8, colour)]


_FONT = "DejaVu Sans, Liberation Sans, Arial, sans-serif"
_LETTERS = {"tick": "+", "cross": "x", "triangle": "!", "ring": "?"}
_DASH: Final = (4.0, 3.0)


def plate_map_svg(
    objects: Sequence[PlateObject], labels: Labels, bed: Bed | None = None, highlight: str | None = None
) -> str:
    """Return the map of a plate as SVG; the arguments are those of `drawing`."""
    plan = drawing(objects, labels, bed, highlight)
    shapes = "\n".join(_svg(shape) for shape in plan.shapes)
    width, height = f"{plan.width:.0f}", f"{plan.height:.0f}"
    size = f'width="{width}" height="{height}" viewBox="0 0 {width} {height}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" font-family={quoteattr(_FONT)}>\n'
        f"<title>{escape(plan.title)}</title>\n"
        f'<rect width="100%" height="100%" fill="#ffffff"/>\n{shapes}\n</svg>\n'
    )


def _svg(shape: Shape) -> str:
    if isinstance(shape, Polygon):
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape.points)
        paint = f'fill="{shape.fill}" stroke="{shape.stroke}" stroke-width="{shape.width:g}"'
        paint += f' stroke-dasharray="{_DASH[0]:g} {_DASH[1]:g}"' if shape.dashed else ""
        return f'<polygon points="{points}" {paint}/>'
    if isinstance(shape, Line):
        (x1, y1), (x2, y2) = shape.start, shape.end
        ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
        return f'<line {ends} stroke="{shape.stroke}" stroke-width="{shape.width:g}"/>'
    if isinstance(shape, Circle):
        place = f'cx="{shape.centre[0]:.1f}" cy="{shape.centre[1]:.1f}" r="{shape.radius:g}"'
        return f'<circle {place} fill="none" stroke="{shape.stroke}" stroke-width="{shape.width:g}"/>'
    x, y = shape.at
    turn = f' transform="rotate({-shape.turn:g} {x:.1f} {y:.1f})"' if shape.turn else ""
    weight = ' font-weight="bold"' if shape.bold else ""
    place = f'x="{x:.1f}" y="{y:.1f}" font-size="{shape.size:g}" text-anchor="{shape.anchor}"'
    return f'<text {place} fill="{shape.fill}"{weight}{turn}>{escape(shape.text)}</text>'


def plate_map_png(
    objects: Sequence[PlateObject],
    labels: Labels,
    bed: Bed | None = None,
    highlight: str | None = None,
    scale: float = 2.0,
) -> bytes:
    """Return the map of a plate as a PNG file.

    Args:
        objects: The pieces.
        labels: As for `drawing`; likewise the next two.
        bed: Corners of the bed.
        highlight: Key of a piece to stand out.
        scale: Pixels per drawing unit.
    """
    # Imported here: whoever only asks for facts should not wait for an imaging library.

    plan = drawing(objects, labels, bed, highlight)
    image = Image.new("RGB", (round(plan.width * scale), round(plan.height * scale)), "#ffffff")
    painter = ImageDraw.Draw(image)
    for shape in plan.shapes:
        _paint(image, painter, shape, scale)
    file = io.BytesIO()
    image.save(file, "PNG", optimize=True)
    return file.getvalue()


def _paint(image: Any, painter: ImageDraw.ImageDraw, shape: Shape, scale: float) -> None:
    if isinstance(shape, Text):
        _paint_text(image, painter, shape, scale)
        return
    width = max(1, round(shape.width * scale))
    if isinstance(shape, Polygon):
        points = [(x * scale, y * scale) for x, y in shape.points]
        if shape.fill != "none":
            painter.polygon(points, fill=shape.fill)
        for run in _dashes([*points, points[0]], scale) if shape.dashed else [[*points, points[0]]]:
            painter.line(run, fill=shape.stroke, width=width, joint="curve")
    elif isinstance(shape, Line):
        painter.line(
            [(x * scale, y * scale) for x, y in (shape.start, shape.end)], fill=shape.stroke, width=width
        )
    else:
        (x, y), r = shape.centre, shape.radius
        box = [(x - r) * scale, (y - r) * scale, (x + r) * scale, (y + r) * scale]
        painter.ellipse(box, outline=shape.stroke, width=width)


def _dashes(points: Sequence[Point], scale: float) -> Iterable[list[Point]]:
    """Yield the dashes of a line through some points; each side begins with one."""
    dash, period = _DASH[0] * scale, sum(_DASH) * scale
    for (x0, y0), (x1, y1) in pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        for number in range(math.ceil(length / period)):
            ends = (number * period / length, min(1.0, (number * period + dash) / length))
            yield [(x0 + (x1 - x0) * part, y0 + (y1 - y0) * part) for part in ends]


def _paint_text(image: Any, painter: ImageDraw.ImageDraw, text: Text, scale: float) -> None:
    font = ImageFont.load_default(text.size * scale)
    stroke = 0.25 * scale if text.bold else 0
    if not text.turn:
        anchor, at = "ms" if text.anchor == "middle" else "ls", (text.at[0] * scale, text.at[1] * scale)
        painter.text(at, text.text, text.fill, font, anchor, stroke_width=stroke)
        return
    width = round(painter.textlength(text.text, font=font)) + 4
    height = round(text.size * scale * 1.4)
    strip = Image.new("L", (width, height), 0)
    ImageDraw.Draw(strip).text((width / 2, height * 0.75), text.text, 255, font, "ms", stroke_width=stroke)
    turned = strip.rotate(text.turn, Image.Resampling.BICUBIC, expand=True)
    # The strip is turned about its middle, which lies a quarter of its height above the foot of the text.
    angle, above = math.radians(text.turn), height / 4
    middle = (text.at[0] * scale - above * math.sin(angle), text.at[1] * scale - above * math.cos(angle))
    corner = (round(middle[0] - turned.width / 2), round(middle[1] - turned.height / 2))
    image.paste(text.fill, corner, turned)


def plate_map_text(
    objects: Sequence[PlateObject],
    labels: Labels,
    bed: Bed | None = None,
    highlight: str | None = None,
    width: int = 80,
) -> str:
    """Return the map of a plate in block characters, with the list of pieces under it.

    Args:
        objects: The pieces.
        labels: As for `drawing`; likewise the next.
        bed: Corners of the bed.
        highlight: Key of a piece to stand out (drawn solid, marked with an arrow in the list).
        width: Columns to use.
    """
    plan = layout(objects, labels, bed, near=True)
    _, _, wide, high = plan.view
    most = max(10, min(width, 120) - 2)
    # A character is about twice as high as wide.
    scale = max(wide / most, high / (2 * _MOST_ROWS), 1e-6)
    columns, rows = max(10, min(most, math.ceil(wide / scale))), max(3, math.ceil(high / scale / 2))
    grid = [[" "] * columns for _ in range(rows)]
    for spot in plan.spots:
        _fill(grid, plan, spot, "█" if spot.key == highlight else "▒")
    for spot in plan.spots:
        row, column = _cell(grid, plan, spot.middle)
        text = str(spot.number)
        start = min(max(column - (len(text) - 1) // 2, 0), columns - len(text))
        grid[row][start : start + len(text)] = text
    lines = [*_framed(grid, plan.shown), *(_line(spot, plan, highlight, width) for spot in plan.spots)]
    return "\n".join(lines) + "\n"


_MOST_ROWS: Final = 22
"""So that the list of pieces is still on the screen below the map."""


def _framed(grid: list[list[str]], shown: View) -> list[str]:
    """Return the map in a frame, with what part of the bed it is; beyond dotted sides the bed goes on."""
    columns = len(grid[0])
    left, right = ("│" if edge else "┊" for edge in shown.edges[:2])
    front, back = ("─" if edge else "┄" for edge in shown.edges[2:])
    words = " front " if shown.edges[2] else " towards the front "
    framed = ["┌" + back * columns + "┐", *(left + "".join(row) + right for row in grid)]
    framed.append("└" + (words if len(words) <= columns else "").center(columns, front) + "┘")
    if shown.place:
        caption = f"Shown: {shown.place}. Beyond dotted sides the bed goes on."
        framed += textwrap.wrap(caption, max(columns + 2, 36))
    return framed


def _fill(grid: list[list[str]], plan: Layout, spot: Spot, block: str) -> None:
    """Fill the cells whose middle lies in the piece, and at least one."""
    left, top, wide, high = plan.view
    for row, cells in enumerate(grid):
        for column in range(len(cells)):
            x = left + (column + 0.5) / len(cells) * wide
            y = top + (row + 0.5) / len(grid) * high
            if _holds(spot.outline, x, y):
                cells[column] = block
    row, column = _cell(grid, plan, spot.middle)
    grid[row][column] = block


def _holds(corners: Sequence[Point], x: float, y: float) -> bool:
    """Tell whether a point lies in an outline: a ray from it crosses the sides an odd number of times."""
    sides = zip(corners, [*corners[1:], corners[0]], strict=True)
    crossed = sum(
        (a[1] > y) != (b[1] > y) and x < a[0] + (y - a[1]) * (b[0] - a[0]) / (b[1] - a[1]) for a, b in sides
    )
    return crossed % 2 == 1


def _cell(grid: list[list[str]], plan: Layout, at: Point) -> tuple[int, int]:
    left, top, wide, high = plan.view
    row, column = int((at[1] - top) / high * len(grid)), int((at[0] - left) / wide * len(grid[0]))
    return min(max(row, 0), len(grid) - 1), min(max(column, 0), len(grid[0]) - 1)


def _line(spot: Spot, plan: Layout, highlight: str | None, width: int) -> str:
    arrow = ">" if spot.key == highlight else " "
    words = "  ".join(_caption(spot, plan))
    return f"{arrow}{spot.number:>3} {_LETTERS[mark_of(spot.outcome)]} {words}"[: max(width, 20)]
