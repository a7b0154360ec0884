"""The results behind a table: no more of each than a table needs, for there may be a hundred thousand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, select

from tracker.model import Measurement, Result, Specimen
from tracker.orientation import in_words
from tracker.stored_rows import raw


class Point(NamedTuple):
    """One result that has a value.

    Attributes:
        result: Its number, by which results were made one after another.
        measurement: Number of its measurement.
        quantity: Its name.
        value: In ``unit``.
        unit: Its unit.
        relation: ``=``, ``>`` or ``<``.
        counted: Whether a verdict lets it into means.
        at: When it was measured, as the database has it: it sorts, and :func:`moment_of` reads it.
        specimen: Number of the specimen, or None.
        spool: Number of the spool where that was tested, or None.
        job: Number of the job, or None.
        orientation: Letters, or None.
        remark: On the piece.
        geometry: Template of the piece, or None.
    """

    result: int
    measurement: int
    quantity: str
    value: float
    unit: str
    relation: str
    counted: bool
    at: Any
    specimen: int | None
    spool: int | None
    job: int | None
    orientation: str | None
    remark: str | None
    geometry: str | None


# Moments and truth values stay as the driver gives them: to read a hundred thousand takes longer than all
# the arithmetic of the table, which needs the newest of each row alone.
_STATEMENT: Final = (
    select(
        Result.id, Result.measurement_id, Result.quantity, Result.value, Result.unit, Result.relation,
        raw(Result.counted), raw(Measurement.at), Measurement.specimen_id, Measurement.spool_id,
        Specimen.job_id, Specimen.orientation, Specimen.remark, Specimen.geometry,
    )
    .join(Measurement, Measurement.id == Result.measurement_id)
    .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    .where(Result.value.is_not(None))
    .order_by(Result.id)
)  # fmt: skip


def points(
    connection: Connection, quantities: Sequence[str] | None = None, among: Collection[int] | None = None
) -> list[Point]:
    """Return the results that have values, in the order in which they were made.

    Args:
        connection: To the book.
        quantities: Only these; all where None.
        among: Only results of these numbers; all where None.
    """
    statement = _STATEMENT if quantities is None else _STATEMENT.where(Result.quantity.in_(quantities))
    found = list(map(Point._make, connection.execute(statement).all()))
    return found if among is None else [each for each in found if each.result in among]


def lie_of(point: Point) -> str:
    """Return how the piece of a result lay; empty where that is not recorded or makes no sense."""
    return in_words(point.orientation) if point.orientation else ""


def moment_of(stored: Any) -> dt.datetime:
    """Return a moment as the database has it: text in UTC, or a moment already."""
    moment = dt.datetime.fromisoformat(stored) if isinstance(stored, str) else stored
    return moment.replace(tzinfo=dt.UTC) if moment.tzinfo is None else moment
