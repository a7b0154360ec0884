"""Testing: rigs and their calibrations, measurements, results and what is thought of them."""

import datetime as dt
from typing import Any, Final

from sqlalchemy import CheckConstraint, ColumnElement, ForeignKey, Index, UniqueConstraint, case
from sqlalchemy import text as sql
from sqlalchemy.ext.hybrid import hybrid_property
from sqlalchemy.orm import Mapped, relationship

from tracker.model.base import Base, Numbered, Voidable, column
from tracker.model.printing import Specimen
from tracker.model.supply import Spool

_NOTED: Final = sql("remark IS NOT NULL")


class Rig(Base, Numbered):
    """What a test is done on, or read with. ``resolution`` and ``capacity`` are in ``unit``."""

    __tablename__ = "rig"
    __table_args__ = (
        UniqueConstraint("name"),
        CheckConstraint("role IN ('rig', 'instrument')", name="role"),
    )

    name: Mapped[str]
    role: Mapped[str]
    measures: Mapped[str | None]
    """Kind of reading taken with it: force, length, mass, angle, temperature, time."""
    unit: Mapped[str | None]
    low: Mapped[float | None]
    capacity: Mapped[float | None]
    resolution: Mapped[float | None]
    methods: Mapped[list[Any] | None]
    """Ids of the methods it serves; None for any."""
    recalibrate_days: Mapped[int | None]
    merged_into_id: Mapped[int | None] = column(ForeignKey("rig.id"))
    columns: Mapped[dict[str, Any] | None]
    """How its recordings are read, as last said by a person: options of ``tracker.api.Recording.read_as``."""
    note: Mapped[str | None]

    calibrations: Mapped[list["Calibration"]] = relationship(
        "Calibration", back_populates="rig", order_by="Calibration.done_on, Calibration.id"
    )


class Calibration(Base, Numbered):
    """A comparison with something better known; standard uncertainties, absolute in the rig's unit.

    One that holds a ``compliance`` says how far the rig itself gives under load (found by pulling a stiff
    bar): ``u_abs`` is then the standard uncertainty of it, in mm/N.
    """

    __tablename__ = "calibration"

    rig_id: Mapped[int] = column(ForeignKey("rig.id"), index=True)
    done_on: Mapped[dt.date]
    compliance: Mapped[float | None]
    """mm/N, or None for a calibration of what the rig reads."""
    errors: Mapped[list[Any] | None]
    """Errors found, [reading, reading minus truth] in the rig's unit; a reading is corrected by them."""
    u_abs: Mapped[float]
    # Two parts, as scales and load cells have them: one that stays near zero, one that grows with the
    # reading.
    u_rel: Mapped[float]
    reference: Mapped[str | None]
    note: Mapped[str | None]

    rig: Mapped[Rig] = relationship(Rig, back_populates="calibrations")


class Measurement(Base, Numbered):
    """One use of a method on a specimen or a spool; ``readings`` are raw, in the methods' units.

    ``method`` is None for numbers that came without readings.
    """

    __tablename__ = "measurement"
    __table_args__ = (
        # Diameter and the like are measured on a spool, all else on a piece; never on both or neither.
        CheckConstraint("(specimen_id IS NULL) <> (spool_id IS NULL)", name="one_subject"),
        Index(None, "specimen_id"),
        Index("ix_measurement_noted", "id", sqlite_where=_NOTED),
    )

    specimen_id: Mapped[int | None] = column(ForeignKey("specimen.id"))
    spool_id: Mapped[int | None] = column(ForeignKey("spool.id"), index=True)
    method: Mapped[str]
    method_version: Mapped[str | None]
    readings: Mapped[dict[str, Any] | None]
    units: Mapped[dict[str, Any] | None]
    """Of the readings, as on the day: a number is read without its method, whose next version may change."""
    at: Mapped[dt.datetime | None]
    operator: Mapped[str | None]
    room_c: Mapped[float | None]
    room_rh_pct: Mapped[float | None]
    conditioned_days: Mapped[float | None]
    """Days that the piece lay in ``conditioned_c`` and ``conditioned_rh_pct`` before the test (ISO 291)."""
    conditioned_c: Mapped[float | None]
    conditioned_rh_pct: Mapped[float | None]
    water_pct: Mapped[float | None]
    """Water in the piece at the test, percent of its dry mass, where it was measured."""
    source: Mapped[str]
    """``typed``, ``imported``, ``posted``; ``given`` where there are no readings."""
    problem: Mapped[str | None]
    """Why results are missing, as the method or its absence said it."""
    remark: Mapped[str | None]
    posted_key: Mapped[str | None] = column(unique=True)
    """Given by whoever posts readings over the network, so that a repeated post is stored once."""

    specimen: Mapped[Specimen | None] = relationship(Specimen)
    spool: Mapped[Spool | None] = relationship(Spool)
    files: Mapped[list["MeasurementFile"]] = relationship("MeasurementFile")
    rigs: Mapped[list["MeasurementRig"]] = relationship("MeasurementRig")
    results: Mapped[list["Result"]] = relationship("Result", order_by="Result.id")


