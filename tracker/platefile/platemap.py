"""The plate map as SVG, PNG or block characters."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

from tracker.platefile.facts import PlateObject, Point
from tracker.platefile.orientation import orientation_of

if TYPE_CHECKING:
    from PIL import ImageDraw

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
        taken = {id(one) for one in row}
        left = [one for one in left if id(one) not in taken]
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
    """Return what to draw of a piece in mm: its outline, else its box, or its rectangle turned askew."""
    if piece.contour_mm:
        return piece.contour_mm
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
    if piece.gauge_mm:
        corners = tuple(scale(x, y) for x, y in piece.gauge_mm)
        shapes.append(Polygon(corners, "none", _INK, 1.0, dashed=True))
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


_FONT = "DejaVu Sans, Liberation Sans, Arial, sans-serif"
_LETTERS = {"tick": "+", "cross": "x", "triangle": "!", "ring": "?"}


def plate_map_svg(
    objects: Sequence[PlateObject], labels: Labels, bed: Bed | None = None, highlight: str | None = None
) -> str:
    """Return the map of a plate as SVG.

    Args:
        objects: The pieces.
        labels: Per key: label and outcome as a word, empty where none is recorded.
        bed: xmin, ymin, xmax, ymax in mm; None takes the pieces with some room around.
        highlight: Key of a piece to stand out.
    """
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
        paint += ' stroke-dasharray="4 3"' if shape.dashed else ""
        return f'<polygon points="{points}" {paint}/>'
    if isinstance(shape, Line):
        (x1, y1), (x2, y2) = shape.start, shape.end
        ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
        return f'<line {ends} stroke="{shape.stroke}" stroke-width="{shape.width:g}"/>'
    if isinstance(shape, Circle):
        place = f'cx="{shape.centre[0]:.1f}" cy="{shape.centre[1]:.1f}" r="{shape.radius:g}"'
        return f'<circle {place} fill="none" stroke="{shape.stroke}" stroke-width="{shape.width:g}"/>'
    return _svg_text(shape)


def _svg_text(text: Text) -> str:
    x, y = text.at
    turn = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if text.upright else ""
    weight = ' font-weight="bold"' if text.bold else ""
    place = f'x="{x:.1f}" y="{y:.1f}" font-size="{text.size:g}" text-anchor="{text.anchor}"'
    return f'<text {place} fill="{text.fill}"{weight}{turn}>{escape(text.text)}</text>'


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
        labels: Per key: label and outcome as a word, empty where none is recorded.
        bed: xmin, ymin, xmax, ymax in mm; None takes the pieces with some room around.
        highlight: Key of a piece to stand out.
        scale: Pixels per drawing unit.
    """
    # Imported here: whoever only asks for facts should not wait for an imaging library.
    from PIL import Image, ImageDraw  # noqa: PLC0415

    plan = drawing(objects, labels, bed, highlight)
    image = Image.new("RGB", (round(plan.width * scale), round(plan.height * scale)), "#ffffff")
    painter = ImageDraw.Draw(image)
    for shape in plan.shapes:
        _paint(image, painter, shape, scale)
    file = io.BytesIO()
    image.save(file, "PNG", optimize=True)
    return file.getvalue()


def _paint(image: Any, painter: ImageDraw.ImageDraw, shape: Shape, scale: float) -> None:
    if isinstance(shape, Polygon):
        points = [(x * scale, y * scale) for x, y in shape.points]
        if shape.fill != "none":
            painter.polygon(points, fill=shape.fill)
        painter.line(
            [*points, points[0]], fill=shape.stroke, width=max(1, round(shape.width * scale)), joint="curve"
        )
    elif isinstance(shape, Line):
        ends = [
            (shape.start[0] * scale, shape.start[1] * scale),
            (shape.end[0] * scale, shape.end[1] * scale),
        ]
        painter.line(ends, fill=shape.stroke, width=max(1, round(shape.width * scale)))
    elif isinstance(shape, Circle):
        (x, y), r = shape.centre, shape.radius
        box = [(x - r) * scale, (y - r) * scale, (x + r) * scale, (y + r) * scale]
        painter.ellipse(box, outline=shape.stroke, width=round(shape.width * scale))
    else:
        _paint_text(image, painter, shape, scale)


