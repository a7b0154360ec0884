"""Heating before the first layer: how far a plate's own times lie behind the job's start.

A plate file times motion. How long the printer waits for nozzle, bed and chamber stands in no file, so what
is known by the clock (a log, a change by hand) and what is known by layers are apart by the heating.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

MOST_S: Final = 3600.0
"""Longest heating where nothing bounds it: nozzle and bed take minutes, a warmed chamber up to an hour.
Common practice, no source."""

_PLAN_SURE: Final = 0.9
"""A plate may take a tenth less than planned: planned times were within 10 % in 17 of 24 files compared."""


@dataclass(frozen=True)
class Heating:
    """Seconds from the job's start to the beginning of the plate's own times.

    Attributes:
        low_s: At least.
        high_s: At most; as ``low_s`` where it is known.
        how: Where the bounds come from, in words.
    """

    low_s: float
    high_s: float
    how: str

    @property
    def known(self) -> bool:
        """Whether it is more than an estimate with bounds."""
        return self.low_s == self.high_s


def heating(job: Any, first_layer_s: float | None) -> Heating:
    """Return the heating of a job.

    Args:
        job: Its row with ``started_at``, ``first_layer_at``, ``ended_at``, ``outcome`` and ``time_s``.
        first_layer_s: When the first layer begins by the plate's own times; None counts as at once.
    """
    waited = seconds_between(job.started_at, job.first_layer_at)
    if waited is not None:
        exact = max(0.0, waited - (first_layer_s or 0.0))
        return Heating(exact, exact, "the first layer's time is recorded")
    lasted = seconds_between(job.started_at, job.ended_at)
    spare = None if lasted is None or not job.time_s else lasted - _PLAN_SURE * job.time_s
    # A job that lasted less than it could was stopped early, or its plan is not to be trusted.
    if spare is None or spare <= 0.0 or job.outcome != "finished":
        return Heating(0.0, MOST_S, "nothing recorded bounds it; an hour is taken")
    return Heating(0.0, min(MOST_S, spare), "estimated from how much longer the job lasted than planned")


def seconds_between(since: dt.datetime | None, until: dt.datetime | None) -> float | None:
    """Return the seconds between two moments; None where one is not known."""
    return None if since is None or until is None else (until - since).total_seconds()
