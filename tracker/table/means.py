"""Means of a quantity by material and orientation, over the whole book in one statement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    ColumnElement,
    Integer,
    Select,
    Subquery,
    Table,
    and_,
    bindparam,
    case,
    cast,
    func,
    select,
)

from tracker.book import Book
from tracker.model import Job, JobSpool, Material, Measurement, Result, Specimen, Spool


@dataclass(frozen=True)
class Mean:
    """Results of one material in one orientation, taken together.

    Attributes:
        material: Name of the material; None where it is not recorded.
        orientation: Letters of the notation; None where they are not recorded.
        unit: Unit of ``mean`` and ``sd``.
        count: Number of results in the mean.
        mean: Their arithmetic mean; None where there are only limits.
        sd: Standard deviation of a single result (n − 1); None for fewer than two. Pieces of one plate
            are not independent of each other: it is a description, not an uncertainty of the mean.
        limits: Number of results that say only "more than" or "less than", and are not in the mean.
    """

    material: str | None
    orientation: str | None
    unit: str
    count: int
    mean: float | None
    sd: float | None
    limits: int


def _table(model: Any) -> Table:
    table: Table = model.__table__
    return table


_RESULT: Final = _table(Result)
_MEASUREMENT: Final = _table(Measurement)
_SPECIMEN: Final = _table(Specimen)
_JOB: Final = _table(Job)
_JOB_SPOOL: Final = _table(JobSpool)
_SPOOL: Final = _table(Spool)
_MATERIAL: Final = _table(Material)


def _counted() -> ColumnElement[bool]:
    return and_(_RESULT.c.quantity == bindparam("quantity"), _RESULT.c.counted, _RESULT.c.value.is_not(None))


def _material_of_jobs() -> Any:
    """Return job number and material number: that of the spool in the first tool, else the job's own."""
    of_spool = (
        select(_SPOOL.c.material_id)
        .select_from(_JOB_SPOOL)
        .join(_SPOOL, _SPOOL.c.id == _JOB_SPOOL.c.spool_id)
        .where(_JOB_SPOOL.c.job_id == _JOB.c.id)
        .order_by(_JOB_SPOOL.c.tool, _SPOOL.c.id)
        .limit(1)
        .scalar_subquery()
    )
    return select(_JOB.c.id, func.coalesce(of_spool, _JOB.c.material_id).label("material_id")).subquery(
        "printed"
    )


def _by_plate() -> Subquery:
    """Return sums for each plate, orientation and unit."""
    equal = case((_RESULT.c.relation == "=", _RESULT.c.value - bindparam("origin")))
    kept = (_SPECIMEN.c.job_id, _SPECIMEN.c.orientation, _RESULT.c.unit)
    return (
        select(
            *kept, func.count(equal).label("n"), func.sum(equal).label("s"),
            func.sum(equal * equal).label("ss"), func.count().label("taken"),
        )
        .select_from(_RESULT)
        .join(_MEASUREMENT, _MEASUREMENT.c.id == _RESULT.c.measurement_id)
        .join(_SPECIMEN, _SPECIMEN.c.id == _MEASUREMENT.c.specimen_id)
        .where(_counted())
        .group_by(*kept)
        .subquery("plates")
    )  # fmt: skip


def _by_material() -> Select[Any]:
    """Return the statement: sums for each plate, then for each material and orientation.

    A plate is of one material, so a million results need only as many look-ups of it as there are plates.
    """
    plates, printed = _by_plate(), _material_of_jobs()
    kept = (_MATERIAL.c.name, plates.c.orientation, plates.c.unit)
    # PostgreSQL sums whole numbers to numeric, which would come back as Decimal.
    count, taken = (cast(func.sum(column), Integer) for column in (plates.c.n, plates.c.taken))
    return (
        select(*kept, count, func.sum(plates.c.s), func.sum(plates.c.ss), taken)
        .select_from(plates)
        .join(printed, printed.c.id == plates.c.job_id)
        .outerjoin(_MATERIAL, _MATERIAL.c.id == printed.c.material_id)
        .group_by(*kept)
    )


_SUMS: Final = _by_material()
_ONE: Final = select(_RESULT.c.value).where(_counted()).limit(1)


def means_by(book: Book, quantity: str) -> list[Mean]:
    """Return the means of a quantity for every material and orientation, by name.

    Results that were set aside, refused, or are limits only are not in a mean. Grades that can only be
    ranked have no mean; it is for the caller, who knows the method, not to ask for one.

    Args:
        book: Read only.
        quantity: Its name, ``tensile.strength``.
    """
    with book.connect() as connection:
        origin = connection.scalar(_ONE, {"quantity": quantity})
        if origin is None:
            return []
        rows = connection.execute(_SUMS, {"quantity": quantity, "origin": origin}).all()
    found = [_mean(row, origin) for row in rows]
    return sorted(found, key=lambda mean: (mean.material or "", mean.orientation or "", mean.unit))


def _mean(row: Sequence[Any], origin: float) -> Mean:
    """Return a mean from sums of differences to an origin among the values.

    Sums of squares about a far zero lose the digits that a standard deviation is made of; about one of
    the values they do not.
    """
    material, orientation, unit, count, total, squares, taken = row
    mean = origin + total / count if count else None
    sd = math.sqrt(max(0.0, squares - total * total / count) / (count - 1)) if count > 1 else None
    return Mean(material, orientation, unit, count, mean, sd, taken - count)
