"""What the book's rows say happened, put into the hands of the pure rooms."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

from sqlalchemy import any_, func, select
from sqlalchemy.orm import Session

from tracker.book import zone_named
from tracker.errors import Refused
from tracker.ids import drying_id, job_id, spool_id
from tracker.lazy_modules import lazy
from tracker.model import (
    BookRecord,
    Drying,
    DryingSpool,
    Job,
    JobSpool,
    Material,
    Spool,
    StoragePeriod,
    Weighing,
)
from tracker.moments import local_day, local_midnight
from tracker.stored_rows import one_of

if TYPE_CHECKING:
    from tracker import exposure
    from tracker.exposure import Drying as ExposureDrying
    from tracker.exposure import StoragePeriod as ExposurePeriod
    from tracker.exposure import Timeline, Water, WaterHistory
else:
    exposure = lazy("tracker.exposure")


_LABEL_SHARE: Final = 0.02
"""How far a label's net mass may be off, as a part of it. Common practice, no source."""

Kind = Literal["weighed", "label", "used", "unknown use", "wound"]


@dataclass(frozen=True)
class MassLeft:
    """Filament left on a spool.

    Attributes:
        points: Moments with the filament left in g, in order; empty where nothing is known.
        left_g: At the last of them; None where nothing is known.
        u_g: How far it may be off, g; None where nothing is known.
        how: Where it comes from, in words.
    """

    points: tuple[tuple[dt.datetime, float], ...] = ()
    left_g: float | None = None
    u_g: float | None = None
    how: str = "neither weighed nor a net mass recorded"

    @property
    def sentence(self) -> str:
        """What is left in words, with how far it may be off and where it comes from."""
        if self.left_g is None:
            return f"Left: not known ({self.how})."
        off = f" ± {self.u_g:.0f}" if self.u_g else ""
        return f"Left: {self.left_g:.1f}{off} g ({self.how})."


def mass_left(session: Session, spool: Spool, until: dt.datetime, zone: dt.tzinfo) -> MassLeft:
    """Return what is left on a spool: the last weighing less the reel, less what jobs took since.

    Args:
        session: To read with.
        spool: The spool.
        until: Jobs and weighings up to here count.
        zone: The bench's, in which days are named and a spool's day of reception begins.
    """
    empty, how_empty = _empty(spool)
    points: list[tuple[dt.datetime, float]] = []
    now: _Now | None = None
    for at, kind, grams in sorted(_events(session, spool, until, zone), key=lambda each: each[0]):
        if kind == "weighed" and empty is not None:
            off = (spool.net_g or 0.0) * _LABEL_SHARE if how_empty == _GUESSED else 0.0
            now = _Now(grams - empty, off, f"weighed {local_day(at, zone)}, {how_empty}")
        elif kind == "label":
            now = _Now(grams, grams * _LABEL_SHARE, "net mass on the label")
        elif kind == "wound":
            now = _Now(0.0, 0.0, f"wound onto another reel {local_day(at, zone)}")
        elif now is not None:
            now = _used(now, kind, grams)
        if now is not None:
            points.append((at, max(now.left_g, 0.0)))
    return MassLeft() if now is None else MassLeft(tuple(points), max(now.left_g, 0.0), now.off_g, now.how)


class _Now(NamedTuple):
    """What is left after an event, how far it may be off, and where it comes from."""

    left_g: float
    off_g: float
    how: str


def _used(now: _Now, kind: Kind, grams: float) -> _Now:
    """Return what is left after a job; a weighing of a spool whose reel is unknown tells nothing."""
    if kind == "used":
        how = now.how if now.how.endswith("jobs since") else f"{now.how}, less jobs since"
        return now._replace(left_g=now.left_g - grams, how=how)
    if kind == "unknown use" and "unknown mass" not in now.how:
        return now._replace(how=f"{now.how}, less a job of unknown mass")
    return now


_GUESSED: Final = "reel taken as gross less net"


def _empty(spool: Spool) -> tuple[float | None, str]:
    """Return the mass of the empty reel, and how it is known."""
    if spool.empty_g is not None:
        return spool.empty_g, "less the empty reel"
    if spool.gross_g is not None and spool.net_g is not None:
        return spool.gross_g - spool.net_g, _GUESSED
    return None, "reel unknown"


