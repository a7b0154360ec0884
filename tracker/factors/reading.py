"""The factors of specimens and of measurements, many at once, in a few statements for any number of them."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Row, Select, case, func, select
from sqlalchemy.orm import Session, aliased

from tracker.api import FactorValue
from tracker.errors import Refused
from tracker.factors.printed import of_job, of_piece, put_given
from tracker.factors.registry import COMMANDED, ESTIMATED, MEASURED, REGISTRY, Factors, put
from tracker.history import SpoolDays, many_spool_days, water_at_many
from tracker.ids import job_id, specimen_id, spool_id
from tracker.lazy_modules import lazy
from tracker.lineage import join_main_spool, material_id_of_job, spools_of_piece
from tracker.model import (
    FactorRecord,
    Job,
    JobSpool,
    Material,
    Measurement,
    MeasurementRig,
    Rig,
    SettingChange,
    Specimen,
    Spool,
)
from tracker.stored_rows import batched, one_of

# Brings numpy, which looking at a record does not need.
exposure = lazy("tracker.exposure")

if TYPE_CHECKING:
    from tracker.plugins import Plugged


def factors_of(
    session: Session | Connection,
    specimens: Iterable[int],
    plugged: Plugged | None = None,
    *,
    water: bool = True,
    days: bool = True,
) -> dict[int, Factors]:
    """Return every recorded factor of specimens, by name; one that is not recorded is absent.

    What was measured is before what was set; what was given outright, by import or by hand, before
    what was read from the plate. ``basis`` and ``source`` of each value say which it is.

    Args:
        session: To read with.
        specimens: Row ids; unknown ones are left out of the answer.
        plugged: Plugins, which may add factors; none are asked where it is None.
        water: Whether to estimate the water content too: one pass over each spool's days.
        days: Whether to read what follows from the spools' days: drying, hours in open air, and with
            ``water`` the water.
    """
    if isinstance(session, Connection):
        with Session(session) as made:
            return factors_of(made, specimens, plugged, water=water, days=days)
    rows = rows_of(session, list(dict.fromkeys(specimens)))
    jobs = _jobs_as_seen(rows)
    of_jobs = _shared(session, rows, jobs, water=water, days=days)
    found: dict[int, Factors] = {}
    for row, job, factors in _of_pieces(rows, jobs, of_jobs):
        if plugged is not None:
            _put_plugged(factors, plugged, _known(row, job, factors))
        found[row.id] = factors
    return found


def recorded_of(session: Session, rows: Rows) -> dict[int, Factors]:
    """Return the factors of specimens without those of spools' days and of plugins.

    Args:
        session: To read with.
        rows: What they rest on.
    """
    jobs = _jobs_as_seen(rows)
    of_jobs = _shared(session, rows, jobs, water=False, days=False)
    return {row.id: factors for row, _, factors in _of_pieces(rows, jobs, of_jobs)}


def _of_pieces(
    rows: Rows, jobs: Mapping[_Seen, Any], of_jobs: Mapping[_Seen, Factors]
) -> Iterator[tuple[Any, Any, Factors]]:
    for row in rows.pieces:
        seen = _seen_from(rows, row)
        job = jobs[seen]
        changes = rows.changes.get(row.job_id, ())
        factors = of_piece(row, job, of_jobs[seen], changes, rows.layers.get(row.id))
        put_given(factors, rows.given.get(row.id, ()))
        yield row, job, factors


_Seen = tuple[int, int | None]
"""A job as a piece of it sees it: number of the job, and of the piece's own spool."""


def material_of_piece(rows: Rows, row: Any) -> int | None:
    """Return the number of the material of a piece: its own spool's where it has one, else its job's."""
    own = rows.spools.get(_seen_from(rows, row)[1] or 0)
    number: int | None = own.material_id if own is not None else rows.jobs[row.job_id].material_id
    return number


def own_spools(session: Session, specimens: Sequence[int]) -> dict[int, int | None]:
    """Return the number of the spool that most of each specimen was printed from.

    Args:
        session: To read with.
        specimens: Row ids; unknown ones are left out of the answer.
    """
    rows = rows_of(session, specimens)
    return {row.id: _seen_from(rows, row)[1] for row in rows.pieces}


