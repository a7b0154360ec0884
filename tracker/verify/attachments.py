"""The attachments against their digests: missing, changed, named by nobody."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, func, select

from tracker.book import Book
from tracker.errors import Refused
from tracker.files import Files
from tracker.ids import job_id, measurement_id
from tracker.model import Attachment, Job, JournalRecord, MeasurementFile, Photograph
from tracker.progress import Progress
from tracker.stored_rows import raw
from tracker.verify.chain import origin_of
from tracker.verify.findings import Finding, Origin
from tracker.verify.ledger import Replay

_EVERY = 100
_SHOWN = 5


def check_attachments(connection: Connection, replay: Replay, progress: Progress) -> None:
    """Read every attachment and every manifest once, and name those that are not what they were.

    Where the whole place of them is away that is one finding, and not one for each.
    """
    if trouble := replay.files.trouble():
        away = not _holds_any(replay.files)
        unread = "; no attachment and no list of imported rows could be read" if away else ""
        text = f"The {replay.files.noun} {replay.files.where} {trouble}{unread}"
        replay.findings.add(Finding("attachment", text))
        if away:
            return
    total = connection.scalar(select(func.count()).select_from(Attachment)) or 0
    total += len(replay.manifests)
    for row in _rows(connection, replay.after):
        trouble = _trouble(replay, row.sha256)
        if trouble:
            replay.findings.add(_finding(connection, row, trouble))
        _count(replay, progress, total)
    # Manifests have no row of their own; without this look a lost one would be noticed as rows that cannot
    # be judged.
    for digest, origin in replay.manifests.items():
        trouble = _trouble(replay, digest)
        if trouble:
            replay.findings.add(_manifest_finding(digest, origin, trouble))
        _count(replay, progress, total)
    _note_unnamed(connection, replay)


def _holds_any(files: Files) -> bool:
    try:
        return next(files.stored(), None) is not None
    except OSError:
        return False


def _rows(connection: Connection, after: int) -> Any:
    table = Attachment.__table__
    columns = [raw(table.c[name]).label(name) for name in ("sha256", "name", "entry")]
    statement = select(*columns).where(raw(table.c.entry) > after).order_by(table.c.sha256)
    return connection.execute(statement).all()


def _trouble(replay: Replay, digest: str) -> str:
    unchanged = replay.files.unchanged(str(digest))
    if unchanged is None:
        return "is missing from the attachment folder"
    return "" if unchanged else "has changed: its bytes are not the ones that were kept"


def _finding(connection: Connection, row: Any, trouble: str) -> Finding:
    identity, use = _use(connection, row.sha256)
    origin = origin_of(connection, row.entry) if isinstance(row.entry, int) else None
    came = f"; {origin} brought it in" if origin else ""
    text = f"The attachment {str(row.name)[:60]!r} ({str(row.sha256)[:12]}…{use}) {trouble}{came}"
    return Finding("attachment", text, identity, "attachment", str(row.sha256), origin)


def _use(connection: Connection, digest: str) -> tuple[str, str]:
    """Return the ID of a row that uses an attachment, and words for it."""
    # A person asks which reading is affected, and not which digest.
    measurement = connection.scalar(
        select(MeasurementFile.measurement_id).where(MeasurementFile.sha256 == digest).limit(1)
    )
    if measurement is not None:
        return measurement_id(measurement), f", of measurement {measurement_id(measurement)}"
    job = connection.scalar(select(Job.id).where(Job.plate_sha256 == digest).order_by(Job.id).limit(1))
    pictured = connection.scalar(select(Photograph.job_id).where(Photograph.sha256 == digest).limit(1))
    if job is None and pictured is not None:
        return job_id(pictured), f", a photograph of job {job_id(pictured)}"
    return (job_id(job), f", the plate file of job {job_id(job)}") if job is not None else ("", "")


def _manifest_finding(digest: str, origin: Origin, trouble: str) -> Finding:
    text = f"The list of rows ({digest[:12]}…) that {origin} imported {trouble}; its rows cannot be checked"
    return Finding("attachment", text, "", "attachment", digest, origin)


def _count(replay: Replay, progress: Progress, total: int) -> None:
    counts = replay.findings.counts
    counts["attachments"] += 1
    if counts["attachments"] % _EVERY == 0:
        progress("attachments", counts["attachments"], total)


def _note_unnamed(connection: Connection, replay: Replay) -> None:
    """List files that no row names: what a killed program leaves is harmless, and takes room."""
    if replay.after:
        # Manifests of earlier entries were not met, and would pass for files that nobody names.
        return
    stored = set(replay.files.stored())
    stored -= set(connection.scalars(select(raw(Attachment.sha256))))
    stored -= replay.manifests.keys()
    unnamed = replay.findings.unnamed = sorted(stored)
    if unnamed:
        some = ", ".join(f"{each[:12]}…" for each in unnamed[:_SHOWN])
        more = f" and {len(unnamed) - _SHOWN} more" if len(unnamed) > _SHOWN else ""
        words = "files in the attachment folder belong"
        if len(unnamed) == 1:
            words = "file in the attachment folder belongs"
        replay.findings.notes.append(
            f"{len(unnamed)} {words} to no act: {some}{more}; "
            "an act broken off leaves such files, and verify --clean takes them away"
        )


def clean(book: Book, unnamed: list[str]) -> list[str]:
    """Take files away that no act names, and what writing left under temporary names.

    Args:
        book: Open for writing.
        unnamed: What verify listed.

    Returns:
        Digests of the files taken away.

    Raises:
        Refused: The folder is not this book's alone.
    """
    named = book.files.named()
    if named != [book.code]:
        raise Refused(
            f"The attachment folder {book.files.where} is not of this book alone",
            why=f"its marker names {', '.join(named) or 'none'}",
            do="Nothing was taken away",
        )
    gone = []
    # While nobody writes: an act that is at work has put its files there, and not yet its rows.
    with book.writing() as connection:
        for digest in unnamed:
            row = connection.scalar(select(Attachment.sha256).where(Attachment.sha256 == digest))
            listed = select(JournalRecord.seq).where(JournalRecord.body.contains(digest, autoescape=True))
            if row is None and connection.scalar(listed.limit(1)) is None:
                book.files.remove(digest)
                gone.append(digest)
        for place in book.files.remnants():
            place.unlink(missing_ok=True)
    return gone
