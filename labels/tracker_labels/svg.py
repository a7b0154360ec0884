"""Painting marks as SVG: modules as one path, texts as text, in units of the printer's dots."""

from __future__ import annotations

from xml.sax.saxutils import escape

from tracker_labels.lettering import font
from tracker_labels.marks import MM_PER_INCH, CodeMark, Page, RuleMark, TextMark

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


def _element(mark: CodeMark | TextMark | RuleMark) -> str:
    """Return one mark as an element."""
    if isinstance(mark, CodeMark):
        return _code(mark)
    box = mark.box
    if isinstance(mark, RuleMark):
        return f'<rect x="{box.x}" y="{box.y}" width="{box.width}" height="{box.height}"/>'
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
    return (
        f'<svg x="{box.x}" y="{box.y}" width="{box.width}" height="{box.height}" overflow="hidden">'
        f'<text x="{-mark.left}" y="{mark.baseline}" font-family="DejaVu Sans, sans-serif"'
        f' font-size="{mark.size}"{weight} textLength="{length:g}" lengthAdjust="spacingAndGlyphs">'
        f"{escape(mark.text)}</text></svg>"
    )
