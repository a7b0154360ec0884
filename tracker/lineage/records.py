"""The read model: what a number, a piece or a plate came from, loaded in batches and typed.

Rows are plain copies, typed as the model of their table: what a person recorded, set and measured apart. What
is worked out from them (the factors in force over a gauge section) is :mod:`tracker.factors`' to add.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tracker.lineage import questions as ask
from tracker.lineage.reading import Parts, Question, Reader
from tracker.lineage.spools import spools_of_piece
from tracker.model import (
    Attachment,
    Calibration,
    Drying,
    DryingSpool,
    FactorRecord,
    Job,
    JobLog,
    JobSpool,
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


@dataclass(slots=True)
class Dried:
    """A drying of a spool, and the spool's masses before and after it."""

    drying: Drying
    masses: DryingSpool


@dataclass(slots=True)
class SpoolHistory:
    """A spool with what was done to it.

    Attributes:
        spool: Its row.
        material: Its material.
        used: What puts it into a job; None where the spool itself is looked at.
        storage: Where it was kept, oldest first.
        dryings: Oldest first.
    """

    spool: Spool
    material: Material
    used: JobSpool | None = None
    storage: Sequence[StoragePeriod] = ()
    dryings: Sequence[Dried] = ()

    def before(self, moment: dt.datetime | None, used: JobSpool | None = None) -> SpoolHistory:
        """Return the spool as it went into a job: with what began up to a moment; all where it is None."""
        storage, dryings = self.storage, self.dryings
        if moment is not None:
            storage = [row for row in storage if row.began_at <= moment]
            dryings = [each for each in dryings if each.drying.began_at <= moment]
        return SpoolHistory(self.spool, self.material, used, storage, dryings)


@dataclass(slots=True)
class Print:
    """A job with everything recorded of the print.

    Attributes:
        job: Its row.
        plate: The plate file, as attachment.
        own_material: Material that the job names itself, where its spool is not recorded.
        spools: As they were when it began, the main spool first.
        changes: Settings changed by hand, as entered.
        logs: Logs aligned with it.
    """

    job: Job
    plate: Attachment | None = None
    own_material: Material | None = None
    spools: Sequence[SpoolHistory] = ()
    changes: Sequence[SettingChange] = ()
    logs: Sequence[JobLog] = ()

    @property
    def main(self) -> SpoolHistory | None:
        """The spool that stands for the plate (see :mod:`tracker.lineage.spools`)."""
        return self.spools[0] if self.spools else None

    @property
    def material(self) -> Material | None:
        """Its material: the main spool's, or the one the job names itself."""
        return self.spools[0].material if self.spools else self.own_material


@dataclass(slots=True)
class Judged:
    """A result with the verdicts on it, oldest first; the newest holds."""

    result: Result
    verdicts: list[Verdict] = field(default_factory=list)


@dataclass(slots=True)
class RigUse:
    """A rig or instrument as used for a measurement, with the calibration in force."""

    rig: Rig
    used: MeasurementRig
    calibration: Calibration | None = None


@dataclass(slots=True)
class Recorded:
    """A recording of a measurement: the field it belongs to, and the attachment."""

    file: MeasurementFile
    attachment: Attachment


@dataclass(slots=True)
class Measured:
    """A measurement with its results, what it was taken with, and its recordings."""

    measurement: Measurement
    results: Sequence[Judged] = ()
    rigs: Sequence[RigUse] = ()
    files: Sequence[Recorded] = ()


@dataclass(slots=True)
class Lineage:
    """What a specimen, or a measurement, came from.

    Attributes:
        specimen: Its row; None where a spool was measured.
        printed: The job; None where a spool was measured.
        spool: The spool that was measured itself.
        measured: Measurements: the one asked for, or all of the specimen.
        given: Factors given for the specimen outright.
    """

    specimen: Specimen | None = None
    printed: Print | None = None
    spool: SpoolHistory | None = None
    measured: Sequence[Measured] = ()
    given: Sequence[FactorRecord] = ()

    @property
    def spools(self) -> Sequence[SpoolHistory]:
        """The spools behind it, the main one first: of a specimen, those that it was printed from."""
        if self.spool is not None:
            return (self.spool,)
        if self.printed is None:
            return ()
        if self.specimen is None or len(self.printed.spools) < 2:  # noqa: PLR2004 - one spool is that of all pieces
            return self.printed.spools
        facts = self.specimen.plate_facts or {}
        by_link = {id(each.used): each for each in self.printed.spools}
        links = [each.used for each in self.printed.spools if each.used is not None]
        own = spools_of_piece(links, self.specimen.piece, facts.get("layers"), facts.get("tools"))
        return [by_link[id(link)] for link in own]

    @property
    def material(self) -> Material | None:
        """Its material."""
        if spools := self.spools:
            return spools[0].material
        return self.printed.own_material if self.printed is not None else None


def of_measurements(reader: Reader, measurements: Iterable[int]) -> dict[int, Lineage]:
    """Return the lineage of measurements by number, each with that measurement alone.

    Args:
        reader: Open.
        measurements: Numbers; unknown ones are left out of the answer.
    """
    heads = reader.ask(ask.MEASURED, measurements)
    taken = _measured(reader, [parts["measurement"] for parts in heads])
    prints = _prints(reader, heads)
    given = _by(reader, ask.FACTORS, _pieces(heads), "factor", "specimen_id")
    own = {parts["measurement"].spool_id for parts in heads} - {None}
    spools = spool_histories(reader, sorted(own)) if own else {}
    found = {}
    for parts, measured in zip(heads, taken, strict=True):
        specimen = parts.get("specimen")
        found[measured.measurement.id] = Lineage(
            specimen,
            None if "job" not in parts else prints[parts["job"].id],
            spools.get(measured.measurement.spool_id or 0),
            [measured],
            [] if specimen is None else given[specimen.id],
        )
    return found


