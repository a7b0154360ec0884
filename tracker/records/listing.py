"""Lists of one kind of record, newest last: one statement each, streamed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, and_, func, select

from tracker import ids
from tracker.model import Drying, Job, JobSpool, Material, Measurement, Result, Rig, Specimen, Spool
from tracker.stating import state, state_row

_FIGURES: Final = frozenset(state(None).data())


def listed(connection: Connection, kind: str, zone: dt.tzinfo | None = None) -> Iterator[dict[str, Any]]:
    """Yield the records of a kind; each has ``id`` (a result: ``measurement`` and ``specimen``).

    Args:
        connection: To the book.
        kind: One of :data:`KINDS`.
        zone: For people: moments are text in this zone, to the minute. Without it they are RFC 3339 in
            UTC, for machines.
    """
    shape = _SHAPES[kind]
    result = connection.execution_options(yield_per=2000).execute(_statement(kind))
    for row in result:
        shaped = {key: _plain(value, zone) for key, value in shape(row).items()}
        yield _for_people(shaped) if zone is not None and kind == "results" else shaped


def _for_people(result: dict[str, Any]) -> dict[str, Any]:
    """Put the statement in the place of its figures; machines get all of them."""
    told = {name: value for name, value in result.items() if name not in _FIGURES}
    return {**told, "stated": None if result["value"] is None else result["stated"]}


def _plain(value: Any, zone: dt.tzinfo | None) -> Any:
    if isinstance(value, dt.datetime) and zone is not None:
        return f"{value.astimezone(zone):%Y-%m-%d %H:%M}"
    return value.isoformat() if isinstance(value, (dt.datetime, dt.date)) else value


@cache
def _statement(kind: str) -> Select[*tuple[Any, ...]]:
    return _STATEMENTS[kind]()


def _materials() -> Select[*tuple[Any, ...]]:
    return select(
        Material.name, Material.family, Material.maker, Material.density_g_cm3, Material.drying_c
    ).order_by(Material.name)


def _spools() -> Select[*tuple[Any, ...]]:
    return (
        select(
            Spool.id,
            Material.name.label("material"),
            Spool.lot,
            Spool.supplied,
            Spool.received_on,
            Spool.condition,
        )
        .join(Material)
        .order_by(Spool.id)
    )


def _dryings() -> Select[*tuple[Any, ...]]:
    return select(
        Drying.id, Drying.began_at, Drying.ended_at, Drying.set_c, Drying.measured_c, Drying.planned_h
    ).order_by(Drying.id)


def _jobs() -> Select[*tuple[Any, ...]]:
    pieces = select(func.count()).select_from(Specimen).where(Specimen.job_id == Job.id).scalar_subquery()
    return select(
        Job.id,
        Job.name,
        Job.started_at,
        Job.outcome,
        Job.printer,
        Job.chamber_set_c,
        Job.chamber_measured_c,
        pieces.label("pieces"),
    ).order_by(Job.id)


def _with_material(statement: Select[*tuple[Any, ...]], spool: Any) -> Select[*tuple[Any, ...]]:
    """Join the material of specimens: that of the spool in tool 0, else what the job says."""
    return (
        statement.outerjoin(Job, Job.id == Specimen.job_id)
        .outerjoin(JobSpool, and_(JobSpool.job_id == Job.id, JobSpool.tool == 0))
        .outerjoin(Spool, Spool.id == spool)
        .outerjoin(Material, Material.id == func.coalesce(Spool.material_id, Job.material_id))
    )


def _specimens() -> Select[*tuple[Any, ...]]:
    rows = select(
        Specimen.job_id,
        Specimen.piece,
        Specimen.name,
        Material.name.label("material"),
        Specimen.orientation,
        Specimen.outcome,
        func.coalesce(Specimen.remark, Specimen.cause).label("remark"),
    ).select_from(Specimen)
    return _with_material(rows, JobSpool.spool_id).order_by(Specimen.job_id, Specimen.piece)


def _rigs() -> Select[*tuple[Any, ...]]:
    return select(Rig.id, Rig.name, Rig.role, Rig.measures, Rig.capacity, Rig.resolution, Rig.unit).order_by(
        Rig.id
    )


def _measurements() -> Select[*tuple[Any, ...]]:
    return (
        select(
            Measurement.id,
            Measurement.method,
            Measurement.at,
            Measurement.operator,
            Specimen.job_id,
            Specimen.piece,
            Measurement.spool_id,
            Measurement.source,
        )
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .order_by(Measurement.id)
    )


def _results() -> Select[*tuple[Any, ...]]:
    rows = (
        select(
            Result.measurement_id,
            Specimen.job_id,
            Specimen.piece,
            Measurement.spool_id,
            Material.name.label("material"),
            Result.quantity,
            Result.value,
            Result.unit,
            Result.uncertainty,
            Result.relation,
            Result.dof,
            Result.low,
            Result.high,
            Result.group,
            Result.counted,
            Result.refused,
        )
        .join(Measurement, Measurement.id == Result.measurement_id)
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    )
    spool = func.coalesce(JobSpool.spool_id, Measurement.spool_id)
    return _with_material(rows, spool).order_by(Result.id)


_STATEMENTS: Final[Mapping[str, Callable[[], Select[*tuple[Any, ...]]]]] = {
    "materials": _materials,
    "spools": _spools,
    "dryings": _dryings,
    "jobs": _jobs,
    "specimens": _specimens,
    "rigs": _rigs,
    "measurements": _measurements,
    "results": _results,
}

KINDS: Final = tuple(_STATEMENTS)
"""What can be listed."""


def _numbered(name: Callable[[int], str]) -> Callable[[Row[Any]], dict[str, Any]]:
    def shape(row: Row[Any]) -> dict[str, Any]:
        return {**row._mapping, "id": name(row.id)}

    return shape


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
        "id": ids.measurement_id(row.id),
        "specimen": _subject(row),
        "method": row.method,
        "at": row.at,
        "operator": row.operator,
        "source": row.source,
    }


def _result(row: Row[Any]) -> dict[str, Any]:
    return {
        "measurement": ids.measurement_id(row.measurement_id),
        "specimen": _subject(row),
        "material": row.material,
        "quantity": row.quantity,
        **state_row(row).data(),
        "group": row.group,
        "counted": bool(row.counted),
        "refused": row.refused,
    }


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
