"""Pages: labels in their places, a plate in small beside them, or rulers that find a printer's offset."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tracker_labels.drawing import (
    MM_PER_INCH,
    Box,
    CodeMark,
    LineMark,
    Mark,
    Page,
    RuleMark,
    TextMark,
    dots,
    moved,
)
from tracker_labels.label import Label, LabelError
from tracker_labels.layout import Plan, plan
from tracker_labels.lettering import font, ink, shorten
from tracker_labels.stock import Stock

# Beyond this it is not the printer's offset but the wrong stock.
_FARTHEST_MM = 10.0
_COARSEST_DPI, _FINEST_DPI = 100.0, 1200.0
_ONE_A_PAGE = ("tape", "flag")
_CIRCLE_STEPS = 90
# Below this height the numbers on a plate's picture would cover its pieces.
_LEAST_PLATE_MM = 15.0
_NUMBER_MM = 1.9
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


@dataclass(frozen=True, slots=True)
class PlatePicture:
    """A plate in small, so that who sticks the labels on sees which piece is which.

    Attributes:
        title: What the plate is called, such as the ID of its job.
        width_mm: Width of the bed, or of what is shown of it.
        depth_mm: Its depth.
        pieces: For each piece its number and its outline, corners in mm from the front left corner.
    """

    title: str
    width_mm: float
    depth_mm: float
    pieces: tuple[tuple[str, tuple[tuple[float, float], ...]], ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Pages that are ready to be printed.

    Attributes:
        pages: What is on each, in dots.
        dpi: Dots per inch of the printer they are meant for.
        remarks: One sentence for each text that was shortened, and for each character that the font
            does not hold; worth showing to the person who prints.
    """

    pages: tuple[Page, ...]
    dpi: float
    remarks: tuple[str, ...] = ()

    @property
    def codes(self) -> tuple[CodeMark, ...]:
        """The codes, page after page."""
        return tuple(mark for page in self.pages for mark in page.marks if isinstance(mark, CodeMark))

    def pdf(self) -> bytes:
        """Return a PDF of exact page sizes, drawn with 1-bit CCITT group 4 pictures at the printer's dots."""
        from tracker_labels.drawing import write_pdf  # noqa: PLC0415 - Pillow is loaded by those who draw

        return write_pdf(self.pages, self.dpi)

    def pages_png(self) -> list[bytes]:
        """Return each page as a 1-bit PNG that carries its dots per inch."""
        from tracker_labels.drawing import page_png  # noqa: PLC0415 - the same

        return [page_png(page, self.dpi) for page in self.pages]

    def pages_svg(self) -> list[str]:
        """Return each page as SVG, with the modules as a path and the texts as text."""
        from tracker_labels.drawing import page_svg  # noqa: PLC0415 - the same

        return [page_svg(page, self.dpi) for page in self.pages]


def draw_sheet(
    labels: Iterable[Label],
    stock: Stock,
    *,
    start_at: int = 1,
    offset_mm: tuple[float, float] = (0.0, 0.0),
    dpi: float | None = None,
    plates: Sequence[PlatePicture] = (),
) -> Sheet:
    """Arrange labels on as many pages as they need.

    All IDs are set in one size, the one that the longest of them can have.

    Args:
        labels: In the order of printing: along a row, then the next row.
        stock: What they are printed on.
        start_at: The first free place of a part-used sheet; places count from 1, along the rows.
        offset_mm: Moves everything to the right and downwards, in mm, to make up for a printer that
            prints beside where it should; see ``ruler_page``.
        dpi: Dots per inch of the printer; without it, the stock's usual one.
        plates: Pictures of plates, each in a place of its own behind the labels.

    Raises:
        LabelError: There is no label, the place or the offset is out of range, or a code cannot be
            held by the stock.
    """
    dpi = checked_dpi(dpi, stock)
    skip = _checked_start(start_at, stock)
    dx, dy = offset_dots(offset_mm, dpi)
    asked = list(labels)
    plans = [plan(label, stock, dpi) for label in asked]
    if not plans:
        raise LabelError("There is no label to print", do="Name at least one.")
    even = min(one.id_size for one in plans)
    plans = [
        one if one.id_size == even else plan(label, stock, dpi, largest_id=even)
        for label, one in zip(asked, plans, strict=True)
    ]
    pictures = [_plate_plan(plate, stock, dpi) for plate in plates]
    remarks = dict.fromkeys(remark for one in (*plans, *pictures) for remark in one.remarks)
    # Where a picture has no room, no place stays empty for it.
    plans += [one for one in pictures if one.marks]
    pages = tuple(
        _page(chunk, first, stock, dpi, (dx, dy)) for first, chunk in _chunks(plans, skip, stock.places)
    )
    return Sheet(pages, dpi, tuple(remarks))


