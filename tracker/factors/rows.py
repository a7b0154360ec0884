"""The rows that factors are read from: a few statements for any number of specimens."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, Final

from sqlalchemy import Row, Select, func, select
from sqlalchemy.orm import Session, aliased

from tracker.lineage import join_main_spool
from tracker.model import FactorRecord, Job, JobSpool, Material, SettingChange, Specimen, Spool

_AT_ONCE: Final = 5000
"""Ids in one statement: well below what either database takes as parameters."""


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
        links: Job to its spools, of jobs printed from several; ``spools`` are those spools.
    """

    pieces: list[Row[Any]] = field(default_factory=list)
    layers: dict[int, Row[Any]] = field(default_factory=dict)
    jobs: dict[int, Row[Any]] = field(default_factory=dict)
    changes: dict[int, list[Row[Any]]] = field(default_factory=lambda: defaultdict(list))
    given: dict[int, list[Row[Any]]] = field(default_factory=lambda: defaultdict(list))
    attempts: dict[int, int] = field(default_factory=dict)
    links: dict[int, list[JobSpool]] = field(default_factory=lambda: defaultdict(list))
    spools: dict[int, Row[Any]] = field(default_factory=dict)


def rows_of(session: Session, specimens: Sequence[int]) -> Rows:
    """Read what the factors of specimens rest on.

    Args:
        session: To read with.
        specimens: Row ids.
    """
    rows = Rows()
    for some in some_of(specimens):
        rows.pieces += session.execute(_pieces().where(Specimen.id.in_(some)))
        for row in session.execute(_given().where(FactorRecord.specimen_id.in_(some))):
            rows.given[row.specimen_id].append(row)
    for some in some_of(sorted({row.job_id for row in rows.pieces})):
        rows.jobs |= {row.id: row for row in session.execute(_jobs().where(Job.id.in_(some)))}
    for some in some_of(sorted(number for number, job in rows.jobs.items() if job.change_count)):
        for row in session.execute(_changes().where(SettingChange.job_id.in_(some))):
            rows.changes[row.job_id].append(row)
    for some in some_of(sorted(rows.changes)):
        # Long lists: of no use, and dear to read, where nothing was changed by hand.
        rows.layers |= {row.id: row for row in session.execute(_layers().where(Specimen.job_id.in_(some)))}
    rows.attempts = _attempts(session, rows.jobs)
    _read_links(session, rows)
    return rows


def _read_links(session: Session, rows: Rows) -> None:
    """Read the spools of jobs that were printed from several: their pieces may each have another."""
    for some in some_of(sorted(number for number, job in rows.jobs.items() if job.spool_count > 1)):
        for link in session.scalars(select(JobSpool).where(JobSpool.job_id.in_(some))):
            rows.links[link.job_id].append(link)
    numbers = sorted({link.spool_id for links in rows.links.values() for link in links})
    for some in some_of(numbers):
        asked = select(Spool.id, Spool.lot, Material.name.label("material")).join(
            Material, Material.id == Spool.material_id
        )
        rows.spools |= {row.id: row for row in session.execute(asked.where(Spool.id.in_(some)))}


def some_of(numbers: Sequence[int]) -> Iterator[list[int]]:
    """Yield ids in parts that one statement can take."""
    left = iter(numbers)
    while some := list(islice(left, _AT_ONCE)):
        yield some


def _pieces() -> Select[*tuple[Any, ...]]:
    return select(
        Specimen.id, Specimen.job_id, Specimen.piece, Specimen.orientation, Specimen.geometry,
        Specimen.x_mm, Specimen.y_mm, Specimen.size_z_mm, Specimen.filament_g,
        Specimen.plate_facts["section"].label("section"),
        Specimen.plate_facts["layers"].label("layer_count"), Specimen.log_facts["section"].label("logged"),
    ).order_by(Specimen.job_id, Specimen.piece)  # fmt: skip


def _layers() -> Select[*tuple[Any, ...]]:
    return select(
        Specimen.id,
        Specimen.plate_facts["spans_s"].label("spans_s"),
        Specimen.plate_facts["tops_mm"].label("tops_mm"),
        Specimen.plate_facts["first_layer_s"].label("first_layer_s"),
    )


def _given() -> Select[*tuple[Any, ...]]:
    return select(
        FactorRecord.specimen_id, FactorRecord.name, FactorRecord.number, FactorRecord.text,
        FactorRecord.basis, FactorRecord.source,
    )  # fmt: skip


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
            changed.label("change_count"),
        )
    )  # fmt: skip
    return asked.outerjoin(Material, Material.id == Spool.material_id).outerjoin(
        own, own.id == Job.material_id
    )


def _changes() -> Select[*tuple[Any, ...]]:
    return select(
        SettingChange.job_id, SettingChange.setting, SettingChange.value, SettingChange.at,
        SettingChange.layer, SettingChange.height_mm,
    ).order_by(SettingChange.id)  # fmt: skip


def _attempts(session: Session, jobs: dict[int, Any]) -> dict[int, int]:
    """Return which attempt each job is: one more than the job it repeats."""
    if all(job.again_of_id is None for job in jobs.values()):
        return dict.fromkeys(jobs, 1)
    before = {row.id: row.again_of_id for row in session.execute(select(Job.id, Job.again_of_id).where(
        Job.again_of_id.is_not(None)))}  # fmt: skip
    return {job: _count(job, before) for job in jobs}


def _count(job: int, before: dict[int, int]) -> int:
    seen = {job}
    while (job := before.get(job, 0)) and job not in seen:
        seen.add(job)
    return len(seen)
