"""What is wrong with readings, each kind by itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.chamberlog import ChannelName, Problem
from tracker.chamberlog import log as doubts
from tracker.chamberlog.log import Array


def clock(t_s: float) -> str:
    """Write seconds as they are."""
    return f"{t_s:g} s"


def said(problems: list[Problem]) -> list[str]:
    """Return the sentences."""
    return [str(problem) for problem in problems]


@pytest.mark.parametrize(
    ("times", "limit"),
    [([0, 1, 2, 3], 60.0), ([0, 60, 120, 180], 300.0), ([0], 60.0), ([], 60.0), ([0, 10, 20, 2000], 60.0)],
)
def test_readings_are_joined_up_to_five_usual_steps(times: list[float], limit: float) -> None:
    """Five usual steps, but never less than a minute, are no gap."""
    assert doubts.gap_limit_s(np.array(times, dtype=float)) == limit


def test_a_gap_says_where_and_how_long() -> None:
    """A gap is reported with its beginning and its minutes."""
    assert said(doubts.gaps(np.array([0.0, 10.0, 700.0]), 60.0, clock)) == [
        "No rows for 11.5 min from 10 s (gap, or a clock that was set)."
    ]


def test_a_jump_back_says_how_far() -> None:
    """A clock that went back is reported with the seconds."""
    assert said(doubts.jumps(np.array([0.0, 10.0, 4.0]), clock)) == [
        "The clock went back by 6 s after 10 s; rows were put in order."
    ]


def test_equal_times_are_no_jump() -> None:
    """Two rows in one second are no clock that went back."""
    assert doubts.jumps(np.array([0.0, 0.0, 1.0]), clock) == []


@pytest.mark.parametrize(
    ("name", "value", "fine"),
    [
        ("humidity", 0.0, True),
        ("humidity", 100.0, True),
        ("humidity", 100.1, False),
        ("humidity", -0.1, False),
        ("chamber", -60.0, True),
        ("chamber", -127.0, False),
        ("nozzle", 500.0, True),
        ("nozzle", 1370.0, False),
        ("bed", float("nan"), False),
    ],
)
def test_what_a_sensor_can_have_meant(name: ChannelName, value: float, fine: bool) -> None:
    """Humidities from 0 to 100 % and temperatures from -60 to 600 °C are possible."""
    assert doubts.possible(name, np.array([value])).tolist() == [fine]


def test_a_negative_humidity_is_not_called_above_100() -> None:
    """Less water than none is impossible, not above 100."""
    found = doubts.impossible("humidity", "RH", np.array([0.0, 1.0]), np.array([50.0, -4.0]), clock)
    assert [problem.kind for problem in found] == ["impossible"]


def test_the_first_place_is_reported() -> None:
    """The first reading that cannot be is placed."""
    found = doubts.impossible("bed", "Bed", np.arange(3.0), np.array([20.0, 999.0, 888.0]), clock)
    assert said(found) == ["Bed: 2 readings cannot be and are left out, up to 999 °C, the first at 1 s."]
    assert found[0].at_s == 1.0


def frozen(values: Array, step_s: float) -> list[Problem]:
    """Return what is said of a sensor read every ``step_s`` seconds."""
    return doubts.frozen("T", np.arange(float(len(values))) * step_s, values, clock)


def test_a_sensor_that_stands_still_at_the_end() -> None:
    """Standing still up to the last row is found as well."""
    assert len(frozen(np.array([20.2] * 5 + [20.1] * 40), 60.0)) == 1


def test_few_readings_say_nothing() -> None:
    """A handful of equal readings proves nothing."""
    assert frozen(np.full(10, 20.1), 600.0) == []


def test_whole_degrees_need_longer() -> None:
    """Whole degrees are doubted after two hours."""
    assert frozen(np.full(110, 60.0), 60.0) == []
    assert len(frozen(np.full(130, 60.0), 60.0)) == 1


@given(st.lists(st.integers(0, 3), max_size=60))
def test_a_lively_sensor_is_never_doubted(values: list[int]) -> None:
    """A sensor that changes with every reading is not frozen."""
    lively = np.array([value + 0.25 + 10.0 * (i % 2) for i, value in enumerate(values)], dtype=np.float64)
    assert frozen(lively, 600.0) == []


def test_a_humidity_in_per_cent_is_not_doubted() -> None:
    """A humidity above one is no fraction; a temperature below one is none either."""
    assert doubts.fraction("humidity", "RH", np.array([0.5, 1.5])) == []
    assert doubts.fraction("room", "T", np.array([0.5])) == []
    assert doubts.fraction("humidity", "RH", np.array([])) == []
