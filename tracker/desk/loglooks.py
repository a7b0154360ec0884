"""Logs looked at: a new one before it is kept, and the kept ones over the layers of a piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tracker.book import Book
from tracker.chamberlog import Aligned, Band, Log, Mark, log_chart
from tracker.desk.logs import By, LogFile, doubts_of, laid_beside, logs_of, read_log
from tracker.desk.plates import plate_of
from tracker.errors import Refused
from tracker.ids import job_id, specimen_id
from tracker.kinds import find
from tracker.model import Job, Specimen
from tracker.platefile import Layer
from tracker.plugins import Plugged
from tracker.units import compact, parse


@dataclass(frozen=True)
class LogLook:
    """What a log would be, if it were kept.

    Attributes:
        job: ID of the job.
        how: What was guessed about the file, one line each.
        offset_s: Seconds from the job's start to the log's first row; None where it cannot be laid beside it.
        laid: How it lies beside the job, in one sentence; empty where it does not.
        doubts: Gaps, readings that stand still, jumps of the clock, ends that are missing.
        refusal: Why it cannot be laid beside the job; empty where it can.
        chart: SVG of its channels over the job.
    """

    job: str
    how: tuple[str, ...]
    offset_s: float | None
    laid: str
    doubts: tuple[str, ...]
    refusal: str
    chart: str

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values, without the drawing."""
        names = ("job", "offset_s", "laid", "refusal")
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
        aligned, refusal = _laid(row, log, by, offset_s)
        # Drawn by itself where it does not fit: what rises when tells which offset is wanted.
        drawn = aligned or Aligned(log, 0.0, "")
        bands, marks = _of_job(row, known=aligned is not None)
        chart = log_chart([drawn], bands, marks, f"{file.name} over {job_id(row.id)}")
    return LogLook(
        job=job_id(row.id),
        how=tuple(log.how_read.lines()),
        offset_s=None if aligned is None else round(aligned.offset_s, 3),
        laid="" if aligned is None else aligned.how,
        doubts=tuple(doubts_of(log, aligned)),
        refusal=refusal,
        chart=chart,
    )


def _laid(row: Job, log: Log, by: By, offset_s: float | None) -> tuple[Aligned | None, str]:
    try:
        return laid_beside(row, log, by, offset_s), ""
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


def _line(name: str, said: dict[str, Any]) -> str:
    whole = said["covered"] >= 0.995  # noqa: PLR2004 - rounds to all of it
    covered = "" if whole else f", {said['covered']:.0%} of it covered"
    low, high = compact(round(said["low"], 1)), compact(round(said["high"], 1), said["unit"])
    return f"{name}: mean {said['mean']:.1f} {said['unit']}, from {low} to {high}{covered}"


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
