"""What comes in and how it is kept: materials, spools, weighings, storage periods, dryings."""

import datetime as dt

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, relationship

from tracker.model.base import Base, Numbered, Voidable, column


class Material(Base, Numbered):
    """A named product of a polymer family, with the ranges of its data sheet (None: not stated).

    Temperatures in degrees Celsius, drying times in hours, density in g/cm³.
    """

    __tablename__ = "material"
    __table_args__ = (UniqueConstraint("name"),)

    name: Mapped[str]
    family: Mapped[str | None]
    maker: Mapped[str | None]
    density_g_cm3: Mapped[float | None]
    nozzle_low_c: Mapped[float | None]
    nozzle_high_c: Mapped[float | None]
    bed_low_c: Mapped[float | None]
    bed_high_c: Mapped[float | None]
    chamber_low_c: Mapped[float | None]
    chamber_high_c: Mapped[float | None]
    drying_c: Mapped[float | None]
    drying_h: Mapped[float | None]
    drying_max_c: Mapped[float | None]
    programme_id: Mapped[int | None] = column(ForeignKey("programme.id"))
    merged_into_id: Mapped[int | None] = column(ForeignKey("material.id"))
    """The record of the same product that this one was merged into; its name leads there."""
    note: Mapped[str | None]


class Spool(Base, Numbered):
    """One reel. Masses in grams, diameter in mm; any of them may be unknown."""

    __tablename__ = "spool"
    __table_args__ = (
        CheckConstraint("supplied IN ('bought', 'given', 'lent', 'sponsored')", name="supplied"),
    )

    material_id: Mapped[int] = column(ForeignKey("material.id"), index=True)
    lot: Mapped[str | None]
    colour: Mapped[str | None]
    diameter_mm: Mapped[float | None]
    net_g: Mapped[float | None]
    gross_g: Mapped[float | None]
    empty_g: Mapped[float | None]
    reel: Mapped[str | None]
    """plastic, cardboard or none: a cardboard reel holds water of its own."""
    supplied: Mapped[str | None]
    supplied_by: Mapped[str | None]
    received_on: Mapped[dt.date | None]
    condition: Mapped[str | None]
    wound_from_id: Mapped[int | None] = column(ForeignKey("spool.id"))
    """The spool whose remainder was wound onto this reel; what happened to it before happened there."""
    wound_at: Mapped[dt.datetime | None]
    merged_into_id: Mapped[int | None] = column(ForeignKey("spool.id"))
    note: Mapped[str | None]

    material: Mapped[Material] = relationship(Material)


class Weighing(Base, Numbered):
    """A spool on the scales, whole: filament, reel and what hangs on it, in grams."""

    __tablename__ = "weighing"

    spool_id: Mapped[int] = column(ForeignKey("spool.id"), index=True)
    at: Mapped[dt.datetime]
    mass_g: Mapped[float]
    note: Mapped[str | None]


class StoragePeriod(Base, Numbered):
    """Where a spool was kept from when to when; a storage period that nobody ended is still running."""

    __tablename__ = "stay"
    __table_args__ = (
        CheckConstraint("place IN ('open air', 'sealed bag', 'dry box', 'printer')", name="place"),
    )

    spool_id: Mapped[int] = column(ForeignKey("spool.id"), index=True)
    place: Mapped[str]
    where: Mapped[str | None]
    began_at: Mapped[dt.datetime]
    ended_at: Mapped[dt.datetime | None]
    temperature_c: Mapped[float | None]
    rh_pct: Mapped[float | None]
    # Beside one reading stands a range: humidity of a room over days is known as an interval at best, and
    # the water estimate carries it on.
    rh_low_pct: Mapped[float | None]
    rh_high_pct: Mapped[float | None]
    note: Mapped[str | None]


class Drying(Base, Numbered):
    """One cycle of one or more spools. ``set_c`` was meant, ``measured_c`` was read in the dryer."""

    __tablename__ = "drying"

    began_at: Mapped[dt.datetime]
    ended_at: Mapped[dt.datetime | None]
    planned_h: Mapped[float | None]
    set_c: Mapped[float | None]
    measured_c: Mapped[float | None]
    room_c: Mapped[float | None]
    room_rh_pct: Mapped[float | None]
    # Read in the dryer where there is a hygrometer: without one the room's vapour heated up gives a lower
    # bound only, as a closed dryer fills with what it drives out.
    dryer_rh_pct: Mapped[float | None]
    dryer: Mapped[str | None]
    operator: Mapped[str | None]
    note: Mapped[str | None]

    spools: Mapped[list["DryingSpool"]] = relationship("DryingSpool", back_populates="drying")


class DryingSpool(Base, Voidable):
    """A spool in a drying, with its mass before and after in g."""

    __tablename__ = "drying_spool"

    drying_id: Mapped[int] = column(ForeignKey("drying.id"), primary_key=True)
    spool_id: Mapped[int] = column(ForeignKey("spool.id"), primary_key=True, index=True)
    before_g: Mapped[float | None]
    after_g: Mapped[float | None]

    drying: Mapped[Drying] = relationship(Drying, back_populates="spools")
    spool: Mapped[Spool] = relationship(Spool)