def _events(
    session: Session, spool: Spool, until: dt.datetime, zone: dt.tzinfo
) -> Iterator[tuple[dt.datetime, Kind, float]]:
    """Yield weighings, uses, and when what was left was wound onto another reel."""
    came = (
        dt.datetime.min.replace(tzinfo=dt.UTC)
        if spool.received_on is None
        else local_midnight(spool.received_on, zone)
    )
    if spool.net_g is not None:
        yield came, "label", spool.net_g
    elif spool.gross_g is not None and spool.empty_g is not None:
        yield came, "label", spool.gross_g - spool.empty_g
    for weighing in session.scalars(
        select(Weighing).where(Weighing.spool_id == spool.id, Weighing.at <= until)
    ):
        yield weighing.at, "weighed", weighing.mass_g
    asked = select(Spool.wound_at).where(Spool.wound_from_id == spool.id, Spool.wound_at <= until)
    for at in session.scalars(asked):
        yield at or until, "wound", 0.0
    yield from _dried(session, spool, until)
    yield from _printed(session, spool, until)


def _printed(session: Session, spool: Spool, until: dt.datetime) -> Iterator[tuple[dt.datetime, Kind, float]]:
    """Yield what jobs took.

    A spool may have been printed from hundreds of times: of a job's only spool two columns are read, and
    :func:`grams_of` is asked about the others alone.
    """
    asked = select(JobSpool.job_id, JobSpool.filament_g, Job.started_at, Job.filament_g.label("of_job"))
    rows = session.execute(
        asked.join(Job).where(JobSpool.spool_id == spool.id, Job.started_at <= until)
    ).all()
    jobs = [row.job_id for row in rows if row.filament_g is None]
    count = func.count(JobSpool.spool_id)
    several = set(
        session.scalars(
            select(JobSpool.job_id)
            .where(JobSpool.job_id.in_(jobs))
            .group_by(JobSpool.job_id)
            .having(count > 1)
        )
    )
    for row in rows:
        grams = row.of_job if row.filament_g is None else row.filament_g
        if row.job_id in several:
            grams = grams_of(session.get_one(JobSpool, (row.job_id, spool.id)))
        yield row.started_at, "unknown use" if grams is None else "used", grams or 0.0


def grams_of(link: JobSpool) -> float | None:
    """Return what a job took from one of its spools in g; None where that is not known.

    What was entered for this spool comes first; a job's only spool gave all of it; of several a spool that
    printed certain pieces gave what the plate file says of those. How much each gave of one changed in the
    middle, nobody knows without weighing.
    """
    if link.filament_g is not None:
        return link.filament_g
    if len(link.job.spools) == 1:
        return link.job.filament_g
    if link.pieces is None or link.from_layer is not None:
        return None
    own = [piece.filament_g for piece in link.job.specimens if piece.piece in link.pieces]
    return None if not own or None in own else sum(each for each in own if each is not None)


def _dried(session: Session, spool: Spool, until: dt.datetime) -> Iterator[tuple[dt.datetime, Kind, float]]:
    asked = (
        select(Drying.began_at, Drying.ended_at, DryingSpool.before_g, DryingSpool.after_g)
        .join(DryingSpool)
        .where(DryingSpool.spool_id == spool.id, Drying.began_at <= until)
    )
    for row in session.execute(asked):
        if row.before_g is not None:
            yield row.began_at, "weighed", row.before_g
        if row.after_g is not None and row.ended_at is not None:
            yield row.ended_at, "weighed", row.after_g


USUAL_DIAMETER_MM: Final = 1.75


@dataclass(frozen=True)
class SpoolDays:
    """The days of one spool.

    Attributes:
        spool: ID of the spool.
        timeline: Where it was when.
        family: Polymer family of its material, or None.
        diameter_mm: Of the filament, or None where it is not recorded.
    """

    spool: str
    timeline: Timeline
    family: str | None
    diameter_mm: float | None


def spool_days(session: Session, spool: Spool, until: dt.datetime) -> SpoolDays:
    """Return a spool's days up to a moment; hours that two records claim are not recorded, and flagged.

    Raises:
        Refused: A single record is impossible (an end before its beginning).
    """
    records = _records(session, [spool.id], until)
    return _days(spool, spool.material.family, until, records, zone_of(session))


def many_spool_days(session: Session, until: Mapping[int, dt.datetime]) -> dict[int, SpoolDays | Refused]:
    """Return the days of many spools in a few statements, each up to its own moment.

    Args:
        session: To read with.
        until: Row id of a spool to the moment.

    Returns:
        Row id to its days, or to the refusal of an impossible record.
    """
    if not until:
        return {}
    numbers = sorted(until)
    records = _records(session, numbers, max(until.values()))
    found: dict[int, SpoolDays | Refused] = {}
    zone = select(BookRecord.zone).where(BookRecord.id == 1).scalar_subquery()
    asked = select(
        Spool.id, Spool.received_on, Spool.diameter_mm, Spool.empty_g, Spool.reel, Material.family,
        zone.label("zone"),
    ).join(Material, Material.id == Spool.material_id)  # fmt: skip
    for spool in session.execute(asked.where(one_of(session.connection(), Spool.id, numbers))).all():
        try:
            found[spool.id] = _days(spool, spool.family, until[spool.id], records, _zone(spool.zone))
        except Refused as refusal:
            found[spool.id] = refusal
    return found


