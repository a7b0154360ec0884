"""The day at the bench: what runs, what waits, what is due, what was measured since midnight.

One question to the book for the day board, for ``strandbook today`` and for programs.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from tracker import ids
from tracker.book import Book
from tracker.errors import Refused
from tracker.history import many_spool_days, mass_left, water_at
from tracker.kinds.specimen import seen_from_above
from tracker.lineage import material_of_job
from tracker.model import Drying, DryingSpool, Job, JobSpool, Measurement, Spool, StoragePeriod
from tracker.moments import local_midnight
from tracker.plugins import Plugged
from tracker.programme import DueItem, due
from tracker.stating import state_row

IN_USE_DAYS: Final = 30
"""A spool is in use when it was put somewhere, dried or printed from within so many days."""

MOST: Final = 24
"""Of each kind, the newest: a board is looked at, not read."""

_NEWEST: Final = 400


@dataclass(frozen=True)
class RunningJob:
    """A job that runs, or whose specimens wait on the bed.

    Attributes:
        id: Of the job.
        name: Of the job, or empty.
        material: What it is printed from, or empty.
        waits_for: What the person is waited for, a few words.
        started_at: When it began.
        ready_at: When it should be done by the plate file's own estimate; None where not known.
        outlines: Corners of each specimen seen from above where the plate is known, mm.
        specimens: How many.
    """

    id: str
    name: str
    material: str
    waits_for: str
    started_at: dt.datetime | None
    ready_at: dt.datetime | None
    outlines: Sequence[Sequence[Sequence[float]]]
    specimens: int


@dataclass(frozen=True)
class SpoolNow:
    """A spool as it is now.

    Attributes:
        id: Of the spool.
        material: Its material.
        lot: Its lot, or empty.
        place: Where it is, with the place in words where that is recorded.
        left_g: Filament left, g; None where not known.
        full_g: Filament when it came, g; None where not known.
        water_pct: Middle, low and high of the water, wt%; None where it cannot be told.
        open_h: Hours in the open since it was last dried; None where not known.
        problem: Why its records cannot all be true; empty where they can.
    """

    id: str
    material: str
    lot: str
    place: str
    left_g: float | None
    full_g: float | None
    water_pct: tuple[float, float, float] | None
    open_h: float | None
    problem: str = ""

    @property
    def left_pct(self) -> float | None:
        """Filament left, per cent of what came, at most 100; None where not known."""
        return (
            None if self.left_g is None or not self.full_g else min(100.0, 100.0 * self.left_g / self.full_g)
        )


@dataclass(frozen=True)
class OpenDrying:
    """A drying that has not ended; ``done_at`` is when its planned time is over, None where none was set."""

    id: str
    spools: Sequence[str]
    set_c: float | None
    began_at: dt.datetime | None
    done_at: dt.datetime | None


@dataclass(frozen=True)
class MeasuredToday:
    """A measurement of today.

    Attributes:
        id: Of the measurement.
        subject: ID of the specimen or spool.
        method: Id of the method.
        at: When.
        operator: Who, or empty.
        stated: Quantity and value in words of the first result that has one; empty where none has.
        quantity: Of that result, or empty.
        recording: Whether it has a file that may be a curve.
    """

    id: str
    subject: str
    method: str
    at: dt.datetime | None
    operator: str
    quantity: str
    stated: str
    recording: bool


@dataclass(frozen=True)
class Day:
    """The day board.

    Attributes:
        now: When it was asked.
        jobs: That run or wait to be taken off the bed.
        spools: In use, the newest first.
        dryings: Open ones, the first to be done first.
        due: What falls due, in order of time.
        measured: Today, the newest first.
        measured_count: How many today in all.
    """

    now: dt.datetime
    jobs: Sequence[RunningJob] = field(default_factory=tuple)
    spools: Sequence[SpoolNow] = field(default_factory=tuple)
    dryings: Sequence[OpenDrying] = field(default_factory=tuple)
    due: Sequence[DueItem] = field(default_factory=tuple)
    measured: Sequence[MeasuredToday] = field(default_factory=tuple)
    measured_count: int = 0

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values; moments are RFC 3339 in UTC."""
        found: dict[str, Any] = _plain({**asdict(self), "due": [each.as_json() for each in self.due]})
        return found