def _seen_from(rows: Rows, row: Any) -> _Seen:
    """Return a piece's job with the spool that most of the piece was printed from."""
    links = rows.links.get(row.job_id)
    if not links:
        return row.job_id, rows.jobs[row.job_id].spool_id
    own = spools_of_piece(links, row.piece, row.layer_count, rows.tools.get(row.id))
    return row.job_id, own[0].spool_id if own else None


def _jobs_as_seen(rows: Rows) -> dict[_Seen, Any]:
    """Return every job as its pieces see it: with the spool that is theirs, its lot and its material."""
    found: dict[_Seen, Any] = {}
    for row in rows.pieces:
        seen = _seen_from(rows, row)
        job = rows.jobs[row.job_id]
        if seen not in found and seen[1] == job.spool_id:
            found[seen] = job
        elif seen not in found:
            spool = rows.spools.get(seen[1] or 0)
            lot, material = (spool.lot, spool.material) if spool is not None else (None, None)
            own = {"spool_id": seen[1], "lot": lot, "spool_material": material}
            found[seen] = SimpleNamespace(**{**job._mapping, **own})
    return found


def _shared(
    session: Session, rows: Rows, jobs: Mapping[_Seen, Any], *, water: bool, days: bool
) -> dict[_Seen, Factors]:
    starts = [
        SimpleNamespace(id=seen, spool_id=job.spool_id, started_at=job.started_at)
        for seen, job in jobs.items()
    ]
    moist = of_spools(session, starts, water=water) if days else {}
    return {seen: of_job(job, rows.attempts[seen[0]]) | moist.get(seen, {}) for seen, job in jobs.items()}


def _put_plugged(factors: Factors, plugged: Plugged, known: Mapping[str, Any]) -> None:
    """Add what plugins know; they add, and never replace what the book read itself."""
    for value in plugged.factors(known):
        factors.setdefault(value.name, value)


def _known(row: Any, job: Any, factors: Mapping[str, FactorValue]) -> dict[str, Any]:
    """Return what a plugin is told of a specimen."""
    return {
        **{name: value.value for name, value in factors.items()},
        "id": specimen_id(row.job_id, row.piece),
        "job": job_id(row.job_id),
        "material": job.spool_material or job.own_material,
        "spools": [spool_id(job.spool_id)] if job.spool_id is not None else [],
    }


def in_registry_order(factors: Mapping[str, FactorValue]) -> Sequence[FactorValue]:
    """Return factors as the registry lists them, those it does not know last, by name."""
    place = {factor.name: number for number, factor in enumerate(REGISTRY)}
    return sorted(factors.values(), key=lambda each: (place.get(each.name, len(place)), each.name))


@dataclass
class Rows:
    """What was read.

    Attributes:
        pieces: One row a specimen: columns, and of the documents what concerns the gauge section.
        layers: Specimen to the layers of its gauge section, for jobs in which a setting was changed.
        jobs: Row id to the job with the main spool and its material.
        changes: Job to its settings changed by hand, in the order they were entered.
        given: Specimen to the factors given outright.
        attempts: Job to which attempt it is, from 1.
        links: Job to its spools, of jobs printed from several; ``spools`` are those spools, and ``tools``
            what each tool laid of their specimens.
    """

    pieces: list[Row[Any]] = field(default_factory=list)
    layers: dict[int, Row[Any]] = field(default_factory=dict)
    jobs: dict[int, Row[Any]] = field(default_factory=dict)
    changes: dict[int, list[Row[Any]]] = field(default_factory=lambda: defaultdict(list))
    given: dict[int, list[Row[Any]]] = field(default_factory=lambda: defaultdict(list))
    attempts: dict[int, int] = field(default_factory=dict)
    links: dict[int, list[JobSpool]] = field(default_factory=lambda: defaultdict(list))
    spools: dict[int, Row[Any]] = field(default_factory=dict)
    tools: dict[int, Any] = field(default_factory=dict)


def rows_of(session: Session, specimens: Sequence[int]) -> Rows:
    """Read what the factors of specimens rest on.

    Args:
        session: To read with.
        specimens: Row ids.
    """
    rows = Rows()
    for some in batched(specimens):
        rows.pieces += session.execute(_pieces().where(one_of(session, Specimen.id, some)))
        for row in session.execute(_given_outright().where(one_of(session, FactorRecord.specimen_id, some))):
            rows.given[row.specimen_id].append(row)
    return _with_jobs(session, rows, sorted({row.job_id for row in rows.pieces}))