def of_specimens(reader: Reader, specimens: Iterable[int], *, measured: bool = True) -> dict[int, Lineage]:
    """Return the lineage of specimens by row number.

    Args:
        reader: Open.
        specimens: Row numbers; unknown ones are left out of the answer.
        measured: Whether their measurements are wanted too.
    """
    return _lineages(reader, reader.ask(ask.SPECIMENS, specimens), measured=measured)


def of_piece(reader: Reader, job: int, piece: int) -> Lineage | None:
    """Return the lineage of a piece of a job, with its measurements; None where there is none."""
    return next(
        iter(_lineages(reader, reader.ask(ask.PIECE, job, piece=piece), measured=True).values()), None
    )


def of_jobs(reader: Reader, jobs: Iterable[int]) -> dict[int, Print]:
    """Return jobs by number with everything recorded of the print."""
    return _prints(reader, reader.ask(ask.JOBS, jobs))


def spool_histories(reader: Reader, spools: Iterable[int]) -> dict[int, SpoolHistory]:
    """Return spools by number with all their storage periods and dryings."""
    found = reader.ask(ask.SPOOLS, spools)
    histories = {parts["spool"].id: SpoolHistory(parts["spool"], parts["material"]) for parts in found}
    _put_days(reader, histories)
    return histories


def _lineages(reader: Reader, heads: Sequence[Parts], *, measured: bool) -> dict[int, Lineage]:
    numbers = _pieces(heads)
    prints = _prints(reader, heads)
    given = _by(reader, ask.FACTORS, numbers, "factor", "specimen_id")
    taken: dict[int, list[Measured]] = defaultdict(list)
    if measured:
        rows = [parts["measurement"] for parts in reader.ask(ask.MEASUREMENTS, numbers)]
        for each in _measured(reader, rows):
            taken[each.measurement.specimen_id or 0].append(each)
    return {
        parts["specimen"].id: Lineage(
            parts["specimen"], prints[parts["job"].id], None, taken[parts["specimen"].id],
            given[parts["specimen"].id],
        )
        for parts in heads
    }  # fmt: skip


def _pieces(heads: Sequence[Parts]) -> list[int]:
    return [parts["specimen"].id for parts in heads if "specimen" in parts]


def _by(
    reader: Reader, question: Question, keys: Sequence[int], part: str, column: str
) -> Mapping[int, list[Any]]:
    """Return the rows that answer a question, by the record they belong to."""
    found: dict[int, list[Any]] = defaultdict(list)
    for parts in reader.ask(question, keys):
        found[parts[part][column]].append(parts[part])
    return found


def _prints(reader: Reader, heads: Sequence[Parts]) -> dict[int, Print]:
    """Return the jobs that rows name, each once."""
    prints: dict[int, Print] = {}
    for parts in heads:
        if "job" in parts and parts["job"].id not in prints:
            prints[parts["job"].id] = Print(parts["job"], parts.get("plate"), parts.get("material"))
    if not prints:
        return prints
    changes = _by(reader, ask.CHANGES, list(prints), "change", "job_id")
    logs = _by(reader, ask.LOGS, list(prints), "log", "job_id")
    uses = reader.ask(ask.SPOOLS_OF_JOB, prints)
    histories = {parts["spool"].id: SpoolHistory(parts["spool"], parts["material"]) for parts in uses}
    _put_days(reader, histories)
    spools: dict[int, list[SpoolHistory]] = defaultdict(list)
    for parts in uses:
        use = parts["used"]
        spools[use.job_id].append(histories[use.spool_id].before(prints[use.job_id].job.started_at, use))
    for number, each in prints.items():
        each.changes, each.logs, each.spools = changes[number], logs[number], spools[number]
    return prints


def _put_days(reader: Reader, histories: Mapping[int, SpoolHistory]) -> None:
    if not histories:
        return
    storage = _by(reader, ask.STORAGE, list(histories), "stay", "spool_id")
    dryings: dict[int, list[Dried]] = defaultdict(list)
    for parts in reader.ask(ask.DRYINGS, histories):
        dryings[parts["masses"].spool_id].append(Dried(parts["drying"], parts["masses"]))
    for number, history in histories.items():
        history.storage, history.dryings = storage[number], dryings[number]


def _measured(reader: Reader, measurements: Sequence[Measurement]) -> list[Measured]:
    """Return measurements with their results, rigs and recordings."""
    numbers = [row.id for row in measurements]
    if not numbers:
        return []
    results: dict[int, dict[int, Judged]] = defaultdict(dict)
    for parts in reader.ask(ask.RESULTS, numbers):
        result = parts["result"]
        # The join repeats a result for each verdict on it.
        judged = results[result.measurement_id].setdefault(result.id, Judged(result))
        if "verdict" in parts:
            judged.verdicts.append(parts["verdict"])
    rigs: dict[int, list[RigUse]] = defaultdict(list)
    for parts in reader.ask(ask.RIGS, numbers):
        use = RigUse(parts["rig"], parts["used"], parts.get("calibration"))
        rigs[use.used.measurement_id].append(use)
    files: dict[int, list[Recorded]] = defaultdict(list)
    for parts in reader.ask(ask.FILES, numbers):
        files[parts["file"].measurement_id].append(Recorded(parts["file"], parts["attachment"]))
    return [
        Measured(row, list(results[row.id].values()), rigs[row.id], files[row.id]) for row in measurements
    ]
