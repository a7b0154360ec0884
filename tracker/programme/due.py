"""What falls due: readings of creep, pieces that have rested long enough, calibrations, things left open."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, func, select

from tracker import ids
from tracker.api import Method, validate
from tracker.book import Book
from tracker.lazy_modules import lazy
from tracker.model import Calibration, Drying, Job, Measurement, Rig, Specimen
from tracker.moments import local_midnight
from tracker.plugins import Plugged
from tracker.programme.standing import usual

if TYPE_CHECKING:
    from tracker import plugins
else:
    plugins = lazy("tracker.plugins")

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


def due(book: Book, plugged: Plugged | None = None) -> list[DueItem]:
    """Return what waits, the most overdue first, open things last.

    Args:
        book: The book.
        plugged: The methods, which say when a test over time wants its next reading; loaded where not given.
    """
    now = book.clock()
    with book.connect() as connection:
        found = [
            *_readings(connection, plugged or _methods(), now),
            *_rested(connection, now),
            *_calibrations(connection, now, book.zone),
            *_open(connection),
        ]
    return sorted(found, key=lambda item: (item.at is None, item.at or now, item.id))


def _methods() -> Plugged:
    """Load the installed methods, where nobody has them yet."""
    return plugins.load()


def _readings(connection: Connection, plugged: Plugged, now: dt.datetime) -> Iterator[DueItem]:
    """Yield the next reading of every test over time that has not had its last one."""
    over_time = {
        name: loaded.method
        for name, loaded in plugged.methods.items()
        if type(loaded.method).next_due is not Method.next_due
    }
    rows = connection.execute(
        select(
            Measurement.id, Measurement.at, Measurement.method, Measurement.readings, Measurement.spool_id,
            Specimen.job_id, Specimen.piece,
        )
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .where(Measurement.method.in_(over_time), Measurement.at.is_not(None))
    )  # fmt: skip
    for row in rows:
        method = over_time[row.method]
        try:
            coming = method.next_due(validate(method, row.readings or {}))
        except Exception:  # noqa: BLE001, S112 - a plugin's fault must not hide what else is due
            continue
        if coming is not None:
            at = row.at + dt.timedelta(seconds=coming.after_s)
            on = ids.spool_id(row.spool_id) if row.job_id is None else ids.specimen_id(row.job_id, row.piece)
            yield DueItem(at, at < now, ids.measurement_id(row.id), f"{coming.what} on {on}")


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
