"""What follows from other rows, kept so that a question can be answered by the database.

These rows are no records: no journal entry speaks of them, no backup holds them, and ``verify`` works them
out again. They are written by the act that changes what they follow from (:mod:`tracker.acts.derived`). They
have no references of their own: each would cost an import a look-up, and what is wrong is found anyway.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from tracker.model.base import Base


class JobInForce(Base):
    """What follows for a job from other tables; ``entry`` is the act that it was last worked out in.

    ``spool_id`` is the spool that stands for the plate, ``material_id`` that spool's material or the one that
    the job names itself, ``attempt`` which attempt at its plate the job is, from 1.
    """

    __tablename__ = "job_in_force"

    job_id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    spool_id: Mapped[int | None] = mapped_column(index=True)
    material_id: Mapped[int | None] = mapped_column(index=True)
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

    specimen_id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(primary_key=True)
    number: Mapped[float | None]
    text: Mapped[str | None]
    low: Mapped[float | None]
    high: Mapped[float | None]
    entry: Mapped[int]


OWN_MATERIAL: Final = "material"
"""Name under which ``number`` is that of a specimen's material, where it is not its plate's."""

DERIVED: Final = frozenset({JobInForce.__tablename__, FactorInForce.__tablename__})
"""Tables that no journal entry speaks of."""
