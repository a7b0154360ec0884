"""What falls due: readings of creep, pieces that have rested long enough, calibrations, things left open."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, func, select

from tracker import ids
from tracker.book import Book
from tracker.model import Calibration, Drying, Job, Measurement, Rig, Specimen
from tracker.moments import local_midnight
from tracker.programme.wanted import usual

CREEP_MARKS_H: Final = (1.0, 24.0, 48.0, 168.0)
"""Hours after loading at which creep is read: the series of ISO 899-1, thinned (from memory).

Thinned to what one person at a bench will really come back for; the fit wants decades, not many points.
"""

_SOON: Final = dt.timedelta(days=14)


@dataclass(frozen=True)
class DueItem:
    """One thing that waits.

    Attributes:
        at: When it falls due; None for something that is simply open.
        late: Whether that is past.
        id: Whom it concerns.
        what: What is to be done, a few words.
    """

    at: dt.datetime | None
    late: bool
    id: str
    what: str

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {
            "at": self.at.isoformat() if self.at else None,
            "late": self.late,
            "id": self.id,
            "what": self.what,
        }


def due(book: Book) -> list[DueItem]:
    """Return what waits, the most overdue first, open things last."""
    now = book.clock()
    with book.connect() as connection:
        found = [
            *_creep(connection, now),
            *_rested(connection, now),
            *_calibrations(connection, now, book.zone),
            *_open(connection),
        ]
    return sorted(found, key=lambda item: (item.at is None, item.at or now, item.id))


def _creep(connection: Connection, now: dt.datetime) -> Iterator[DueItem]:
    """Yield the next reading of every creep test that has not had its last one."""
    rows = connection.execute(
        select(Measurement.id, Measurement.at, Measurement.readings, Specimen.job_id, Specimen.piece)
        .join(Specimen, Specimen.id == Measurement.specimen_id)
        .where(Measurement.method == "creep", Measurement.at.is_not(None))
    )
    for row in rows:
        # A record without a series was loaded and not read yet: its first mark is due.
        series = (row.readings or {}).get("series") or [(0.0, 0.0)]
        last = max(float(entry[0]) for entry in series)
        # A thousandth of slack, as 24 h typed from two clock times may come out a second short.
        coming = next((mark for mark in CREEP_MARKS_H if mark > last * 1.001), None)
        if coming is not None:
            # The record's time is that of the last reading entered with it.
            at = row.at + dt.timedelta(hours=coming - last)
            piece = ids.specimen_id(row.job_id, row.piece)
            what = f"read creep at {coming:g} h on {piece}"
            yield DueItem(at, at < now, ids.measurement_id(row.id), what)


def _rested(connection: Connection, now: dt.datetime) -> Iterator[DueItem]:
    """Yield jobs whose pieces wait to be tested, with the time from which they may be."""
    hours = usual().conditioning_h
    tested = select(Measurement.id).where(Measurement.specimen_id == Specimen.id).exists()
    rows = connection.execute(
        select(Job.id, Job.ended_at, func.count())
        .join(Specimen, Specimen.job_id == Job.id)
        .where(Job.ended_at.is_not(None), Specimen.outcome.in_(("good", "usable")), ~tested)
        .group_by(Job.id, Job.ended_at)
    )
    for job, ended, count in rows:
        if ended is not None:
            at = ended + dt.timedelta(hours=hours)
            yield DueItem(at, at < now, ids.job_id(job), f"test {_pieces(count)} that rested {hours:g} h")


def _calibrations(connection: Connection, now: dt.datetime, zone: dt.tzinfo) -> Iterator[DueItem]:
    rows = connection.execute(
        select(Rig.id, Rig.name, Rig.unit, Rig.recalibrate_days, func.max(Calibration.done_on))
        .outerjoin(Calibration, Calibration.rig_id == Rig.id)
        .group_by(Rig.id, Rig.name, Rig.unit, Rig.recalibrate_days)
    )
    for rig, name, unit, days, last in rows:
        if unit is not None and last is None:
            yield DueItem(
                None, True, ids.rig_id(rig), f"calibrate {name}: never calibrated, as far as is recorded"
            )
        elif last is not None and days is not None:
            day = last + dt.timedelta(days=days)
            # A day is the bench's day; in UTC it would fall due the evening before, or at breakfast.
            at = local_midnight(day, zone)
            if at < now + _SOON:
                yield DueItem(at, at < now, ids.rig_id(rig), f"calibrate {name}: {days} days are over")


def _open(connection: Connection) -> Iterator[DueItem]:
    for (job,) in connection.execute(select(Job.id).where(Job.outcome == "running")):
        yield DueItem(None, False, ids.job_id(job), "end the job, as it is still entered as running")
    on_bed = (
        select(Job.id, func.count())
        .join(Specimen, Specimen.job_id == Job.id)
        .where(Job.outcome != "running", Job.ended_at.is_not(None), Specimen.outcome.is_(None))
        .group_by(Job.id)
    )
    for job, count in connection.execute(on_bed):
        yield DueItem(None, False, ids.job_id(job), f"say what became of {_pieces(count)}")
    for (drying,) in connection.execute(select(Drying.id).where(Drying.ended_at.is_(None))):
        yield DueItem(None, False, ids.drying_id(drying), "end the drying")


def _pieces(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"
