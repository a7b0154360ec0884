"""Local times without a zone to UTC, through the nights on which the clocks change."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from numpy.typing import NDArray

from tracker.chamberlog.log import Array, Problem
from tracker.lazy_modules import np

_DAY_S: Final = 86400
_UNCHANGED: Final = "the logger's clock did not change, and is kept."
_COARSE_S: Final = 1800.0
"""Rows further apart than this cannot show whether the logger's clock went back an hour."""


@dataclass(frozen=True, slots=True)
class Change:
    """A clock change: ``at`` in seconds UTC, and the offsets from UTC before and after, in seconds."""

    at: float
    before: float
    after: float

    @property
    def first_local(self) -> float:
        """First local second that is missing or comes twice."""
        return self.at + min(self.before, self.after)

    @property
    def last_local(self) -> float:
        """Local second at which the missing or doubled hour is over."""
        return self.at + max(self.before, self.after)


def to_utc(local: Array, zone: tzinfo) -> tuple[Array, list[Problem]]:
    """Return seconds UTC for local seconds after 1970, in the order of the file.

    A doubled hour is told apart by the backward step of the logger's clock. A logger whose clock
    did not change shows rows in the missing hour, or none going back: its offset is then kept.

    Args:
        local: Seconds after 1970 by the logger's clock, shape (n,), NaN where a row has no time.
        zone: The zone of the logger's clock.
    """
    known = local[~np.isnan(local)]
    if not known.size:
        return local, []
    # Two days to either side: local times lie up to 14 hours from UTC, and a change just outside may still
    # reach in.
    low, high = float(known.min()) - 2 * _DAY_S, float(known.max()) + 2 * _DAY_S
    changes = list(_changes(zone, low, high))
    offset = np.full(len(local), _offset(zone, low) if changes == [] else changes[0].before)
    problems: list[Problem] = []
    for change in changes:
        if known.max() < change.first_local:
            break
        after, problem = _after(local, change)
        offset = np.where(after, change.after, offset)
        if known.min() < change.last_local:
            problems.append(problem)
    return local - offset, problems


def _after(local: Array, change: Change) -> tuple[NDArray[np.bool_], Problem]:
    """Say which rows come after a change, and what to tell about it."""
    first, last = change.first_local, change.last_local
    when = _clock(first)
    inside = (local >= first) & (local < last)
    if change.after > change.before:
        if inside.any():
            text = f"The clock went forward on {when}, but rows have times that did not exist: {_UNCHANGED}"
            return np.zeros(len(local), bool), Problem("clock change", text)
        return local >= last, Problem("clock change", f"The clock went forward on {when}; reckoned with.")
    surely = local >= last
    if not inside.any():
        return surely, Problem("clock change", f"The clock went back on {when}; reckoned with.")
    steps = np.flatnonzero(inside[1:] & (np.diff(local) < -_COARSE_S)) + 1
    if steps.size:
        later = np.arange(len(local)) >= steps[0]
        text = f"The clock went back on {when}: the hour that came twice is told apart by its step back."
        return later, Problem("clock change", text)
    apart = np.diff(local[inside])
    if surely.any() and apart.size and float(np.nanmax(apart)) < _COARSE_S:
        text = f"The clock went back on {when}, but no row goes back: {_UNCHANGED}"
        return np.zeros(len(local), bool), Problem("clock change", text)
    text = f"The hour from {when} came twice and the rows do not tell which they are: taken as the first."
    return surely, Problem("clock change", text)


def _changes(zone: tzinfo, low: float, high: float) -> Iterator[Change]:
    """Give the clock changes between two moments."""
    at = low
    # Day by day, as the library gives offsets at moments and no list of changes.
    while at < high:
        step = min(at + _DAY_S, high)
        before, after = _offset(zone, at), _offset(zone, step)
        if before != after:
            yield Change(_bisected(zone, at, step, before), before, after)
        at = step


def _bisected(zone: tzinfo, low: float, high: float, before: float) -> float:
    """Return the second of a clock change."""
    while high - low > 1.0:
        middle = (low + high) // 2
        low, high = (middle, high) if _offset(zone, middle) == before else (low, middle)
    return float(round(high))


def _offset(zone: tzinfo, utc_s: float) -> float:
    """Return the offset from UTC in seconds at a moment."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc_s)
    offset = moment.astimezone(zone).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0


def _clock(local_s: float) -> str:
    """Write a local second as a wall clock shows it."""
    return f"{datetime(1970, 1, 1) + timedelta(seconds=local_s):%Y-%m-%d at %H:%M}"  # noqa: DTZ001 - a wall clock