def rows_of_jobs(session: Session, jobs: Sequence[int]) -> Rows:
    """Read the same of all specimens of jobs, and the jobs themselves, with or without specimens."""
    rows = Rows()
    given = _given_outright().join(Specimen, Specimen.id == FactorRecord.specimen_id)
    for some in batched(jobs):
        # All at once: asked for one by one, thousands of rows take twice the time.
        rows.pieces += session.execute(_pieces().where(one_of(session, Specimen.job_id, some))).all()
        for row in session.execute(given.where(one_of(session, Specimen.job_id, some))).all():
            rows.given[row.specimen_id].append(row)
    return _with_jobs(session, rows, jobs)


def _with_jobs(session: Session, rows: Rows, jobs: Sequence[int]) -> Rows:
    for some in batched(jobs):
        rows.jobs |= {row.id: row for row in session.execute(_jobs().where(one_of(session, Job.id, some)))}
    # A piece that was left when its job was taken back has nothing to be read from.
    rows.pieces = [row for row in rows.pieces if row.job_id in rows.jobs]
    for some in batched(sorted(number for number, job in rows.jobs.items() if job.change_count)):
        for row in session.execute(_changes().where(one_of(session, SettingChange.job_id, some))):
            rows.changes[row.job_id].append(row)
    for some in batched(sorted(rows.changes)):
        # Long lists: of no use, and dear to read, where nothing was changed by hand.
        rows.layers |= {
            row.id: row for row in session.execute(_layers().where(one_of(session, Specimen.job_id, some)))
        }
    rows.attempts = _attempts(session, rows.jobs)
    _read_links(session, rows)
    return rows


def _read_links(session: Session, rows: Rows) -> None:
    """Read the spools of jobs that were printed from several: their pieces may each have another."""
    for some in batched(sorted(number for number, job in rows.jobs.items() if job.spool_count > 1)):
        for link in session.scalars(select(JobSpool).where(one_of(session, JobSpool.job_id, some))):
            rows.links[link.job_id].append(link)
        rows.tools |= {
            row.id: row.tools
            for row in session.execute(_tools().where(one_of(session, Specimen.job_id, some)))
        }
    numbers = sorted({link.spool_id for links in rows.links.values() for link in links})
    for some in batched(numbers):
        asked = select(Spool.id, Spool.lot, Spool.material_id, Material.name.label("material")).join(
            Material, Material.id == Spool.material_id
        )
        rows.spools |= {row.id: row for row in session.execute(asked.where(one_of(session, Spool.id, some)))}


# Statements are kept: to make one again for every act costs more than to run it.


@cache
def _pieces() -> Select[*tuple[Any, ...]]:
    return select(
        Specimen.id, Specimen.job_id, Specimen.piece, Specimen.orientation, Specimen.geometry,
        Specimen.x_mm, Specimen.y_mm, Specimen.size_z_mm, Specimen.filament_g,
        _within(Specimen.plate_facts, "section"), _within(Specimen.plate_facts, "layers", "layer_count"),
        _within(Specimen.log_facts, "section", "logged"),
    ).order_by(Specimen.job_id, Specimen.piece)  # fmt: skip


def _within(document: Any, name: str, label: str = "") -> Any:
    """Return what a document holds under a name; NULL without one, where SQLite gives a null to be parsed."""
    return case((document.is_not(None), document[name])).label(label or name)


@cache
def _layers() -> Select[*tuple[Any, ...]]:
    return select(
        Specimen.id,
        Specimen.plate_facts["spans_s"].label("spans_s"),
        Specimen.plate_facts["tops_mm"].label("tops_mm"),
        Specimen.plate_facts["first_layer_s"].label("first_layer_s"),
    )


@cache
def _tools() -> Select[*tuple[Any, ...]]:
    return select(Specimen.id, Specimen.plate_facts["tools"].label("tools"))


@cache
def _given_outright() -> Select[*tuple[Any, ...]]:
    return select(
        FactorRecord.specimen_id, FactorRecord.name, FactorRecord.number, FactorRecord.text,
        FactorRecord.basis, FactorRecord.source,
    )  # fmt: skip


