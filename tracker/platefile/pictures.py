"""The plate map as SVG, PNG or block characters."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

from tracker.platefile.orientation import orientation_of
from tracker.platefile.platefacts import PlateObject
from tracker.platefile.platemap import (
    Bed,
    Circle,
    Labels,
    Line,
    Polygon,
    Shape,
    Text,
    bed_around,
    drawing,
    mark_of,
    outline,
    reading_order,
)

if TYPE_CHECKING:
    from PIL import ImageDraw

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
    """Tell whether a point lies in a convex outline that runs counter-clockwise."""
    turns = zip(corners, [*corners[1:], corners[0]], strict=True)
    return all((b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0]) >= 0 for a, b in turns)


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
