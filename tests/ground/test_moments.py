"""Local time: which day and minute a moment is at the bench."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from tracker.moments import local_day, local_midnight, local_time

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
