"""Arcs against the closed form: length 2 pi r times the turn, extremes at the quadrants."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.platefile import PlateObject, read_plate
from tracker.platefile.path import Arcs, measure


def arc(
    start: tuple[float, float],
    end: tuple[float, float],
    *,
    counter: bool = True,
    i: float = math.nan,
    j: float = math.nan,
    r: float = math.nan,
    turns: float = math.nan,
) -> Arcs:
    """Measure one arc."""
    return measure(
        np.array(start)[:, None],
        np.array(end)[:, None],
        np.array([[i], [j], [r]]),
        np.array([turns]),
        np.array([counter]),
    )


def extent(found: Arcs) -> tuple[float, ...]:
    """Return least X, greatest X, least Y, greatest Y."""
    return tuple(found.extent[:, 0].tolist())


@pytest.mark.parametrize(
    ("counter", "share"), [(True, 0.25), (False, 0.75)], ids=["counter-clockwise", "clockwise"]
)
def test_quarter_of_a_circle(counter: bool, share: float) -> None:
    """From 3 to 12 o'clock it is a quarter one way and three the other."""
    found = arc((10, 0), (0, 10), i=-10, j=0, counter=counter)

    assert found.flat[0] == pytest.approx(2 * math.pi * 10 * share)


def test_extremes_between_the_ends_count() -> None:
    """An arc over the top reaches higher than either end."""
    s = 10 / math.sqrt(2)
    found = arc((s, s), (-s, s), i=-s, j=-s)

    assert extent(found) == pytest.approx((-s, s, s, 10))


def test_full_circle() -> None:
    """An arc that ends where it starts is a whole turn."""
    found = arc((10, 0), (10, 0), i=-10, j=0)

    assert found.flat[0] == pytest.approx(2 * math.pi * 10)
    assert extent(found) == pytest.approx((-10, 10, -10, 10))


def test_extra_turns() -> None:
    """P2 on a full circle is two turns."""
    assert arc((10, 0), (10, 0), i=-10, j=0, turns=2).flat[0] == pytest.approx(4 * math.pi * 10)


def test_radius_form_of_the_firmware_documentation() -> None:
    """G3 from (9,6) to X2 Y7 with R5 is the arc with I-4 J-3."""
    by_radius, by_centre = arc((9, 6), (2, 7), r=5), arc((9, 6), (2, 7), i=-4, j=-3)

    assert by_radius.flat[0] == pytest.approx(by_centre.flat[0])
    assert extent(by_radius) == pytest.approx(extent(by_centre))


@pytest.mark.parametrize("counter", [True, False])
def test_negative_radius_goes_the_long_way(counter: bool) -> None:
    """Both radius forms together make the whole circle."""
    short = arc((9, 6), (2, 7), r=5, counter=counter).flat[0]
    long = arc((9, 6), (2, 7), r=-5, counter=counter).flat[0]

    assert short < long
    assert short + long == pytest.approx(2 * math.pi * 5)


def test_without_a_centre_it_is_no_arc() -> None:
    """Neither I, J nor R: nothing to measure."""
    assert not arc((0, 0), (1, 1)).good[0]


@given(st.floats(0.1, 100), st.floats(-math.pi, math.pi), st.floats(0.01, 6.2), st.booleans())
def test_any_arc_is_radius_times_angle(radius: float, begin: float, sweep: float, counter: bool) -> None:
    """Whatever its place, an arc is as long as its radius times its angle."""
    sign = 1 if counter else -1
    start = (radius * math.cos(begin), radius * math.sin(begin))
    end = (radius * math.cos(begin + sign * sweep), radius * math.sin(begin + sign * sweep))
    found = arc(start, end, i=-start[0], j=-start[1], counter=counter)

    assert found.flat[0] == pytest.approx(radius * sweep, rel=1e-6)


@given(st.floats(0.1, 100), st.floats(-math.pi, math.pi), st.floats(0.01, 6.2))
def test_extent_holds_every_point_of_the_arc(radius: float, begin: float, sweep: float) -> None:
    """Sampled finely, no point of an arc lies outside its extent, and the extent is no larger."""
    angles = np.linspace(begin, begin + sweep, 2001)
    x, y = radius * np.cos(angles), radius * np.sin(angles)
    found = extent(arc((x[0], y[0]), (x[-1], y[-1]), i=-x[0], j=-y[0]))

    assert found == pytest.approx((x.min(), x.max(), y.min(), y.max()), abs=radius * 1e-5)


def ring(line: str) -> PlateObject:
    """Read a plate of one arc on two layers."""
    head = ["M83", "G90", "G1 Z0.2 F1200", "G1 X60 Y50", line, "G1 Z0.4", "G1 X60 Y50", line]
    return read_plate("\n".join([";MESH:a", *head, ""]).encode()).objects[0]


def test_printed_circle_has_its_diameter() -> None:
    """A ring of radius 10 mm is 20 mm wide and one line more."""
    piece = ring("G3 I-10 J0 E3")

    assert piece.size_mm[:2] == pytest.approx((20 + piece.line_width_mm,) * 2)


def test_arc_without_a_centre_is_reported() -> None:
    """It is taken as straight, and said."""
    read = read_plate(b"M83\nG1 X0 Y0 Z0.2 F600\nG2 X10 Y0 E1\nG1 X10 Y10 E1\n")

    assert any("without a centre" in problem for problem in read.problems)
