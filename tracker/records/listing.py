"""Lists of one kind of record, newest last: one statement each, built once, streamed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from sqlalchemy import Connection, Row, func, select

from tracker import ids
from tracker.model import (
    Drying,
    Job,
    Material,
    Measurement,
    Result,
    Rig,
    Specimen,
    Spool,
)

_PIECES = select(func.count()).select_from(Specimen).where(Specimen.job_id == Job.id).scalar_subquery()

_STATEMENTS: Final[Mapping[str, Any]] = {
    "materials": select(
        Material.name, Material.family, Material.maker, Material.density_g_cm3, Material.drying_c
    ).order_by(Material.name),
    "spools": select(
        Spool.id, Material.name.label("material"), Spool.lot,
        Spool.supplied, Spool.received_on, Spool.condition,
    )
    .join(Material)
    .order_by(Spool.id),
    "dryings": select(
        Drying.id, Drying.began_at, Drying.ended_at, Drying.set_c, Drying.measured_c, Drying.planned_h
    ).order_by(Drying.id),
    "jobs": select(
        Job.id, Job.name, Job.started_at, Job.outcome, Job.printer, Job.chamber_set_c,
        Job.chamber_measured_c, _PIECES.label("pieces"),
    ).order_by(Job.id),
    "specimens": select(
        Specimen.job_id, Specimen.piece, Specimen.name, Specimen.orientation, Specimen.outcome,
        func.coalesce(Specimen.remark, Specimen.cause).label("remark"),
    ).order_by(Specimen.job_id, Specimen.piece),
    "rigs": select(Rig.id, Rig.name, Rig.role, Rig.measures, Rig.capacity, Rig.resolution, Rig.unit).order_by(
        Rig.id
    ),
    "measurements": select(
        Measurement.id, Measurement.method, Measurement.at, Measurement.operator, Specimen.job_id,
        Specimen.piece, Measurement.spool_id, Measurement.source,
    )
    .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    .order_by(Measurement.id),
    "results": select(
        Result.measurement_id, Specimen.job_id, Specimen.piece, Measurement.spool_id, Result.quantity,
        Result.value, Result.unit, Result.uncertainty, Result.relation, Result.counted, Result.refused,
    )
    .join(Measurement, Measurement.id == Result.measurement_id)
    .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    .order_by(Result.id),
}  # fmt: skip

KINDS: Final = tuple(_STATEMENTS)


def listed(connection: Connection, kind: str) -> Iterator[dict[str, Any]]:
    """Yield the records of a kind; each has ``id`` (a result: ``measurement`` and ``specimen``).

    Args:
        connection: To the book.
        kind: One of :data:`KINDS`.
    """
    shape = _SHAPES.get(kind, dict)
    result = connection.execution_options(yield_per=2000).execute(_STATEMENTS[kind])
    for row in result:
        yield shape(row)


def _numbered(name: Callable[[int], str]) -> Callable[[Row[Any]], dict[str, Any]]:
    def shape(row: Row[Any]) -> dict[str, Any]:
        return {key: name(value) if key == "id" else _plain(value) for key, value in row._mapping.items()}

    return shape


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, (dt.datetime, dt.date)) else value


def _material(row: Row[Any]) -> dict[str, Any]:
    return {"id": row.name, **row._mapping}


def _specimen(row: Row[Any]) -> dict[str, Any]:
    rest = {key: value for key, value in row._mapping.items() if key not in ("job_id", "piece")}
    return {"id": ids.specimen_id(row.job_id, row.piece), "job": ids.job_id(row.job_id), **rest}


def _subject(row: Row[Any]) -> str:
    if row.spool_id is not None:
        return ids.spool_id(row.spool_id)
    return ids.specimen_id(row.job_id, row.piece)


def _measurement(row: Row[Any]) -> dict[str, Any]:
    return {
        "id": ids.measurement_id(row.id), "specimen": _subject(row), "method": row.method,
        "at": _plain(row.at), "operator": row.operator, "source": row.source,
    }  # fmt: skip


def _result(row: Row[Any]) -> dict[str, Any]:
    return {
        "measurement": ids.measurement_id(row.measurement_id), "specimen": _subject(row),
        "quantity": row.quantity, "value": row.value, "unit": row.unit, "uncertainty": row.uncertainty,
        "relation": row.relation, "counted": bool(row.counted), "refused": row.refused,
    }  # fmt: skip


_SHAPES: Final[Mapping[str, Callable[[Row[Any]], dict[str, Any]]]] = {
    "materials": _material,
    "spools": _numbered(ids.spool_id),
    "dryings": _numbered(ids.drying_id),
    "jobs": _numbered(ids.job_id),
    "rigs": _numbered(ids.rig_id),
    "specimens": _specimen,
    "measurements": _measurement,
    "results": _result,
}
