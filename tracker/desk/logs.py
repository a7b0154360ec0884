"""Logs aligned with jobs: looked at before they are kept, kept, and cut to the layers of each piece."""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from sqlalchemy.orm import object_session

from tracker.acts import Act
from tracker.book import Book, zone_named
from tracker.chamberlog import (
    CHANNELS,
    Aligned,
    Band,
    Log,
    Mark,
    align,
    aligned_at,
    cut,
    log_chart,
    read_csv_log,
)
from tracker.chamberlog.reading import taken_over
from tracker.desk.doubts import Done
from tracker.desk.entering import fill_in
from tracker.desk.plates import cut_again, plate_of
from tracker.errors import Refused
from tracker.factors.inforce import check_first_layer, first_layer_s, heating_doubt, plan_begins_s
from tracker.forms import Ask, FormError, clean, when_at
from tracker.history import zone_of
from tracker.ids import job_id, specimen_id
from tracker.inputs import read_input
from tracker.kinds import find
from tracker.model import Job, JobLog, Specimen
from tracker.moments import local_time as local
from tracker.platefile import Layer
from tracker.plugins import Plugged
from tracker.stating import compact
from tracker.units import parse

By = Literal["clock", "first rise", "own offset"]
ALIGNMENTS: Final[tuple[By, ...]] = ("clock", "first rise", "own offset")
Spans = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class LogFile:
    """A log as it came: its name and bytes, and how the person wants it read.

    Attributes:
        name: Name of the file.
        data: Its bytes.
        columns: Channel to heading or column number, where the reader's guess is wrong.
        zone: IANA name of the zone of times that state none; the bench's where None.
    """

    name: str
    data: bytes
    columns: Mapping[str, str] = field(default_factory=dict)
    zone: str | None = None

    @staticmethod
    def read(path: Path, mapping: Sequence[str] = (), zone: str | None = None) -> LogFile:
        """Read a file from the disk.

        Args:
            path: Where it is.
            mapping: ``chamber=COLUMN`` for each column that is named.
            zone: IANA name of the logger's zone.

        Raises:
            FormError: It cannot be read, or a column is named wrongly.
            BookError: There is no such zone.
        """
        if zone is not None:
            zone_named(zone)
        try:
            return LogFile(path.name, read_input(path, "log"), mapped_columns(mapping), zone)
        except OSError as error:
            raise FormError(f"{path} cannot be read", why=error.strerror or str(error)) from error


def mapped_columns(typed: Sequence[str]) -> dict[str, str]:
    """Return channel to heading or column number, from ``chamber=COLUMN`` each.

    Raises:
        FormError: One names no channel or no column.
    """
    return dict(_mapped(each) for each in typed)


def _mapped(text: str) -> tuple[str, str]:
    channel, sign, column = (part.strip() for part in text.partition("="))
    if not sign or not column or channel not in CHANNELS:
        raise FormError(f"{text!r} names no column", do=f"Write {'|'.join(CHANNELS)}=HEADING or =NUMBER")
    return channel, column


def add_log(
    book: Book,
    who: str,
    plugged: Plugged,
    job: str,
    file: LogFile,
    by: By = "clock",
    offset_s: float | None = None,
) -> Done:
    """Keep a log of a job and take from it what concerns each piece.

    Args:
        book: The book.
        who: Who enters it.
        plugged: The readers of logs.
        job: ID of the job.
        file: The log.
        by: What it is aligned by.
        offset_s: For ``own offset``: seconds from the job's start to the log's first row.

    Returns:
        The job; ``says`` tells what was guessed, the offset, and what is doubtful.

    Raises:
        Refused: It is no log, of another day, or the job's start is not known.
    """
    log = read_log(book, plugged, file)
    with book.act("job log", who) as act:
        row = find(book, act.session, job, "job")
        aligned = aligned_with_job(row, log, by, offset_s)
        kept = JobLog(
            job_id=row.id, sha256=act.attach(file.data, file.name), name=file.name,
            offset_s=round(aligned.offset_s, 3), aligned_by=by,
            channels=[_channel_data(log, name) for name in log.channels],
            mapping={"columns": dict(file.columns), "zone": file.zone} if file.columns or file.zone else None,
            how=[*log.how_read.lines(), aligned.how], problems=doubts_of(log, aligned),
        )  # fmt: skip
        row.logs.append(kept)
        act.session.add(kept)
        act.session.flush()
        covered = _cut_all(book, row, [*_others(book, plugged, row, kept), (kept, aligned)])
        act.about.append(job_id(row.id))
        early = heating_doubt(row, [aligned])
    return Done(job_id(row.id), [*kept.how, *kept.problems, *covered, *early])


