"""Which schema a database has, and whether that will do."""

from __future__ import annotations

from contextlib import nullcontext

from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import OperationalError, ProgrammingError

from tracker.book.refusals import BookError
from tracker.model import SCHEMA


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