def _plain(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {name: _plain(each) for name, each in value.items()}
    return [_plain(each) for each in value] if isinstance(value, (list, tuple)) else value


def day_board(book: Book, plugged: Plugged | None = None) -> Day:
    """Return the day as it is now.

    Args:
        book: The book.
        plugged: The methods, which say when a test over time wants its next reading; loaded where not given.
    """
    now = book.clock()
    with book.read() as session:
        count, measured = _measured(session, local_midnight(now.astimezone(book.zone).date(), book.zone))
        return Day(
            now,
            jobs=_jobs(session),
            spools=_spools(session, now, book.zone),
            dryings=_dryings(session),
            due=due(book, plugged),
            measured=measured,
            measured_count=count,
        )


def _jobs(session: Session) -> list[RunningJob]:
    waiting = select(Job.id).where(Job.outcome != "running", Job.ended_at.is_not(None))
    waiting = waiting.where(Job.specimens.any(outcome=None, dummy=False))
    rows = session.scalars(
        select(Job)
        .where((Job.outcome == "running") | Job.id.in_(waiting))
        .order_by(Job.id.desc())
        .limit(MOST)
        .options(selectinload(Job.specimens), selectinload(Job.spools).selectinload(JobSpool.spool))
    )
    return [_running(row) for row in rows]


def _running(row: Job) -> RunningJob:
    outlines = [seen for each in row.specimens if (seen := seen_from_above(each.plate_facts))]
    on_bed = sum(1 for each in row.specimens if each.outcome is None and not each.dummy)
    ready = None
    if row.started_at is not None and row.time_s is not None:
        ready = row.started_at + dt.timedelta(seconds=row.time_s)
    material = material_of_job(row)
    return RunningJob(
        id=ids.job_id(row.id),
        name=row.name or "",
        material=material.name if material is not None else "",
        waits_for="its end" if row.outcome == "running" else f"{on_bed} to take off the bed",
        started_at=row.started_at,
        ready_at=ready if row.outcome == "running" else None,
        outlines=outlines,
        specimens=len(row.specimens),
    )


def _spools(session: Session, now: dt.datetime, zone: dt.tzinfo) -> list[SpoolNow]:
    since = now - dt.timedelta(days=IN_USE_DAYS)
    used = (
        select(StoragePeriod.spool_id, func.max(StoragePeriod.began_at).label("at"))
        .where((StoragePeriod.began_at >= since) | StoragePeriod.ended_at.is_(None))
        .group_by(StoragePeriod.spool_id)
        .union_all(
            select(JobSpool.spool_id, func.max(Job.started_at))
            .join(Job, Job.id == JobSpool.job_id)
            .where(Job.started_at >= since)
            .group_by(JobSpool.spool_id),
            select(DryingSpool.spool_id, func.max(Drying.began_at))
            .join(Drying, Drying.id == DryingSpool.drying_id)
            .where(Drying.began_at >= since)
            .group_by(DryingSpool.spool_id),
        )
        .subquery()
    )
    newest = (
        select(used.c.spool_id).group_by(used.c.spool_id).order_by(func.max(used.c.at).desc()).limit(MOST)
    )
    return spools_now(session, list(session.scalars(newest)), now, zone)


def spools_now(session: Session, numbers: Sequence[int], now: dt.datetime, zone: dt.tzinfo) -> list[SpoolNow]:
    """Return spools as they are now, in the order of their numbers as given.

    Args:
        session: To read with.
        numbers: Row ids.
        now: The present.
        zone: The bench's.
    """
    days = many_spool_days(session, dict.fromkeys(numbers, now))
    rows = {row.id: row for row in session.scalars(select(Spool).where(Spool.id.in_(numbers)))}
    return [_spool(session, rows[number], days[number], now, zone) for number in numbers if number in rows]


def _spool(session: Session, row: Spool, days: Any, now: dt.datetime, zone: dt.tzinfo) -> SpoolNow:
    mass = mass_left(session, row, now, zone)
    period = session.scalars(
        select(StoragePeriod)
        .where(StoragePeriod.spool_id == row.id)
        .order_by(StoragePeriod.began_at.desc())
        .limit(1)
    ).first()
    place = (
        "not recorded"
        if period is None
        else period.place
        if period.ended_at is None
        else f"was in {period.place}"
    )
    if period is not None and period.where:
        place = f"{place}, {period.where}"
    water, hours, problem = None, None, ""
    if isinstance(days, Refused):
        problem = str(days)
    else:
        try:
            estimate = water_at(days, now)
        except Refused as refusal:
            problem = str(refusal)
        else:
            middle, low, high = estimate.centre_pct, estimate.low_pct, estimate.high_pct
            if middle is not None and low is not None and high is not None:
                water = (middle, low, high)
            hours = estimate.exposure.hours if estimate.exposure.since_at is not None else None
    return SpoolNow(
        id=ids.spool_id(row.id),
        material=row.material.name,
        lot=row.lot or "",
        place=place,
        left_g=mass.left_g,
        full_g=row.net_g,
        water_pct=water,
        open_h=hours,
        problem=problem,
    )


def _dryings(session: Session) -> list[OpenDrying]:
    rows = session.scalars(
        select(Drying)
        .where(Drying.ended_at.is_(None))
        .order_by(Drying.id.desc())
        .limit(MOST)
        .options(selectinload(Drying.spools))
    )
    found = []
    for row in rows:
        done = None
        if row.began_at is not None and row.planned_h is not None:
            done = row.began_at + dt.timedelta(hours=row.planned_h)
        spools = [ids.spool_id(each.spool_id) for each in row.spools]
        found.append(OpenDrying(ids.drying_id(row.id), spools, row.set_c, row.began_at, done))
    return sorted(found, key=lambda each: (each.done_at is None, each.done_at))


def _measured(session: Session, since: dt.datetime) -> tuple[int, list[MeasuredToday]]:
    # The newest by number, for the column of times has no index: more than these are not measured in a day.
    newest = select(Measurement.id, Measurement.at).order_by(Measurement.id.desc()).limit(_NEWEST)
    today = [row.id for row in session.execute(newest) if row.at is not None and row.at >= since]
    rows = session.scalars(
        select(Measurement)
        .where(Measurement.id.in_(today[:MOST]))
        .order_by(Measurement.id.desc())
        .options(
            selectinload(Measurement.results),
            selectinload(Measurement.files),
            selectinload(Measurement.specimen),
            selectinload(Measurement.spool),
        )
    )
    return len(today), [_today(row) for row in rows]


def _today(row: Measurement) -> MeasuredToday:
    first = next((each for each in row.results if each.value is not None), None)
    subject = (
        ids.specimen_id(row.specimen.job_id, row.specimen.piece)
        if row.specimen is not None
        else ids.spool_id(row.spool_id or 0)
    )
    return MeasuredToday(
        id=ids.measurement_id(row.id),
        subject=subject,
        method=row.method,
        at=row.at,
        operator=row.operator or "",
        quantity=first.quantity if first is not None else "",
        stated=state_row(first).text if first is not None else "",
        recording=bool(row.files),
    )
