"""Where a book is, which schema it has, and what its database's own errors mean to the person."""

from __future__ import annotations

import os
from contextlib import nullcontext
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, inspect, make_url, text
from sqlalchemy.exc import OperationalError, ProgrammingError

from tracker.errors import Refused
from tracker.model import SCHEMA


class BookError(Refused):
    """A book cannot be found, opened, read or written as asked."""


def refusal_for(place: str, error: Exception) -> BookError:
    """Return what a database's error means to the person, with what to do."""
    # By the words and not by error codes: the two drivers share no codes, and SQLite reports a full or a
    # read-only disk through the same class as a wrong statement.
    said = str(getattr(error, "orig", error)).lower()
    kinds: list[tuple[str, str, str]] = [
        ("readonly", "may not be written", "Check who may write there; reading goes on as before"),
        ("read-only", "may not be written", "Check who may write there; reading goes on as before"),
        ("is full", "does not fit on the disk any more", "Free some space and repeat the command"),
        ("no space left", "does not fit on the disk any more", "Free some space and repeat the command"),
        ("locked", "is being written by somebody else", "Wait a moment and repeat the command"),
        ("not a database", "is no SQLite file", "Bring it back from a backup: strandbook restore FILE"),
        ("malformed", "is damaged", "Bring it back from a backup: strandbook restore FILE"),
        ("unable to open", "cannot be opened", "Check the path and who may read it"),
        ("connection to server", "cannot be reached", "Check that the server runs, and the URL"),
    ]
    for word, what, do in kinds:
        if word in said:
            return BookError(f"The book {place} {what}", do=f"Nothing was written. {do}")
    return BookError(f"The book {place} did not take this", why=_first_line(error), do="Nothing was written")


def _first_line(error: Exception) -> str:
    return next(iter(str(getattr(error, "orig", error)).strip().splitlines()), type(error).__name__)


BOOK_FILE: Final = "book.sqlite"
"""Name of the database in a book's folder."""


def find_place(start: Path, named: str | None = None) -> str:
    """Return the place of the book that is meant: the named one, else the one here or above.

    Raises:
        BookError: There is none.
    """
    if named:
        return named
    for folder in (start, *start.parents):
        if (folder / BOOK_FILE).exists():
            return str(folder)
    raise BookError(
        "There is no book in this folder or above it",
        do="Name one with --book FOLDER, or begin one: strandbook init FOLDER",
    )


def is_url(place: str) -> bool:
    """Whether a place is a database server and not a folder."""
    return "://" in place


def files_folder(place: str) -> Path:
    """Return the folder of attachments: beside the SQLite file, or named in the URL as ``files=``.

    Raises:
        BookError: A URL without ``files=`` and no ``STRANDBOOK_FILES`` set.
    """
    if not is_url(place):
        return Path(place) / "files"
    named = make_url(place).query.get("files") or os.environ.get("STRANDBOOK_FILES")
    if not named:
        raise BookError(
            "A book on a server needs a shared folder for its attachments",
            do="Add ?files=/path/to/folder to the URL, or set STRANDBOOK_FILES",
        )
    return Path(str(named))


def schema_of(connection: Connection) -> str | None:
    """Return the schema version written in a database, or None where there is no book."""
    try:
        # On a server a failed statement spoils its whole transaction; a savepoint keeps the question from
        # costing the answer to the next one.
        with connection.begin_nested() if connection.dialect.name != "sqlite" else nullcontext():
            return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    except (OperationalError, ProgrammingError) as error:
        if "no such table" in str(error.orig) or type(error.orig).__name__ == "UndefinedTable":
            return None
        raise


def check_empty(place: str, connection: Connection) -> None:
    """Let through only a database in which there is nothing yet.

    Raises:
        BookError: There is a book, or tables of something else.
    """
    if schema_of(connection) is not None:
        raise BookError(f"{place} is a book already", do="Choose another place")
    if tables := inspect(connection).get_table_names():
        raise BookError(f"{place} holds other tables ({', '.join(tables[:3])})", do="Choose another place")


def check_schema(place: str, connection: Connection) -> None:
    """Let through only a book of the schema this program knows.

    Raises:
        BookError: There is no book, or it is older or newer; the text says what to do.
    """
    found = schema_of(connection)
    if found is None:
        raise BookError(f"{place} is not a book", do=f"Begin one: strandbook init {place}")
    # Revisions are numbered with leading noughts, so that texts compare as numbers do.
    if found < SCHEMA:
        raise BookError(
            f"{place} was written by an older version (schema {found}, this program: {SCHEMA})",
            do="strandbook upgrade makes a backup and brings it up to date",
        )
    if found > SCHEMA:
        raise BookError(
            f"{place} was written by a newer version (schema {found}, this program: {SCHEMA})",
            do="Install the newer strandbook to open it",
        )
