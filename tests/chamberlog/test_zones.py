"""Local clocks to UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.chamberlog.logs import BERLIN
from tracker.chamberlog.clock import to_utc

NAMES = ["Europe/Berlin", "America/New_York", "Australia/Sydney", "Asia/Kolkata", "UTC"]


def local(moments: list[datetime], zone: ZoneInfo) -> list[float]:
    """Return what a wall clock in ``zone`` showed, as seconds after 1970."""
    return [m.astimezone(zone).replace(tzinfo=UTC).timestamp() for m in moments]


@given(
    st.sampled_from(NAMES),
    st.datetimes(datetime(2020, 1, 1), datetime(2026, 1, 1)),  # noqa: DTZ001 - hypothesis wants them bare
    st.integers(10, 1200),
    st.integers(2, 300),
)
def test_a_dense_log_comes_back(name: str, first: datetime, step_s: int, count: int) -> None:
    """A log denser than half an hour that covers a change wholly or not at all comes back exactly."""
    zone = ZoneInfo(name)
    began = first.replace(tzinfo=UTC)
    moments = [began + timedelta(seconds=step_s * i) for i in range(count)]
    offsets = [m.astimezone(zone).utcoffset() for m in moments]
    shown = np.array(local(moments, zone))
    found, problems = to_utc(shown, zone)
    settled = (
        len(set(offsets)) == 1 or bool(np.any(np.diff(shown) < 0.0)) or bool(np.any(np.diff(shown) > 3600.0))
    )
    if settled and not any("came twice" in str(p) for p in problems):
        assert found.tolist() == pytest.approx([m.timestamp() for m in moments])


def test_rows_without_a_time_stay_without() -> None:
    """A missing time stays missing."""
    found, _ = to_utc(np.array([np.nan, 1740834000.0]), BERLIN)
    assert np.isnan(found[0])
    assert found[1] == 1740830400.0


def test_nothing_at_all() -> None:
    """A column without any time has no problems."""
    found, problems = to_utc(np.array([np.nan]), BERLIN)
    assert (len(found), problems) == (1, [])


def test_a_whole_year_passes_two_changes() -> None:
    """Over a year both changes are reckoned with and named."""
    began = datetime(2025, 1, 1, tzinfo=UTC)
    moments = [began + timedelta(minutes=20 * i) for i in range(26000)]
    found, problems = to_utc(np.array(local(moments, BERLIN)), BERLIN)
    assert found.tolist() == [m.timestamp() for m in moments]
    assert ["forward" in str(p) for p in problems] == [True, False]


def test_a_log_that_begins_after_a_change_does_not_tell_of_it() -> None:
    """A change on the day before concerns nobody."""
    moments = [datetime(2025, 3, 30, 12, tzinfo=UTC) + timedelta(minutes=i) for i in range(30)]
    found, problems = to_utc(np.array(local(moments, BERLIN)), BERLIN)
    assert (found[0], problems) == (moments[0].timestamp(), [])


@pytest.mark.parametrize("hour", [0, 1])
def test_a_log_on_one_side_of_the_doubled_hour(hour: int) -> None:
    """Before or after the doubled hour the clock is plain."""
    began = datetime(2025, 10, 26, hour * 2, 0, tzinfo=UTC) - timedelta(hours=1 - hour)
    moments = [began + timedelta(minutes=i) for i in range(30)]
    found, _ = to_utc(np.array(local(moments, BERLIN)), BERLIN)
    assert found[0] == moments[0].timestamp()
