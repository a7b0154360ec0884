"""Gauge sections that a person states."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.plates import FLAT, UPRIGHT, plate
from tracker.errors import Refused
from tracker.platefile import (
    OwnGauge,
    PlateObject,
    Window,
    corners_of,
    own_window,
    read_gauge,
    read_plate,
    section,
)

ends = st.integers(0, 1000).map(lambda tenths: tenths / 10)


def thing(name: str, bars: dict[str, tuple[float, float, float, float]] = FLAT) -> PlateObject:
    """Return an object of a plate of twenty layers."""
    return next(each for each in read_plate(plate(bars, layers=20)).objects if each.name == name)


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("x:20-60", "x:20-60"),
        ("X 20.5 to 60 mm", "x:20.5-60"),
        ("x:20-60,y:3-7", "x:20-60,y:3-7"),
        ("y:3..7 x:20..60", "x:20-60,y:3-7"),
        ("z:.5–15", "z:0.5-15"),
    ],
)
def test_gauge_sections_as_they_are_typed(typed: str, kept: str) -> None:
    """However the ranges are joined, one way of keeping them."""
    assert read_gauge(typed).text == kept


@pytest.mark.parametrize(
    "typed", ["", "20-60", "w:1-2", "x:20", "x:60-20", "x:5-5", "x:1-2,x:3-4", "x:1-2,z:3-4", "x:1-2 or so"]
)
def test_what_is_no_gauge_section_is_refused(typed: str) -> None:
    """Half a range, an empty one, one twice, heights and a window in the plane together."""
    with pytest.raises(Refused, match=r"is no gauge section|gives x twice|is empty|mixes heights and"):
        read_gauge(typed)


@given(st.tuples(ends, ends).filter(lambda pair: pair[0] < pair[1]), st.sampled_from("xyz"))
def test_what_is_kept_is_read_as_it_was(pair: tuple[float, float], axis: str) -> None:
    """Typed, kept and read again."""
    gauge = OwnGauge(**{axis: pair})
    assert read_gauge(gauge.text) == gauge


def test_ranges_count_from_the_corner_of_the_box() -> None:
    """The bar's box begins at X 19.8: centre line at 20, half a line of 0.4 mm outside of it."""
    window = own_window(read_gauge("x:20-60"), thing("bar"))
    assert (window.low, window.high, window.angle_deg) == pytest.approx((39.8, 79.8, 0.0), abs=0.01)


def test_heights_count_from_the_bottom_of_the_box() -> None:
    """1 to 2 mm of layers of 0.2 mm: the sixth to the tenth."""
    piece = thing("tower", UPRIGHT)
    cut = section(piece, own_window(read_gauge("z:1-2"), piece))
    assert (cut.first_layer, cut.last_layer) == (6, 10)


def test_a_window_of_two_ranges_takes_a_part_of_each() -> None:
    """The middle half both ways holds a quarter of a box that is filled evenly."""
    piece = thing("bar")
    whole, half = (own_window(read_gauge(text), piece) for text in ("x:0-80", "x:20-60,y:2.5-7.5"))
    along = section(piece, own_window(read_gauge("x:20-60"), piece)).filament_mm
    assert section(piece, whole).filament_mm == pytest.approx(2 * along, rel=0.01)
    assert section(piece, half).filament_mm == pytest.approx(along * 5 / 9.6, rel=0.01)


def test_a_gauge_section_beyond_the_piece_is_refused() -> None:
    """With what the piece measures."""
    with pytest.raises(Refused, match="80 mm along X"):
        own_window(read_gauge("x:20-90"), thing("bar"))


def test_a_waist_that_begins_and_ends_with_the_section_gives_its_breadth() -> None:
    """Heads 20 mm wide, a waist of 6 mm whose corners lie at the section's ends: the section is 6 mm wide."""
    half = [(0.0, 10.0), (10.0, 10.0), (20.0, 3.0), (60.0, 3.0), (70.0, 10.0), (80.0, 10.0)]
    dog_bone = replace(thing("bar"), contour_mm=(*half, *((x, -y) for x, y in reversed(half))))
    assert corners_of(Window(20.0, 60.0, 0.0), dog_bone) == ((20, -3), (60, -3), (60, 3), (20, 3))