def checked_dpi(dpi: float | None, stock: Stock) -> float:
    """Return the dots per inch to use.

    Raises:
        LabelError: They are outside what a printer has.
    """
    value = stock.dpi if dpi is None else dpi
    if not _COARSEST_DPI <= value <= _FINEST_DPI:
        raise LabelError(
            f"{value:g} dpi is no printer's", do=f"Give {_COARSEST_DPI:g} to {_FINEST_DPI:g} dots per inch."
        )
    return value


def offset_dots(offset_mm: tuple[float, float], dpi: float) -> tuple[int, int]:
    """Return an offset in whole dots.

    Raises:
        LabelError: It is no number, or larger than any printer's.
    """
    for value in offset_mm:
        if not (math.isfinite(value) and abs(value) <= _FARTHEST_MM):
            raise LabelError(
                f"An offset of {value:g} mm is none of a printer",
                do=f"Give X,Y of at most {_FARTHEST_MM:g} mm either way, as read from the ruler page.",
            )
    return dots(offset_mm[0], dpi), dots(offset_mm[1], dpi)


def _checked_start(start_at: int, stock: Stock) -> int:
    """Return how many places are left out on the first page.

    Raises:
        LabelError: The stock has no such place.
    """
    if not 1 <= start_at <= stock.places:
        why = "there each label is a page of its own" if stock.kind in _ONE_A_PAGE else ""
        raise LabelError(
            f"{stock.name} has no place {start_at}", why=why, do=f"Start at 1 to {stock.places}."
        )
    return start_at - 1


def _chunks(plans: Sequence[Plan], skip: int, places: int) -> Iterator[tuple[int, Sequence[Plan]]]:
    """Share labels out among pages; yield the first place used and the labels of each page."""
    yield skip, plans[: places - skip]
    for start in range(places - skip, len(plans), places):
        yield 0, plans[start : start + places]


def _page(plans: Sequence[Plan], first: int, stock: Stock, dpi: float, offset: tuple[int, int]) -> Page:
    """Put labels on one page, from a place on."""
    marks: list[Mark] = []
    for place, one in enumerate(plans, start=first):
        x, y = stock.corner_of(place)
        # Place and offset are rounded apart, so that an offset moves every label by the same dots.
        dx, dy = dots(x, dpi) + offset[0], dots(y, dpi) + offset[1]
        marks += [moved(mark, dx, dy) for mark in (*one.marks, *_cutting_line(stock, dpi))]
    # A tape's page is as long as its one label turned out, a whole number of dots.
    width = plans[0].width * MM_PER_INCH / dpi if stock.kind == "tape" else stock.page_width_mm
    return Page(width, stock.page_height_mm, tuple(marks))


