"""Whether a factor differs between two groups: each limit from both sides, worked out by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.frozen import changeable
from tracker.why import Factor, Observation
from tracker.why.differed import compare, compare_materials, in_order, one_per_cause, settings_that_differ

NOZZLE = Factor("nozzle_c", "°C", 2.0, 20.0)


def group(*values: Any, name: str = "nozzle_c", material: str = "ASA") -> list[Observation]:
    """Return results of the plates P0, P1 and so on, each with a value of one factor or with none."""
    return [
        Observation(f"R{n}", "q", 1.0, material, f"P{n}", factors={} if value is None else {name: value})
        for n, value in enumerate(values)
    ]


@pytest.mark.parametrize(
    ("a", "b", "differs", "ratio"),
    [
        ((240.0,), (242.0,), False, 1.0),
        ((240.0,), (242.1,), True, 1.05),
        ((240.0, 240.0), (237.0, 237.0), True, 1.5),
        # The mean is one, and a level of each side is on no piece of the other.
        ((235.0, 245.0), (240.0, 240.0), True, 0.0),
        ((240.0, 241.0), (241.0, 240.0), False, 0.0),
        ((235.0, 245.0), (245.0, 235.0), False, 0.0),
        ((None,), (240.0,), False, None),
    ],
)
def test_numbers_differ_beyond_their_resolution(a: Any, b: Any, differs: bool, ratio: float | None) -> None:
    """Two degrees here, or where one side has a level that the other has not."""
    found = compare(NOZZLE, group(*a), group(*b))
    assert found.differs == differs
    assert found.ratio == (None if ratio is None else pytest.approx(ratio))


@pytest.mark.parametrize(
    ("a", "b", "differs"),
    [
        (((20.0, 24.0),), ((25.0, 28.0),), True),
        (((20.0, 25.0),), ((25.0, 30.0),), False),
        (((25.0, 30.0),), ((20.0, 25.0),), False),
        (((25.1, 30.0),), ((20.0, 25.0),), True),
        # One within the other, whichever way round.
        (((10.0, 40.0),), ((30.0, 32.0),), False),
        (((30.0, 32.0),), ((10.0, 40.0),), False),
        ((22.0,), ((25.0, 28.0),), True),
        ((26.0,), ((25.0, 28.0),), False),
    ],
)
def test_estimates_differ_where_their_bounds_leave_no_doubt(a: Any, b: Any, differs: bool) -> None:
    """Else it is likely where the middles are apart, and not known."""
    found = compare(NOZZLE, group(*a), group(*b))
    assert found.differs == differs
    assert found.likely == (differs or abs((found.a or 0) - (found.b or 0)) > 2)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("plates_a", "plates_b", "change", "differs", "likely"),
    [
        # An error of 3 on each plate: 3 sqrt(1 + 1) = 4.24, and 1.96 times that.
        (1, 1, 4.2, False, False),
        (1, 1, 4.3, False, True),
        (1, 1, 8.3, False, True),
        (1, 1, 8.4, True, True),
        # Of four plates and one: 3 sqrt(1/4 + 1) = 3.35; of one and four likewise.
        (4, 1, 3.3, False, False),
        (4, 1, 3.4, False, True),
        (4, 1, 6.6, True, True),
        (1, 4, 3.3, False, False),
        (1, 4, 3.4, False, True),
        (1, 4, 6.5, False, True),
    ],
)
def test_what_is_read_with_an_error_differs_beyond_it(
    plates_a: int, plates_b: int, change: float, differs: bool, likely: bool
) -> None:
    """By the standard error of the difference of means over plates, and twice as far to be sure."""
    wet = Factor("rh", "%", 0.0, 20.0, error=3.0)
    found = compare(wet, group(*[40.0] * plates_a, name="rh"), group(*[40.0 + change] * plates_b, name="rh"))
    assert (found.differs, found.likely, found.ratio) == (differs, likely, None)


def test_what_is_recorded_of_some_only_is_not_known() -> None:
    """On one side, on some results, or so roughly that bounds overlap."""
    one = compare(NOZZLE, group(240.0, 240.0), group(None, None))
    assert (one.recorded, one.complete, one.state, one.why_unknown) == (
        False, False, "unknown", "recorded on one side only"
    )  # fmt: skip
    some = compare(NOZZLE, group(240.0, None), group(240.0, 240.0))
    assert (some.recorded_a, some.recorded_b) == ((1, 2), (2, 2))
    assert (some.recorded, some.state, some.why_unknown) == (True, "unknown", "recorded on some results only")
    rough = compare(NOZZLE, group((10.0, 40.0)), group((30.0, 32.0)))
    assert (rough.complete, rough.state, rough.why_unknown) == (True, "unknown", "bounds overlap")
    assert (rough.range_a, rough.range_b, rough.a, rough.b) == ((10.0, 40.0), (30.0, 32.0), 25.0, 31.0)
    alike = compare(NOZZLE, group((24.0, 26.0)), group((25.0, 27.0)))
    assert (alike.state, alike.why_unknown) == ("equal", "")
    apart = compare(NOZZLE, group(240.0), group(250.0))
    assert (apart.state, apart.why_unknown) == ("differs", "")


def test_levels_are_told_with_their_counts() -> None:
    """Values within the resolution are one level, named by the first; none where a plate has several."""
    found = compare(NOZZLE, group(240.0, 241.9, 243.9, 250.0), group(240.0, math.nan))
    assert found.levels_a == ((240.0, 2), (243.9, 1), (250.0, 1))
    assert found.levels_b == ()
    mixed = [*group(240.0), Observation("R9", "q", 1.0, "ASA", "P0", factors={"nozzle_c": 250.0})]
    assert compare(NOZZLE, mixed, group(240.0)).levels_a == ()


@pytest.mark.parametrize(
    ("a", "b", "differs", "written"),
    [
        (("L1", "L1"), ("L1",), False, "L1"),
        (("L1",), ("L2",), True, "L1"),
        # Shares count, not numbers.
        (("L1", "L2", "L2"), ("L1", "L1", "L2", "L2", "L2", "L2"), False, "L1 (1), L2 (2)"),
        (("L1", "L2"), ("L1", "L2", "L2"), True, "L1 (1), L2 (1)"),
        ((None,), ("L1",), False, None),
        (("L1", None), ("L1",), False, "L1"),
    ],
)
def test_categories_differ_by_the_share_of_each_level(
    a: Any, b: Any, differs: bool, written: str | None
) -> None:
    """And are written with their counts where there are several."""
    found = compare(Factor("lot", kind="category"), group(*a, name="lot"), group(*b, name="lot"))
    assert (found.differs, found.likely, found.a) == (differs, differs, written)


def test_materials_are_compared_like_a_category() -> None:
    """Of whole groups."""
    assert compare_materials(group(1.0), group(1.0, material="PETG")).differs
    assert not compare_materials(group(1.0), group(2.0)).differs


def test_of_two_measures_of_one_cause_the_better_recorded_stays() -> None:
    """The earlier where both are recorded alike; what has no other measure stays in any case."""
    first, second = Factor("set_c", same_cause="heat"), Factor("seen_c", same_cause="heat")
    other = Factor("fan_pct")
    rows = [
        Observation(f"R{n}", "q", 1.0, "ASA", "P", factors={"seen_c": 1.0, **({"set_c": 1.0} if n else {})})
        for n in range(3)
    ]
    assert one_per_cause((first, second, other), rows[:1], rows[1:]) == ([second, other], {"set_c": "seen_c"})
    assert one_per_cause((first, second, other), rows[1:2], rows[2:]) == ([first, other], {"seen_c": "set_c"})


def test_the_order_of_reading() -> None:
    """Categories and the largest changes first; notes behind settings, persons last."""
    a = [
        Observation("R", "q", 1, "m", "P", factors={"x": 0.0, "y": 0.0, "lot": "1", "note": "1", "who": "1"})
    ]
    b = [
        Observation("S", "q", 1, "m", "Q", factors={"x": 3.0, "y": 9.0, "lot": "2", "note": "2", "who": "2"})
    ]
    factors = (
        Factor("who", kind="category", person=True), Factor("note", kind="category", listed=True),
        Factor("x", resolution=1.0), Factor("y", resolution=1.0), Factor("lot", kind="category"),
    )  # fmt: skip
    found = in_order(compare(each, a, b) for each in factors)
    assert [each.factor.name for each in found] == ["lot", "y", "x", "note", "who"]


def test_settings_differ_as_text() -> None:
    """By name; None where one side does not state it."""
    found = settings_that_differ({"b": "1", "a": "x", "same": "1"}, {"b": "2", "same": "1", "c": "y"})
    assert [(each.name, each.a, each.b) for each in found] == [
        ("a", "x", None),
        ("b", "1", "2"),
        ("c", None, "y"),
    ]


# Looked at where the modules are loaded, as all that they are made of.
_changing = changeable("tracker.why", "tracker.comparing")


def test_records_do_not_change_once_made() -> None:
    """Whoever was given one may rely on it; what gathers while it works stands here by name."""
    assert _changing == {"asking._Sides", "survey._Part", "survey._Column"}
