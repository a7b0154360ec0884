"""Numbers in cells: decimal points, decimal commas, and what is neither."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.desk.importing.sheet import Style, read_number, style_of
from tracker.errors import Refused


@pytest.mark.parametrize(
    ("cells", "style"),
    [
        (["25,0", "1143,2"], "comma"),
        (["25.0", "1143.2"], "point"),
        (["1,143", "25"], "open"),
        (["25,0", "25.0"], "open"),
        (["1.143,20"], "comma"),
        (["1,143.20"], "point"),
        ([], "open"),
    ],
)
def test_style_is_that_of_the_whole_sheet(cells: list[str], style: Style) -> None:
    """Cells that leave no doubt decide for the sheet; contradiction or silence decides nothing."""
    assert style_of(cells) == style


@pytest.mark.parametrize(
    ("cell", "style", "number"),
    [
        ("1143.2", "point", 1143.2),
        ("1143,2", "comma", 1143.2),
        ("1,143", "comma", 1.143),
        ("1.143,20", "comma", 1143.2),
        ("1,143.20", "point", 1143.2),
        ("4,02", "open", 4.02),
        ("1e3", "open", 1000.0),
        ("-0.5", "point", -0.5),
        ("0.5 kN", "point", 500.0),
        ("0,5 kN", "comma", 500.0),
    ],
)
def test_number_is_read_in_the_sheets_style(cell: str, style: Style, number: float) -> None:
    """The decimal mark of the sheet is that of each cell; a unit in the cell is converted."""
    assert read_number(cell, style, "N", "force") == pytest.approx(number, rel=1e-12)


@pytest.mark.parametrize(("cell", "style"), [("1,143", "open"), ("1,143", "point"), ("1.143", "comma")])
def test_a_number_that_can_be_two_is_refused(cell: str, style: Style) -> None:
    """Where a mark can be decimal or thousands, both readings are shown and none is taken."""
    with pytest.raises(Refused, match="can mean"):
        read_number(cell, style, "N", "force")


@pytest.mark.parametrize("cell", ["nan", "NaN", "inf", "-inf", "1e999", "n/a", "-", "abc", "5 kg", "1_000"])
def test_what_is_no_finite_number_of_that_unit_is_refused(cell: str) -> None:
    """NaN, infinity, words and absurd units are refused with the name of the field."""
    with pytest.raises(Refused, match="force"):
        read_number(cell, "point", "N", "force")


def test_a_word_for_missing_is_answered_with_what_to_do() -> None:
    """A cell that says NaN is told to be left empty."""
    with pytest.raises(Refused, match="Leave the cell empty"):
        read_number("NaN", "point", "N", "force")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_written_float_is_read_back_exactly(number: float) -> None:
    """What Python writes is read back bit for bit."""
    assert read_number(repr(number), "point", "N", "force") == number


@given(st.decimals(allow_nan=False, allow_infinity=False, places=2, min_value=-99999, max_value=99999))
def test_comma_and_point_say_the_same(number: object) -> None:
    """A sheet with commas holds the same numbers as one with points."""
    point, comma = str(number), str(number).replace(".", ",")

    assert read_number(comma, "comma", "N", "force") == read_number(point, "point", "N", "force")


@given(st.text(min_size=1, max_size=20), st.sampled_from(["point", "comma", "open"]))
def test_any_text_is_a_finite_number_or_refused(cell: str, style: Style) -> None:
    """No cell makes the reader fail in any way but by a refusal."""
    try:
        number = read_number(cell, style, "mm", "width")
    except Refused:
        return
    assert number - number == 0
