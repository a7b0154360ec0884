"""When a number is asked about: each limit from both sides, worked out by hand, without a book."""

from __future__ import annotations

import math
from itertools import pairwise
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from tests.frozen import changeable
from tests.plates import plate
from tracker.desk.curves import spark_svg, thinned
from tracker.desk.overtime import _SECONDS, _jump
from tracker.desk.plates import read_pieces, specimen_columns
from tracker.desk.plausibility import (
    Siblings,
    _beyond_instruments,
    _no_force_rig,
    _unlike_the_body,
    beside,
    outcome_questions,
    questions,
    unasked_span,
)
from tracker.plugins import load


def z_of(value: float, others: list[float], **more: Any) -> float:
    """Return how far a number stands from its siblings."""
    found = beside(value, others, **more)
    assert found is not None
    return found.z


def test_three_siblings_scatter_by_a_tenth_at_least_and_fewer_by_a_quarter() -> None:
    """Logarithms: twice the middle is ln 2 away, in tenths or in quarters."""
    assert z_of(20, [10, 10, 10]) == pytest.approx(math.log(2) / 0.10)
    assert z_of(20, [10, 10]) == pytest.approx(math.log(2) / 0.25)
    assert z_of(5, [10]) == pytest.approx(-math.log(2) / 0.25)


def test_the_scatter_of_siblings_is_their_median_deviation() -> None:
    """1.4826 times the median distance from the median: of 8, 10, 12.5 that is 1.4826 ln 1.25."""
    assert z_of(20, [8, 10, 12.5]) == pytest.approx(math.log(2) / (1.4826 * math.log(1.25)))


def test_around_zero_five_are_wanted_and_differences_count() -> None:
    """A tenth of the largest, or the number's own uncertainty, is the least scatter."""
    assert beside(-1, [1, 1, 1, 1]) is None
    assert z_of(-1, [1, 1, 1, 1, 1]) == pytest.approx(-2 / 0.1)
    assert z_of(-1, [1, 1, 1, 1, -1]) == pytest.approx(-2 / 0.1)
    assert z_of(-1, [1, 1, 1, 1, 1], u=0.5) == pytest.approx(-4)
    # What has no logarithm is compared so, whatever its sign.
    assert z_of(2, [1, 1, 1, 1, 1], positive=False) == pytest.approx(1 / 0.1)
    assert beside(2, [1, 1, 1, 1], positive=False) is None
    assert z_of(0, [1, 1, 1, 1, 1]) == pytest.approx(-1 / 0.1)
    assert beside(1, [0, 1, 1, 1]) is None
    assert z_of(0, [0, 0, 0, 0, 0]) == 0.0


def test_what_is_no_number_is_no_sibling() -> None:
    """And without any there is nothing to compare with."""
    assert beside(1, []) is None
    assert beside(1, [math.nan, math.inf]) is None
    assert beside(10, [math.nan, 8, 12]) == Siblings(2, 8, 12, pytest.approx(z_of(10, [8, 12])))


@pytest.mark.parametrize(
    "others", [[10.0], [10.0, 10.0], [10.0, 10.0, 10.0], [8.0, 10.0, 12.5], [1.0, 9.0, 80.0]]
)
def test_the_unasked_span_ends_where_six_deviations_do(others: list[float]) -> None:
    """On both sides; empty where it cannot be said beforehand."""
    low, high = unasked_span(others, positive=True)
    assert z_of(low, others) == pytest.approx(-6, rel=1e-6)
    assert z_of(high, others) == pytest.approx(6, rel=1e-6)
    assert abs(z_of(low, others)) < 6
    nothing = (math.inf, -math.inf)
    assert unasked_span([], positive=True) == unasked_span(others, positive=False) == nothing
    assert unasked_span([0.0, *others], positive=True) == nothing


def outcome(value: float, unit: str = "MPa", uncertainty: float | None = None) -> Any:
    """Return a result."""
    return SimpleNamespace(value=value, unit=unit, uncertainty=uncertainty, quantity="strength")


def declared(**more: Any) -> Any:
    """Return a quantity as a method declares it."""
    return SimpleNamespace(**{"title": "tensile strength", "positive": True, "property": "strength", **more})


