"""The page of scales: its ticks are where they say, and an offset that is read is the one that helps."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tracker_labels import LabelError, ruler_page, stocks
from tracker_labels.drawing import RuleMark

from tests.labels.helpers import STOCKS, pictures


def _rules(stock: str) -> list[RuleMark]:
    """Return the ticks and lines of a page."""
    return [mark for mark in ruler_page(stocks()[stock]).pages[0].marks if isinstance(mark, RuleMark)]


@pytest.mark.parametrize("stock", STOCKS)
def test_every_stock_has_a_ruler_page_of_its_size(stock: str) -> None:
    """The page of scales has the stock's own page."""
    page = ruler_page(stocks()[stock]).pages[0]

    assert (page.width_mm, page.height_mm) == (stocks()[stock].page_width_mm, stocks()[stock].page_height_mm)


@pytest.mark.parametrize("stock", STOCKS)
def test_there_is_ink_on_it(stock: str) -> None:
    """The scales are drawn."""
    assert pictures(ruler_page(stocks()[stock]))[0].getextrema() == (0, 255)


@pytest.mark.parametrize("stock", ["a4-3x8", "a4-5x13", "letter-3x10"])
def test_the_scale_is_zero_at_the_edge_of_a_label(stock: str) -> None:
    """Both scales have a tick on the edges of the second label of the second row."""
    geometry = stocks()[stock]
    x, y = geometry.corner_of(geometry.columns + 1)
    ticks = {(mark.box.x, mark.box.y) for mark in _rules(stock)}
    dot = geometry.dpi / 25.4

    assert (round(x * dot), round((y + geometry.label_height_mm / 2) * dot)) in ticks
    assert (round((x + geometry.label_width_mm / 2) * dot), round(y * dot)) in ticks


@pytest.mark.parametrize(("columns", "rows"), [(1, 3), (3, 1), (1, 1)])
def test_scales_of_a_single_row_or_column_stay_on_the_page(columns: int, rows: int) -> None:
    """Where there is no second row or column the early scales stand at the first."""
    stock = replace(stocks()["a4-3x8"], columns=columns, rows=rows)
    x, y = stock.corner_of({(1, 3): 1, (3, 1): 1, (1, 1): 0}[columns, rows])
    marks = ruler_page(stock).pages[0].marks
    ticks = {(mark.box.x, mark.box.y) for mark in marks if isinstance(mark, RuleMark)}
    dot = stock.dpi / 25.4

    assert (round(x * dot), round((y + stock.label_height_mm / 2) * dot)) in ticks


def test_the_check_line_is_100_mm() -> None:
    """The line that is measured is 1181 dots of 300 to the inch."""
    assert max(mark.box.width for mark in _rules("round-25")) == 1181


def test_a_ruler_page_moves_with_the_offset() -> None:
    """Printed again with the offset that was read, the scales move by it."""
    still, pushed = (ruler_page(stocks()["a4-3x8"], offset_mm=by) for by in ((0.0, 0.0), (1.0, 2.0)))

    assert pushed.pages[0].marks[0].box == still.pages[0].marks[0].box.moved(12, 24)


def test_an_offset_of_no_printer_is_refused() -> None:
    """The same offsets are refused as for labels."""
    with pytest.raises(LabelError, match="is none of a printer"):
        ruler_page(stocks()["a4-3x8"], offset_mm=(99.0, 0.0))
