"""A way back as plain JSON values: complete enough that a reader can rebuild the number from it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from tracker.ids import drying_id, job_id, measurement_id, rig_id, specimen_id, spool_id
from tracker.journal import moment, plain
from tracker.lineage import Judged, Measured, Recorded, RigUse, SpoolHistory, columns_of
from tracker.model import Calibration, Drying, FactorRecord, Job, Rig, Specimen
from tracker.trace.history import Change, Journal, key_of
from tracker.trace.walk import Path

_INTERNAL: Final = frozenset(
    {"id", "entry", "job_id", "spool_id", "specimen_id", "material_id", "rig_id", "measurement_id"}
    | {
        "result_id",
        "calibration_id",
        "drying_id",
        "again_of_id",
        "programme_id",
        "plate_sha256",
        "posted_key",
    }
)
"""Columns that point within the store: the JSON says the same with IDs, or by what lies inside what."""


def row_data(row: object, **more: Any) -> dict[str, Any]:
    """Return a row's own columns as JSON has them, after ``more``."""
    for name, value in columns_of(row).items():
        if name not in _INTERNAL:
            more[name] = plain(value) if isinstance(value, dt.date) else value
    return more


def number_facts(judged: Judged) -> dict[str, Any]:
    """Return a result: the four words that scripts read first, then how it stands."""
    result = judged.result
    first = {name: columns_of(result)[name] for name in _NUMBER}
    rest = {name: value for name, value in columns_of(result).items() if name not in _NUMBER}
    return {**first, **row_data(rest), "verdicts": [row_data(verdict) for verdict in judged.verdicts]}


_NUMBER: Final = ("quantity", "value", "unit", "uncertainty")


def measured_facts(each: Measured) -> dict[str, Any]:
    """Return a measurement with all that belongs to it."""
    row = each.measurement
    rigs = [rig_facts(use) for use in each.rigs]
    return {
        "id": measurement_id(row.id),
        "method": row.method,
        "version": row.method_version,
        "readings": row.readings,
        "units": row.units,
        "files": [file_facts(recorded) for recorded in each.files],
        "rig": next((rig for rig in rigs if rig["role"] == "rig"), rigs[0] if rigs else None),
        "instruments": rigs,
        **{name: plain(columns_of(row)[name]) for name in _TAKEN},
        "results": [number_facts(judged) for judged in each.results],
    }


_TAKEN: Final = (
    "at", "operator", "room_c", "room_rh_pct", "conditioned_days", "conditioned_c", "conditioned_rh_pct",
    "water_pct", "source", "problem", "remark",
)  # fmt: skip


def file_facts(recorded: Recorded) -> dict[str, Any]:
    """Return a recording: field, name, digest, size in bytes."""
    file = recorded.file
    return {
        "field": file.field,
        "name": file.name,
        "sha256": file.sha256,
        "size": recorded.attachment.size,
        "read_as": file.read_as,
    }


def rig_facts(use: RigUse) -> dict[str, Any]:
    """Return a rig or instrument with the calibration in force, or None in its place."""
    calibration = None if use.calibration is None else row_data(use.calibration)
    return row_data(use.rig, id=rig_id(use.rig.id), calibration=calibration)


def rig_row(rig: Rig, calibrations: Iterable[Calibration]) -> dict[str, Any]:
    """Return a rig by itself, with all its calibrations, oldest first."""
    return row_data(rig, id=rig_id(rig.id), calibrations=[row_data(row) for row in calibrations])


def alone(drying: Drying | None) -> list[dict[str, Any]]:
    """Return a drying in which no spool is recorded."""
    return [] if drying is None else [row_data(drying, id=drying_id(drying.id))]


def specimen_facts(specimen: Specimen) -> dict[str, Any]:
    """Return a specimen."""
    return row_data(specimen, id=specimen_id(specimen.job_id, specimen.piece))


def job_facts(path: Path, job: Job) -> dict[str, Any]:
    """Return a job with its plate file, changes by hand and logs."""
    again = job.again_of_id
    plate = path.plate
    return row_data(
        job,
        id=job_id(job.id),
        again_of=None if again is None else job_id(again),
        plate=None
        if plate is None
        else {"name": job.plate_name or plate.name, "sha256": plate.sha256, "size": plate.size},
        changes=[row_data(change) for change in path.changes],
        logs=[row_data(log) for log in path.logs],
    )


def spool_facts(path: SpoolHistory) -> dict[str, Any]:
    """Return a spool, with the name of its material and the tool it was in."""
    return row_data(
        path.spool,
        id=spool_id(path.spool.id),
        material=path.material.name,
        tool=None if path.used is None else path.used.tool,
    )


def storage_facts(spools: Iterable[SpoolHistory]) -> Iterator[dict[str, Any]]:
    """Yield where each spool was kept before the print."""
    for path in spools:
        yield from (row_data(period, spool=spool_id(path.spool.id)) for period in path.storage)


def drying_facts(spools: Iterable[SpoolHistory]) -> Iterator[dict[str, Any]]:
    """Yield how each spool was dried before the print, with its mass before and after in g."""
    for path in spools:
        for each in path.dryings:
            yield row_data(
                {**columns_of(each.drying), **row_data(each.masses)},
                id=drying_id(each.drying.id),
                spool=spool_id(path.spool.id),
            )


def factor_facts(factor: FactorRecord) -> dict[str, Any]:
    """Return a factor: a number, in the unit its name ends in, or a word."""
    value = factor.text if factor.number is None else factor.number
    return {"name": factor.name, "value": value, "basis": factor.basis, "source": factor.source}


def journal_facts(journal: Journal) -> list[dict[str, Any]]:
    """Return the entries behind the path, with the corrections that each made to its rows."""
    changes: dict[int, list[dict[str, Any]]] = {}
    for change in journal.changes:
        changes.setdefault(change.entry.seq, []).append(change_facts(change))
    return [
        {
            "entry": entry.seq,
            "at": moment(entry.at),
            "who": entry.who,
            "act": entry.act,
            "reason": entry.reason,
            "hash": entry.hash,
            "wrote": journal.wrote.get(entry.seq, []),
            "changed": changes.get(entry.seq, []),
        }
        for entry in journal.entries.values()
    ]


def change_facts(change: Change) -> dict[str, Any]:
    """Return a correction: what was changed, from what, to what."""
    return {
        "table": change.table,
        "key": change.key,
        "field": change.column,
        "old": change.old,
        "new": change.new,
    }


def named_rows(path: Path) -> Mapping[tuple[str, str], str]:
    """Return what rows are called where a correction names them by table and key."""
    names: dict[tuple[str, str], str] = {}
    for table, row in path.touched():
        namer = _NAMERS.get(table)
        if namer is not None:
            names[table, key_of(table, row)] = namer(row)
    return names


_NAMERS: Final[Mapping[str, Any]] = {
    "measurement": lambda row: measurement_id(row.id),
    "specimen": lambda row: specimen_id(row.job_id, row.piece),
    "job": lambda row: job_id(row.id),
    "spool": lambda row: spool_id(row.id),
    "drying": lambda row: drying_id(row.id),
    "rig": lambda row: rig_id(row.id),
    "material": lambda row: row.name,
    "result": lambda row: row.quantity,
}
