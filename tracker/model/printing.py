"""Printing: jobs, the spools in them, settings changed by hand, the pieces and what is known of each."""

import datetime as dt
from typing import Any, Final

from sqlalchemy import CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, relationship

from tracker.model.base import Base, Numbered, Voidable, column
from tracker.model.supply import Material, Spool

_NOTED: Final = sql("remark IS NOT NULL OR note IS NOT NULL")
"""The revision has it for PostgreSQL too; said here it would load that dialect in every command: 30 ms."""


class Job(Base, Numbered):
    """One run of a plate file. Columns ending in ``_set_…`` were meant, ``_measured_…`` were read.

    ``material_id`` stands for itself only where the spool is not recorded. ``first_layer_at`` tells how long
    it heated: no plate file does.
    """

    __tablename__ = "job"
    __table_args__ = (
        CheckConstraint("outcome IN ('running', 'finished', 'stopped', 'failed')", name="outcome"),
    )

    name: Mapped[str | None] = column(index=True)
    plate_sha256: Mapped[str | None] = column(ForeignKey("attachment.sha256"))
    plate_name: Mapped[str | None]
    again_of_id: Mapped[int | None] = column(ForeignKey("job.id"))
    material_id: Mapped[int | None] = column(ForeignKey("material.id"), index=True)
    printer: Mapped[str | None]
    nozzle: Mapped[str | None]
    surface: Mapped[str | None]
    operator: Mapped[str | None]
    planned_at: Mapped[dt.datetime | None]
    started_at: Mapped[dt.datetime | None]
    first_layer_at: Mapped[dt.datetime | None]
    ended_at: Mapped[dt.datetime | None]
    outcome: Mapped[str | None]
    cause: Mapped[str | None]
    nozzle_set_c: Mapped[float | None]
    nozzle_measured_c: Mapped[float | None]
    bed_set_c: Mapped[float | None]
    bed_measured_c: Mapped[float | None]
    chamber_set_c: Mapped[float | None]
    chamber_measured_c: Mapped[float | None]
    fan_set_pct: Mapped[float | None]
    layer_height_mm: Mapped[float | None]
    line_width_mm: Mapped[float | None]
    room_c: Mapped[float | None]
    room_rh_pct: Mapped[float | None]
    filament_mm: Mapped[float | None]
    filament_g: Mapped[float | None]
    time_s: Mapped[float | None]
    note: Mapped[str | None]

    spools: Mapped[list["JobSpool"]] = relationship("JobSpool", back_populates="job")
    specimens: Mapped[list["Specimen"]] = relationship(
        "Specimen", back_populates="job", order_by="Specimen.piece"
    )
    changes: Mapped[list["SettingChange"]] = relationship("SettingChange")
    logs: Mapped[list["JobLog"]] = relationship("JobLog")
    material: Mapped[Material | None] = relationship(Material)


class JobSpool(Base, Voidable):
    """A spool in a job; ``tool`` counts from 0, as the plate file's T commands do.

    ``from_layer`` is the first layer (from 1) printed from it, None for the beginning of the job: another
    spool of the same tool came before. ``pieces`` are the numbers of the pieces printed from it, None for
    all; ``filament_g`` is the mass that the job took from it, where it is not the whole job's.
    """

    __tablename__ = "job_spool"

    job_id: Mapped[int] = column(ForeignKey("job.id"), primary_key=True)
    spool_id: Mapped[int] = column(ForeignKey("spool.id"), primary_key=True, index=True)
    tool: Mapped[int]
    from_layer: Mapped[int | None]
    pieces: Mapped[list[Any] | None]
    filament_g: Mapped[float | None]

    job: Mapped[Job] = relationship(Job, back_populates="spools")
    spool: Mapped[Spool] = relationship(Spool)


class SettingChange(Base, Numbered):
    """A setting changed by hand while a job ran, from a time, a layer or a height (in mm) on."""

    __tablename__ = "change"

    job_id: Mapped[int] = column(ForeignKey("job.id"), index=True)
    setting: Mapped[str]
    value: Mapped[float | None]
    text: Mapped[str | None]
    at: Mapped[dt.datetime | None]
    layer: Mapped[int | None]
    height_mm: Mapped[float | None]
    note: Mapped[str | None]