def _cutting_line(stock: Stock, dpi: float) -> Iterator[LineMark]:
    """Yield the edge of a label that hands cut out, seen from its corner."""
    if not stock.cut:
        return
    width, height = dots(stock.label_width_mm, dpi), dots(stock.label_height_mm, dpi)
    corners = [(0, 0), (width, 0), (width, height), (0, height), (0, 0)]
    if stock.kind == "round":
        turns = [math.tau * (step % _CIRCLE_STEPS) / _CIRCLE_STEPS for step in range(_CIRCLE_STEPS + 1)]
        corners = [
            (round(width / 2 * (1 + math.cos(turn))), round(height / 2 * (1 + math.sin(turn))))
            for turn in turns
        ]
    yield LineMark(Box(0, 0, width, height), tuple(corners), dots(_LINE_MM, dpi))


def _plate_plan(plate: PlatePicture, stock: Stock, dpi: float) -> Plan:
    """Draw a plate in the place of one label: the bed, the pieces' outlines, each with its number."""
    height, clear = dots(stock.label_height_mm, dpi), dots(stock.clear_mm, dpi)
    whole = dots(stock.label_width_mm, dpi)
    if stock.kind not in ("sheet", "tape") or stock.label_height_mm < _LEAST_PLATE_MM:
        return Plan(whole, height, (), (f"{stock.name} has no room for a picture of {plate.title}",), 0)
    title = _title(plate.title, clear, whole - 2 * clear, dpi)
    top = title[0].box.bottom if title else clear
    scale = min((whole - 2 * clear) / plate.width_mm, (height - clear - top) / plate.depth_mm)
    bed_width, bed_depth = math.floor(plate.width_mm * scale), math.floor(plate.depth_mm * scale)
    line = dots(_LINE_MM, dpi)
    bed = Box(clear, top, bed_width, bed_depth)
    corners = ((0, 0), (bed_width - 1, 0), (bed_width - 1, bed_depth - 1), (0, bed_depth - 1), (0, 0))
    marks: list[Mark] = [*title, LineMark(bed, corners, line)]
    numbers: list[Mark] = []
    for number, outline in plate.pieces:
        # The bed is drawn as it is seen from the front: its y axis points away, the page's down.
        points = [(round(x * scale), bed_depth - 1 - round(y * scale)) for x, y in outline]
        points = [(min(max(x, 0), bed_width - 1), min(max(y, 0), bed_depth - 1)) for x, y in points]
        marks.append(LineMark(bed, (*points, points[0]), line))
        numbers += _number_on(number, points, bed, dpi)
    width = (
        whole
        if stock.kind == "sheet"
        else min(whole, max(bed.right, *(one.box.right for one in title)) + clear)
    )
    return Plan(width, height, (*marks, *numbers), (), 0)


def _title(text: str, clear: int, room: int, dpi: float) -> list[TextMark]:
    """Return the title of a plate's picture in the upper left corner of its label."""
    size = dots(_SMALL_TYPE_MM, dpi)
    shown = shorten(text, room, size, bold=False)
    left, right = ink(shown, size, bold=False)
    ascent, descent = font(size, bold=False).getmetrics()
    box = Box(clear, clear, right - left, ascent + descent)
    return [TextMark(box, shown, size, bold=False, baseline=ascent, left=left)] if right > left else []


def _number_on(number: str, points: Sequence[tuple[int, int]], bed: Box, dpi: float) -> list[Mark]:
    """Return a piece's number in the middle of its outline, never beyond the bed."""
    size = dots(_NUMBER_MM, dpi)
    left, right = ink(number, size, bold=False)
    ascent, descent = font(size, bold=False).getmetrics()
    x = (min(x for x, _ in points) + max(x for x, _ in points)) // 2 - (right - left) // 2
    y = (min(y for _, y in points) + max(y for _, y in points)) // 2 - (ascent + descent) // 2
    x = bed.x + max(0, min(x, bed.width - (right - left)))
    y = bed.y + max(0, min(y, bed.height - ascent - descent))
    box = Box(x, y, right - left, ascent + descent)
    return [TextMark(box, number, size, bold=False, baseline=ascent, left=left)]


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
    # One dot still on the coarsest printer that is allowed.
    thin = dots(_LINE_MM, dpi)
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