@pytest.mark.parametrize(
    ("value", "others", "asked"),
    [
        (45.0, [10.0] * 3, "45 MPa, where the other 3 of this material and orientation lie at 10"),
        (45.0, [10.0], "45 MPa, where the other of this material and orientation is at 10"),
        (
            100.0,
            [9.0, 10.0, 11.0],
            "100 MPa, where the other 3 of this material and orientation lie at 9 to 11",
        ),
        (18.2, [10.0] * 3, ""),
        (18.3, [10.0] * 3, "18.3 MPa, where the other 3 of this material and orientation lie at 10"),
    ],
)
def test_a_result_far_from_its_siblings_is_asked_about(value: float, others: list[float], asked: str) -> None:
    """Six deviations of a tenth are a factor of 1.822."""
    found = outcome_questions(outcome(value), declared(), others, "PETG")
    assert found == ([f"Tensile strength {asked}"] if asked else [])


@pytest.mark.parametrize(("value", "asked"), [(2.67, False), (2.66, True), (180.0, False), (180.1, True)])
def test_without_siblings_the_family_is_asked(value: float, asked: bool) -> None:
    """PETG: 8 to 60 MPa, and a factor of three on either side."""
    found = outcome_questions(outcome(value), declared(), [], "PETG")
    assert bool(found) == asked
    if asked:
        assert found[0].endswith("where PETG lies between 8 and 60 MPa")


def test_where_nothing_is_known_nothing_is_asked() -> None:
    """No property declared, siblings that are too few around zero, or no declaration at all."""
    assert outcome_questions(outcome(1e9), declared(property=""), [], "PETG") == []
    assert outcome_questions(outcome(1e9), None, [], "PETG") == []
    (asked,) = outcome_questions(outcome(1e9), None, [10.0, 10.0], "PETG")
    assert asked.startswith("Strength 1")
    (asked,) = outcome_questions(outcome(1e9), declared(), [], None)
    assert "where any polymer lies between" in asked


def body(*sides: float | None, **more: Any) -> Any:
    """Return a specimen whose plate draws it so."""
    known = {"size_x_mm": sides[0], "size_y_mm": sides[1], "size_z_mm": sides[2]}
    return SimpleNamespace(**{**known, "cut_from_id": None, "cut_at": None, **more})


@pytest.mark.parametrize(
    ("sides", "typed", "asked"),
    [
        # 15 % and half a millimetre wider at most: 10 to 12, 4 to 5.1.
        ((10, 4, 80), {"width": 12.0, "thickness": 5.1}, False),
        ((10, 4, 80), {"width": 12.01, "thickness": 4.0}, True),
        ((10, 4, 80), {"width": 10.0, "thickness": 5.11}, True),
        ((10, 4, 80), {"thickness": 12.0}, False),
        ((10, 4, 80), {"diameter": 12.1}, True),
        # More than half as long again as wide is a bar; else a block, that may be pressed on its widest face.
        ((15, 10, 4), {"width": 14.0, "thickness": 4.0}, False),
        ((15.1, 10, 4), {"width": 14.0, "thickness": 4.0}, True),
        ((15, 10, 4), {"width": 17.8, "thickness": 10.0}, True),
        # Nothing is asked where a side is not known, or nothing of the section was typed.
        ((10, None, 80), {"width": 50.0}, False),
        ((10, 0, 80), {"width": 50.0}, False),
        ((10, 4, 80), {"width": "wide"}, False),
        ((10, 4, 80), {"max_force": 900.0}, False),
    ],
)
def test_a_section_is_no_wider_than_its_body(sides: Any, typed: dict[str, Any], asked: bool) -> None:
    """Printed pieces differ from their drawing by tenths of a millimetre."""
    assert bool(_unlike_the_body(body(*sides), typed)) == asked


def test_what_was_cut_is_not_held_to_the_plate() -> None:
    """Neither a piece of a piece, nor one with a cut noted; else both are told."""
    typed = {"width": 15.04, "thickness": 4.0}
    assert _unlike_the_body(body(10, 4, 80, cut_from_id=3), typed) == []
    assert _unlike_the_body(body(10, 4, 80, cut_at="now"), typed) == []
    assert _unlike_the_body(body(10.04, 4, 80), typed) == [
        "The section typed is 4 × 15.04 mm, and the plate's file draws this specimen 10 × 4 × 80 mm"
    ]


def rig(unit: str | None = "N", capacity: float | None = 500.0) -> Any:
    """Return an instrument."""
    return SimpleNamespace(id="R01", unit=unit, capacity=capacity)


