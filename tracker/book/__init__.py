"""A book: where it is, how it is opened, read and written.

One act of a person is one transaction is one journal entry. Every write goes through
:meth:`Book.act`, which takes the right to write before it reads anything (``BEGIN IMMEDIATE`` on
SQLite, the lock of the book's own row on PostgreSQL), so that numbers and the chain of hashes are
given out in one order whoever else is writing.
"""

from __future__ import annotations

from tracker.book.book import Book, LostAnswerError, new_book, now, open_book, zone_named
from tracker.book.engines import WITH_VOIDED, DatabaseRefusal, make_engine, plan_for_first_rows, with_voided
from tracker.book.place import (
    BOOK_FILE,
    BookError,
    OtherSchemaError,
    UncertainError,
    UnreachableError,
    check_empty,
    check_encoding,
    check_schema,
    files_folder,
    files_of,
    find_place,
    is_url,
    refusal_for,
    schema_of,
    shown,
)

__all__ = [
    "BOOK_FILE",
    "WITH_VOIDED",
    "Book",
    "BookError",
    "DatabaseRefusal",
    "LostAnswerError",
    "OtherSchemaError",
    "UncertainError",
    "UnreachableError",
    "check_empty",
    "check_encoding",
    "check_schema",
    "files_folder",
    "files_of",
    "find_place",
    "is_url",
    "make_engine",
    "new_book",
    "now",
    "open_book",
    "plan_for_first_rows",
    "refusal_for",
    "schema_of",
    "shown",
    "with_voided",
    "zone_named",
]
