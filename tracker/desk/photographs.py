"""Photographs of a plate or a piece: kept whole, with when and by whom they were taken in and a note."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.finding import NotFoundError, find, ident_of
from tracker.errors import Refused
from tracker.model import Photograph, Specimen

MOST_BYTES: Final = 15_000_000
SHOWN: Final = ("image/png", "image/jpeg", "image/webp", "image/gif")
"""Kinds that every browser shows; what no reader can look at would be kept in vain."""

_BEGINNINGS: Final[Mapping[str, tuple[bytes, ...]]] = {
    "image/png": (b"\x89PNG\r\n\x1a\n",),
    "image/jpeg": (b"\xff\xd8\xff",),
    "image/gif": (b"GIF87a", b"GIF89a"),
    "image/bmp": (b"BM",),
    "image/tiff": (b"II*\x00", b"MM\x00*"),
}


def picture_kind(data: bytes) -> str:
    """Return the media type of a picture by its first bytes; empty where it is none that we know."""
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp"
    return next((kind for kind, begins in _BEGINNINGS.items() if data.startswith(begins)), "")


def read_photograph(path: Path) -> bytes:
    """Return the bytes of a photograph on the disk.

    Raises:
        Refused: It cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise Refused(f"{path} cannot be read", why=error.strerror or str(error)) from error


def add_photograph(book: Book, who: str, target: str, name: str, data: bytes, note: str = "") -> Done:
    """Keep a photograph of a plate or of a piece.

    It bears the time at which it was taken in: what a camera wrote into the file may be of another zone, of
    a clock that was never set, or of another picture, and is not read.

    Args:
        book: The book.
        who: Who enters it.
        target: ID of the job or the piece.
        name: Name of the file.
        data: Its bytes.
        note: What is to be seen.

    Raises:
        Refused: It is too large or no picture of a known kind, or there is no such job or piece.
    """
    kind = picture_kind(data)
    if kind not in SHOWN:
        raise Refused(f"{name} is no photograph that can be shown", do="Send JPEG, PNG, WebP or GIF")
    if len(data) > MOST_BYTES:
        raise Refused(f"{name} has more than {MOST_BYTES // 1_000_000} MB", do="Take a smaller one")
    with book.act("photograph", who) as act:
        row = find(book, act.session, target, "job", "specimen")
        piece = row if isinstance(row, Specimen) else None
        about = str(ident_of(row))
        act.session.add(
            Photograph(
                job_id=row.id if piece is None else piece.job_id,
                specimen_id=None if piece is None else piece.id,
                sha256=act.attach(data, name), name=name, kind=kind,
                at=act.at, by=who, note=note.strip() or None,
            )
        )  # fmt: skip
        act.about.append(about)
    return Done(about, [f"Kept a photograph of {about}."])


def photograph_of(book: Book, target: str, number: int) -> tuple[bytes, str, dt.datetime]:
    """Return a photograph's bytes, media type and time.

    Args:
        book: The book.
        target: ID of the job or piece that it is shown at.
        number: Of the photograph.

    Raises:
        Refused: That job or piece has none of that number, or its file is missing.
    """
    with book.read() as session:
        row = find(book, session, target, "job", "specimen")
        kept = session.get(Photograph, number)
        own = kept is not None and (
            kept.specimen_id == row.id if isinstance(row, Specimen) else kept.job_id == row.id
        )
        if kept is None or not own:
            raise NotFoundError(f"{target} has no photograph {number}")
        return book.files.get(kept.sha256), kept.kind, kept.at