TENSILE = load().methods["tensile"].method


@pytest.mark.parametrize(
    ("force", "instruments", "asked"),
    [
        (500.0, [rig()], []),
        (500.1, [rig()], ["max_force 500.1 N is beyond the 500 N that R01 may be used for"]),
        (-500.1, [rig()], ["max_force -500.1 N is beyond the 500 N that R01 may be used for"]),
        (500.1, [rig("kN", 0.5)], ["max_force 500.1 N is beyond the 0.5 kN that R01 may be used for"]),
        (499.0, [rig("kN", 0.5)], []),
        (1e6, [rig(capacity=None)], []),
        (1e6, [rig(unit=None)], []),
        (1e6, [], []),
        (None, [rig()], []),
        ("many", [rig()], []),
    ],
)
def test_a_reading_beyond_what_an_instrument_bears(
    force: Any, instruments: list[Any], asked: list[str]
) -> None:
    """In whichever unit of the same kind; up to its capacity, on either side of zero."""
    found = _beyond_instruments(TENSILE, {"max_force": force}, instruments)
    assert [each.replace("−", "-") for each in found] == asked


def test_a_caliper_measures_no_force() -> None:
    """Asked only where all that is named has a unit, none of a force; a test over days hangs on weights."""
    typed = {"max_force": 900.0}
    (asked,) = _no_force_rig(TENSILE, typed, [rig("mm"), rig("g")])
    assert asked == "max_force 900 N: R01 reads mm and R01 reads g, and no rig that reads a force is named"
    assert _no_force_rig(TENSILE, typed, [rig("mm"), rig("kN")]) == []
    assert _no_force_rig(TENSILE, typed, [rig("mm"), rig(None)]) == []
    assert _no_force_rig(TENSILE, typed, []) == []
    assert _no_force_rig(TENSILE, {"max_force": None}, [rig("mm")]) == []
    assert _no_force_rig(TENSILE, {"width": 10.0}, [rig("mm")]) == []
    over_days = next(each.method for each in load().methods.values() if each.method.over_time)
    assert _no_force_rig(over_days, typed, [rig("mm")]) == []


def jumps(value: float, *earlier: tuple[float, float], at: float = 10.0) -> list[str]:
    """Return what is asked of a value at an hour, after earlier pairs of hour and value."""
    return list(_jump("sag", "mm", [at, value], earlier, 1))


@pytest.mark.parametrize(
    ("value", "earlier", "asked"),
    [
        # One before: a factor of five either way.
        (5.0, [(5, 1.0)], False),
        (5.1, [(5, 1.0)], True),
        (0.2, [(5, 1.0)], False),
        (0.19, [(5, 1.0)], True),
        (50.0, [(5, 0.0)], False),
        (50.0, [], False),
        # From 1 to 2 in 5 h: at 10 h thrice the span, 3, from the last.
        (5.0, [(0, 1.0), (5, 2.0)], False),
        (5.1, [(0, 1.0), (5, 2.0)], True),
        (-1.0, [(0, 1.0), (5, 2.0)], False),
        (-1.1, [(0, 1.0), (5, 2.0)], True),
        # In 2 h: four times as long has gone by, 12.
        (14.0, [(0, 1.0), (2, 2.0)], False),
        (14.1, [(0, 1.0), (2, 2.0)], True),
        # All at one moment: as if as long had gone by.
        (5.0, [(5, 1.0), (5, 2.0)], False),
        (5.1, [(5, 1.0), (5, 2.0)], True),
        # The span is that of all, the distance that from the last.
        (5.5, [(0, 1.0), (3, 3.0), (5, 2.0)], False),
        (8.1, [(0, 1.0), (3, 3.0), (5, 2.0)], True),
        # All alike: a factor again.
        (10.0, [(0, 2.0), (5, 2.0)], False),
        (10.1, [(0, 2.0), (5, 2.0)], True),
    ],
)
def test_a_reading_where_the_earlier_ones_do_not_lead(value: float, earlier: Any, asked: bool) -> None:
    """A step of more than thrice what they span, or would span by then."""
    assert bool(jumps(value, *earlier)) == asked


def test_a_jump_in_words() -> None:
    """With what lies before."""
    assert jumps(50, (0, 1.0), (5, 2.5)) == ["sag 50 mm, where the 2 before lie at 1 to 2.5"]
    assert jumps(50, (5, 2.5)) == ["sag 50 mm, where it was 2.5"]