def doubts_of(log: Log, aligned: Aligned | None) -> list[str]:
    """Return what a person should mind of a log and of where it lies, one sentence each."""
    return [*map(str, log.problems), *(aligned.problems if aligned is not None else ())]


def _channel_data(log: Log, name: Any) -> dict[str, Any]:
    channel = log.channels[name]
    some = channel.values.size > 0
    return {
        "name": channel.name, "unit": channel.unit, "header": channel.header,
        "readings": int(channel.values.size),
        "low": round(float(channel.values.min()), 3) if some else None,
        "high": round(float(channel.values.max()), 3) if some else None,
    }  # fmt: skip


def read_log(book: Book, plugged: Plugged, file: LogFile) -> Log:
    """Read a log by the first reader that knows it; named columns and a zone concern the CSV reader.

    Raises:
        Refused: No reader knows it; the CSV reader says why not.
    """
    with tempfile.TemporaryDirectory(prefix="strandbook-") as folder:
        path = Path(folder, Path(file.name).name or "log")
        path.write_bytes(file.data)
        found = None if file.columns else plugged.read_log(path)
    if found is None:
        return _csv(book, file)
    log = taken_over(found)
    # Without a zone the CSV reader leaves local times without a place; the bench has one.
    return _csv(book, file) if log.basis in ("local", "time of day") else log


def _csv(book: Book, file: LogFile) -> Log:
    zone = zone_named(file.zone) if file.zone else book.zone
    return read_csv_log(file.data, zone=zone, columns=dict(file.columns) or None)


def aligned_with_job(row: Job, log: Log, by: By, offset_s: float | None = None) -> Aligned:
    """Return a log aligned with a job.

    Args:
        row: The job.
        log: As read.
        by: What it is aligned by.
        offset_s: For ``own offset``: seconds from the job's start to the log's first row.

    Raises:
        Refused: The job's start is not known, no offset was stated, or the log is of another time.
    """
    if row.started_at is None:
        name = job_id(row.id)
        raise FormError(
            f"{name} has no start to align the log with",
            do=f"strandbook correct {name} started_at=TIME --reason 'not entered'",
        )
    if by == "own offset":
        if offset_s is None:
            raise FormError(
                "No offset was stated", do="Say how long after the job's start the log begins: -90 s"
            )
        return aligned_at(log, offset_s)
    session = object_session(row)
    zone = dt.UTC if session is None else zone_of(session)
    return align(log, row.started_at, by, job_ended=row.ended_at, zone=zone)


def logs_of(book: Book, plugged: Plugged, row: Job) -> list[Aligned]:
    """Return the logs of a job, read from their kept files and laid beside it as they were entered.

    Raises:
        Refused: A file is missing, or a log does not belong to the job as it is now.
    """
    return [aligned for _, aligned in _others(book, plugged, row, None)]


def _others(book: Book, plugged: Plugged, row: Job, besides: JobLog | None) -> list[tuple[JobLog, Aligned]]:
    """Return the other logs of a job, read again and laid beside it."""
    return [
        (kept, _as_entered(row, _read_again(book, plugged, kept), kept))
        for kept in sorted(row.logs, key=lambda each: each.id)
        if kept is not besides
    ]


def _as_entered(row: Job, log: Log, kept: JobLog) -> Aligned:
    by = next(each for each in ALIGNMENTS if each == kept.aligned_by)
    return aligned_with_job(row, log, by, kept.offset_s)


def _read_again(book: Book, plugged: Plugged, kept: JobLog) -> Log:
    mapping = kept.mapping or {}
    data = book.files.get(kept.sha256)
    return read_log(
        book, plugged, LogFile(kept.name, data, mapping.get("columns") or {}, mapping.get("zone"))
    )


