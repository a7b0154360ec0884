"""Numbers and series as people type them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tracker_methods.bending import BendingReadings

from tests.api.test_fields import field
from tracker.api import entries, number, text_of
from tracker.api.readings import Field, fields


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.5", 12.5),
        (" 12,5 ", 12.5),
        ("1 830", 1830.0),
        ("1\u202f830,5", 1830.5),
        ("1'830", 1830.0),
        ("−3", -3.0),
        ("1e-3", 0.001),
    ],
)
def test_a_number_is_understood_as_written_by_hand(text: str, value: float) -> None:
    """Decimal commas, groups of three and a real minus sign are numbers."""
    assert number(text) == value


@pytest.mark.parametrize("text", ["", "abc", "1,2,3", "1 2", "5 kg", "--3"])
def test_what_is_no_number_is_none(text: str) -> None:
    """Anything doubtful is refused rather than guessed."""
    with pytest.raises(ValueError, match=r".*"):
        number(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_written_out_is_read_back(value: float) -> None:
    """All digits of a number survive its text."""
    assert number(repr(value)) == value


@pytest.mark.parametrize(
    "text",
    ["X:80 Y:60.5", "X:80; Y:60,5", "X:80, Y:60.5", "X:80\nY:60.5", "X 80; Y 60.5", " X : 80 ;Y: 60.5; "],
)
def test_entries_stand_apart_in_several_ways(text: str) -> None:
    """Blanks, semicolons, lines and commas with a blank part entries."""
    assert entries(field("rows"), text) == [["X", 80.0], ["Y", 60.5]]


def test_parts_may_stand_apart_by_blanks() -> None:
    """One colon and blanks are enough for a row of deflections, a dash for one not read."""
    rows = next(each for each in fields(BendingReadings) if each.name == "rows")
    assert entries(rows, "5: 0.42 0,45 -; 10: 1 2 3") == [[5.0, 0.42, 0.45, None], [10.0, 1.0, 2.0, 3.0]]


@pytest.mark.parametrize("text", ["X", "X:1:2", "X:1 Y", "X:1 Y:2:3"])
def test_an_entry_with_other_parts_is_refused(text: str) -> None:
    """A missing or surplus part is said, not filled in."""
    with pytest.raises(ValueError, match="not the 2 of axis:size"):
        entries(field("rows"), text)


def test_a_series_may_bring_its_own_reader() -> None:
    """A method can decide how its series is typed."""
    plain = field("rows")
    reading = type(plain.reading)(columns=("axis", "size"), parse=lambda text: [("X", float(text))])
    own = Field(**{**vars(plain), "reading": reading})
    assert entries(own, "7") == [["X", 7.0]]


@given(
    st.lists(st.tuples(st.sampled_from("XY"), st.floats(allow_nan=False, allow_infinity=False)), max_size=6)
)
def test_a_series_written_out_is_read_back(rows: list[tuple[str, float]]) -> None:
    """What is in a CSV cell gives the series back, every digit."""
    assert entries(field("rows"), text_of(field("rows"), rows)) == [[axis, size] for axis, size in rows]


def test_a_reading_not_taken_is_a_blank_cell() -> None:
    """Nothing read and zero read are different texts."""
    assert (text_of(field("force"), None), text_of(field("force"), 0.0)) == ("", "0.0")


def test_no_text_makes_a_number_that_is_not_finite_by_accident() -> None:
    """The word for infinity is a number here and refused by the model."""
    assert math.isinf(number("inf"))
