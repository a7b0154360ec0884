"""Local time: which day and minute a moment is at the bench."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.moments import (
    MomentError,
    Present,
    local_day,
    local_midnight,
    local_time,
    read_day,
    read_moment,
)

BERLIN = ZoneInfo("Europe/Berlin")
LATE = dt.datetime(2026, 3, 7, 23, 30, 5, tzinfo=dt.UTC)


def test_the_day_is_the_benchs() -> None:
    """Half past eleven in UTC is the next day in Berlin."""
    assert local_day(LATE, BERLIN) == dt.date(2026, 3, 8)


def test_a_time_is_shown_in_the_zone() -> None:
    """To the minute, or to the second where that is asked."""
    assert local_time(LATE, BERLIN) == "2026-03-08 00:30"
    assert local_time(LATE, BERLIN, seconds=True) == "2026-03-08 00:30:05"


def test_no_moment_is_not_recorded() -> None:
    """What nobody recorded is said to be so."""
    assert local_time(None, BERLIN) == "not recorded"


def test_midnight_of_a_summer_day() -> None:
    """A day in Berlin's summer begins at 22 h of the day before, UTC."""
    assert local_midnight(dt.date(2026, 7, 1), BERLIN) == dt.datetime(2026, 6, 30, 22, tzinfo=dt.UTC)


def test_a_moment_without_zone_is_refused() -> None:
    """Nobody can say which day it belongs to."""
    with pytest.raises(ValueError, match="no time zone"):
        local_day(dt.datetime(2026, 3, 7), BERLIN)  # noqa: DTZ001 - the point of the test


# A Sunday evening, 20:15 in Berlin.
NOW = dt.datetime(2026, 11, 29, 19, 15, tzinfo=dt.UTC)
PRESENT = Present(NOW, BERLIN)


def _local(text: str, present: Present = PRESENT) -> str:
    return local_time(read_moment(text, present), BERLIN, seconds=True)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("now", "2026-11-29 20:15:00"),
        ("14:32", "2026-11-29 14:32:00"),
        ("7:05:09", "2026-11-29 07:05:09"),
        ("today 07:00", "2026-11-29 07:00:00"),
        ("yesterday 10:00", "2026-11-28 10:00:00"),
        ("Yesterday, 10:00", "2026-11-28 10:00:00"),
        ("Fri 14:30", "2026-11-27 14:30:00"),
        ("friday 14:30", "2026-11-27 14:30:00"),
        ("Sun 9:00", "2026-11-29 09:00:00"),
        ("Mon 9:00", "2026-11-23 09:00:00"),
        ("14.11.2026 9:30", "2026-11-14 09:30:00"),
        ("14.11. 9:30", "2026-11-14 09:30:00"),
        ("1. 12. 8:00", "2025-12-01 08:00:00"),
        ("28 Nov", "2026-11-28 00:00:00"),
        ("28 Nov 14:30", "2026-11-28 14:30:00"),
        ("3 march 2025 6:00", "2025-03-03 06:00:00"),
        ("5 Dec 12:00", "2025-12-05 12:00:00"),
        ("29 Feb 12:00", "2024-02-29 12:00:00"),
        ("2026-03-14 14:32", "2026-03-14 14:32:00"),
        ("2026-03-14", "2026-03-14 00:00:00"),
        ("2026-03-14T14:32:10Z", "2026-03-14 15:32:10"),
    ],
)
def test_moments_are_read_as_people_say_them(typed: str, meant: str) -> None:
    """Days by name, with dots, by month or as ISO 8601 has them; without a year the latest that has been."""
    assert _local(typed) == meant


@pytest.mark.parametrize(
    "typed",
    ["soon", "25:00", "14:60", "32 Nov 9:00", "31.2.2026 9:00", "11/14/2026 9:30", "", "28 Nox", "Fr"],
)
def test_what_names_no_moment_is_refused_with_examples(typed: str) -> None:
    """A refusal says what can be typed."""
    with pytest.raises(MomentError, match="yesterday 10:00"):
        read_moment(typed, PRESENT)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("23:10", "2026-11-27 23:10:00"), ("22:40", "2026-11-27 22:40:00"), ("06:20", "2026-11-28 06:20:00")],
)
def test_a_bare_time_belongs_to_what_it_is_entered_for(typed: str, meant: str) -> None:
    """Of a job begun on Friday at 22:40 a bare time is that night's, whatever day it is told on."""
    began = dt.datetime(2026, 11, 27, 21, 40, 50, tzinfo=dt.UTC)

    assert _local(typed, Present(NOW, BERLIN, began)) == meant


def test_a_plan_without_its_year_is_in_the_future() -> None:
    """The fifth of December that is planned is the next one."""
    assert _local("5 Dec 12:00", Present(NOW, BERLIN, past=False)) == "2026-12-05 12:00:00"


@pytest.mark.parametrize(("zone", "utc"), [("CEST", "00:30"), ("cet", "01:30")])
def test_the_doubled_hour_needs_its_zone(zone: str, utc: str) -> None:
    """On 25 October 2026 Berlin had half past two twice; which is meant has to be said."""
    with pytest.raises(MomentError, match=r"twice.* CEST for the first or CET for the second"):
        read_moment("25.10.2026 2:30", PRESENT)

    assert f"{read_moment(f'25.10.2026 2:30 {zone}', PRESENT):%Y-%m-%d %H:%M}" == f"2026-10-25 {utc}"


def test_an_hour_that_the_clocks_skipped_is_refused() -> None:
    """On 29 March 2026 it was never half past two in Berlin."""
    with pytest.raises(MomentError, match=r"never was at the bench.*2026-03-29T02:30\+01:00"):
        read_moment("29.3.2026 2:30", PRESENT)


@pytest.mark.parametrize(
    ("typed", "day"),
    [
        ("today", "2026-11-29"),
        ("Fri", "2026-11-27"),
        ("20 days ago", "2026-11-09"),
        ("1 week ago", "2026-11-22"),
        ("14.11.", "2026-11-14"),
        ("28 Nov", "2026-11-28"),
        ("2026-03-14", "2026-03-14"),
    ],
)
def test_days_are_read_alike(typed: str, day: str) -> None:
    """What is a day in front of a time is a day of its own."""
    assert read_day(typed, PRESENT).isoformat() == day


def test_a_date_with_two_readings_is_refused() -> None:
    """Nobody can say whether 3/4/2026 is in March or in April."""
    with pytest.raises(MomentError, match="two ways"):
        read_day("3/4/2026", PRESENT)


@given(st.text(max_size=40) | st.from_regex(r"[0-9 .:a-z-]{1,25}"))
def test_any_text_is_a_moment_or_refused(typed: str) -> None:
    """Nothing else comes out, whatever is typed."""
    try:
        found = read_moment(typed, PRESENT)
    except MomentError:
        return
    assert found.tzinfo is dt.UTC


@given(st.datetimes(min_value=dt.datetime(1990, 1, 1), max_value=dt.datetime(2026, 11, 29, 20, 0)))  # noqa: DTZ001
def test_a_time_shown_is_read_back(local: dt.datetime) -> None:
    """A minute that was at the bench once is read as the one that is shown."""
    typed = f"{local:%d.%m.%Y %H:%M}"
    shown = f"{local:%Y-%m-%d %H:%M}:00"
    clocks_changed = len({local.replace(tzinfo=BERLIN, fold=fold).utcoffset() for fold in (0, 1)}) > 1
    if clocks_changed:
        with pytest.raises(MomentError, match="clocks"):
            read_moment(typed, PRESENT)
    else:
        assert _local(typed) == shown
