"""The tables of a book as the database has them, of whatever schema version, and rows put back into them."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final, NamedTuple

from sqlalchemy import (
    JSON,
    Boolean,
    Connection,
    Date,
    DateTime,
    Engine,
    MetaData,
    Table,
    event,
    insert,
    text,
    update,
)
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.types import NullType

from tracker.backup.archive import BackupError
from tracker.model.base import Document
from tracker.model.derived import DERIVED
from tracker.stored_rows import BATCH, batched

VERSION_TABLE: Final = "alembic_version"
_MOMENT_LENGTH: Final = len("2026-03-02T08:00:00.000000Z")


class _Link(NamedTuple):
    """A row's reference to a row of its own table, to be put in when all are there."""

    number: int
    column: str
    to: Any


def tables_of(connection: Connection) -> list[Table]:
    """Return the tables of a book, those first that others refer to; not those that follow from others.

    They are read from the database and not from the models: a book of an older schema is copied as it is.
    """
    metadata = MetaData()
    metadata.reflect(connection)
    left_out = {VERSION_TABLE, *DERIVED}
    return [table for table in metadata.sorted_tables if table.name not in left_out]


def put_rows(connection: Connection, table: Table, columns: list[str], rows: Iterable[list[Any]]) -> int:
    """Insert rows whose values are in JSON's terms, and return how many.

    Raises:
        ValueError: A value does not fit its column.
    """
    converters = [_converter(table, name, connection.dialect.name) for name in columns]
    # A job may be another attempt at one that stands further down; no order of rows serves every book.
    later = _to_itself(table)
    links: list[_Link] = []
    number = 0
    for some in batched(rows, BATCH):
        filled = [
            {
                name: convert(value) if value is not None else None
                for name, convert, value in zip(columns, converters, row, strict=True)
            }
            for row in some
        ]
        links += (link for name in later for link in _taken_out(filled, name))
        connection.execute(insert(table), filled)
        number += len(filled)
    _put_links(connection, table, links)
    return number


def _to_itself(table: Table) -> list[str]:
    """Return the columns that refer to rows of the same table: those may come later than their own row."""
    return [column.name for column in table.c for key in column.foreign_keys if key.column.table is table]


def _taken_out(rows: list[dict[str, Any]], column: str) -> Iterator[_Link]:
    for row in rows:
        if row[column] is not None:
            yield _Link(row["id"], column, row[column])
            row[column] = None


def _put_links(connection: Connection, table: Table, links: list[_Link]) -> None:
    for link in links:
        connection.execute(update(table).where(table.c.id == link.number).values({link.column: link.to}))


def _converter(table: Table, name: str, dialect: str) -> Callable[[Any], Any]:
    """Return what turns a value of JSON into what the column takes, and prepare the column for it."""
    column = table.c[name]
    kind = column.type
    if dialect == "sqlite":
        # Raw, so that even a damaged value comes back as it was.
        column.type = NullType()
        if isinstance(kind, DateTime):
            return _stored_moment
        if isinstance(kind, (JSON, Document)):
            return _stored_document
        return int if isinstance(kind, Boolean) else _as_it_is
    if isinstance(kind, (JSON, Document)):
        column.type = JSONB(none_as_null=True)
        return _as_it_is
    if isinstance(kind, DateTime):
        return dt.datetime.fromisoformat
    return dt.date.fromisoformat if isinstance(kind, Date) else _as_it_is


def _as_it_is(value: Any) -> Any:
    return value


def _stored_moment(value: Any) -> Any:
    if isinstance(value, str) and len(value) == _MOMENT_LENGTH and value[10] == "T":
        return f"{value[:10]} {value[11:-1]}"
    return value


def _stored_document(value: Any) -> str:
    return json.dumps(value)


def let_tables_be_copied(engine: Engine) -> None:
    """Switch SQLite's foreign keys off, which it allows only before a transaction begins.

    A column is changed there by copying its table and dropping the old one, which counts as deleting
    every row that others refer to.
    """
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", lambda driver, _: driver.execute("PRAGMA foreign_keys = OFF"))


def check_references(connection: Connection) -> None:
    """Refuse to go on where a row is without the row it refers to.

    Raises:
        BackupError: There is one.
    """
    if connection.dialect.name != "sqlite":
        return
    lost = connection.execute(text("PRAGMA foreign_key_check")).all()
    if lost:
        raise BackupError(
            f"{len(lost)} rows of the table {lost[0][0]} would be without what they refer to",
            do="Nothing was changed; strandbook verify names what is damaged",
        )
