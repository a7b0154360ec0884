"""Forms of time, each by itself."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.chamberlog.test_figures import letters
from tracker.chamberlog.clock import Times, is_time, moment, read_times
from tracker.errors import Refused


def times(*fields: str, header: str = "time", comma: bool = False) -> Times:
    """Return the times of a column."""
    return read_times(letters(list(fields)), header, decimal_comma=comma)


moments = st.datetimes(datetime(1971, 1, 1), datetime(2100, 1, 1))  # noqa: DTZ001 - hypothesis wants them bare
offsets = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))


@given(st.lists(st.tuples(moments, offsets), min_size=1, max_size=10))
def test_iso_with_any_zone(written: list[tuple[datetime, timezone]]) -> None:
    """What isoformat() writes, with fraction or without, in any zone, is read to the microsecond."""
    stamps = [when.replace(tzinfo=zone) for when, zone in written]
    found = times(*(stamp.isoformat() for stamp in stamps))
    assert found.basis == "utc"
    assert found.seconds.tolist() == pytest.approx([stamp.timestamp() for stamp in stamps], abs=2e-6)


@given(st.lists(moments, min_size=1, max_size=10))
def test_iso_without_zone(written: list[datetime]) -> None:
    """Without a zone the times are local."""
    found = times(*(when.isoformat(sep=" ") for when in written))
    expected = [when.replace(tzinfo=UTC).timestamp() for when in written]
    assert (found.basis, found.seconds.tolist()) == ("local", pytest.approx(expected, abs=2e-6))


@pytest.mark.parametrize(
    "field",
    [
        "2025-13-01T12:00:00Z",
        "2025-02-30T12:00:00Z",
        "2025-03-01T25:00:00Z",
        "2025-03-01Tnoon",
        "",
        "2025-03-01",
    ],
)
def test_what_is_no_time_is_nothing(field: str) -> None:
    """A stamp that cannot be is no time, and spoils no other."""
    found = times("2025-03-01T12:00:00Z", field, "2025-03-01T12:00:01Z", "2025-03-01T12:00:02Z").seconds
    assert math.isnan(found[1])
    assert found[2] - found[0] == 1.0


def test_a_comma_before_the_fraction() -> None:
    """ISO 8601 allows a comma before the fraction."""
    assert np.diff(times("2025-03-01T12:00:00,25Z", "2025-03-01T12:00:01,75Z").seconds).tolist() == [1.5]


def test_minutes_are_enough() -> None:
    """A stamp without seconds is read."""
    assert np.diff(times("2025-03-01 12:00", "2025-03-01 12:01").seconds).tolist() == [60.0]


@pytest.mark.parametrize(
    ("field", "form"),
    [
        ("01.03.2025 12:00:00", "day.month.year"),
        ("1.3.2025 12:00", "day.month.year"),
        ("2025/03/01 12:00:00", "year, month, day"),
        ("25/03/2025 12:00:00", "day/month/year"),
        ("03/25/2025 12:00:00", "month/day/year"),
    ],
)
def test_other_dates(field: str, form: str) -> None:
    """Other orders of the date are found and said."""
    assert times(field, field).form.startswith(form)


@pytest.mark.parametrize("field", ["12/11/2025 12:00:00", "11/12/2025 12:00:00", "12/12/2025 12:00:00"])
def test_a_twelfth_may_be_a_month(field: str) -> None:
    """Neither figure tells the day: refused, never guessed."""
    with pytest.raises(Refused, match="it may be day/month or month/day"):
        times(field, field)


def test_a_day_beyond_the_month_rolls_no_further_than_it_says() -> None:
    """A month that does not exist is no time."""
    assert math.isnan(times("01.03.2025 12:00:00", "01.13.2025 12:00:00").seconds[1])


@pytest.mark.parametrize(
    ("value", "form", "seconds"),
    [
        ("1740830400", "seconds since 1970", 1740830400.0),
        ("1740830400.5", "seconds since 1970", 1740830400.5),
        ("1740830400500", "milliseconds since 1970", 1740830400.5),
        ("1740830400500000", "microseconds since 1970", 1740830400.5),
        ("1740830400500000000", "nanoseconds since 1970", 1740830400.5),
        ("12.5", "s since the start", 12.5),
    ],
)
def test_figures(value: str, form: str, seconds: float) -> None:
    """How large the figures are tells what they count."""
    found = times(value, value)
    assert (found.form, found.seconds[0]) == (form, seconds)


def test_figures_with_a_decimal_comma() -> None:
    """Seconds may have a decimal comma."""
    assert times("0,5", "1,5", comma=True).seconds.tolist() == [0.5, 1.5]


@pytest.mark.parametrize(
    ("header", "first"),
    [
        ("time [ms]", 0.5),
        ("Zeit (min)", 30000.0),
        ("elapsed_h", 1.8e6),
        ("Stunden", 1.8e6),
        ("time_s", 500.0),
        ("timestamp", 500.0),
    ],
)
def test_the_heading_names_the_unit(header: str, first: float) -> None:
    """Milliseconds, minutes and hours are reported by the heading; the h of a longer word is no unit."""
    assert times("500", "501", header=header).seconds[0] == pytest.approx(first)


def test_seconds_without_a_unit_are_a_guess() -> None:
    """Figures under a heading without unit are seconds, and the guess is said."""
    assert times("0", "1").guesses == ("times taken as seconds",)
    assert times("0", "1", header="t / s").guesses == ()


@pytest.mark.parametrize(
    ("field", "hours"),
    [("12:30:00 AM", 0.5), ("1:30:00 am", 1.5), ("12:30:00 PM", 12.5), ("11:30:00PM", 23.5)],
)
def test_morning_and_afternoon(field: str, hours: float) -> None:
    """The twelve-hour clock is understood, noon and midnight included."""
    assert times(field, field).seconds[0] == hours * 3600.0


def test_a_date_with_a_twelve_hour_clock() -> None:
    """A date with AM or PM behind its clock is understood."""
    found = times("03/25/2025 01:00:00 PM", "03/25/2025 11:00:00 AM")
    assert np.diff(found.seconds).tolist() == [-7200.0]


def test_a_row_without_zone_among_others_is_no_time() -> None:
    """Beside rows with a zone, a row without one cannot be placed."""
    found = times("2025-03-01T12:00:00Z", "2025-03-01T12:00:05", "2025-03-01T12:00:09Z")
    assert found.basis == "utc"
    assert np.isnan(found.seconds).tolist() == [False, True, False]


def test_figures_beyond_any_calendar_are_no_time() -> None:
    """A figure beyond the year 2100 among others is no time."""
    found = times("1740830400", "99999999999", "1740830401").seconds
    assert np.isnan(found).tolist() == [False, True, False]


def test_two_midnights() -> None:
    """A clock may pass midnight more than once."""
    found = times("22:00:00", "02:00:00", "23:00:00", "01:00:00")
    assert (found.seconds / 3600.0).tolist() == [22.0, 26.0, 47.0, 49.0]
    assert "midnight passed 2 times" in found.guesses


def test_a_clock_set_back_an_hour_passes_no_midnight() -> None:
    """Back by an hour is a clock that was set."""
    assert times("12:00:00", "11:00:00").seconds.tolist() == [43200.0, 39600.0]


@given(st.integers(1, 86399), st.lists(st.integers(1, 40000), max_size=12))
def test_clocks_run_on(first: int, steps: list[int]) -> None:
    """However often midnight is passed, the steps between rows come out right."""
    absolute = np.cumsum([first, *steps])
    fields = [f"{s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in absolute.tolist()]
    assert np.diff(times(*fields).seconds).tolist() == [float(step) for step in steps]


@pytest.mark.parametrize("field", ["Monday", "12h", "-", "2025"])
def test_forms_that_are_no_time(field: str) -> None:
    """Words are no times."""
    assert not is_time([field, field])


def test_a_column_without_times_is_refused_with_a_sample() -> None:
    """The refusal shows what was found and lists what is understood."""
    with pytest.raises(Refused, match=r"time column 'when': 'Monday' is no time.*ISO 8601"):
        times("Monday", "Tuesday", header="when")


def test_a_moment() -> None:
    """Seconds after 1970 are a moment in UTC."""
    assert moment(1740830400.0) == datetime(2025, 3, 1, 12, tzinfo=UTC)