def _cut_all(book: Book, row: Job, logs: Sequence[tuple[JobLog, Aligned]]) -> list[str]:
    """Put into every piece what the logs say of it; returns what should be known of the cover."""
    poor = 0
    for piece in row.specimens:
        spans = _spans(piece, row, logs)
        section = _over(spans, logs)
        piece.log_facts = {"section": section, "over": _over_what(piece)}
        at_break = _break_spans(book, row, piece)
        if at_break:
            piece.log_facts = {**piece.log_facts, "at_break": _over(at_break, logs)}
        poor += any(each["covered"] < 0.995 for each in section.values())  # noqa: PLR2004 - rounds to all
    return [f"The log does not cover all of the time of {poor} pieces."] if poor else []


def _over_what(piece: Specimen) -> str:
    return "gauge section" if (piece.plate_facts or {}).get("spans_s") else "whole job"


def _spans(piece: Specimen, row: Job, logs: Sequence[tuple[JobLog, Aligned]]) -> Spans:
    """Return when the gauge section was printed; without a plate, the whole job."""
    spans = (piece.plate_facts or {}).get("spans_s")
    if spans:
        begins = plan_begins_s(row)
        return [(begins + start, begins + end) for start, end in spans]
    if row.started_at is not None and row.ended_at is not None:
        return [(0.0, (row.ended_at - row.started_at).total_seconds())]
    return [(0.0, max(0.0, *(each.offset_s + each.log.length_s for _, each in logs)))]


def _over(spans: Spans, logs: Sequence[tuple[JobLog, Aligned]]) -> dict[str, Any]:
    """Return each channel over spans, from the log that covers most of them, the later one of equals."""
    found: dict[str, Any] = {}
    for kept, aligned in logs:
        for name in aligned.log.channels:
            stats = cut(aligned, name, spans)
            covered = round(stats.covered, 4)  # compared as it is kept, so that equals are equals
            if stats.mean is None or (name in found and found[name]["covered"] > covered):
                continue
            found[name] = {
                "mean": round(stats.mean, 3), "low": stats.low, "high": stats.high, "unit": stats.unit,
                "readings": stats.readings, "covered": covered, "log": kept.id,
            }  # fmt: skip
    return found


def _break_spans(book: Book, row: Job, piece: Specimen) -> Spans:
    """Return when the layer was printed in which a piece broke; empty where it is not known."""
    key = (piece.plate_facts or {}).get("key")
    if piece.broken_height_mm is None or key is None:
        return []
    thing = next((each for each in plate_of(book, row).objects if each.key == key), None)
    layers = thing.layer_facts if thing is not None else ()
    begins = plan_begins_s(row)
    return [
        (begins + layer.start_s, begins + layer.end_s)
        for layer in layers
        if layer.z_mm - layer.height_mm <= piece.broken_height_mm < layer.z_mm
    ][:1]


def refresh(act: Act, book: Book, plugged: Plugged, row: Job) -> None:
    """Lay a job's logs beside it again and cut them again, after its times or a piece were corrected.

    Raises:
        Refused: A log does not belong to the job as it is now.
    """
    if not row.logs:
        return
    logs = _others(book, plugged, row, None)
    for kept, aligned in logs:
        kept.offset_s = round(aligned.offset_s, 3)
    _cut_all(book, row, logs)
    act.session.flush()


def after_correcting(act: Act, book: Book, plugged: Plugged, row: Any, changed: Sequence[str]) -> None:
    """Bring what rests on plate and logs up to date after a job or a piece was corrected.

    Raises:
        Refused: The correction and a log or plate cannot both be true.
    """
    if isinstance(row, Job) and {"started_at", "first_layer_at", "ended_at"} & set(changed):
        refresh(act, book, plugged, row)
    if isinstance(row, Specimen) and {"geometry", "gauge", "broken_height_mm"} & set(changed):
        if "gauge" in changed or ("geometry" in changed and row.geometry and row.plate_facts):
            cut_again(book, row, act.who if "gauge" in changed else "")
        refresh(act, book, plugged, row.job)