@cache
def _jobs() -> Select[*tuple[Any, ...]]:
    own, use, change = aliased(Material), aliased(JobSpool), aliased(SettingChange)
    count = select(func.count()).where(use.job_id == Job.id).correlate(Job).scalar_subquery()
    changed = select(func.count()).where(change.job_id == Job.id).correlate(Job).scalar_subquery()
    asked = join_main_spool(
        select(
            Job.id, Job.started_at, Job.first_layer_at, Job.ended_at, Job.outcome, Job.time_s,
            Job.printer, Job.nozzle, Job.surface, Job.operator,
            Job.again_of_id, Job.nozzle_set_c, Job.nozzle_measured_c, Job.bed_set_c, Job.bed_measured_c,
            Job.chamber_set_c, Job.chamber_measured_c, Job.fan_set_pct, Job.layer_height_mm,
            Job.line_width_mm, Job.room_c, Job.room_rh_pct,
            Spool.id.label("spool_id"), Spool.lot, Material.name.label("spool_material"),
            own.name.label("own_material"), count.label("spool_count"),
            changed.label("change_count"), material_id_of_job().label("material_id"),
        )
    )  # fmt: skip
    return asked.outerjoin(Material, Material.id == Spool.material_id).outerjoin(
        own, own.id == Job.material_id
    )


@cache
def _changes() -> Select[*tuple[Any, ...]]:
    return select(
        SettingChange.job_id, SettingChange.setting, SettingChange.value, SettingChange.at,
        SettingChange.layer, SettingChange.height_mm,
    ).order_by(SettingChange.id)  # fmt: skip


def _attempts(session: Session, jobs: dict[int, Any]) -> dict[int, int]:
    """Return which attempt each job is: one more than the job it repeats."""
    before = {number: row.again_of_id for number, row in jobs.items() if row.again_of_id is not None}
    ask = set(before.values()) - jobs.keys()
    seen = set(ask)
    while ask:
        asked = select(Job.id, Job.again_of_id).where(Job.id.in_(ask), Job.again_of_id.is_not(None))
        found = {row.id: row.again_of_id for row in session.execute(asked)}
        before |= found
        ask = set(found.values()) - seen - jobs.keys()
        seen |= ask
    return {job: _count(job, before) for job in jobs}


def _count(job: int, before: dict[int, int]) -> int:
    seen = {job}
    while (job := before.get(job, 0)) and job not in seen:
        seen.add(job)
    return len(seen)


_HOUR: Final = 3600.0


def of_spools(session: Session, jobs: Iterable[Any], *, water: bool) -> dict[Any, Factors]:
    """Return the factors that jobs have from a spool of theirs, as they were when they began.

    Args:
        session: To read with.
        jobs: Rows with ``id``, ``spool_id`` and ``started_at``.
        water: Whether to estimate the water content too; one pass for each spool.

    Returns:
        ``id`` to factors; a job without spool or start is left out.
    """
    moments: dict[int, dict[Any, dt.datetime]] = defaultdict(dict)
    for job in jobs:
        if job.spool_id is not None and job.started_at is not None:
            moments[job.spool_id][job.id] = job.started_at
    days = many_spool_days(session, {spool: max(each.values()) for spool, each in moments.items()})
    found: dict[Any, Factors] = {}
    for spool, starts in moments.items():
        known = days.get(spool)
        if isinstance(known, SpoolDays) and known.timeline.began is not None:
            found |= _of_spool(known, starts, water=water)
    return found


def _of_spool(days: SpoolDays, starts: Mapping[Any, dt.datetime], *, water: bool) -> dict[Any, Factors]:
    contents = _water(days, starts.values()) if water else {}
    found: dict[Any, Factors] = {}
    for job, at in starts.items():
        into: Factors = {}
        air = exposure.open_air(days.timeline, at)
        _put_hours(into, days, air)
        _put_drying(into, days.timeline.last_drying(at))
        if at in contents:
            low, centre, high, grade = contents[at]
            source = f"estimated from the days of {days.spool}, grade {grade}"
            put(into, "water_pct", centre, MEASURED if grade == "A" else ESTIMATED, source, low, high)
        found[job] = into
    return found


def _water(
    days: SpoolDays, moments: Iterable[dt.datetime]
) -> dict[dt.datetime, tuple[float, float, float, str]]:
    try:
        water = water_at_many(days, sorted(set(moments)))
    except Refused:
        return {}
    low, centre, high = (each.tolist() for each in (water.low_pct, water.centre_pct, water.high_pct))
    return {at: (low[i], centre[i], high[i], water.grade) for i, at in enumerate(water.times[: len(centre)])}


