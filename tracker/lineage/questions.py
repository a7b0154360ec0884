"""The questions by which a lineage is read, from a measurement back to the spool, each built once.

Each is asked for one record or for a batch; its answers name their table, so they can be sorted by record.
Rows that were taken back are left out, but for the records that are asked for themselves.
"""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import ColumnElement, Select, Table, alias, and_, bindparam, func, literal_column, select

from tracker.lineage.reading import Question
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
    StoragePeriod,
    Verdict,
)


def _table(model: Any) -> Table:
    table: Table = model.__table__
    return table


_MEASUREMENT: Final = _table(Measurement)
_SPECIMEN: Final = _table(Specimen)
_JOB: Final = _table(Job)
_MATERIAL: Final = _table(Material)
_ATTACHMENT: Final = _table(Attachment)
_SPOOL: Final = _table(Spool)
_RESULT: Final = _table(Result)
_VERDICT: Final = _table(Verdict)
_RIG: Final = _table(Rig)
_CALIBRATION: Final = _table(Calibration)
_FACTOR: Final = _table(FactorRecord)
_CHANGE: Final = _table(SettingChange)
_JOURNAL: Final = _table(JournalRecord)
_LOG: Final = _table(JobLog)
_STORAGE_PERIOD: Final = _table(StoragePeriod)
_DRYING: Final = _table(Drying)
_MEASUREMENT_RIG: Final = _table(MeasurementRig)
_MEASUREMENT_FILE: Final = _table(MeasurementFile)
_JOB_SPOOL: Final = _table(JobSpool)
_DRYING_SPOOL: Final = _table(DryingSpool)
_PLATE: Final = alias(_ATTACHMENT, "plate")


def _live(*tables: Table) -> ColumnElement[bool]:
    """Return the condition that rows were not taken back."""
    return and_(*(table.c.voided.is_(None) for table in tables))


def _job_with(found: Select[Any]) -> Select[Any]:
    return found.outerjoin(_MATERIAL, _MATERIAL.c.id == _JOB.c.material_id).outerjoin(
        _PLATE, _PLATE.c.sha256 == _JOB.c.plate_sha256
    )


def _by_measurement(found: Select[Any]) -> Select[Any]:
    joined = (
        found.select_from(_MEASUREMENT)
        .outerjoin(_SPECIMEN, _SPECIMEN.c.id == _MEASUREMENT.c.specimen_id)
        .outerjoin(_JOB, _JOB.c.id == _SPECIMEN.c.job_id)
    )
    return _job_with(joined).order_by(_MEASUREMENT.c.id)


def _by_piece(found: Select[Any]) -> Select[Any]:
    return _job_with(found.select_from(_SPECIMEN).join(_JOB, _JOB.c.id == _SPECIMEN.c.job_id)).order_by(
        _SPECIMEN.c.job_id, _SPECIMEN.c.piece
    )


_UP_TO_JOB: Final = {"job": _JOB, "material": _MATERIAL, "plate": _PLATE}

MEASURED: Final = Question(
    {"measurement": _MEASUREMENT, "specimen": _SPECIMEN, **_UP_TO_JOB}, _by_measurement, _MEASUREMENT.c.id
)
"""Measurements with their specimen, job, material and plate file."""

SPECIMENS: Final = Question({"specimen": _SPECIMEN, **_UP_TO_JOB}, _by_piece, _SPECIMEN.c.id)
"""Specimens with the same."""

PIECE: Final = Question(
    {"specimen": _SPECIMEN, **_UP_TO_JOB},
    lambda found: _by_piece(found).where(_SPECIMEN.c.piece == bindparam("piece")),
    _SPECIMEN.c.job_id,
)
"""The piece of a number in a job, with the same."""

JOBS: Final = Question(
    _UP_TO_JOB, lambda found: _job_with(found.select_from(_JOB)).order_by(_JOB.c.id), _JOB.c.id
)
"""Jobs with the same."""

PIECES: Final = Question(
    {"specimen": _SPECIMEN},
    lambda found: found.where(_live(_SPECIMEN)).order_by(_SPECIMEN.c.job_id, _SPECIMEN.c.piece),
    _SPECIMEN.c.job_id,
)
"""The specimens of jobs."""