@dataclass(frozen=True)
class LogLook:
    """What a log would be, if it were kept.

    Attributes:
        job: ID of the job.
        how: What was guessed about the file, one line each.
        offset_s: Seconds from the job's start to the log's first row; None where it cannot be laid beside it.
        placing: How it lies beside the job, in one sentence; empty where it does not.
        doubts: Gaps, readings that stand still, jumps of the clock, ends that are missing.
        refusal: Why it cannot be laid beside the job; empty where it can.
        chart: SVG of its channels over the job.
    """

    job: str
    how: tuple[str, ...]
    offset_s: float | None
    placing: str
    doubts: tuple[str, ...]
    refusal: str
    chart: str

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values, without the drawing."""
        names = ("job", "offset_s", "placing", "refusal")
        return {name: getattr(self, name) for name in names} | {
            "how": list(self.how),
            "doubts": list(self.doubts),
        }


def offset_typed(text: str) -> float | None:
    """Return a stated offset in s; None where nothing was typed.

    Raises:
        Refused: It is no time.
    """
    return parse(text, "s", "offset") if text.strip() else None


def look_at_log(
    book: Book,
    plugged: Plugged,
    job: str,
    file: LogFile,
    by: By = "clock",
    offset_s: float | None = None,
) -> LogLook:
    """Read a log and lay it beside a job, and keep nothing.

    Args:
        book: The book.
        plugged: The readers of logs.
        job: ID of the job.
        file: The log.
        by: What it is aligned by.
        offset_s: For ``own offset``: seconds from the job's start to the log's first row.

    Raises:
        Refused: It is no log, or there is no such job. A log that does not fit the job is told, not refused.
    """
    log = read_log(book, plugged, file)
    with book.read() as session:
        row = find(book, session, job, "job")
        aligned, refusal = _aligned_or_why_not(row, log, by, offset_s)
        # Drawn by itself where it does not fit: what rises when tells which offset is wanted.
        drawn = aligned or Aligned(log, 0.0, "")
        bands, marks = _of_job(row, known=aligned is not None)
        chart = log_chart([drawn], bands, marks, f"{file.name} over {job_id(row.id)}")
    return LogLook(
        job=job_id(row.id),
        how=tuple(log.how_read.lines()),
        offset_s=None if aligned is None else round(aligned.offset_s, 3),
        placing="" if aligned is None else aligned.how,
        doubts=tuple(doubts_of(log, aligned)),
        refusal=refusal,
        chart=chart,
    )


def _aligned_or_why_not(row: Job, log: Log, by: By, offset_s: float | None) -> tuple[Aligned | None, str]:
    try:
        return aligned_with_job(row, log, by, offset_s), ""
    except Refused as refusal:
        return None, str(refusal)


def _of_job(row: Job, *, known: bool) -> tuple[list[Band], list[Mark]]:
    """Return the layers that are known of a job, and its start; nothing for a log without a place."""
    if not known:
        return [], []
    spans = [span for piece in row.specimens for span in (piece.plate_facts or {}).get("spans_s", ())]
    bands = [Band(min(start for start, _ in spans), max(end for _, end in spans), "job")] if spans else []
    if row.started_at is not None and row.ended_at is not None:
        bands = [Band(0.0, (row.ended_at - row.started_at).total_seconds(), "job")]
    return bands, [Mark(0.0, "start")]


@dataclass(frozen=True)
class PieceLog:
    """The logs of a piece's job over its layers: what to draw, and a line for each channel.

    Attributes:
        lines: Mean, least and greatest value of each channel over the gauge section.
        over: ``gauge section``, or ``whole job`` where no plate says which layers they are.
        made_of: What the drawing hangs on; equal for equal drawings.
    """

    lines: tuple[str, ...]
    over: str
    made_of: tuple[Any, ...]


def piece_log(row: Specimen) -> PieceLog | None:
    """Return what logs say of a piece; None where its job has none.

    Args:
        row: The piece, with its job at hand.
    """
    logs = sorted(row.job.logs, key=lambda each: each.id)
    if not logs:
        return None
    facts, plate = row.log_facts or {}, row.plate_facts or {}
    section = facts.get("section") or {}
    made_of = (
        specimen_id(row.job_id, row.piece),
        row.job.plate_sha256,
        tuple((each.sha256, each.offset_s, repr(each.mapping)) for each in logs),
        repr(plate.get("spans_s")),
        row.broken_height_mm,
        (row.job.started_at, row.job.ended_at),
    )
    lines = tuple(_line(name, section[name]) for name in sorted(section))
    return PieceLog(lines, facts.get("over", "whole job"), made_of)


def _line(name: str, typed: dict[str, Any]) -> str:
    whole = typed["covered"] >= 0.995  # noqa: PLR2004 - rounds to all of it
    covered = "" if whole else f", {typed['covered']:.0%} of it covered"
    low, high = compact(round(typed["low"], 1)), compact(round(typed["high"], 1), typed["unit"])
    return f"{name}: mean {typed['mean']:.1f} {typed['unit']}, from {low} to {high}{covered}"


def piece_log_chart(book: Book, plugged: Plugged, piece: str) -> str:
    """Draw the logs of a piece's job with its layers shaded, its gauge section stronger, as SVG.

    Args:
        book: The book.
        plugged: The readers of logs.
        piece: ID of the piece.

    Raises:
        Refused: No log was kept, or its file or the plate's is missing.
    """
    with book.read() as session:
        row: Specimen = find(book, session, piece, "specimen")
        logs = logs_of(book, plugged, row.job)
        if not logs:
            raise Refused(f"No log was kept of {job_id(row.job_id)}", do="strandbook job log JOB FILE")
        layers = _layers(book, row)
        spans = [(start, end) for start, end in (row.plate_facts or {}).get("spans_s") or ()]
        bands, marks = _of_job(row.job, known=True)
        bands += _band([(layer.start_s, layer.end_s) for layer in layers], "piece")
        bands += _band(spans, "gauge")
        marks += [Mark(at, "broke here", "broke") for at in _broke(layers, row.broken_height_mm)]
        return log_chart(logs, bands, marks, f"Log over the layers of {specimen_id(row.job_id, row.piece)}")


def _layers(book: Book, row: Specimen) -> Sequence[Layer]:
    key = (row.plate_facts or {}).get("key")
    if key is None:
        return ()
    found = next((each for each in plate_of(book, row.job).objects if each.key == key), None)
    return found.layer_facts if found is not None else ()


def _band(spans: Sequence[tuple[float, float]], kind: Any) -> list[Band]:
    """Return one stretch over all spans."""
    return [Band(min(start for start, _ in spans), max(end for _, end in spans), kind)] if spans else []


def _broke(layers: Sequence[Layer], height_mm: float | None) -> list[float]:
    """Return when the layer was begun in which a piece broke; nothing where that is not known."""
    if height_mm is None:
        return []
    return [each.start_s for each in layers if each.z_mm - each.height_mm <= height_mm < each.z_mm][:1]


_FORM: Final = (
    Ask("first_layer_at", "First layer began", "moment"),
    Ask("heating_s", "Heating", "number", "s", low=0, high=86_400),
)


def first_layer(book: Book, who: str, plugged: Plugged, job: str, typed: Mapping[str, Any]) -> Done:
    """Enter when the first layer of a job began, or how long it heated before.

    Args:
        book: The book.
        who: Who says it.
        plugged: The readers of logs, which are cut again.
        job: ID of the job.
        typed: ``first_layer_at``, or ``heating_s``.

    Raises:
        FormError: Neither or both, no start to count from, a time outside the job, or one is recorded
            already.
        Refused: There is no such job, or a log does not belong to the job as it is now.
    """
    values = clean(_FORM, typed, when_at(book))
    if (values["first_layer_at"] is None) == (values["heating_s"] is None):
        raise FormError("When did the first layer begin", do="Give its TIME, or --heating '12 min'")
    with book.act("job first-layer", who) as act:
        row = find(book, act.session, job, "job")
        at = values["first_layer_at"] or _after_heating(row, values["heating_s"])
        fill_in(row, {"first_layer_at": at}, job_id(row.id))
        check_first_layer(row, book.zone)
        act.about.append(job_id(row.id))
        refresh(act, book, plugged, row)
    return Done(job_id(row.id), [f"The first layer began at {local(at, book.zone)}."])


def _after_heating(row: Job, seconds: float) -> dt.datetime:
    if row.started_at is None:
        raise FormError(
            f"{job_id(row.id)} has no start to count the heating from", do="Give the TIME instead"
        )
    # What the plate does before its first layer (a purge, a skirt) it does after the heating.
    return row.started_at + dt.timedelta(seconds=seconds + (first_layer_s(row) or 0.0))