@dataclass
class _Records:
    """Rows of some spools, by the spool's number; of bare columns, for there may be many.

    ``came_from`` are the spools that each was wound from, with when.
    """

    periods: dict[int, list[Any]]
    dryings: dict[int, list[Any]]
    jobs: dict[int, list[Any]]
    came_from: dict[int, list[tuple[int, dt.datetime]]]

    def of(self, spool: int, rows: Mapping[int, list[Any]], began: Callable[[Any], dt.datetime]) -> list[Any]:
        """Return rows of a spool, and those of the spools its filament was on before it was wound here."""
        own = list(rows.get(spool, ()))
        for source, wound in self.came_from.get(spool, ()):
            own = [row for row in rows.get(source, ()) if began(row) < wound] + own
        return own


def _came_from(session: Session, spools: Sequence[int]) -> dict[int, list[tuple[int, dt.datetime]]]:
    """Return the spools that each was wound from, the last first, each with the moment it was left."""
    found: dict[int, list[tuple[int, dt.datetime]]] = {}
    asked = select(Spool.id, Spool.wound_from_id, Spool.wound_at).where(Spool.wound_from_id.is_not(None))
    links = {row.id: (row.wound_from_id, row.wound_at) for row in session.execute(asked)}
    for spool in spools:
        here = spool
        chain: list[tuple[int, dt.datetime]] = []
        while here in links and len(chain) < len(links):
            source, at = links[here]
            chain.append((source, at))
            here = source
        if chain:
            found[spool] = chain
    return found


def _records(session: Session, spools: Sequence[int], until: dt.datetime) -> _Records:
    """Read what began before a moment."""
    came_from = _came_from(session, spools)
    records = _Records(defaultdict(list), defaultdict(list), defaultdict(list), came_from)
    spools = [*spools, *{source for chain in came_from.values() for source, _ in chain} - set(spools)]
    connection = session.connection()
    kept = select(
        StoragePeriod.spool_id, StoragePeriod.id, StoragePeriod.place, StoragePeriod.began_at,
        StoragePeriod.ended_at, StoragePeriod.temperature_c, StoragePeriod.rh_pct, StoragePeriod.rh_low_pct,
        StoragePeriod.rh_high_pct,
    ).where(one_of(connection, StoragePeriod.spool_id, spools), StoragePeriod.began_at < until)  # fmt: skip
    dried = (
        select(
            DryingSpool.spool_id, DryingSpool.before_g, DryingSpool.after_g, Drying.id, Drying.began_at,
            Drying.ended_at, Drying.planned_h, Drying.set_c, Drying.measured_c, Drying.room_c,
            Drying.room_rh_pct, Drying.dryer_rh_pct,
        )
        .join(Drying, Drying.id == DryingSpool.drying_id)
        .where(one_of(connection, DryingSpool.spool_id, spools), Drying.began_at < until)
        .order_by(Drying.began_at)
    )  # fmt: skip
    used = (
        select(
            JobSpool.spool_id,
            Job.id,
            Job.started_at,
            Job.ended_at,
            func.coalesce(JobSpool.filament_g, Job.filament_g).label("filament_g"),
        )
        .join(Job, Job.id == JobSpool.job_id)
        .where(one_of(connection, JobSpool.spool_id, spools), Job.started_at < until)
    )
    if connection.dialect.name != "sqlite":
        # A server goes through all jobs of the book otherwise, for those of a few days.
        printed = select(JobSpool.job_id).where(one_of(connection, JobSpool.spool_id, spools))
        used = used.where(Job.id == any_(func.array(printed.scalar_subquery())))
    for asked, into in ((kept, records.periods), (dried, records.dryings), (used, records.jobs)):
        for row in session.execute(asked).all():
            into[row.spool_id].append(row)
    return records


