"""Labels on pages: which label stands in which place, and the files that come of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tracker_labels.errors import LabelError
from tracker_labels.geometry import Stock
from tracker_labels.label import Label
from tracker_labels.layout import Plan, plan
from tracker_labels.marks import MM_PER_INCH, CodeMark, Mark, Page, dots, moved

# Beyond this it is not the printer's offset but the wrong stock.
_FARTHEST_MM = 10.0
_COARSEST_DPI, _FINEST_DPI = 100.0, 1200.0
_ONE_A_PAGE = ("tape", "flag")


@dataclass(frozen=True, slots=True)
class Sheet:
    """Pages that are ready to be printed.

    Attributes:
        pages: What stands on each, in dots.
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
        from tracker_labels.pdf import write_pdf  # noqa: PLC0415 - Pillow is loaded by those who draw

        return write_pdf(self.pages, self.dpi)

    def pages_png(self) -> list[bytes]:
        """Return each page as a 1-bit PNG that carries its dots per inch."""
        from tracker_labels.raster import page_png  # noqa: PLC0415 - the same

        return [page_png(page, self.dpi) for page in self.pages]

    def pages_svg(self) -> list[str]:
        """Return each page as SVG, with the modules as a path and the texts as text."""
        from tracker_labels.svg import page_svg  # noqa: PLC0415 - the same

        return [page_svg(page, self.dpi) for page in self.pages]


def draw_sheet(
    labels: Iterable[Label],
    stock: Stock,
    *,
    start_at: int = 1,
    offset_mm: tuple[float, float] = (0.0, 0.0),
    dpi: float | None = None,
) -> Sheet:
    """Arrange labels on as many pages as they need.

    Args:
        labels: In the order of printing: along a row, then the next row.
        stock: What they are printed on.
        start_at: The first free place of a part-used sheet; places count from 1, along the rows.
        offset_mm: Moves everything to the right and downwards, in mm, to make up for a printer that
            prints beside where it should; see ``ruler_page``.
        dpi: Dots per inch of the printer; without it, the stock's usual one.

    Raises:
        LabelError: There is no label, the place or the offset is out of range, or a code cannot be
            held by the stock.
    """
    dpi = checked_dpi(dpi, stock)
    skip = _checked_start(start_at, stock)
    dx, dy = offset_dots(offset_mm, dpi)
    plans = [plan(label, stock, dpi) for label in labels]
    if not plans:
        raise LabelError("There is no label to print", do="Name at least one.")
    pages = tuple(
        _page(chunk, first, stock, dpi, (dx, dy)) for first, chunk in _chunks(plans, skip, stock.places)
    )
    return Sheet(pages, dpi, tuple(dict.fromkeys(remark for one in plans for remark in one.remarks)))


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
        marks += [moved(mark, dx, dy) for mark in one.marks]
    # A tape's page is as long as its one label turned out, a whole number of dots.
    width = plans[0].width * MM_PER_INCH / dpi if stock.kind == "tape" else stock.page_width_mm
    return Page(width, stock.page_height_mm, tuple(marks))
