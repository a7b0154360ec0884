"""A log aligned with a job, by the clock or by the first rise, and means over spans of the job."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final, Literal

from numpy.typing import NDArray

from tracker.chamberlog.clock import DAY_S
from tracker.chamberlog.log import Array, Channel, ChannelName, Log
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
    zone: tzinfo = UTC,
) -> Aligned:
    """Return the log aligned with a job.

    Args:
        log: As read.
        job_started: Aware.
        by: ``"clock"`` trusts the log's times; ``"first rise"`` takes the first lasting rise of nozzle, bed
            or chamber by 5 °C for the job's start.
        job_ended: Aware; None while it runs, when a day is allowed for.
        zone: In which a refusal gives its times.

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
        return _by_time_of_day(log, job_started, job_ended, zone)
    offset = ((log.began or job_started) - job_started).total_seconds()
    _refuse_another_day(log, offset, job_started, job_ended, zone)
    return Aligned(log, offset, _by_clock(offset), tuple(_partly(log, offset, job_started, job_ended)))


def aligned_at(log: Log, offset_s: float) -> Aligned:
    """Return the log aligned with a job as a person stated it.

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


def _refuse_another_day(
    log: Log, offset: float, started: datetime, ended: datetime | None, zone: tzinfo
) -> None:
    """Refuse a log that does not touch the job.

    Raises:
        Refused: It ends before the job began, or begins after the job's end.
    """
    if offset > _length_s(started, ended) or offset + log.length_s < 0.0:
        first = started + timedelta(seconds=offset)
        times = (first, first + timedelta(seconds=log.length_s), started)
        begins, ends, job = (f"{each.astimezone(zone):%Y-%m-%d %H:%M %Z}" for each in times)
        raise Refused(
            "log of another time",
            why=f"it runs from {begins} to {ends}, the job started at {job}",
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


def _by_time_of_day(log: Log, started: datetime, ended: datetime | None, zone: tzinfo) -> Aligned:
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
    _refuse_another_day(log, offset, started, ended, zone)
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


@dataclass(frozen=True, slots=True)
class Stats:
    """A channel over spans of a job.

    Attributes:
        mean: Weighted by time, readings joined by straight lines; None where nothing is covered.
        low: Least value.
        high: Greatest value.
        readings: How many readings lie within the spans.
        covered: The part of the spans' length that the log covers, 0 to 1.
        unit: Unit of the values.
    """

    mean: float | None
    low: float | None
    high: float | None
    readings: int
    covered: float
    unit: str


def cut(aligned: Aligned, channel: ChannelName, spans: Sequence[tuple[float, float]]) -> Stats:
    """Return mean, least and greatest value of a channel over spans of a job.

    Spans that overlap count once. A gap in the log is not bridged; it lowers ``covered``.

    Args:
        aligned: A log aligned with the job.
        channel: Which quantity.
        spans: From and to in seconds after the job's start.

    Raises:
        Refused: The log has no such channel, or a span ends before it begins (or is no number).
    """
    found = aligned.log.channels.get(channel)
    if found is None:
        raise Refused(
            f"channel '{channel}'", why="the log has none", do=f"It has {', '.join(aligned.log.channels)}."
        )
    edges = _merged(spans)
    if not len(edges) or not len(found.t_s):
        return Stats(None, None, None, 0, 0.0, found.unit)
    curve = _Curve(found.t_s + aligned.offset_s, found.values, found.gap_s)
    length = float(np.sum(edges[:, 1] - edges[:, 0]))
    covered, integral = curve.between(edges)
    inside = curve.inside(edges)
    ends = curve.at(edges.ravel())
    # The ends too: a span shorter than a logger's step holds no reading, and yet the log says what it was.
    values = np.concatenate([found.values[inside], ends[~np.isnan(ends)]])
    return Stats(
        mean=integral / covered if covered > 0.0 else float(values.mean()) if values.size else None,
        low=float(values.min()) if values.size else None,
        high=float(values.max()) if values.size else None,
        readings=int(np.count_nonzero(inside)),
        covered=covered / length if length > 0.0 else float(values.size > 0),
        unit=found.unit,
    )


def _merged(spans: Sequence[tuple[float, float]]) -> Array:
    """Return the spans in order, those that overlap joined; shape (n, 2).

    Raises:
        Refused: A span ends before it begins.
    """
    merged: list[list[float]] = []
    for since, until in sorted(spans):
        if not until >= since:
            raise Refused(f"span {since:g} to {until:g} s", why="it ends before it begins")
        # Layers of a plate of many pieces overlap in time; counted twice they would weigh double.
        if merged and since <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], until)
        else:
            merged.append([since, until])
    return np.array(merged, dtype=float).reshape(-1, 2)


class _Curve:
    """Readings joined by straight lines, except across gaps, with running integrals."""

    def __init__(self, t_s: Array, values: Array, gap_s: float) -> None:
        self._t, self._v = t_s, values
        steps = np.diff(t_s)
        self._joined = steps <= gap_s
        # A gap counts as nothing, neither time nor value: a straight line across it would invent the hour
        # in which the logger was off.
        width = np.where(self._joined, steps, 0.0)
        self._time = np.concatenate([[0.0], np.cumsum(width)])
        self._area = np.concatenate([[0.0], np.cumsum(width * (values[1:] + values[:-1]) / 2.0)])

    def between(self, edges: Array) -> tuple[float, float]:
        """Return the length covered within the spans, and the integral over it."""
        time, area = self._until(edges)
        return float(np.sum(time[:, 1] - time[:, 0])), float(np.sum(area[:, 1] - area[:, 0]))

    def inside(self, edges: Array) -> NDArray[np.bool_]:
        """Say which readings lie within the spans."""
        place = np.searchsorted(edges[:, 0], self._t, side="right") - 1
        return np.asarray((place >= 0) & (self._t <= edges[np.maximum(place, 0), 1]))

    def at(self, moments: Array) -> Array:
        """Return the value at moments, NaN where the log does not cover them."""
        i, part, joined = self._place(moments)
        value = self._v[i] + part * (self._v[np.minimum(i + 1, len(self._v) - 1)] - self._v[i])
        exact = moments == self._t[i]
        outside = (moments < self._t[0]) | (moments > self._t[-1]) | ~(joined | exact)
        return np.where(outside, np.nan, np.where(exact, self._v[i], value))

    def _until(self, moments: Array) -> tuple[Array, Array]:
        """Return covered time and integral from the first reading up to moments."""
        i, part, joined = self._place(moments)
        nxt = np.minimum(i + 1, len(self._v) - 1)
        step = np.where(joined, part * (self._t[nxt] - self._t[i]), 0.0)
        value = self._v[i] + part * (self._v[nxt] - self._v[i])
        return self._time[i] + step, self._area[i] + step * (self._v[i] + value) / 2.0

    def _place(self, moments: Array) -> tuple[NDArray[np.intp], Array, NDArray[np.bool_]]:
        """Return the reading before each moment, the part of the way to the next, and if they are joined."""
        last = max(len(self._t) - 2, 0)
        i = np.clip(np.searchsorted(self._t, moments, side="right") - 1, 0, last)
        nxt = np.minimum(i + 1, len(self._t) - 1)
        width = self._t[nxt] - self._t[i]
        part = np.divide(moments - self._t[i], width, out=np.zeros(np.shape(moments)), where=width > 0.0)
        joined = np.append(self._joined, False)[i]
        return i, np.clip(part, 0.0, 1.0), joined