def _paint_text(image: Any, painter: ImageDraw.ImageDraw, text: Text, scale: float) -> None:
    from PIL import Image, ImageDraw, ImageFont  # noqa: PLC0415 - as in plate_map_png

    font = ImageFont.load_default(text.size * scale)
    stroke = 0.25 * scale if text.bold else 0
    if not text.upright:
        anchor = "ms" if text.anchor == "middle" else "ls"
        painter.text(
            (text.at[0] * scale, text.at[1] * scale), text.text, text.fill, font, anchor, stroke_width=stroke
        )
        return
    width = round(painter.textlength(text.text, font=font)) + 4
    height = round(text.size * scale * 1.4)
    strip = Image.new("L", (width, height), 0)
    ImageDraw.Draw(strip).text((width / 2, height * 0.75), text.text, 255, font, "ms", stroke_width=stroke)
    turned = strip.rotate(90, expand=True)
    corner = (round(text.at[0] * scale - height * 0.75), round(text.at[1] * scale - width / 2))
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
        labels: Per key: label and outcome as a word, empty where none is recorded.
        bed: xmin, ymin, xmax, ymax in mm; None takes the pieces with some room around.
        highlight: Key of a piece to stand out (drawn solid, marked with an arrow in the list).
        width: Columns to use.
    """
    ordered = reading_order(objects)
    x0, y0, x1, y1 = bed or bed_around(objects)
    columns = max(10, min(width, 120) - 2)
    # A character is about twice as high as wide.
    rows = max(3, min(40, round(columns * (y1 - y0) / (x1 - x0) / 2)))
    grid = [[" "] * columns for _ in range(rows)]
    for piece in ordered:
        block = "█" if piece.key == highlight else "▒"
        _fill(grid, piece, (x0, y0, x1, y1), block)
    for number, piece in enumerate(ordered, 1):
        _write(grid, piece, (x0, y0, x1, y1), str(number))
    frame = ["┌" + "─" * columns + "┐", *("│" + "".join(row) + "│" for row in grid)]
    front = " front ".center(columns, "─")
    listed = [_line(number, one, labels, highlight, width) for number, one in enumerate(ordered, 1)]
    return "\n".join([*frame, "└" + front + "┘", *listed]) + "\n"


def _fill(grid: list[list[str]], piece: PlateObject, bed: Bed, block: str) -> None:
    """Fill the cells whose middle lies in the piece, and at least one."""
    corners = outline(piece)
    for row in range(len(grid)):
        for column in range(len(grid[0])):
            x = bed[0] + (column + 0.5) / len(grid[0]) * (bed[2] - bed[0])
            y = bed[3] - (row + 0.5) / len(grid) * (bed[3] - bed[1])
            if _holds(corners, x, y):
                grid[row][column] = block
    row, column = _cell(grid, piece, bed)
    grid[row][column] = block


def _holds(corners: Sequence[tuple[float, float]], x: float, y: float) -> bool:
    """Tell whether a point lies in an outline: a ray from it crosses the sides an odd number of times."""
    sides = zip(corners, [*corners[1:], corners[0]], strict=True)
    crossed = sum(
        (a[1] > y) != (b[1] > y) and x < a[0] + (y - a[1]) * (b[0] - a[0]) / (b[1] - a[1]) for a, b in sides
    )
    return crossed % 2 == 1


def _cell(grid: list[list[str]], piece: PlateObject, bed: Bed) -> tuple[int, int]:
    x, y = piece.centre_mm
    column = int((x - bed[0]) / (bed[2] - bed[0]) * len(grid[0]))
    row = int((bed[3] - y) / (bed[3] - bed[1]) * len(grid))
    return min(max(row, 0), len(grid) - 1), min(max(column, 0), len(grid[0]) - 1)


def _write(grid: list[list[str]], piece: PlateObject, bed: Bed, text: str) -> None:
    row, column = _cell(grid, piece, bed)
    start = min(max(column - (len(text) - 1) // 2, 0), len(grid[0]) - len(text))
    grid[row][start : start + len(text)] = text


def _line(number: int, piece: PlateObject, labels: Labels, highlight: str | None, width: int) -> str:
    text, outcome = labels.get(piece.key, ("", ""))
    arrow = ">" if piece.key == highlight else " "
    mark = _LETTERS[mark_of(outcome)]
    words = f"{arrow}{number:>3} {mark} {text or piece.name}  {orientation_of(piece).text}"
    return f"{words}  {outcome or 'not recorded'}"[: max(width, 20)]