MEASUREMENTS: Final = Question(
    {"measurement": _MEASUREMENT},
    lambda found: found.where(_live(_MEASUREMENT)).order_by(_MEASUREMENT.c.id),
    _MEASUREMENT.c.specimen_id,
)
"""The measurements of specimens."""

RESULTS: Final = Question(
    {"result": _RESULT, "verdict": _VERDICT},
    lambda found: (
        found.select_from(_RESULT)
        .outerjoin(_VERDICT, and_(_VERDICT.c.result_id == _RESULT.c.id, _live(_VERDICT)))
        .where(_live(_RESULT))
        .order_by(_RESULT.c.id, _VERDICT.c.id)
    ),
    _RESULT.c.measurement_id,
)
"""The results of measurements, each as often as it has verdicts, and once where it has none."""

RIGS: Final = Question(
    {"rig": _RIG, "calibration": _CALIBRATION, "used": _MEASUREMENT_RIG},
    lambda found: (
        found.select_from(_MEASUREMENT_RIG)
        .join(_RIG, _RIG.c.id == _MEASUREMENT_RIG.c.rig_id)
        .outerjoin(_CALIBRATION, _CALIBRATION.c.id == _MEASUREMENT_RIG.c.calibration_id)
        .where(_live(_MEASUREMENT_RIG))
        .order_by(_RIG.c.role.desc(), _RIG.c.id)
    ),
    _MEASUREMENT_RIG.c.measurement_id,
)
"""What measurements were taken with, rigs before instruments, with the calibration in force."""

FILES: Final = Question(
    {"file": _MEASUREMENT_FILE, "attachment": _ATTACHMENT},
    lambda found: (
        found.select_from(_MEASUREMENT_FILE)
        .join(_ATTACHMENT, _ATTACHMENT.c.sha256 == _MEASUREMENT_FILE.c.sha256)
        .where(_live(_MEASUREMENT_FILE))
        .order_by(_MEASUREMENT_FILE.c.field)
    ),
    _MEASUREMENT_FILE.c.measurement_id,
)
"""The recordings of measurements."""

FACTORS: Final = Question(
    {"factor": _FACTOR},
    lambda found: found.where(_live(_FACTOR)).order_by(_FACTOR.c.name),
    _FACTOR.c.specimen_id,
)
"""The factors given for specimens outright."""

SPOOLS_OF_JOB: Final = Question(
    {"spool": _SPOOL, "material": _MATERIAL, "used": _JOB_SPOOL},
    lambda found: (
        found.select_from(_JOB_SPOOL)
        .join(_SPOOL, _SPOOL.c.id == _JOB_SPOOL.c.spool_id)
        .join(_MATERIAL, _MATERIAL.c.id == _SPOOL.c.material_id)
        .where(_live(_JOB_SPOOL))
        .order_by(
            _JOB_SPOOL.c.tool,
            func.coalesce(_JOB_SPOOL.c.from_layer, literal_column("1")),
            _JOB_SPOOL.c.spool_id,
        )
    ),
    _JOB_SPOOL.c.job_id,
)
"""The spools of jobs with their materials, the main spool first (see :mod:`tracker.lineage.spools`)."""

SPOOLS: Final = Question(
    {"spool": _SPOOL, "material": _MATERIAL},
    lambda found: (
        found.select_from(_SPOOL)
        .join(_MATERIAL, _MATERIAL.c.id == _SPOOL.c.material_id)
        .order_by(_SPOOL.c.id)
    ),
    _SPOOL.c.id,
)
"""Spools with their materials."""

STORAGE: Final = Question(
    {"stay": _STORAGE_PERIOD},
    lambda found: found.where(_live(_STORAGE_PERIOD)).order_by(
        _STORAGE_PERIOD.c.began_at, _STORAGE_PERIOD.c.id
    ),
    _STORAGE_PERIOD.c.spool_id,
)
"""Where spools were kept."""