def test_seconds_of_the_units_of_a_series() -> None:
    """Hours, minutes, seconds and days."""
    assert _SECONDS == {"h": 3600.0, "min": 60.0, "s": 1.0, "d": 86400.0}


def test_a_short_curve_is_drawn_whole() -> None:
    """With six digits of each number."""
    x, y = np.array([0, 1, 2 / 3]), np.array([5.0, 1 / 3, 1e6 + 0.4])
    assert thinned(x, y, 3) == ((0.0, 5.0), (1.0, 0.333333), (0.666667, 1000000.0))


@pytest.mark.parametrize("most", [8, 40, 400])
def test_a_thinned_curve_keeps_the_extremes_of_each_part(most: int) -> None:
    """First, last, lowest and highest of each of a quarter as many parts; never more than asked for."""
    rng = np.random.default_rng(3)
    x, y = np.arange(1001.0), rng.normal(0, 100, 1001).round(2)
    found = thinned(x, y, most)
    edges = np.linspace(0, 1001, most // 4 + 1).astype(int)
    wanted = set()
    for low, high in pairwise(edges):
        part = list(y[low:high])
        wanted |= {low, high - 1, low + part.index(min(part)), low + part.index(max(part))}

    assert [at for at, _ in found] == sorted(wanted)
    assert len(found) <= most
    assert dict(found)[float(np.argmax(y))] == max(y)


def test_a_curve_in_small() -> None:
    """On 240 by 48 with two units of margin, upwards as people draw it; a line needs two points."""
    assert spark_svg([(0, 0), (5, 10), (10, 5)]) == "M2.0 46.0L120.0 2.0L238.0 24.0"
    assert spark_svg([(3, 7), (3, 7)]) == "M2.0 46.0L2.0 46.0"
    assert spark_svg([(0, 0)]) == spark_svg([]) == ""


# Looked at where the modules are loaded, as all that they are made of.
_changing = changeable("tracker.desk")


def test_records_do_not_change_once_made() -> None:
    """Whoever was given one may rely on it; what gathers while it works stands here by name."""
    assert _changing == {
        "carrying._Rows",
        "doubts.Done",
        "drafts.RowReader",
        "measuring.Measured",
        "measuring._Entered",
        "planning._Found",
        "plates.PlatePiece",
        "plates.PlateRead",
        "voiding.Hanging",
    }


@pytest.mark.parametrize(("relation", "value"), [(">", 1e9), ("<", 1e9), ("=", None)])
def test_a_bound_and_a_result_without_a_number_are_not_asked_about(
    relation: str, value: float | None
) -> None:
    """They have no distance from others; the book is not even asked."""
    subject, nothing = body(10, 4, 80), cast("Any", None)
    result = SimpleNamespace(value=value, relation=relation, quantity="q", unit="MPa", group="")
    assert questions(nothing, subject, TENSILE, None, [cast("Any", result)]) == []


def test_lengths_of_a_piece_are_kept_to_a_micrometre() -> None:
    """And its mass to a tenth of a milligram, where it is known."""
    drawn = plate({"bar": (20.0, 20.0, 79.12345, 9.98765)}, layers=3, height=0.23457)
    read = read_pieces(drawn, density_g_cm3=1.2345)
    (piece,) = read.pieces
    columns = specimen_columns(piece, read.plate, "Ada")
    places = {"filament_g": 4}
    lengths = [f"size_{axis}_mm" for axis in "xyz"]
    for name in ("x_mm", "y_mm", *lengths, "filament_mm", "filament_g"):
        assert columns[name] == round(columns[name], places.get(name, 3))
    thing = piece.thing
    assert [columns[name] for name in lengths] == [round(size, 3) for size in thing.size_mm]
    assert (columns["x_mm"], columns["y_mm"]) == tuple(round(at, 3) for at in thing.centre_mm)
    assert columns["filament_mm"] == pytest.approx(thing.filament_mm, abs=5e-4)
    assert columns["filament_g"] == pytest.approx(thing.filament_g, abs=5e-5)
    assert any(size != round(size, 3) for size in thing.size_mm)
    bare = read_pieces(plate({"bar": (20.0, 20.0, 79.0, 9.0)}, layers=3))
    assert specimen_columns(bare.pieces[0], bare.plate, "Ada")["filament_g"] is None
