"""A page of scales, from which a printer's offset is read."""

from __future__ import annotations

from collections.abc import Iterator

from tracker_labels.geometry import Stock
from tracker_labels.lettering import font, ink, shorten
from tracker_labels.marks import Box, Mark, Page, RuleMark, TextMark, dots, moved
from tracker_labels.sheet import Sheet, checked_dpi, offset_dots

_LINE_MM, _TYPE_MM, _SMALL_TYPE_MM = 0.15, 3.4, 2.2
_TICK_MM, _HALF_TICK_MM = 2.4, 1.3
_REACH_MM = 5
_CHECK_MM = 100
_LINE_STEP = 1.45
_SHEET_TEXT = (
    "Print this page on plain paper, at full size.",
    "Hold it behind a sheet of labels, against the light.",
    "Where a label's edge crosses a scale, read X (to the right)",
    "and Y (downwards), with its sign: that is the offset X,Y.",
    "If the two labels differ, or the line below is not {length} mm,",
    "the printer changes the size: switch fitting to the page off.",
)
_SINGLE_TEXT = "mm from the edge; offset = number − measured"


def ruler_page(
    stock: Stock, *, offset_mm: tuple[float, float] = (0.0, 0.0), dpi: float | None = None
) -> Sheet:
    """Return a page of millimetre scales at the edges of a stock's labels.

    Args:
        stock: The stock whose labels shall be met.
        offset_mm: As for ``draw_sheet``: a second page printed with it shows whether it is right.
        dpi: Dots per inch of the printer; without it, the stock's usual one.

    Raises:
        LabelError: The offset or the dots per inch are out of range.
    """
    dpi = checked_dpi(dpi, stock)
    dx, dy = offset_dots(offset_mm, dpi)
    draw = _sheet_marks if stock.kind in ("sheet", "round") else _single_marks
    marks = tuple(moved(mark, dx, dy) for mark in draw(stock, dpi))
    return Sheet((Page(stock.page_width_mm, stock.page_height_mm, marks),), dpi)


def _sheet_marks(stock: Stock, dpi: float) -> Iterator[Mark]:
    """Put scales at an early and at the last label of a page, and between them how to read them."""
    # Not at the first: its edge may be the page's, where no printer prints.
    early = min(1, stock.rows - 1) * stock.columns + min(1, stock.columns - 1)
    for place in dict.fromkeys((early, stock.places - 1)):
        x, y = stock.corner_of(place)
        if stock.kind == "sheet":
            yield from _outline(x, y, stock, dpi)
        yield from _scale(x, y + stock.label_height_mm / 2, dpi, upright=False)
        yield from _scale(x + stock.label_width_mm / 2, y, dpi, upright=True)
    yield from _how_to_read(stock, dpi)


def _how_to_read(stock: Stock, dpi: float) -> Iterator[Mark]:
    """Write in the middle of the page how the scales are read, above a line of known length."""
    length = min(_CHECK_MM, int(stock.page_width_mm - 10) // 10 * 10)
    left, top = (stock.page_width_mm - length) / 2, stock.page_height_mm * 0.42
    for row, text in enumerate(_SHEET_TEXT):
        size = _TYPE_MM * length / _CHECK_MM
        yield from _text(text.format(length=length), (left, top + row * size * _LINE_STEP), size, dpi)
    yield from _ruler(left, top + len(_SHEET_TEXT) * _TYPE_MM * _LINE_STEP + 6, length, dpi)


def _single_marks(stock: Stock, dpi: float) -> Iterator[Mark]:
    """Put a ruler along a page that is one label, and one across it."""
    width, height = stock.page_width_mm, stock.page_height_mm
    yield from _ruler(0, height / 2, int(width), dpi)
    across = min(15.5, width / 2)
    for mm in range(int(height) + 1):
        yield _line(across, mm, _HALF_TICK_MM if mm % 5 else _TICK_MM, 0, dpi)
    yield from _text(_SINGLE_TEXT, (across + 4, height / 2 - 4), _SMALL_TYPE_MM, dpi, width - across - 5)


def _outline(x: float, y: float, stock: Stock, dpi: float) -> Iterator[Mark]:
    """Draw the edges of a label; those of the square round a circle."""
    width, height = stock.label_width_mm, stock.label_height_mm
    for down in (0.0, height):
        yield _line(x, y + down, width, 0, dpi)
    for right in (0.0, width):
        yield _line(x + right, y, 0, height, dpi)


def _scale(x: float, y: float, dpi: float, *, upright: bool) -> Iterator[Mark]:
    """Draw a scale from -5 to 5 mm through a point, a tick every half millimetre."""
    for half in range(-2 * _REACH_MM, 2 * _REACH_MM + 1):
        at = half / 2
        tick = _HALF_TICK_MM if half % 2 else _TICK_MM
        if upright:
            yield _line(x, y + at, tick, 0, dpi)
        else:
            yield _line(x + at, y, 0, tick, dpi)
        if half in (-2 * _REACH_MM, 2 * _REACH_MM):
            letter = "" if half < 0 else " Y" if upright else " X"
            place = (x + 3.0, y + at - 1.3) if upright else (x + at - 1.4, y + 2.6)
            yield from _text(f"{at:+g}{letter}", place, _SMALL_TYPE_MM, dpi)


def _ruler(x: float, y: float, length: int, dpi: float) -> Iterator[Mark]:
    """Draw a ruler to the right, a tick every millimetre, a number every ten."""
    yield _line(x, y, length, 0, dpi)
    for mm in range(length + 1):
        yield _line(x + mm, y, 0, _HALF_TICK_MM if mm % 5 else _TICK_MM, dpi)
        if mm % 10 == 0:
            yield from _text(str(mm), (x + mm + 0.3, y + 2.3), _SMALL_TYPE_MM, dpi)


def _line(x: float, y: float, right: float, down: float, dpi: float) -> RuleMark:
    """Return a hairline; its upper left dot is the point that was meant."""
    # At 100 dpi a hairline would round to nothing.
    thin = max(1, dots(_LINE_MM, dpi))
    return RuleMark(Box(dots(x, dpi), dots(y, dpi), max(thin, dots(right, dpi)), max(thin, dots(down, dpi))))


def _text(
    text: str, corner: tuple[float, float], size_mm: float, dpi: float, room_mm: float = 1000.0
) -> Iterator[Mark]:
    """Yield a row of text with its upper left corner in mm, or nothing where it has no room."""
    size = dots(size_mm, dpi)
    shown = shorten(text, dots(room_mm, dpi), size, bold=False)
    if shown:
        left, right = ink(shown, size, bold=False)
        ascent, descent = font(size, bold=False).getmetrics()
        box = Box(dots(corner[0], dpi), dots(corner[1], dpi), right - left, ascent + descent)
        yield TextMark(box, shown, size, bold=False, baseline=ascent, left=left)
