"""Rows as they are in a table, put into JSON's terms without trusting them.

The models' own types would stop at the first time or document that no longer parses; here a value
that is not what its column holds stays as it is, and so differs from what the journal says.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import Any, Final, TypeVar, cast

from sqlalchemy import (
    ARRAY,
    JSON,
    BigInteger,
    Boolean,
    Column,
    Connection,
    Date,
    DateTime,
    Table,
    Text,
    any_,
    literal,
    select,
    type_coerce,
)
from sqlalchemy import cast as sql_cast
from sqlalchemy.orm import Session
from sqlalchemy.sql.expression import ColumnElement
from sqlalchemy.sql.schema import ScalarElementColumnDefault
from sqlalchemy.types import NullType, TypeDecorator

from tracker.journal import canonical_row, plain

T = TypeVar("T")
Key = int | str
BATCH: Final = 5000
"""Rows at a time, and ids in one statement: well below what either database takes as parameters."""

_STORED_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{6}")


def raw(column: Any) -> ColumnElement[Any]:
    """Return a column without its type: what the driver gives is what is seen."""
    return type_coerce(column, NullType())


def bare_rows(connection: Connection, statement: Any) -> list[tuple[Any, ...]]:
    """Return the rows of a statement as the driver gives them.

    Only for columns whose types are the driver's own. Of many rows half of the time is what is put around
    them.
    """
    cursor: Any = connection.execute(statement).cursor
    rows: list[tuple[Any, ...]] = cursor.fetchall()
    return rows


def one_of(asked: Session | Connection, column: Any, numbers: Collection[int]) -> ColumnElement[bool]:
    """Return the condition that a column is one of some thousand numbers at most.

    PostgreSQL takes them as one array: a parameter each would be taken apart by driver and server, for
    longer than the rows take.
    """
    connection = asked.connection() if isinstance(asked, Session) else asked
    if connection.dialect.name == "sqlite":
        return cast("ColumnElement[bool]", column.in_(numbers))
    # As text, for the driver would look at each number for characters to be quoted.
    text = literal("{" + ",".join(map(str, numbers)) + "}", Text)
    return cast("ColumnElement[bool]", column == any_(sql_cast(text, ARRAY(BigInteger))))


class RawTable:
    """How the rows of one table are read for comparison.

    Attributes:
        table: The table.
        columns: Names of its columns, sorted: the order in which values are digested.
    """

    def __init__(self, table: Table, dialect: str) -> None:
        self.table = table
        self.columns = sorted(column.name for column in table.c)
        self._converters = [
            (place, convert)
            for place, name in enumerate(self.columns)
            if (convert := _converter(table.c[name], dialect)) is not None
        ]
        self._key = [self.columns.index(column.name) for column in table.primary_key]
        self._defaults = {name: _default(table.c[name]) for name in self.columns}
        self.numbered = len(self._key) == 1 and "id" in table.c

    def batches(
        self,
        connection: Connection,
        *,
        in_order: bool = False,
        after: int = 0,
    ) -> Iterator[list[list[Any]]]:
        """Yield the rows, some thousand at a time.

        Args:
            connection: To the book.
            in_order: Oldest first: by number, or by the entry that wrote them last where they have none.
            after: Only rows that entries after this one wrote last.
        """
        wanted = [raw(self.table.c[name]).label(f"c{n}") for n, name in enumerate(self.columns)]
        statement = select(*wanted)
        if in_order:
            statement = statement.order_by(*self._order())
        if after:
            statement = statement.where(raw(self.table.c.entry) > after)
        options = {"stream_results": True, "yield_per": BATCH}
        for rows in connection.execute(statement, execution_options=options).partitions():
            yield [self.in_json(row) for row in rows]

    def _order(self) -> list[Any]:
        keys = [raw(column) for column in self.table.primary_key]
        first = next(iter(self.table.primary_key))
        texts = isinstance(first.type, Text) and "entry" in self.table.c
        return [raw(self.table.c["entry"]), *keys] if texts else keys

    def values(self, noted: Mapping[str, Any]) -> list[Any]:
        """Return a row that the journal holds, in the order of the columns.

        A column the journal does not know was left out, or came with a later migration: then it
        holds its default.
        """
        return [noted.get(name, self._defaults[name]) for name in self.columns]

    def key(self, values: Sequence[Any]) -> Key:
        """Return the primary key of a row."""
        if self.numbered:
            number: Key = values[self._key[0]]
            return number
        return ":".join(str(values[place]) for place in self._key)

    def read_key(self, text: str) -> Key:
        """Return the primary key as the journal writes it, as :meth:`key` gives it."""
        # The journal's keys are text; a text "7" and a number 7 would be two rows to the ledger.
        return int(text) if self.numbered and text.isdecimal() else text

    def in_json(self, row: Sequence[Any]) -> list[Any]:
        """Return a row read with the models' types off, its values as JSON has them."""
        values = list(row)
        for place, convert in self._converters:
            if values[place] is not None:
                values[place] = convert(values[place])
        return values


def digest(values: Sequence[Any]) -> bytes:
    """Return 16 bytes that stand for a row."""
    try:
        text = canonical_row(values).encode()
    except (ValueError, TypeError):
        # Damage must still give a digest: it differs from the journal's, and so the row is named instead of
        # ending the walk.
        text = canonical_row([_tamed(value) for value in values]).encode()
    return hashlib.sha256(text).digest()[:16]


def batched(rows: Iterable[T], size: int = BATCH) -> Iterator[list[T]]:
    """Yield rows, or their numbers, some at a time: as many as one statement takes."""
    rest = iter(rows)
    while batch := list(islice(rest, size)):
        yield batch


@contextmanager
def lenient_text(connection: Connection) -> Iterator[None]:
    """Let text that is no longer UTF-8 be read, so that its row can be named."""
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name != "sqlite":
        yield
        return
    # The default would end the whole reading at the first damaged letter, without saying in which row.
    driver.text_factory = lambda stored: stored.decode(errors="surrogateescape")
    try:
        yield
    finally:
        driver.text_factory = str


def _tamed(value: Any) -> Any:
    """Return a value that JSON can hold, damage as its repr."""
    if isinstance(value, dict):
        return {str(name): _tamed(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_tamed(inner) for inner in value]
    try:
        canonical_row([value]).encode()
    except (ValueError, TypeError):
        return repr(value)
    return value


def _converter(column: Column[Any], dialect: str) -> Callable[[Any], Any] | None:
    kind = column.type.impl if isinstance(column.type, TypeDecorator) else column.type
    if dialect != "sqlite":
        return plain if isinstance(kind, (DateTime, Date)) else None
    if isinstance(kind, DateTime):
        return _moment
    if isinstance(kind, JSON):
        return _document
    return _truth if isinstance(kind, Boolean) else None


def _moment(stored: Any) -> Any:
    # Only the exact form we write is translated. A forgiving parser would read a tampered time as the right
    # one and so hide it.
    if isinstance(stored, str) and _STORED_MOMENT.fullmatch(stored):
        return f"{stored[:10]}T{stored[11:]}Z"
    return stored


def _document(stored: Any) -> Any:
    try:
        return json.loads(stored)
    except (ValueError, TypeError):
        return stored


def _truth(stored: Any) -> Any:
    return bool(stored) if stored in (0, 1) else stored


def _default(column: Column[Any]) -> Any:
    return column.default.arg if isinstance(column.default, ScalarElementColumnDefault) else None
