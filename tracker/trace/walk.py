"""The rows of a way back, from any ID: to the spool from a number, to what hangs on it from the far end."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from tracker.errors import Refused
from tracker.ids import Ident, job_id, measurement_id
from tracker.lineage import (
    Lineage,
    Measured,
    Reader,
    Row,
    SpoolHistory,
    of_jobs,
    of_measurements,
    of_piece,
    spool_histories,
)
from tracker.lineage import questions as ask
from tracker.model import (
    Attachment,
    Calibration,
    Drying,
    FactorRecord,
    Job,
    JobLog,
    Material,
    Rig,
    SettingChange,
    Specimen,
)
from tracker.trace.history import Journal, Touched


class TraceError(Refused, LookupError):
    """There is nothing of that ID, or it has no such quantity."""


@dataclass
class Path:
    """All rows of a way back.

    Attributes:
        ident: Where it begins.
        lineage: Of a measurement, specimen or job.
        factors: Given for the specimen outright; of a job, those given for all its pieces alike.
        pieces: For a job, its specimens.
        alone: For a spool or a drying, the spools with all that was done to them.
        rig: For a rig, its row; ``calibrations`` are its own.
        drying: For a drying, its row.
        hangs: For a spool, a drying or a rig, what hangs on it.
    """

    ident: Ident
    lineage: Lineage = field(default_factory=Lineage)
    factors: Sequence[FactorRecord] = ()
    pieces: list[Specimen] = field(default_factory=list)
    alone: list[SpoolHistory] = field(default_factory=list)
    rig: Rig | None = None
    calibrations: list[Calibration] = field(default_factory=list)
    drying: Drying | None = None
    hangs: list[dict[str, Any]] = field(default_factory=list)
    journal: Journal = field(default_factory=Journal)

    @property
    def specimen(self) -> Specimen | None:
        """The specimen."""
        return self.lineage.specimen

    @property
    def job(self) -> Job | None:
        """The job it was printed in."""
        return self.lineage.printed.job if self.lineage.printed is not None else None

    @property
    def plate(self) -> Attachment | None:
        """The job's plate file."""
        return self.lineage.printed.plate if self.lineage.printed is not None else None

    @property
    def changes(self) -> Sequence[SettingChange]:
        """Settings changed by hand while the job ran."""
        return self.lineage.printed.changes if self.lineage.printed is not None else ()

    @property
    def logs(self) -> Sequence[JobLog]:
        """Logs of the job."""
        return self.lineage.printed.logs if self.lineage.printed is not None else ()

    @property
    def measured(self) -> Sequence[Measured]:
        """The measurements."""
        return self.lineage.measured

    @property
    def spools(self) -> Sequence[SpoolHistory]:
        """The spools, the main one first."""
        return self.alone or self.lineage.spools

    @property
    def material(self) -> Material | None:
        """The material."""
        return self.alone[0].material if self.alone else self.lineage.material

    @property
    def until(self) -> dt.datetime | None:
        """Moment of the print: storage and dryings are those begun before it. None: they are all there."""
        return self.job.started_at if self.job is not None else None

    def touched(self) -> list[Touched]:
        """Return every row on the path with the name of its table."""
        found: list[Touched] = [
            (table, row)
            for table, row in (
                ("specimen", self.specimen),
                ("job", self.job),
                ("attachment", self.plate),
                ("rig", self.rig),
                ("drying", self.drying),
            )
            if row is not None
        ]
        for each in self.measured:
            found += rows_of_measurement(each)
        found += [("factor", row) for row in self.factors]
        found += [("change", row) for row in self.changes]
        found += [("job_log", row) for row in self.logs]
        found += [("calibration", row) for row in self.calibrations]
        spools = self.spools
        for spool in spools:
            found += _of_spool(spool)
        # A spool has brought its own material.
        if not spools and self.material is not None:
            found.append(("material", self.material))
        return found


def rows_of_measurement(each: Measured) -> Iterator[Touched]:
    """Yield every row of a measurement with the name of its table."""
    yield "measurement", each.measurement
    for judged in each.results:
        yield "result", judged.result
        yield from (("verdict", verdict) for verdict in judged.verdicts)
    for use in each.rigs:
        yield "measurement_rig", use.used
        yield "rig", use.rig
        if use.calibration is not None:
            yield "calibration", use.calibration
    for recorded in each.files:
        yield "measurement_file", recorded.file
        yield "attachment", recorded.attachment


