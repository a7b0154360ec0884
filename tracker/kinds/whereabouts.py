"""Records that claim one spool at one time: two storage periods, two dryings, or a drying during a job."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.model import Drying, DryingSpool, Job, JobSpool, StoragePeriod
from tracker.moments import local_time

_TOGETHER: Final = ({"storage"}, {"drying"}, {"drying", "job"})
"""Kinds of which two cannot be true at once: a spool is printed from in its dry box, but not in the dryer."""


@dataclass(frozen=True)
class Claim:
    """A record that says where a spool was.

    Attributes:
        kind: ``storage``, ``drying`` or ``job``.
        name: By which the record is corrected.
        place: In words.
        began: From when.
        ended: Until when; None for a storage period that nobody ended.
        row: The record.
    """

    kind: str
    name: str
    place: str
    began: dt.datetime
    ended: dt.datetime | None
    row: Any

    def words(self, zone: dt.tzinfo) -> str:
        """Return place and times."""
        until = local_time(self.ended, zone) if self.ended else "still there"
        return f"{self.place} {local_time(self.began, zone)} – {until}"


@dataclass(frozen=True)
class Contradiction:
    """Two claims that cannot both be true, with the command that mends it."""

    sentence: str
    do: str


def contradictions(
    session: Session, spool: int, now: dt.datetime, zone: dt.tzinfo, of: Any = None
) -> Iterator[Contradiction]:
    """Yield the records of a spool that cannot be true together.

    Args:
        session: To read with.
        spool: Number of the spool.
        now: The present, up to which a job or drying that has no end runs.
        zone: The bench's.
        of: Only those in which this row takes part; an open storage period then lasts to this day. Else
            one that nobody ended is taken to end when the next one began.
    """
    claims = sorted(_claims(session, spool, now), key=lambda each: each.began)
    for at, first in enumerate(claims):
        for second in claims[at + 1 :]:
            open_end = first.ended is None and of is None and second.began > first.began
            if open_end or (first.ended is not None and second.began >= first.ended):
                continue
            if {first.kind, second.kind} not in _TOGETHER or (
                of is not None and of not in (first.row, second.row)
            ):
                continue
            one, other = (second, first) if second.row is of else (first, second)
            yield Contradiction(
                f"{one.words(zone)} overlaps {other.words(zone)} ({one.name}, {other.name})",
                _mend(first, second, zone),
            )


def _claims(session: Session, spool: int, now: dt.datetime) -> Iterator[Claim]:
    for period in session.scalars(select(StoragePeriod).where(StoragePeriod.spool_id == spool)):
        yield Claim("storage", f"storage{period.id}", period.place, period.began_at, period.ended_at, period)
    for row in session.scalars(select(Drying).join(DryingSpool).where(DryingSpool.spool_id == spool)):
        planned = dt.timedelta(hours=row.planned_h) if row.planned_h is not None else None
        ended = row.ended_at or (min(now, row.began_at + planned) if planned is not None else now)
        # Without a temperature nobody can say what it did: its hours count as not recorded.
        if row.set_c is not None or row.measured_c is not None:
            yield Claim("drying", ids.drying_id(row.id), "in the dryer", row.began_at, ended, row)
    used = select(Job).join(JobSpool).where(JobSpool.spool_id == spool, Job.started_at.is_not(None))
    for job in session.scalars(used):
        if job.started_at is not None:
            yield Claim("job", ids.job_id(job.id), "printed from", job.started_at, job.ended_at or now, job)


def _mend(first: Claim, second: Claim, zone: dt.tzinfo) -> str:
    """Return the command that lets the earlier claim end where the later one begins."""
    if second.began <= first.began:
        return f"strandbook void {second.name} --reason WHY"
    at = f"{second.began.astimezone(zone):%Y-%m-%d %H:%M:%S}"
    return f"strandbook correct {first.name} 'ended_at={at}' --reason WHY"
