"""A log aligned with a job."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tests.chamberlog.logs import BERLIN, read
from tracker.chamberlog import Log, align
from tracker.errors import Refused

JOB = datetime(2025, 3, 1, 12, tzinfo=UTC)


def log_from(began: datetime, count: int = 60, step_s: int = 60) -> Log:
    """Return a log with its own dates."""
    moments = [began + timedelta(seconds=step_s * i) for i in range(count)]
    return read("time;chamber", *(f"{m.isoformat()};{20 + i % 3}" for i, m in enumerate(moments)))


def heating(header: str = "bed", unit: str = "t") -> Log:
    """Return a log in which something begins to heat at 200 s."""
    rows = [f"{10 * i};{20.0 + 0.1 * (i % 2) + max(0, i - 20) * 2.0:.1f}" for i in range(60)]
    return read(f"{unit};{header}", *rows)


@pytest.mark.parametrize("minutes", [-30, 0, 5])
def test_by_the_clock(minutes: int) -> None:
    """The offset is the time from the job's start to the log's beginning."""
    assert align(log_from(JOB + timedelta(minutes=minutes)), JOB).offset_s == 60.0 * minutes


def test_the_offset_is_reported() -> None:
    """How the offset was found is there to be shown."""
    assert align(log_from(JOB - timedelta(minutes=2)), JOB).how == (
        "By the clock: the log begins 120 s before the job's start."
    )


@pytest.mark.parametrize("days", [-1, 2, 30])
def test_a_log_of_another_day_is_refused_with_both_times(days: int) -> None:
    """A log that does not touch the job is refused, and both times are named."""
    with pytest.raises(Refused, match=r"it runs from .* UTC, the job started at 2025-03-01 12:00 UTC"):
        align(log_from(JOB + timedelta(days=days)), JOB)


def test_a_refusal_gives_times_by_the_benchs_clock() -> None:
    """Noon in UTC is one o'clock in Vienna's winter; nobody at the bench reads UTC."""
    with pytest.raises(Refused, match="the job started at 2025-03-01 13:00 CET"):
        align(log_from(JOB + timedelta(days=2)), JOB, zone=ZoneInfo("Europe/Vienna"))


def test_a_log_after_the_jobs_end_is_refused() -> None:
    """With the job's end known, a log of the same evening is refused as well."""
    with pytest.raises(Refused, match="log of another time"):
        align(log_from(JOB + timedelta(hours=5)), JOB, job_ended=JOB + timedelta(hours=2))


def test_a_late_log_is_flagged() -> None:
    """A log that misses the first layers is aligned with the job, and says so."""
    found = align(log_from(JOB + timedelta(minutes=30)), JOB)
    assert found.problems == ("The log begins 30 min after the job: its first layers are not covered.",)


def test_a_log_that_stops_early_is_flagged() -> None:
    """A log that misses the last layers says so."""
    found = align(log_from(JOB), JOB, job_ended=JOB + timedelta(hours=3))
    assert "ends 121 min before the job" in found.problems[0]


def test_a_clock_without_date_is_put_on_the_jobs_day() -> None:
    """A bare clock is taken nearest to the job, in the logger's zone, and flagged."""
    log = read("time;chamber", "12:50:00;20", "13:30:00;21", zone=BERLIN)
    found = align(log, JOB)
    assert found.offset_s == -600.0
    assert "no date" in found.problems[0]


def test_a_clock_from_before_midnight() -> None:
    """A log started at 23:50 belongs to a job started at 00:10."""
    log = read("time;chamber", "23:50:00;20", "00:30:00;21", zone=BERLIN)
    assert align(log, datetime(2025, 2, 28, 23, 10, tzinfo=UTC)).offset_s == -1200.0


@pytest.mark.parametrize("time", ["2025-03-01 13:00:00", "13:00:00"])
def test_without_a_zone_the_clock_is_refused(time: str) -> None:
    """A local time without its zone is not laid beside a job by the clock."""
    with pytest.raises(Refused, match="Name the zone"):
        align(read("time;chamber", f"{time};20", f"{time};21"), JOB)


def test_seconds_since_the_start_begin_with_the_job_and_say_so() -> None:
    """A stop-watch is taken to have been started with the job, which is flagged."""
    found = align(read("t;chamber", "5;20", "6;21"), JOB)
    assert (found.offset_s, bool(found.problems)) == (5.0, True)


@pytest.mark.parametrize("header", ["bed", "nozzle", "chamber"])
def test_by_the_first_rise(header: str) -> None:
    """The job starts where something begins to heat and keeps heating."""
    found = align(heating(header), JOB, "first rise")
    assert found.offset_s == pytest.approx(-200.0, abs=10.0)
    assert header in found.how


def test_a_spike_is_no_rise() -> None:
    """One high reading does not start a job."""
    rows = [f"{10 * i};{80.0 if i == 5 else 20.0 + max(0, i - 20) * 2.0}" for i in range(60)]
    assert align(read("t;bed", *rows), JOB, "first rise").offset_s == pytest.approx(-200.0, abs=10.0)


def test_a_log_without_any_rise_is_refused() -> None:
    """Where nothing heats there is nothing to align by."""
    with pytest.raises(Refused, match="stays up"):
        align(read("t;chamber", *(f"{i};20" for i in range(9))), JOB, "first rise")


def test_a_start_without_zone_is_refused() -> None:
    """The job's start must say its zone."""
    with pytest.raises(Refused, match="no zone"):
        align(log_from(JOB), JOB.replace(tzinfo=None))