def _of_spool(path: SpoolHistory) -> Iterator[Touched]:
    yield "spool", path.spool
    yield "material", path.material
    if path.used is not None:
        yield "job_spool", path.used
    yield from (("stay", row) for row in path.storage)
    for each in path.dryings:
        yield "drying", each.drying
        yield "drying_spool", each.masses


def walk(reader: Reader, ident: Ident) -> Path | None:
    """Return the way back from an ID, or what hangs on it; None where there is nothing of that ID."""
    return _BEGINNINGS[ident.kind](reader, ident)


def _from_measurement(reader: Reader, ident: Ident) -> Path | None:
    lineage = of_measurements(reader, [ident.number]).get(ident.number)
    return None if lineage is None else Path(ident, lineage, lineage.given)


def _from_specimen(reader: Reader, ident: Ident) -> Path | None:
    lineage = of_piece(reader, ident.number, ident.piece or 0)
    return None if lineage is None else Path(ident, lineage, lineage.given)


def _from_job(reader: Reader, ident: Ident) -> Path | None:
    printed = of_jobs(reader, [ident.number]).get(ident.number)
    if printed is None:
        return None
    pieces = [parts["specimen"] for parts in reader.ask(ask.PIECES, ident.number)]
    return Path(
        ident, Lineage(printed=printed), _shared(reader, ident.number, len(pieces)), pieces=pieces
    )  # fmt: skip


def _shared(reader: Reader, job: int, pieces: int) -> list[FactorRecord]:
    """Return the factors that were given for all pieces of a job alike."""
    alike: dict[tuple[str, object], list[FactorRecord]] = {}
    for parts in reader.ask(ask.SHARED_FACTORS, job):
        row: FactorRecord = parts["factor"]
        value = row.text if row.number is None else row.number
        alike.setdefault((row.name, value), []).append(row)
    return [rows[0] for rows in alike.values() if len(rows) == pieces]


def _from_spool(reader: Reader, ident: Ident) -> Path | None:
    history = spool_histories(reader, [ident.number]).get(ident.number)
    if history is None:
        return None
    return Path(ident, alone=[history], hangs=list(_jobs(reader, ident.number)))


def _from_drying(reader: Reader, ident: Ident) -> Path | None:
    """Return a drying with its spools and the jobs printed from them after it."""
    found = reader.ask(ask.DRIED, ident.number)
    if not found:
        return None
    drying: Drying = found[0]["drying"]
    spools = [parts["spool"].id for parts in found if "spool" in parts]
    histories = spool_histories(reader, spools)
    path = Path(ident, drying=drying, alone=[histories[number] for number in spools])
    path.hangs = [job for number in spools for job in _jobs(reader, number, after=drying)]
    return path


def _from_rig(reader: Reader, ident: Ident) -> Path | None:
    """Return a rig with its calibrations and what was measured under each."""
    found = reader.ask(ask.CALIBRATED, ident.number)
    if not found:
        return None
    path = Path(ident, rig=found[0]["rig"])
    path.calibrations = [parts["calibration"] for parts in found if "calibration" in parts]
    days = {row.id: str(row.done_on) for row in path.calibrations}
    for parts in reader.ask(ask.TAKEN_WITH, ident.number):
        use: Row = parts["use"]
        path.hangs.append(
            {
                "measurements": use.measurements,
                "calibration": days.get(use.calibration_id),
                "first": measurement_id(use.first),
                "last": measurement_id(use.last),
            }
        )
    return path


def _jobs(reader: Reader, spool: int, after: Drying | None = None) -> Iterator[dict[str, Any]]:
    """Yield the jobs a spool was in; with a drying, those alone that may have been printed after it."""
    for parts in reader.ask(ask.PRINTED_FROM, spool):
        job: Row = parts["job"]
        # A print whose time nobody recorded may have come after: it stays in sight.
        if after is None or job.started_at is None or job.started_at >= after.began_at:
            yield {**job, "id": job_id(job.id)}


_BEGINNINGS: Final[Mapping[str, Callable[[Reader, Ident], Path | None]]] = {
    "measurement": _from_measurement,
    "specimen": _from_specimen,
    "job": _from_job,
    "spool": _from_spool,
    "drying": _from_drying,
    "rig": _from_rig,
}