class JobLog(Base, Numbered):
    """A log of a job, kept whole; ``offset_s`` (in seconds) is added to its times: since the job's start."""

    __tablename__ = "job_log"

    job_id: Mapped[int] = column(ForeignKey("job.id"), index=True)
    sha256: Mapped[str] = column(ForeignKey("attachment.sha256"))
    name: Mapped[str]
    offset_s: Mapped[float]
    aligned_by: Mapped[str]
    channels: Mapped[list[Any]]
    mapping: Mapped[dict[str, Any] | None]
    """Columns named by the person, where the reader's guess was corrected."""
    how: Mapped[list[Any]]
    problems: Mapped[list[Any]]


class Specimen(Base, Numbered):
    """One printed piece. ``piece`` counts within the job and is part of its ID.

    ``plate_facts`` holds what the plate file says of the piece, with the basis of each figure;
    ``log_facts`` what the logs say of the time in which its gauge section was printed. A dummy was
    printed for the sake of the others' layer times only. ``broken_height_mm`` is where it broke, in mm
    above the bed as it was printed; lengths are in mm, masses in grams. ``gauge`` is the gauge section as a
    person stated it, in mm from the corner of the piece's box (``x:20-60``); that of its template where None.
    """

    __tablename__ = "specimen"
    __table_args__ = (
        # Two pieces with one ID would be two bodies under one label.
        UniqueConstraint("job_id", "piece"),
        CheckConstraint("outcome IN ('good', 'usable', 'failed')", name="outcome"),
        # Few pieces have something written beside them: a table reads those without a walk through all.
        Index("ix_specimen_noted", "id", sqlite_where=_NOTED),
    )

    job_id: Mapped[int] = column(ForeignKey("job.id"))
    piece: Mapped[int]
    name: Mapped[str | None]
    orientation: Mapped[str | None]
    geometry: Mapped[str | None]
    gauge: Mapped[str | None]
    outcome: Mapped[str | None]
    remark: Mapped[str | None]
    cause: Mapped[str | None]
    broken_at: Mapped[dt.datetime | None]
    x_mm: Mapped[float | None]
    y_mm: Mapped[float | None]
    size_x_mm: Mapped[float | None]
    size_y_mm: Mapped[float | None]
    size_z_mm: Mapped[float | None]
    filament_mm: Mapped[float | None]
    filament_g: Mapped[float | None]
    plate_facts: Mapped[dict[str, Any] | None]
    log_facts: Mapped[dict[str, Any] | None]
    dummy: Mapped[bool | None]
    broken_height_mm: Mapped[float | None]
    cut_from_id: Mapped[int | None] = column(ForeignKey("specimen.id"))
    """The specimen that this one was cut out of; its orientation on the plate is that specimen's."""
    cut_at: Mapped[dt.datetime | None]
    note: Mapped[str | None]

    job: Mapped[Job] = relationship(Job, back_populates="specimens")
    cut_from: Mapped["Specimen | None"] = relationship("Specimen", remote_side="Specimen.id")


class Photograph(Base, Numbered):
    """A photograph of a plate, or of one piece of it; ``at`` is when it was taken in.

    ``kind`` is its media type by its first bytes, whatever its name says.
    """

    __tablename__ = "photograph"

    job_id: Mapped[int] = column(ForeignKey("job.id"), index=True)
    specimen_id: Mapped[int | None] = column(ForeignKey("specimen.id"))
    sha256: Mapped[str] = column(ForeignKey("attachment.sha256"))
    name: Mapped[str]
    kind: Mapped[str]
    at: Mapped[dt.datetime]
    by: Mapped[str]
    note: Mapped[str | None]


class FactorRecord(Base, Voidable):
    """A factor given for a specimen outright, by import or by hand."""

    __tablename__ = "factor"
    __table_args__ = (
        # What holds of a factor's value is asked without a walk through all factors of all specimens.
        Index("ix_factor_name_number", "name", "number"),
        Index("ix_factor_name_text", "name", "text"),
    )

    specimen_id: Mapped[int] = column(ForeignKey("specimen.id"), primary_key=True)
    name: Mapped[str] = column(primary_key=True)
    number: Mapped[float | None]
    text: Mapped[str | None]
    basis: Mapped[str]
    source: Mapped[str]