DRYINGS: Final = Question(
    {"drying": _DRYING, "masses": _DRYING_SPOOL},
    lambda found: (
        found.select_from(_DRYING_SPOOL)
        .join(_DRYING, _DRYING.c.id == _DRYING_SPOOL.c.drying_id)
        .where(_live(_DRYING, _DRYING_SPOOL))
        .order_by(_DRYING.c.began_at, _DRYING.c.id)
    ),
    _DRYING_SPOOL.c.spool_id,
)
"""How spools were dried."""

CHANGES: Final = Question(
    {"change": _CHANGE}, lambda found: found.where(_live(_CHANGE)).order_by(_CHANGE.c.id), _CHANGE.c.job_id
)
"""Settings changed by hand while jobs ran."""

LOGS: Final = Question(
    {"log": _LOG}, lambda found: found.where(_live(_LOG)).order_by(_LOG.c.id), _LOG.c.job_id
)
"""The logs of jobs."""

ENTRIES: Final = Question({"entry": _JOURNAL}, lambda found: found.order_by(_JOURNAL.c.seq), _JOURNAL.c.seq)
"""Journal entries by number."""

SHARED_FACTORS: Final = Question(
    {"factor": _FACTOR},
    lambda found: (
        found.join(_SPECIMEN, _SPECIMEN.c.id == _FACTOR.c.specimen_id)
        .where(_live(_FACTOR, _SPECIMEN))
        .order_by(_FACTOR.c.name, _SPECIMEN.c.piece)
    ),
    _SPECIMEN.c.job_id,
)
"""The factors given for the pieces of jobs."""

DRIED: Final = Question(
    {"drying": _DRYING, "masses": _DRYING_SPOOL, "spool": _SPOOL, "material": _MATERIAL},
    lambda found: (
        found.select_from(_DRYING)
        .outerjoin(_DRYING_SPOOL, and_(_DRYING_SPOOL.c.drying_id == _DRYING.c.id, _live(_DRYING_SPOOL)))
        .outerjoin(_SPOOL, _SPOOL.c.id == _DRYING_SPOOL.c.spool_id)
        .outerjoin(_MATERIAL, _MATERIAL.c.id == _SPOOL.c.material_id)
        .order_by(_SPOOL.c.id)
    ),
    _DRYING.c.id,
)
"""A drying with the spools in it."""

CALIBRATED: Final = Question(
    {"rig": _RIG, "calibration": _CALIBRATION},
    lambda found: (
        found.select_from(_RIG)
        .outerjoin(_CALIBRATION, and_(_CALIBRATION.c.rig_id == _RIG.c.id, _live(_CALIBRATION)))
        .order_by(_CALIBRATION.c.done_on, _CALIBRATION.c.id)
    ),
    _RIG.c.id,
)
"""A rig or instrument with its calibrations."""

_PIECES = (
    select(func.count())
    .where(_SPECIMEN.c.job_id == _JOB.c.id, _live(_SPECIMEN))
    .correlate(_JOB)
    .scalar_subquery()
)
_TAKEN = (
    select(func.count())
    .select_from(_SPECIMEN)
    .join(_MEASUREMENT, _MEASUREMENT.c.specimen_id == _SPECIMEN.c.id)
    .where(_SPECIMEN.c.job_id == _JOB.c.id, _live(_SPECIMEN, _MEASUREMENT))
    .correlate(_JOB)
    .scalar_subquery()
)

PRINTED_FROM: Final = Question(
    {
        "job": [
            _JOB.c.id,
            _JOB.c.name,
            _JOB.c.started_at,
            _PIECES.label("specimens"),
            _TAKEN.label("measurements"),
        ]
    },
    lambda found: (
        found.select_from(_JOB_SPOOL)
        .join(_JOB, _JOB.c.id == _JOB_SPOOL.c.job_id)
        .where(_live(_JOB_SPOOL, _JOB))
        .order_by(_JOB.c.id)
    ),
    _JOB_SPOOL.c.spool_id,
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
        found.where(_live(_MEASUREMENT_RIG))
        .group_by(_USED.calibration_id)
        .order_by(func.min(_USED.measurement_id))
    ),
    _USED.rig_id,
)
"""How many measurements were taken with a rig under each of its calibrations, the first and the last."""
