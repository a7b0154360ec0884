"""The questions of a trace, from a measurement back to the spool, each built once."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Select, Table, alias, bindparam, func, select

from tracker.model import (
    Attachment,
    Calibration,
    Drying,
    DryingSpool,
    FactorRecord,
    Job,
    JobLog,
    JobSpool,
    JournalRecord,
    Material,
    Measurement,
    MeasurementFile,
    MeasurementRig,
    Result,
    Rig,
    SettingChange,
    Specimen,
    Spool,
    Stay,
    Verdict,
)
from tracker.trace.reading import Question


def _table(model: Any) -> Table:
    table: Table = model.__table__
    return table


MEASUREMENT: Final = _table(Measurement)
SPECIMEN: Final = _table(Specimen)
JOB: Final = _table(Job)
MATERIAL: Final = _table(Material)
ATTACHMENT: Final = _table(Attachment)
SPOOL: Final = _table(Spool)
RESULT: Final = _table(Result)
_VERDICT: Final = _table(Verdict)
_RIG: Final = _table(Rig)
_CALIBRATION: Final = _table(Calibration)
_FACTOR: Final = _table(FactorRecord)
_CHANGE: Final = _table(SettingChange)
_JOURNAL: Final = _table(JournalRecord)
_LOG: Final = _table(JobLog)
_STAY: Final = _table(Stay)
_DRYING: Final = _table(Drying)
_MEASUREMENT_RIG: Final = _table(MeasurementRig)
_MEASUREMENT_FILE: Final = _table(MeasurementFile)
_JOB_SPOOL: Final = _table(JobSpool)
_DRYING_SPOOL: Final = _table(DryingSpool)
_PLATE: Final = alias(ATTACHMENT, "plate")

ENTRIES_AT_ONCE: Final = 12
"""Journal entries asked for in one step; a trace of one result seldom names more."""


def _job_with(found: Select[Any]) -> Select[Any]:
    return found.outerjoin(MATERIAL, MATERIAL.c.id == JOB.c.material_id).outerjoin(
        _PLATE, _PLATE.c.sha256 == JOB.c.plate_sha256
    )


def _by_measurement(found: Select[Any]) -> Select[Any]:
    joined = (
        found.select_from(MEASUREMENT)
        .outerjoin(SPECIMEN, SPECIMEN.c.id == MEASUREMENT.c.specimen_id)
        .outerjoin(JOB, JOB.c.id == SPECIMEN.c.job_id)
    )
    return _job_with(joined).where(MEASUREMENT.c.id == bindparam("measurement"))


def _by_piece(found: Select[Any]) -> Select[Any]:
    joined = found.select_from(SPECIMEN).join(JOB, JOB.c.id == SPECIMEN.c.job_id)
    return _job_with(joined).where(
        SPECIMEN.c.job_id == bindparam("job"), SPECIMEN.c.piece == bindparam("piece")
    )


_UP_TO_JOB: Final = {"job": JOB, "material": MATERIAL, "plate": _PLATE}

MEASURED: Final = Question({"measurement": MEASUREMENT, "specimen": SPECIMEN, **_UP_TO_JOB}, _by_measurement)
"""A measurement with its specimen, job, material and plate file."""

PIECE: Final = Question({"specimen": SPECIMEN, **_UP_TO_JOB}, _by_piece)
"""A specimen with the same."""

RUN: Final = Question(
    _UP_TO_JOB, lambda found: _job_with(found.select_from(JOB)).where(JOB.c.id == bindparam("job"))
)
"""A job with the same."""

PIECES: Final = Question(
    {"specimen": SPECIMEN},
    lambda found: found.where(SPECIMEN.c.job_id == bindparam("job")).order_by(SPECIMEN.c.piece),
)
"""The specimens of a job."""

MEASUREMENTS: Final = Question(
    {"measurement": MEASUREMENT},
    lambda found: found.where(MEASUREMENT.c.specimen_id == bindparam("specimen")).order_by(MEASUREMENT.c.id),
)
"""The measurements of a specimen."""

RESULTS: Final = Question(
    {"result": RESULT, "verdict": _VERDICT},
    lambda found: (
        found.select_from(RESULT)
        .outerjoin(_VERDICT, _VERDICT.c.result_id == RESULT.c.id)
        .where(RESULT.c.measurement_id == bindparam("measurement"))
        .order_by(RESULT.c.id, _VERDICT.c.id)
    ),
)
"""The results of a measurement, each as often as it has verdicts, and once where it has none."""

RIGS: Final = Question(
    {"rig": _RIG, "calibration": _CALIBRATION, "used": _MEASUREMENT_RIG},
    lambda found: (
        found.select_from(_MEASUREMENT_RIG)
        .join(_RIG, _RIG.c.id == _MEASUREMENT_RIG.c.rig_id)
        .outerjoin(_CALIBRATION, _CALIBRATION.c.id == _MEASUREMENT_RIG.c.calibration_id)
        .where(_MEASUREMENT_RIG.c.measurement_id == bindparam("measurement"))
        .order_by(_RIG.c.role.desc(), _RIG.c.id)
    ),
)
"""What a measurement was taken with, rigs before instruments, with the calibration in force."""

FILES: Final = Question(
    {"file": _MEASUREMENT_FILE, "attachment": ATTACHMENT},
    lambda found: (
        found.select_from(_MEASUREMENT_FILE)
        .join(ATTACHMENT, ATTACHMENT.c.sha256 == _MEASUREMENT_FILE.c.sha256)
        .where(_MEASUREMENT_FILE.c.measurement_id == bindparam("measurement"))
        .order_by(_MEASUREMENT_FILE.c.field)
    ),
)
"""The recordings of a measurement."""

FACTORS: Final = Question(
    {"factor": _FACTOR},
    lambda found: found.where(_FACTOR.c.specimen_id == bindparam("specimen")).order_by(_FACTOR.c.name),
)
"""The factors given for a specimen outright."""

SPOOLS: Final = Question(
    {"spool": SPOOL, "material": MATERIAL, "used": _JOB_SPOOL},
    lambda found: (
        found.select_from(_JOB_SPOOL)
        .join(SPOOL, SPOOL.c.id == _JOB_SPOOL.c.spool_id)
        .join(MATERIAL, MATERIAL.c.id == SPOOL.c.material_id)
        .where(_JOB_SPOOL.c.job_id == bindparam("job"))
        .order_by(_JOB_SPOOL.c.tool)
    ),
)
"""The spools of a job with their materials."""

ONE_SPOOL: Final = Question(
    {"spool": SPOOL, "material": MATERIAL},
    lambda found: (
        found.select_from(SPOOL)
        .join(MATERIAL, MATERIAL.c.id == SPOOL.c.material_id)
        .where(SPOOL.c.id == bindparam("spool"))
    ),
)
"""A spool with its material."""

STAYS: Final = Question(
    {"stay": _STAY},
    lambda found: (
        found.select_from(_STAY)
        .where(_STAY.c.spool_id == bindparam("spool"))
        .order_by(_STAY.c.began_at, _STAY.c.id)
    ),
)
"""Where a spool was kept."""

DRYINGS: Final = Question(
    {"drying": _DRYING, "dried": _DRYING_SPOOL},
    lambda found: (
        found.select_from(_DRYING_SPOOL)
        .join(_DRYING, _DRYING.c.id == _DRYING_SPOOL.c.drying_id)
        .where(_DRYING_SPOOL.c.spool_id == bindparam("spool"))
        .order_by(_DRYING.c.began_at, _DRYING.c.id)
    ),
)
"""How a spool was dried."""

CHANGES: Final = Question(
    {"change": _CHANGE},
    lambda found: found.where(_CHANGE.c.job_id == bindparam("job")).order_by(_CHANGE.c.id),
)
"""Settings changed by hand while a job ran."""

LOGS: Final = Question(
    {"log": _LOG}, lambda found: found.where(_LOG.c.job_id == bindparam("job")).order_by(_LOG.c.id)
)
"""The logs of a job."""

ENTRIES: Final = Question(
    {"entry": _JOURNAL},
    lambda found: found.where(
        _JOURNAL.c.seq.in_([bindparam(f"e{place}") for place in range(ENTRIES_AT_ONCE)])
    ).order_by(_JOURNAL.c.seq),
)
"""Journal entries by number; empty places repeat one of the others."""

SHARED_FACTORS: Final = Question(
    {"factor": _FACTOR},
    lambda found: (
        found.join(SPECIMEN, SPECIMEN.c.id == _FACTOR.c.specimen_id)
        .where(SPECIMEN.c.job_id == bindparam("job"))
        .order_by(_FACTOR.c.name, SPECIMEN.c.piece)
    ),
)
"""The factors given for the pieces of a job."""

DRIED: Final = Question(
    {"drying": _DRYING, "dried": _DRYING_SPOOL, "spool": SPOOL, "material": MATERIAL},
    lambda found: (
        found.select_from(_DRYING)
        .outerjoin(_DRYING_SPOOL, _DRYING_SPOOL.c.drying_id == _DRYING.c.id)
        .outerjoin(SPOOL, SPOOL.c.id == _DRYING_SPOOL.c.spool_id)
        .outerjoin(MATERIAL, MATERIAL.c.id == SPOOL.c.material_id)
        .where(_DRYING.c.id == bindparam("drying"))
        .order_by(SPOOL.c.id)
    ),
)
"""A drying with the spools in it."""

CALIBRATED: Final = Question(
    {"rig": _RIG, "calibration": _CALIBRATION},
    lambda found: (
        found.select_from(_RIG)
        .outerjoin(_CALIBRATION, _CALIBRATION.c.rig_id == _RIG.c.id)
        .where(_RIG.c.id == bindparam("rig"))
        .order_by(_CALIBRATION.c.done_on, _CALIBRATION.c.id)
    ),
)
"""A rig or instrument with its calibrations."""

_PIECES = select(func.count()).where(SPECIMEN.c.job_id == JOB.c.id).correlate(JOB).scalar_subquery()
_TAKEN = (
    select(func.count())
    .select_from(SPECIMEN)
    .join(MEASUREMENT, MEASUREMENT.c.specimen_id == SPECIMEN.c.id)
    .where(SPECIMEN.c.job_id == JOB.c.id)
    .correlate(JOB)
    .scalar_subquery()
)

PRINTED_FROM: Final = Question(
    {
        "job": [
            JOB.c.id,
            JOB.c.name,
            JOB.c.started_at,
            _PIECES.label("specimens"),
            _TAKEN.label("measurements"),
        ]
    },
    lambda found: (
        found.select_from(_JOB_SPOOL)
        .join(JOB, JOB.c.id == _JOB_SPOOL.c.job_id)
        .where(_JOB_SPOOL.c.spool_id == bindparam("spool"))
        .order_by(JOB.c.id)
    ),
)
"""The jobs that a spool was in, with the number of their pieces and of measurements on them."""

_USED = _MEASUREMENT_RIG.c

TAKEN_WITH: Final = Question(
    {
        "use": [
            func.count().label("measurements"),
            _USED.calibration_id,
            func.min(_USED.measurement_id).label("first"),
            func.max(_USED.measurement_id).label("last"),
        ]
    },
    lambda found: (
        found.where(_USED.rig_id == bindparam("rig"))
        .group_by(_USED.calibration_id)
        .order_by(func.min(_USED.measurement_id))
    ),
)
"""How many measurements were taken with a rig under each of its calibrations, the first and the last."""
