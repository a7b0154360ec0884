"""A log laid beside a job: by the clock, or by the first rise of a temperature."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

from tracker.chamberlog.clock import DAY_S
from tracker.chamberlog.log import Channel, ChannelName, Log
from tracker.errors import Refused
from tracker.lazy_modules import np

_RISERS: Final[tuple[ChannelName, ...]] = ("nozzle", "bed", "chamber")
"""Channels that rise when a job starts, the surest first."""

_RISE_C: Final = 5.0
_BEFORE_S, _AFTER_S = 3600.0, 86400.0
_LATE_S: Final = 600.0


@dataclass(frozen=True, slots=True)
class Aligned:
    """A log with its place relative to a job.

    Attributes:
        log: The log.
        offset_s: Seconds from the job's start to the log's first row; add it to a log's time to get job time.
        how: One sentence on how it was found.
        problems: What to mind, each one sentence.
    """

    log: Log
    offset_s: float
    how: str
    problems: tuple[str, ...] = ()


def align(
    log: Log,
    job_started: datetime,
    by: Literal["clock", "first rise"] = "clock",
    *,
    job_ended: datetime | None = None,
) -> Aligned:
    """Return the log laid beside a job.

    Args:
        log: As read.
        job_started: Aware.
        by: ``"clock"`` trusts the log's times; ``"first rise"`` takes the first lasting rise of nozzle, bed
            or chamber by 5 °C for the job's start.
        job_ended: Aware; None while it runs, when a day is allowed for.

    Raises:
        Refused: A job start or, by the clock, a log without a zone; a log of another day; or, by the first
            rise, a log in which nothing rises.
    """
    if job_started.utcoffset() is None:
        raise Refused(f"job start {job_started.isoformat()}", why="it has no zone", do="Give it in UTC.")
    if by == "first rise":
        return _by_rise(log)
    # Guessing the bench's zone would be wrong by an hour for half of the year wherever a logger keeps
    # winter time.
    if log.basis == "local":
        raise Refused(
            "aligning by the clock",
            why="the log's times have no zone",
            do="Name the zone of the logger's clock, or align by the first rise.",
        )
    if log.basis == "elapsed":
        return Aligned(
            log, log.first_s, "The log counts from its start, which is taken as the job's start.", (_UNSURE,)
        )
    if log.basis == "time of day":
        return _by_time_of_day(log, job_started, job_ended)
    offset = ((log.began or job_started) - job_started).total_seconds()
    _refuse_another_day(log, offset, job_started, job_ended)
    return Aligned(log, offset, _by_clock(offset), tuple(_partly(log, offset, job_started, job_ended)))


def laid_at(log: Log, offset_s: float) -> Aligned:
    """Return the log laid beside a job as a person stated it.

    Args:
        log: As read.
        offset_s: Seconds from the job's start to the log's first row.
    """
    side = "after" if offset_s >= 0.0 else "before"
    return Aligned(log, offset_s, f"As stated: the log begins {abs(offset_s):.0f} s {side} the job's start.")


_UNSURE: Final = "Nothing in the log says when it was started: check it against the first rise."


def _by_clock(offset: float) -> str:
    """Say on which side of the job's start the log begins."""
    side = "after" if offset >= 0.0 else "before"
    return f"By the clock: the log begins {abs(offset):.0f} s {side} the job's start."


def _length_s(started: datetime, ended: datetime | None) -> float:
    """Return how long the job lasted, or may last while it runs."""
    return _AFTER_S if ended is None else (ended - started).total_seconds()


def _refuse_another_day(log: Log, offset: float, started: datetime, ended: datetime | None) -> None:
    """Refuse a log that does not touch the job.

    Raises:
        Refused: It ends before the job began, or begins after the job's end.
    """
    if offset > _length_s(started, ended) or offset + log.length_s < 0.0:
        first = started + timedelta(seconds=offset)
        last = first + timedelta(seconds=log.length_s)
        raise Refused(
            "log of another time",
            why=f"it runs from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC, the job started at "
            f"{started:%Y-%m-%d %H:%M} UTC",
            do="Give the log of that job, or align by the first rise if the logger's clock was wrong.",
        )


def _partly(log: Log, offset: float, started: datetime, ended: datetime | None) -> Iterator[str]:
    """Give a sentence for each end of the job that the log misses."""
    if offset > _LATE_S:
        yield f"The log begins {offset / 60.0:.0f} min after the job: its first layers are not covered."
    if offset < -_AFTER_S:
        yield f"The log begins {-offset / 3600.0:.0f} h before the job: is it the right one?"
    missing = 0.0 if ended is None else _length_s(started, ended) - (offset + log.length_s)
    if missing > _LATE_S:
        yield f"The log ends {missing / 60.0:.0f} min before the job: its last layers are not covered."


def _by_time_of_day(log: Log, started: datetime, ended: datetime | None) -> Aligned:
    """Put a clock without a date on the day of the job.

    Raises:
        Refused: The clock's zone is not known, or the log does not touch the job.
    """
    if log.zone is None:
        raise Refused(
            "aligning by the clock",
            why="the log's clock has no zone",
            do="Name the zone of the logger's clock, or align by the first rise.",
        )
    local = started.astimezone(log.zone)
    of_day = (local - local.replace(hour=0, minute=0, second=0, microsecond=0)).total_seconds()
    # The nearest day: a log may have been started the evening before.
    offset = (log.first_s % DAY_S - of_day + DAY_S / 2.0) % DAY_S - DAY_S / 2.0
    _refuse_another_day(log, offset, started, ended)
    warning = "The log has no date: nothing shows that it is of the job's day."
    return Aligned(log, offset, _by_clock(offset), (warning, *_partly(log, offset, started, ended)))


def _by_rise(log: Log) -> Aligned:
    """Align by the surest channel that rises.

    Raises:
        Refused: Nothing in the log rises and stays up.
    """
    for name in _RISERS:
        channel = log.channels.get(name)
        rise = None if channel is None else _first_rise(channel)
        if channel is not None and rise is not None:
            how = f"The first lasting rise of '{channel.header}', {rise:.0f} s into the log, is the start."
            return Aligned(log, -rise, how, ("A heater switched on before the job would look the same.",))
    raise Refused(
        "aligning by the first rise",
        why=f"no nozzle, bed or chamber in the log rises by {_RISE_C:g} °C and stays up",
        do="Align by the clock.",
    )


def _first_rise(channel: Channel) -> float | None:
    """Return when the channel begins the first rise of at least 5 °C that the next two readings keep."""
    values, t_s = channel.values, channel.t_s
    if len(values) < 4:  # noqa: PLR2004 - a reading before, and three above
        return None
    # Above the least so far and not above the first: a machine still warm from the job before cools down
    # first.
    above = values >= np.minimum.accumulate(values) + _RISE_C
    # One stray reading is no rise: loggers spike when a relay switches.
    lasting = above[:-2] & above[1:-1] & above[2:]
    if not lasting.any():
        return None
    top = int(np.argmax(lasting))
    # The rise began at the last lowest reading before it.
    before = values[: top + 1]
    return float(t_s[top - int(np.argmin(before[::-1]))])