def _days(
    spool: Any, family: str | None, until: dt.datetime, records: _Records, zone: dt.tzinfo
) -> SpoolDays:
    periods = [
        _storage_period(period, spool)
        for period in records.of(spool.id, records.periods, lambda row: row.began_at)
        if period.began_at < until
    ]
    dryings = [
        _drying(row, spool, until)
        for row in records.of(spool.id, records.dryings, lambda row: row.began_at)
        if row.began_at < until
    ]
    jobs = [
        exposure.JobUse(began=job.started_at, ended=job.ended_at, key=job_id(job.id), mass_g=job.filament_g)
        for job in records.of(spool.id, records.jobs, lambda row: row.started_at)
        if job.started_at < until
    ]
    return SpoolDays(
        spool=spool_id(spool.id),
        timeline=exposure.timeline(
            periods,
            [each for each in dryings if each is not None],
            jobs,
            until,
            received=_received(spool, zone, until),
            zone=zone,
            settle=True,
        ),
        family=family,
        diameter_mm=spool.diameter_mm,
    )


def zone_of(session: Session) -> dt.tzinfo:
    """Return the bench's zone, as the book has it."""
    name = session.scalar(select(BookRecord.zone).where(BookRecord.id == 1))
    return _zone(name)


def _zone(name: str | None) -> dt.tzinfo:
    return zone_named(name) if name else dt.UTC


def _received(spool: Any, zone: dt.tzinfo, until: dt.datetime) -> dt.datetime | None:
    """Return when the bench's day began on which a spool came; None where no such day is recorded."""
    if spool.received_on is None:
        return None
    at = local_midnight(spool.received_on, zone)
    return at if at < until else None


def _storage_period(row: Any, spool: Any) -> ExposurePeriod:
    return exposure.StoragePeriod(
        place=row.place,
        began=row.began_at,
        ended=row.ended_at,
        temperature_c=row.temperature_c,
        rh_pct=row.rh_pct,
        rh_low_pct=row.rh_low_pct,
        rh_high_pct=row.rh_high_pct,
        key=f"storage{row.id} of {spool_id(spool.id)} ({row.place})",
    )


def _drying(row: Any, spool: Any, until: dt.datetime) -> ExposureDrying | None:
    """Return a drying, or None where no temperature is known: then those hours stay unlogged."""
    set_c = row.set_c if row.set_c is not None else row.measured_c
    if set_c is None:
        return None
    planned = row.began_at + dt.timedelta(hours=row.planned_h) if row.planned_h is not None else until
    return exposure.Drying(
        began=row.began_at,
        ended=row.ended_at or min(planned, until),
        set_c=set_c,
        measured_c=row.measured_c,
        before_g=row.before_g,
        after_g=row.after_g,
        empty_g=spool.empty_g,
        room_c=row.room_c,
        room_rh_pct=row.room_rh_pct,
        dryer_rh_pct=row.dryer_rh_pct,
        key=drying_id(row.id),
        reel=spool.reel,
    )


def water_at(days: SpoolDays, at: dt.datetime) -> Water:
    """Return the water estimate of a spool at a moment, wt%, with bounds and grade.

    Args:
        days: Of the spool; without a diameter 1.75 mm is taken.
        at: Aware, not later than the days.

    Raises:
        Refused: The moment is later than the days, or the filament's diameter is outside 0.5 to 10 mm.
    """
    families = exposure.load_families()
    family = families.find(days.family) if days.family else None
    return exposure.water(days.timeline, at, family, days.diameter_mm or USUAL_DIAMETER_MM)


def water_at_many(days: SpoolDays, moments: Sequence[dt.datetime]) -> WaterHistory:
    """Return the water of a spool at many moments in one pass, wt%; they come back sorted.

    Args:
        days: Of the spool; without a diameter 1.75 mm is taken.
        moments: Aware, none later than the days, in any order.

    Raises:
        Refused: A moment is later than the days, or the filament's diameter is outside 0.5 to 10 mm.
    """
    family = exposure.load_families().find(days.family) if days.family else None
    return exposure.water_history(days.timeline, moments, family, days.diameter_mm or USUAL_DIAMETER_MM)


def exposure_line(days: SpoolDays, at: dt.datetime) -> str:
    """Return drying and open-air hours up to a moment in one line, as far as they are known.

    Raises:
        Refused: The moment is later than the days.
    """
    air = exposure.open_air(days.timeline, at)
    if air.since_at is None:
        return f"{days.spool}: neither drying nor storage recorded"
    since = f"dried in {air.since}" if air.since else "no drying recorded"
    unknown = f", {air.hours_unlogged:.0f} h not recorded" if air.hours_unlogged >= 0.5 else ""  # noqa: PLR2004 - rounds to 0
    return f"{days.spool}: {since}, then {air.hours:.1f} h open air{unknown}"
