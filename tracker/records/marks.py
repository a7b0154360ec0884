"""A mark of the state that a book is in."""

from __future__ import annotations

from typing import Final

from sqlalchemy import select

from tracker.book import Book
from tracker.model import JournalRecord

_NEWEST: Final = select(JournalRecord.hash).order_by(JournalRecord.seq.desc()).limit(1)


def state_of(book: Book) -> str:
    """Return the hash of the newest journal entry: as long as it is the same, so is every answer."""
    with book.connect() as connection:
        return str(connection.execute(_NEWEST).scalar() or "")
