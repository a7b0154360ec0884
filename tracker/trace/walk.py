"""The walk from a measurement, specimen or job back to its spools: rows gathered, nothing put in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from tracker.errors import Refused
from tracker.ids import Ident
from tracker.trace import questions as ask
from tracker.trace.history import Journal, Touched
from tracker.trace.reading import Parts, Reader, Row


class TraceError(Refused, LookupError):
    """There is nothing of that ID, or it has no such quantity."""


@dataclass
class Measured:
    """A measurement with all that belongs to it.

    Attributes:
        measurement: Its row.
        results: Rows of results, each with its ``verdicts``, oldest first.
        rigs: What it was taken with: ``rig``, ``used`` and, where there was one, ``calibration``.
        files: Its recordings: ``file`` and ``attachment``.
    """

    measurement: Row
    results: list[Row]
    rigs: list[Parts]
    files: list[Parts]


@dataclass
class SpoolPath:
    """A spool with what was done to it before the print.

    Attributes:
        spool: Its row.
        material: Row of its material.
        used: Row that puts it into the job; empty where the spool itself was measured.
        stays: Where it was kept, oldest first.
        dryings: ``drying`` and ``dried``, oldest first.
    """

    spool: Row
    material: Row
    used: Row
    stays: list[Row]
    dryings: list[Parts]


@dataclass
class Path:
    """All rows of a way back.

    Attributes:
        ident: Where it begins.
        measured: Its measurements.
        pieces: For a job, its specimens.
        rig: For a rig, its row; ``calibrations`` are its own.
        drying: For a drying, its row.
        hangs: For a spool, a drying or a rig, what hangs on it.
        until: Moment of the print; stays and dryings are those begun before it. None where unknown:
            then they are all there.
    """

    ident: Ident
    specimen: Row | None = None
    job: Row | None = None
    material: Row | None = None
    plate: Row | None = None
    measured: list[Measured] = field(default_factory=list)
    factors: list[Row] = field(default_factory=list)
    changes: list[Row] = field(default_factory=list)
    logs: list[Row] = field(default_factory=list)
    spools: list[SpoolPath] = field(default_factory=list)
    pieces: list[Row] = field(default_factory=list)
    rig: Row | None = None
    calibrations: list[Row] = field(default_factory=list)
    drying: Row | None = None
    hangs: list[dict[str, Any]] = field(default_factory=list)
    until: dt.datetime | None = None
    journal: Journal = field(default_factory=Journal)

    def touched(self) -> Iterator[Touched]:
        """Yield every row on the path with the name of its table."""
        singles = (
            ("specimen", self.specimen),
            ("job", self.job),
            ("attachment", self.plate),
            ("rig", self.rig),
            ("drying", self.drying),
        )
        yield from ((table, row) for table, row in singles if row is not None)
        for each in self.measured:
            yield from _of_measurement(each)
        lists = (
            ("factor", self.factors),
            ("change", self.changes),
            ("job_log", self.logs),
            ("calibration", self.calibrations),
        )
        for table, rows in lists:
            yield from ((table, row) for row in rows)
        for spool in self.spools:
            yield from _of_spool(spool)
        # A spool has brought its own material.
        if self.material is not None and not self.spools:
            yield "material", self.material


def _of_measurement(each: Measured) -> Iterator[Touched]:
    yield "measurement", each.measurement
    for result in each.results:
        yield "result", result
        yield from (("verdict", verdict) for verdict in result["verdicts"])
    for parts in each.rigs:
        yield "measurement_rig", parts["used"]
        yield "rig", parts["rig"]
        if "calibration" in parts:
            yield "calibration", parts["calibration"]
    for parts in each.files:
        yield "measurement_file", parts["file"]
        yield "attachment", parts["attachment"]


def _of_spool(path: SpoolPath) -> Iterator[Touched]:
    yield "spool", path.spool
    yield "material", path.material
    if path.used:
        yield "job_spool", path.used
    yield from (("stay", row) for row in path.stays)
    for parts in path.dryings:
        yield "drying", parts["drying"]
        yield "drying_spool", parts["dried"]


def walk(reader: Reader, ident: Ident) -> Path | None:
    """Return the way back from a measurement, specimen or job; None where there is none of that ID."""
    path = BEGINNINGS[ident.kind](reader, ident)
    if path is not None and path.job is not None:
        _printing(reader, path, path.job)
    return path


def _from_measurement(reader: Reader, ident: Ident) -> Path | None:
    found = reader.one(ask.MEASURED, measurement=ident.number)
    if found is None:
        return None
    path = _begun(ident, found)
    path.measured = [measured(reader, found["measurement"])]
    spool = found["measurement"]["spool_id"]
    if spool is not None:
        path.spools = [
            spool_path(reader, {**parts, "used": {}}, None)
            for parts in reader.ask(ask.ONE_SPOOL, spool=spool)
        ]
    if path.specimen is not None:
        path.factors = _factors(reader, path.specimen)
    return path


def _from_specimen(reader: Reader, ident: Ident) -> Path | None:
    found = reader.one(ask.PIECE, job=ident.number, piece=ident.piece)
    if found is None:
        return None
    path = _begun(ident, found)
    own = found["specimen"]
    path.measured = [
        measured(reader, parts["measurement"]) for parts in reader.ask(ask.MEASUREMENTS, specimen=own["id"])
    ]
    path.factors = _factors(reader, own)
    return path


def _from_job(reader: Reader, ident: Ident) -> Path | None:
    found = reader.one(ask.RUN, job=ident.number)
    if found is None:
        return None
    path = _begun(ident, found)
    path.pieces = [parts["specimen"] for parts in reader.ask(ask.PIECES, job=ident.number)]
    path.factors = _shared(reader, ident.number, len(path.pieces))
    return path


def _shared(reader: Reader, job: int, pieces: int) -> list[Row]:
    """Return the factors that were given for all pieces of a job alike."""
    alike: dict[tuple[str, object], list[Row]] = {}
    for parts in reader.ask(ask.SHARED_FACTORS, job=job):
        row = parts["factor"]
        alike.setdefault((row["name"], row["text"] if row["number"] is None else row["number"]), []).append(
            row
        )
    return [rows[0] for rows in alike.values() if len(rows) == pieces]


BEGINNINGS: Final[Mapping[str, Callable[[Reader, Ident], Path | None]]] = {
    "measurement": _from_measurement,
    "specimen": _from_specimen,
    "job": _from_job,
}


def _begun(ident: Ident, found: Parts) -> Path:
    return Path(
        ident,
        specimen=found.get("specimen"),
        job=found.get("job"),
        material=found.get("material"),
        plate=found.get("plate"),
    )


def _factors(reader: Reader, specimen: Row) -> list[Row]:
    return [parts["factor"] for parts in reader.ask(ask.FACTORS, specimen=specimen["id"])]


def measured(reader: Reader, measurement: Row) -> Measured:
    """Return a measurement with its results, rigs and recordings."""
    number = measurement["id"]
    return Measured(
        measurement,
        _with_verdicts(reader.ask(ask.RESULTS, measurement=number)),
        reader.ask(ask.RIGS, measurement=number),
        reader.ask(ask.FILES, measurement=number),
    )


def _with_verdicts(found: list[Parts]) -> list[Row]:
    """Return each result once, its verdicts gathered: the join repeats it for each of them."""
    results: dict[int, Row] = {}
    for parts in found:
        result = results.setdefault(parts["result"]["id"], {**parts["result"], "verdicts": []})
        if "verdict" in parts:
            result["verdicts"].append(parts["verdict"])
    return list(results.values())


def _printing(reader: Reader, path: Path, job: Row) -> None:
    """Add what is known of the print and of the spools in it."""
    path.until = job["started_at"]
    path.changes = [parts["change"] for parts in reader.ask(ask.CHANGES, job=job["id"])]
    path.logs = [parts["log"] for parts in reader.ask(ask.LOGS, job=job["id"])]
    path.spools = [spool_path(reader, parts, path.until) for parts in reader.ask(ask.SPOOLS, job=job["id"])]
    if path.spools:
        path.material = path.spools[0].material


def spool_path(reader: Reader, parts: Parts, until: dt.datetime | None) -> SpoolPath:
    """Return a spool with its stays and dryings, those alone that began before a moment."""
    spool = parts["spool"]
    stays = [found["stay"] for found in reader.ask(ask.STAYS, spool=spool["id"])]
    dryings = reader.ask(ask.DRYINGS, spool=spool["id"])
    if until is not None:
        stays = [row for row in stays if row["began_at"] <= until]
        dryings = [found for found in dryings if found["drying"]["began_at"] <= until]
    return SpoolPath(spool, parts["material"], parts["used"], stays, dryings)
