"""A mark of the state that a book is in."""

from __future__ import annotations

from sqlalchemy import select

from tracker.book import Book
from tracker.model import JournalRecord


def state_of(book: Book) -> str:
    """Return the hash of the newest journal entry: as long as it is the same, so is every answer."""
    with book.connect() as connection:
        newest = select(JournalRecord.hash).order_by(JournalRecord.seq.desc()).limit(1)
        return str(connection.execute(newest).scalar() or "")
