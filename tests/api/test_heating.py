"""Oven logs on bare arrays: baselines, crossings, and how the recording is turned."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.api.close import approx
from tracker.api import Recording, Refused, heating_of
from tracker.api.maths import baseline, between, crossing


def log(text: str) -> Recording:
    """Return an oven log of a text."""
    return Recording("oven.csv", text.encode())


def test_the_baseline_is_the_line_through_the_coolest_quarter() -> None:
    """Slope, start and scatter of a log that is straight there."""
    celsius = np.linspace(20, 100, 81)
    found = baseline(celsius, 0.001 * celsius + np.maximum(0, celsius - 60))
    assert found == approx((0.001, 0.0, 0.0), abs=1e-9)


def test_the_scatter_of_the_baseline_is_its_standard_deviation() -> None:
    """A ripple of ± 0.01 mm about the line."""
    celsius = np.linspace(20, 100, 401)
    found = baseline(celsius, 0.01 * (-1.0) ** np.arange(401))
    assert found is not None
    assert found[2] == approx(0.01, rel=0.02)


@pytest.mark.parametrize("count", [2, 10, 20])
def test_too_few_readings_make_no_baseline(count: int) -> None:
    """Six in the coolest quarter are the least."""
    assert baseline(np.linspace(20, 100, count), np.zeros(count)) is None


def test_a_crossing_must_last() -> None:
    """One reading beyond and back is none."""
    mm = np.array([0.0, 0.4, 0.1, 0.2, 0.4, 0.5])
    assert crossing(np.arange(6.0), mm, 0.3) == 4


def test_a_crossing_at_the_end_of_the_log_counts() -> None:
    """There is nothing after it to contradict."""
    assert crossing(np.arange(3.0), np.array([0.0, 0.1, 0.4]), 0.3) == 2


def test_a_deflection_never_reached_is_not_crossed() -> None:
    """None, not the last reading."""
    assert crossing(np.arange(3.0), np.array([0.0, 0.1, 0.2]), 0.3) is None


@given(st.floats(0.01, 0.99), st.floats(20, 100), st.floats(0.1, 20))
def test_between_two_readings_temperature_is_straight(part: float, start: float, step: float) -> None:
    """A target part of the way is met part of the way."""
    celsius, mm = np.array([start, start + step]), np.array([0.1, 0.5])
    assert between(celsius, mm, 1, 0.1 + part * 0.4) == approx(start + part * step)


def test_a_step_without_rise_is_met_at_its_end() -> None:
    """Nothing is divided by zero."""
    assert between(np.array([50.0, 51.0]), np.array([0.3, 0.3]), 1, 0.3) == 51.0


def test_the_first_reading_has_nothing_before_it() -> None:
    """Its own temperature is all there is."""
    assert between(np.array([50.0, 51.0]), np.array([0.3, 0.4]), 0, 0.2) == 50.0


@pytest.mark.parametrize("word", ["deflection_mm", "sag (mm)", "Weg [mm]", "distance_mm"])
def test_deflection_goes_by_several_words(word: str) -> None:
    """As loggers name it."""
    assert heating_of(log(f"temperature_c,{word}\n20,0\n30,1\n"), "as recorded").mm.tolist() == [0.0, 1.0]


def test_micrometres_and_minutes_are_converted() -> None:
    """The header words carry the units."""
    found = heating_of(log("time_min,temp_c,deflection_um\n0,20,0\n1,30,500\n"), "as recorded")
    assert (found.seconds.tolist(), found.mm.tolist()) == ([0.0, 60.0], [0.0, 0.5])


def test_zero_is_the_first_reading_unless_recorded_so() -> None:
    """The dial need not have been set."""
    text = "temperature_c,deflection_mm\n20,5\n30,5.5\n"
    assert heating_of(log(text), "first reading").mm.tolist() == [0.0, 0.5]
    assert heating_of(log(text), "as recorded").mm.tolist() == [5.0, 5.5]


def test_giving_way_counts_positive_whichever_way_the_dial_turns() -> None:
    """A shrinking distance is a growing deflection."""
    assert heating_of(log("temperature_c,distance_mm\n20,50\n30,48\n"), "first reading").mm.tolist() == [
        0.0,
        2.0,
    ]


def test_rows_without_numbers_are_counted() -> None:
    """And left out."""
    found = heating_of(log("temperature_c,deflection_mm\n20,0\n25,nan\n30,1\n"), "as recorded")
    assert (len(found.mm), found.problems) == (2, ("1 of 3 rows left out: not a finite number.",))


@pytest.mark.parametrize(
    ("values", "step"),
    [("20 30", 1.0), ("20.5 30", 0.5), ("20.1 30.3", 0.1), ("20.01 30", 0.01), ("20.123 30", None)],
)
def test_the_step_of_the_thermometer_shows_in_the_log(values: str, step: float | None) -> None:
    """Where all values lie on one of the usual steps."""
    first, second = values.split()
    assert (
        heating_of(log(f"temperature_c,deflection_mm\n{first},0\n{second},1\n"), "as recorded").step == step
    )


@pytest.mark.parametrize(
    "text", ["temperature_c,colour\n20,0\n30,1\n", "temperature_c,deflection_mm\n20,0\n", "nothing"]
)
def test_what_is_no_oven_log_is_refused_by_name(text: str) -> None:
    """One line names the file."""
    with pytest.raises(Refused, match=r"^oven\.csv"):
        heating_of(log(text), "as recorded")


@pytest.mark.parametrize(
    ("word", "factor"), [("deflection_mm", 1.0), ("sag_cm", 10.0), ("weg [µm]", 1e-3), ("distance_m", 1e3)]
)
def test_deflections_become_millimetres(word: str, factor: float) -> None:
    """The header word carries the unit."""
    assert heating_of(log(f"temperature_c,{word}\n20,0\n30,2\n"), "as recorded").mm[1] == approx(2 * factor)


@pytest.mark.parametrize(
    ("word", "factor"), [("time_s", 1.0), ("time_ms", 1e-3), ("zeit_min", 60.0), ("elapsed_h", 3600.0)]
)
def test_times_become_seconds(word: str, factor: float) -> None:
    """The header word carries the unit."""
    found = heating_of(log(f"{word},temp_c,deflection_mm\n0,20,0\n2,30,1\n"), "as recorded")
    assert found.seconds[1] == approx(2 * factor)


def test_a_log_without_time_has_none() -> None:
    """None, not a count of rows."""
    assert heating_of(log("temp_c,deflection_mm\n20,0\n30,1\n"), "as recorded").seconds is None


def test_a_whole_log_has_no_problems() -> None:
    """Nothing is said of rows that were all read."""
    assert heating_of(log("temp_c,deflection_mm\n20,0\n30,1\n"), "as recorded").problems == ()


def test_two_readings_are_a_course() -> None:
    """Two with numbers are the least."""
    with pytest.raises(Refused, match="fewer than two"):
        heating_of(log("temp_c,deflection_mm\n20,0\n30,nan\n"), "as recorded")


@pytest.mark.parametrize(
    ("low", "high", "turned"), [(-1.0, 2.0, False), (-2.0, 1.0, True), (-1.0, 1.0, False)]
)
def test_the_larger_excursion_is_giving_way(low: float, high: float, turned: bool) -> None:
    """Where both are alike the dial is believed."""
    found = heating_of(log(f"temp_c,deflection_mm\n20,0\n30,{low}\n40,{high}\n"), "as recorded")
    assert found.mm.tolist() == ([0, -low, -high] if turned else [0, low, high])


@pytest.mark.parametrize("step", [0.25, 0.0625, 0.05])
def test_binary_and_twentieth_steps_show_in_the_log(step: float) -> None:
    """Many sensors count in quarters or sixteenths of a degree."""
    text = f"temperature_c,deflection_mm\n{20 + step},0\n{30 + 3 * step},1\n"
    assert heating_of(log(text), "as recorded").step == step


def test_a_deflection_exactly_reached_is_crossed() -> None:
    """At the target is beyond it."""
    assert crossing(np.arange(4.0), np.array([0.0, 0.25, 0.5, 0.75]), 0.25) == 1


@pytest.mark.parametrize(("run", "index"), [(1, 1), (2, 3), (3, 3)])
def test_how_long_a_crossing_must_last_is_asked(run: int, index: int) -> None:
    """With one reading the first flicker counts."""
    mm = np.array([0.0, 0.4, 0.1, 0.4, 0.5, 0.6])
    assert crossing(np.arange(6.0), mm, 0.3, run) == index


def test_six_readings_in_the_coolest_quarter_are_enough() -> None:
    """20 to 100 °C in steps of 4 K: six at or below 40 °C; in steps of 5 K only five."""
    assert baseline(np.arange(20.0, 101, 4), np.zeros(21)) is not None
    assert baseline(np.arange(20.0, 101, 5), np.zeros(17)) is None


def test_the_baseline_agrees_with_the_reference_library() -> None:
    """Slope, start and scatter as SciPy's linregress has them for the six coolest readings."""
    from scipy.stats import linregress  # noqa: PLC0415 - an oracle of its own

    celsius = np.arange(20.0, 101, 4)
    mm = 0.002 * celsius + 0.01 * np.sin(celsius)
    x, y = celsius[:6], mm[:6]
    oracle = linregress(x, y)
    scatter = oracle.stderr * np.sqrt(((x - x.mean()) ** 2).sum())
    assert baseline(celsius, mm) == approx((oracle.slope, oracle.intercept, scatter))