def _put_hours(into: Factors, days: SpoolDays, air: Any) -> None:
    """Put in the hours in open air; hours that nobody recorded are the width of the interval."""
    if air.since_at is None:
        return
    since = f"since {air.since}" if air.since else "since the first record, never dried as far as is recorded"
    source = f"days of {days.spool}, {since}"
    sure = air.hours_unlogged == 0
    high = air.hours + air.hours_unlogged
    basis = COMMANDED if sure else ESTIMATED
    put(into, "open_air_h", air.hours, "typed" if sure else basis, source, air.hours, high)
    if sure and air.hours_without_rh == 0:
        put(into, "open_air_rh_h", air.rh_weighted_hours, "typed", source)


def _put_drying(into: Factors, drying: Any) -> None:
    if drying is None:
        return
    basis = COMMANDED if drying.measured_c is None else MEASURED
    put(into, "drying_c", drying.temperature_c, basis, drying.key)
    put(into, "drying_h", (drying.ended - drying.began).total_seconds() / _HOUR, "typed", drying.key)


def measurement_factors(session: Session | Connection, measurements: Iterable[int]) -> dict[int, Factors]:
    """Return operator, rig, age, room and method version of measurements, as far as they are recorded.

    Args:
        session: To read with.
        measurements: Row ids; unknown ones are left out of the answer.
    """
    found: dict[int, Factors] = {}
    for some in batched(list(dict.fromkeys(measurements))):
        rigs = _rigs(session, some)
        for row in session.execute(_statement().where(one_of(session, Measurement.id, some))):
            found[row.id] = _of_measurement(row, rigs.get(row.id, []))
    return found


def _statement() -> Any:
    return (
        select(
            Measurement.id, Measurement.operator, Measurement.at, Measurement.room_c, Measurement.room_rh_pct,
            Measurement.method_version, func.coalesce(Job.ended_at, Job.started_at).label("printed_at"),
        )
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .outerjoin(Job, Job.id == Specimen.job_id)
    )  # fmt: skip


def _rigs(session: Session | Connection, some: list[int]) -> dict[int, list[str]]:
    """Return the names of the rigs of measurements; instruments read with them are none."""
    names: dict[int, list[str]] = defaultdict(list)
    asked = (
        select(MeasurementRig.measurement_id, Rig.name)
        .join(Rig, Rig.id == MeasurementRig.rig_id)
        .where(MeasurementRig.measurement_id.in_(some), Rig.role == "rig")
        .order_by(Rig.name)
    )
    for row in session.execute(asked):
        names[row.measurement_id].append(row.name)
    return names


_SAYS: Final = {
    "operator": ("typed", "measurement"),
    "rig": ("typed", "measurement"),
    "method_version": ("typed", "measurement"),
    "age_h": ("typed", "from the end of the job to the measurement"),
    "room_c": (MEASURED, "measurement"),
    "room_rh": (MEASURED, "measurement"),
}
"""Basis and source of each factor of a test."""


def _of_measurement(row: Any, rigs: list[str]) -> Factors:
    found: Factors = {}
    for name, value in values_of_test(row, rigs, row.printed_at).items():
        put(found, name, value, *_SAYS[name])
    return found


def values_of_test(
    row: Any, rigs: Sequence[str], printed: dt.datetime | None
) -> dict[str, float | str | None]:
    """Return the bare values of a test's factors; None where one is not recorded.

    Args:
        row: The measurement: operator, at, room_c, room_rh_pct and method_version.
        rigs: Names of the rigs it was made on.
        printed: When the piece was printed.
    """
    return {
        "operator": row.operator,
        "rig": ", ".join(rigs) or None,
        "method_version": row.method_version,
        "age_h": _age(printed, row.at),
        "room_c": row.room_c,
        "room_rh": row.room_rh_pct,
    }


def _age(printed: dt.datetime | None, tested: dt.datetime | None) -> float | None:
    """Return the hours from print to test; None where either is unknown, or they are the wrong way round."""
    if printed is None or tested is None or tested < printed:
        return None
    return (tested - printed).total_seconds() / _HOUR
