"""Values in force over a gauge section after changes by hand."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.factors import Changed, InForce, in_force
from tracker.factors.inforce import MOST_S, _reached, heating, seconds_between

SECTION: dict[str, Any] = {
    "first_layer": 11,
    "spans_s": [[100.0 * n, 100.0 * n + 50.0] for n in range(10)],
    "tops_mm": [2.2 + 0.2 * n for n in range(10)],
}
"""Ten layers, 11 to 20, tops 2.2 to 4 mm, each deposited for 50 s of every 100 s."""

BASE = (100.0, 100.0, 100.0)


def test_without_a_change_the_base_is_in_force() -> None:
    """What the plate commanded stays."""
    assert in_force((60.0, 55.0, 65.0), [], SECTION) == InForce(60.0, 55.0, 65.0)


def test_nothing_known_is_nothing_in_force() -> None:
    """No base and no change: not recorded."""
    assert in_force(None, [], SECTION) is None


def test_a_change_at_a_layer_holds_from_it_on() -> None:
    """Layer 16 of 11 to 20: half of the section."""
    assert in_force(BASE, [Changed("fan", 50.0, layer=16)], SECTION) == InForce(75.0, 50.0, 100.0)


def test_a_change_at_a_height_holds_for_the_layers_above_it() -> None:
    """At 3.6 mm eight tops lie below or at it, two layers are met."""
    found = in_force(BASE, [Changed("fan", 0.0, height_mm=3.6)], SECTION)
    assert found == InForce(80.0, 0.0, 100.0)


def test_a_change_in_the_middle_of_a_layer_meets_half_of_it() -> None:
    """At 525 s the sixth layer is half deposited: 4.5 of 10 layers have the new value."""
    found = in_force(BASE, [Changed("fan", 0.0, at_s=525.0)], SECTION)
    assert found is not None
    assert found.value == pytest.approx(55.0)


def test_a_change_between_two_layers_holds_from_the_next() -> None:
    """At 560 s the sixth layer is done."""
    found = in_force(BASE, [Changed("fan", 0.0, at_s=560.0)], SECTION)
    assert found == InForce(60.0, 0.0, 100.0)


def test_a_change_before_the_section_replaces_the_base() -> None:
    """Nothing of the section was printed under the old value."""
    assert in_force(BASE, [Changed("fan", 30.0, layer=5)], SECTION) == InForce(30.0, 30.0, 30.0)


def test_a_change_after_the_section_changes_nothing() -> None:
    """It was printed by then."""
    assert in_force(BASE, [Changed("fan", 30.0, layer=21)], SECTION) == InForce(*BASE)


def test_two_changes_hold_one_after_the_other() -> None:
    """Layers 11 to 13 at 100, 14 to 18 at 50, 19 and 20 at 0."""
    changes = [Changed("fan", 0.0, layer=19), Changed("fan", 50.0, layer=14)]
    assert in_force(BASE, changes, SECTION) == InForce(55.0, 0.0, 100.0)


def test_of_two_changes_at_one_place_the_later_entered_holds() -> None:
    """A slip put right: 5, no, 50."""
    changes = [Changed("fan", 5.0, layer=11), Changed("fan", 50.0, layer=11)]
    assert in_force(BASE, changes, SECTION) == InForce(50.0, 50.0, 50.0)


def test_without_layers_a_change_leaves_an_interval() -> None:
    """Nobody knows which part of the piece it met."""
    found = in_force(BASE, [Changed("fan", 50.0, at_s=600.0)], {})
    assert found == InForce(75.0, 50.0, 100.0, placed=False)


def test_without_layers_a_change_from_the_start_is_the_value() -> None:
    """From layer 1 on, the whole piece."""
    assert in_force(BASE, [Changed("fan", 50.0, layer=1)], {}) == InForce(50.0, 50.0, 50.0)


def test_a_time_before_the_start_is_known_not_unknown() -> None:
    """Ten minutes early is minus 600 s; an unknown start is None."""
    at = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
    assert seconds_between(at, at - dt.timedelta(minutes=10)) == -600.0
    assert seconds_between(None, at) is None


@given(st.lists(st.tuples(st.floats(0, 400), st.integers(0, 30)), max_size=6))
def test_the_value_in_force_is_within_its_range(given_changes: list[tuple[float, int]]) -> None:
    """Mean between least and greatest, and these among base and changes."""
    changes = [Changed("nozzle", value, layer=layer) for value, layer in given_changes]
    found = in_force(BASE, changes, SECTION)
    assert found is not None
    assert found.low - 1e-9 <= found.value <= found.high + 1e-9
    assert {found.low, found.high} <= {100.0, *(value for value, _ in given_changes)}


def test_a_doubt_that_changes_no_layer_changes_nothing() -> None:
    """Between two layers nothing is laid: 60 s or 90 s, the change meets the second layer."""
    sure = in_force(BASE, [Changed("fan", 50.0, at_s=90.0)], SECTION)
    assert in_force(BASE, [Changed("fan", 50.0, at_s=90.0, doubt_s=30.0)], SECTION) == sure


def test_a_doubt_is_in_the_range_of_what_was_in_force() -> None:
    """After the section by the clock, before it with all of the heating."""
    found = in_force(BASE, [Changed("fan", 50.0, at_s=1500.0, doubt_s=2000.0)], SECTION)
    assert found == InForce(75.0, 50.0, 100.0, sure=False)


def test_a_value_that_held_only_in_between_is_in_the_range() -> None:
    """Set to 5 and soon to 50: late neither met the section, early only the second did."""
    changes = [
        Changed("fan", value, at_s=at, doubt_s=3000.0) for value, at in ((5.0, 1500.0), (50.0, 1510.0))
    ]
    found = in_force(BASE, changes, SECTION)
    assert found is not None
    assert (found.low, found.high) == (5.0, 100.0)


DOUBTS = st.lists(st.tuples(st.floats(0, 400), st.integers(0, 1500)), min_size=1, max_size=4)


@given(DOUBTS, st.integers(1, 1500), st.floats(0, 1))
def test_whatever_the_heating_was_is_in_the_range(
    typed: list[tuple[float, int]], doubt: int, part: float
) -> None:
    """Any heating within the doubt gives values within the range; all changes move together."""
    found = in_force(BASE, [Changed("n", v, at_s=at, doubt_s=doubt) for v, at in typed], SECTION)
    truth = in_force(BASE, [Changed("n", v, at_s=at - part * doubt) for v, at in typed], SECTION)
    assert found is not None
    assert truth is not None
    assert found.low <= truth.low
    assert truth.high <= found.high


def _job(**more: Any) -> SimpleNamespace:
    """Return a job of an hour by its plan, begun at eight."""
    at = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
    known = {"started_at": at, "first_layer_at": None, "ended_at": None, "outcome": None, "time_s": 3600.0}
    minutes = {name: at + dt.timedelta(minutes=each) for name, each in more.items() if name.endswith("_at")}
    return SimpleNamespace(**{**known, **more, **minutes})


def test_a_recorded_first_layer_tells_the_heating() -> None:
    """Twelve minutes to it, 30 s of which the plate itself took for a purge."""
    found = heating(_job(first_layer_at=12), 30.0)
    assert (found.low_s, found.high_s, found.known) == (690.0, 690.0, True)


def test_what_a_job_lasted_beyond_its_plan_bounds_the_heating() -> None:
    """70 min for a plan of 60, which may be a tenth too long: at most 16 min."""
    found = heating(_job(ended_at=70, outcome="finished"), None)
    assert (found.low_s, found.high_s) == (0.0, 960.0)


STOPPED, TOO_FAST = {"ended_at": 70, "outcome": "stopped"}, {"ended_at": 30, "outcome": "finished"}


@pytest.mark.parametrize("more", [{}, STOPPED, TOO_FAST])
def test_a_job_that_does_not_bound_the_heating_leaves_an_hour(more: dict[str, Any]) -> None:
    """It runs still, was stopped, or was faster than its plan could be."""
    assert heating(_job(**more), None).high_s == MOST_S


def test_a_change_after_the_gauge_section_left_it_as_it_was() -> None:
    """Layers 3 to 5 are the section: a change from layer 6 on came when all were printed."""
    section = {"spans_s": [(10.0, 20.0), (20.0, 30.0), (30.0, 40.0)], "first_layer": 3}
    base = (245.0, 245.0, 245.0)

    assert in_force(base, [Changed("nozzle", 270.0, layer=9)], section) == InForce(*base)
    assert in_force(base, [Changed("nozzle", 270.0, layer=6)], section) == InForce(*base)
    assert in_force(None, [Changed("nozzle", 270.0, layer=6)], section) is None


@pytest.mark.parametrize(
    ("values", "at"),
    [
        ([20.0, 90.0, 96.0, 100.0], 20.0),
        ([20.0, 60.0, 80.0, 90.0], None),
        ([85.0, 96.0, 100.0, 100.0], None),
    ],
)
def test_a_heater_came_near_its_set_point_when_within_five_degrees(
    values: list[float], at: float | None
) -> None:
    """Of 100 °C at 96; one that never did, or that was warm from the first, tells nothing."""
    channel = SimpleNamespace(values=np.array(values), t_s=np.array([0.0, 10.0, 20.0, 30.0]))
    assert _reached(channel, 100.0) == at