def test_an_oven_that_cools_again_does_not_come_back_into_the_baseline() -> None:
    """Readings after the first beyond the quarter do not count, however cool."""
    celsius = np.concatenate([np.arange(20.0, 101, 4), np.arange(100.0, 19, -4)])
    mm = np.concatenate([np.zeros(21), np.full(21, 5.0)])
    assert baseline(celsius, mm) == approx((0, 0, 0), abs=1e-12)


def test_an_oven_that_was_never_heated_has_no_baseline() -> None:
    """One temperature makes no line."""
    assert baseline(np.full(20, 23.0), np.zeros(20)) is None


@pytest.mark.parametrize("knocks", [(1.0, 0.9), (0.9, 1.0), (1.0, 1.0)])
def test_a_good_reading_between_two_knocks_stays(knocks: tuple[float, float]) -> None:
    """It stands apart from both its neighbours as well; the two that stand apart most are left out."""
    mm = [0.0, 0.0, knocks[0], 0.0, knocks[1], *[0.0] * 20]
    rows = "".join(f"{20 + i},{value}\n" for i, value in enumerate(mm))
    found = heating_of(log(f"temperature_c,deflection_mm\n{rows}"), "as recorded")
    assert found.problems == ("2 knocked readings left out, at 22.0 °C, 24.0 °C.",)