class MeasurementFile(Base, Voidable):
    """A file of a measurement: the field of the readings it belongs to, or a free name."""

    __tablename__ = "measurement_file"

    measurement_id: Mapped[int] = column(ForeignKey("measurement.id"), primary_key=True)
    field: Mapped[str] = column(primary_key=True)
    sha256: Mapped[str] = column(ForeignKey("attachment.sha256"))
    name: Mapped[str]
    read_as: Mapped[dict[str, Any] | None]
    """How a person said it is to be read: decimal mark, columns, units, what to do about findings."""


class MeasurementRig(Base, Voidable):
    """What a measurement was taken with; ``calibration_id`` is the one in force that day."""

    __tablename__ = "measurement_rig"

    measurement_id: Mapped[int] = column(ForeignKey("measurement.id"), primary_key=True)
    rig_id: Mapped[int] = column(ForeignKey("rig.id"), primary_key=True, index=True)
    calibration_id: Mapped[int | None] = column(ForeignKey("calibration.id"))
    compliance_id: Mapped[int | None] = column(ForeignKey("calibration.id"))
    fields: Mapped[list[Any] | None]
    """Readings it took, as ``curve.extension``; None where they follow from what it measures."""

    rig: Mapped[Rig] = relationship(Rig)
    calibration: Mapped[Calibration | None] = relationship(
        Calibration, foreign_keys="MeasurementRig.calibration_id"
    )
    compliance: Mapped[Calibration | None] = relationship(
        Calibration, foreign_keys="MeasurementRig.compliance_id"
    )


class Result(Base, Numbered):
    """A quantity computed from a measurement, or refused with the reason."""

    __tablename__ = "result"
    __table_args__ = (
        UniqueConstraint("measurement_id", "quantity"),
        # The questions of the table and of "why" run over one quantity.
        Index("ix_result_quantity_counted", "quantity", "counted"),
    )

    measurement_id: Mapped[int] = column(ForeignKey("measurement.id"))
    quantity: Mapped[str]
    value: Mapped[float | None]
    unit: Mapped[str]
    uncertainty: Mapped[float | None]
    """Standard uncertainty u."""
    dof: Mapped[float | None]
    """Effective degrees of freedom of ``uncertainty``; None for infinite (or not recorded)."""
    low: Mapped[float | None]
    """With ``high`` the 95 % interval drawn by Monte Carlo (JCGM 101), where u alone does not describe it."""
    high: Mapped[float | None]
    group: Mapped[str | None]
    """Break type or the like: results of different groups are never averaged."""
    # A bar that did not break, or a stop at the end of travel, gives a bound; kept as a number alone it
    # would pull the mean.
    relation: Mapped[str] = column(default="=")
    remarks: Mapped[list[Any]]
    refused: Mapped[str | None]
    budget: Mapped[list[Any] | None]
    method_version: Mapped[str | None]
    # Kept beside the verdicts it follows from: means over thousands of results must not look for the newest
    # verdict of each.
    counted: Mapped[bool]

    @hybrid_property
    def limit_kind(self) -> str | None:
        """``above`` where the true value lies above ``value``, ``below`` where below; None for a value."""
        return {">": "above", "<": "below"}.get(self.relation)

    @limit_kind.inplace.expression
    @classmethod
    def _limit_kind(cls) -> ColumnElement[str | None]:
        return case((cls.relation == ">", "above"), (cls.relation == "<", "below"), else_=None)

    verdicts: Mapped[list["Verdict"]] = relationship("Verdict", order_by="Verdict.id")


class Verdict(Base, Numbered):
    """A result is counted, or set aside with a reason; the newest verdict holds."""

    __tablename__ = "verdict"

    result_id: Mapped[int] = column(ForeignKey("result.id"), index=True)
    counted: Mapped[bool]
    reason: Mapped[str]
    by: Mapped[str]
    at: Mapped[dt.datetime]
