"""Draw marks: as dots of the printer, each black or white, and as SVG."""

from __future__ import annotations

from functools import lru_cache
from io import BytesIO
from xml.sax.saxutils import escape

from PIL import Image, ImageChops, ImageDraw

from tracker_labels.code import Code
from tracker_labels.lettering import font, slashes
from tracker_labels.marks import MM_PER_INCH, CodeMark, LineMark, Mark, Page, RuleMark, TextMark, dots

_INK = 255


def paint(page: Page, dpi: float) -> Image.Image:
    """Paint a page.

    Args:
        page: Size in mm, marks in dots.
        dpi: Dots per inch in which the marks were placed.

    Returns:
        A 1-bit picture in which ink is 1 and paper is 0, as a fax encoder likes it.
    """
    picture = Image.new("1", (dots(page.width_mm, dpi), dots(page.height_mm, dpi)), 0)
    for mark in sorted(page.marks, key=_order):
        box = mark.box
        if isinstance(mark, RuleMark):
            picture.paste(_INK, (box.x, box.y, box.right, box.bottom))
        elif isinstance(mark, TextMark):
            picture.paste(text_dots(mark.text, mark.size, mark.bold, box.width, box.height), (box.x, box.y))
        elif isinstance(mark, LineMark):
            points = [(box.x + x, box.y + y) for x, y in mark.points]
            ImageDraw.Draw(picture).line(points, fill=_INK, width=mark.thickness)
        else:
            picture.paste(code_dots(mark.code, mark.module), (box.x, box.y))
    return picture


def page_png(page: Page, dpi: float) -> bytes:
    """Return a page as PNG, black on white."""
    file = BytesIO()
    ImageChops.invert(paint(page, dpi)).save(file, "PNG", dpi=(dpi, dpi))
    return file.getvalue()


def _order(mark: Mark) -> bool:
    """Sort codes to the end: whatever goes wrong with a text, the code is whole."""
    return isinstance(mark, CodeMark)


@lru_cache(maxsize=1024)
def text_dots(text: str, size: int, bold: bool, width: int, height: int) -> Image.Image:
    """Return a row of text as a picture of its own, which also cuts off what would leave its box."""
    picture = Image.new("1", (width, height), 0)
    face = font(size, bold)
    left = face.getbbox(text, mode="1", anchor="ls")[0]
    draw, baseline = ImageDraw.Draw(picture), face.getmetrics()[0]
    draw.text((-left, baseline), text, fill=_INK, font=face, anchor="ls")
    for x0, y0, x1, y1, thickness in slashes(text, size, bold):
        draw.line((x0 - left, baseline + y0, x1 - left, baseline + y1), fill=_INK, width=thickness)
    return picture


def code_dots(code: Code, module: int) -> Image.Image:
    """Return a code with its quiet zone as a picture, each module a square of whole dots."""
    # A byte a module first: enlarging one small picture is faster than filling each dark module.
    small = Image.frombytes("L", (code.size, code.size), code.modules.replace(b"\1", b"\xff")).convert("1")
    whole = Image.new("1", (code.size_with_quiet, code.size_with_quiet), 0)
    whole.paste(small, (code.quiet, code.quiet))
    side = code.size_with_quiet * module
    return whole.resize((side, side), Image.Resampling.NEAREST)


# What an XML file may not hold has no glyph either, and has become a square long before.
_HEAD = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="{w:.4f}mm" height="{h:.4f}mm"'
    ' viewBox="0 0 {x:.4f} {y:.4f}">'
)


def page_svg(page: Page, dpi: float) -> str:
    """Return a page as an SVG document of its exact size.

    Args:
        page: Size in mm, marks in dots.
        dpi: Dots per inch in which the marks were placed.
    """
    scale = dpi / MM_PER_INCH
    # Millimetres outside, dots inside: the numbers in the paths stay whole.
    head = _HEAD.format(w=page.width_mm, h=page.height_mm, x=page.width_mm * scale, y=page.height_mm * scale)
    body = "\n".join(_element(mark) for mark in page.marks)
    return f'{head}\n<rect width="100%" height="100%" fill="#fff"/>\n{body}\n</svg>\n'


def _element(mark: Mark) -> str:
    """Return one mark as an element."""
    if isinstance(mark, CodeMark):
        return _code(mark)
    box = mark.box
    if isinstance(mark, RuleMark):
        return f'<rect x="{box.x}" y="{box.y}" width="{box.width}" height="{box.height}"/>'
    if isinstance(mark, LineMark):
        points = " ".join(f"{box.x + x},{box.y + y}" for x, y in mark.points)
        return f'<polyline points="{points}" fill="none" stroke="#000" stroke-width="{mark.thickness}"/>'
    return _text(mark)


def _code(mark: CodeMark) -> str:
    """Return a code as one path: each run of dark modules is a rectangle."""
    symbol, size, dot = mark.symbol, mark.code.size, mark.module
    steps: list[str] = []
    for row in range(size):
        modules = mark.code.modules[row * size : (row + 1) * size]
        start = modules.find(1)
        while start >= 0:
            end = modules.find(0, start)
            end = size if end < 0 else end
            x, y, run = symbol.x + start * dot, symbol.y + row * dot, (end - start) * dot
            steps.append(f"M{x} {y}h{run}v{dot}h-{run}z")
            start = modules.find(1, end)
    return f'<path shape-rendering="crispEdges" d="{"".join(steps)}"/>'


def _text(mark: TextMark) -> str:
    """Return a row of text in a window of its own, squeezed to the length it was measured with.

    Both keep it off the code even where the reader of the file has another font.
    """
    box = mark.box
    length = font(mark.size, mark.bold).getlength(mark.text, mode="1")
    weight = ' font-weight="bold"' if mark.bold else ""
    strokes = "".join(
        f'<line x1="{x0 - mark.left}" y1="{mark.baseline + y0}" x2="{x1 - mark.left}"'
        f' y2="{mark.baseline + y1}" stroke="#000" stroke-width="{thickness}"/>'
        for x0, y0, x1, y1, thickness in slashes(mark.text, mark.size, mark.bold)
    )
    return (
        f'<svg x="{box.x}" y="{box.y}" width="{box.width}" height="{box.height}" overflow="hidden">'
        f'<text x="{-mark.left}" y="{mark.baseline}" font-family="DejaVu Sans, sans-serif"'
        f' font-size="{mark.size}"{weight} textLength="{length:g}" lengthAdjust="spacingAndGlyphs">'
        f"{escape(mark.text)}</text>{strokes}</svg>"
    )
