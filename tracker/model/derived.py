"""What follows from other rows, kept so that a question can be answered by the database.

These rows are no records: no journal entry speaks of them, no backup holds them, and ``verify`` works them
out again. They are written by the act that changes what they follow from (:mod:`tracker.acts.derived`). They
have no references of their own: each would cost an import a look-up, and what is wrong is found anyway.
"""

import datetime as dt
from typing import Final

from sqlalchemy import Index
from sqlalchemy.orm import Mapped

from tracker.model.base import Base, column


class JobInForce(Base):
    """What follows for a job from other tables; ``entry`` is the act that it was last worked out in.

    ``spool_id`` is the spool that stands for the plate, ``material_id`` that spool's material or the one that
    the job names itself, ``attempt`` which attempt at its plate the job is, from 1.
    """

    __tablename__ = "job_in_force"

    job_id: Mapped[int] = column(primary_key=True, autoincrement=False)
    spool_id: Mapped[int | None] = column(index=True)
    material_id: Mapped[int | None] = column(index=True)
    attempt: Mapped[int]
    entry: Mapped[int]


class FactorInForce(Base):
    """A factor of a specimen that is not what its own row, its job's or a factor given outright says.

    Read from the plate over the gauge section, set by hand while it was printed, measured by a log, or of
    another spool than the plate's: ``number`` in the factor's unit, or ``text``. Both are NULL where the job
    records it and it does not hold of this piece. ``low`` and ``high`` bound an estimate.
    """

    __tablename__ = "factor_in_force"
    __table_args__ = (
        Index("ix_factor_in_force_name_number", "name", "number"),
        Index("ix_factor_in_force_name_text", "name", "text"),
    )

    specimen_id: Mapped[int] = column(primary_key=True, autoincrement=False)
    name: Mapped[str] = column(primary_key=True)
    number: Mapped[float | None]
    text: Mapped[str | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    entry: Mapped[int]


OWN_MATERIAL: Final = "material"
"""Name under which ``number`` is that of a specimen's material, where it is not its plate's."""


class PlateSum(Base):
    """Results of one plate that are in one cell of a table, as sums.

    ``plate`` is the job, or below zero the spool that was tested itself; ``place`` numbers the rows of a
    plate and quantity. ``own`` holds what the pieces have of their own of what tells conditions apart (JSON;
    NULL where they are as their job says). ``taken`` counts results that have a value or a group, ``n`` those
    of them that are numbers and no limits, ``pieces`` the pieces among the latter; ``mean``, ``within`` (sum
    of squared deviations), ``low`` and ``high`` are of the numbers, ``last`` is the newest moment.
    """

    __tablename__ = "plate_sum"

    plate: Mapped[int] = column(primary_key=True, autoincrement=False)
    quantity: Mapped[str] = column(primary_key=True)
    place: Mapped[int] = column(primary_key=True, autoincrement=False)
    unit: Mapped[str]
    orientation: Mapped[str | None]
    group: Mapped[str | None]
    geometry: Mapped[str | None]
    rh_pct: Mapped[float | None]
    water_pct: Mapped[float | None]
    own: Mapped[str | None]
    counted: Mapped[bool]
    taken: Mapped[int]
    n: Mapped[int]
    pieces: Mapped[int]
    mean: Mapped[float | None]
    within: Mapped[float | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    last: Mapped[dt.datetime | None]
    entry: Mapped[int]


DERIVED: Final = frozenset(model.__tablename__ for model in (JobInForce, FactorInForce, PlateSum))
"""Tables that no journal entry speaks of."""
