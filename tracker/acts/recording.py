"""What an act did to each row, recorded by the session's own events, and text no database keeps refused.

Not by whoever adds a row: a caller who forgot would leave a row that no entry speaks of.
"""

from __future__ import annotations

import datetime as dt
import functools
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import (
    Connection,
    Date,
    DateTime,
    Dialect,
    Numeric,
    Table,
    event,
    func,
    insert,
    inspect,
    select,
)
from sqlalchemy.orm import Session
from sqlalchemy.orm.state import InstanceState
from sqlalchemy.sql.schema import ScalarElementColumnDefault
from sqlalchemy.types import TypeDecorator

from tracker.errors import Refused
from tracker.journal import RowChange, plain

if TYPE_CHECKING:
    from tracker.model import Base


def written(write: Callable[[], str], what: str, values: Iterable[Any]) -> str:
    """Return a JSON text, or refuse what has none, or what a text column cannot keep.

    Args:
        write: Makes the text.
        what: What it is the text of, for the person.
        values: Looked through for the one at fault.

    Raises:
        Refused: Something in it is not JSON, or no text.
    """
    try:
        text = write()
        text.encode()
    except ValueError as error:
        _check_each(what, values)
        raise Refused(
            "This cannot be written down", why=str(error).splitlines()[0], do="Nothing was written"
        ) from error
    if "\\u0000" in text:
        # A person's own "\\u0000", spelt out, looks like a NUL here; a closer look tells them apart.
        _check_each(what, values)
    return text


def check_value(name: str, value: Any) -> None:
    """Refuse a value whose texts cannot all be kept.

    Raises:
        Refused: A NUL character, or half of a surrogate pair.
    """
    if isinstance(value, str):
        if "\0" in value:
            raise _unkept(name, "a NUL character")
        if not _encodes(value):
            raise _unkept(name, "half of a surrogate pair, which is no character")
    elif isinstance(value, dict):
        check_value(name, [*value, *value.values()])
    elif isinstance(value, (list, tuple)):
        for inner in value:
            # Asked here: nearly all that a document holds are numbers.
            if type(inner) is not float:
                check_value(name, inner)


def _check_each(what: str, values: Iterable[Any]) -> None:
    for value in values:
        check_value(what, value)


def _encodes(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _unkept(name: str, what: str) -> Refused:
    return Refused(f"The text of {name} holds {what}", do="Nothing was written; type it again without it")


class Noting(Session):
    """A session that gives numbers to new rows and keeps what became of every row.

    Args:
        connection: In a transaction that writes.
        seq: Number of the entry that the rows are written by.
        next_numbers: Gives the number of the next row of each of some tables.

    Attributes:
        changes: Every row that was written, by table and key.
    """

    def __init__(
        self, connection: Connection, seq: int, next_numbers: Callable[[Sequence[Table]], list[int]]
    ) -> None:
        # Flushing by itself before every query would give out numbers in the middle of an act, in an order
        # that depends on what happens to be asked.
        super().__init__(connection, autoflush=False, expire_on_commit=False)
        self.seq = seq
        self.next_numbers = next_numbers
        self.changes: dict[tuple[str, str], RowChange] = {}

    @staticmethod
    def check_texts(row: Any) -> None:
        """Refuse texts of a row that cannot be kept before it is written with others.

        Raises:
            Refused: A NUL character, or half of a surrogate pair.
        """
        _check_text(inspect(row).dict)

    def note_before(self) -> None:
        """Look at what is about to be written: give numbers, and keep what rows were."""
        if self.deleted:
            # A fault in our own code and nothing a person can mend, so it is no refusal: it must not be
            # caught with them.
            raise AssertionError("rows of a book are never deleted")
        for row in self.new:
            _check_text(inspect(row).dict)
        for row in self.dirty:
            # What it was read with is in the book, and so was looked at before.
            state = inspect(row)
            _check_text({name: state.dict.get(name) for name in state.committed_state})
        self._give_numbers([row for row in self.new if "id" in table_of(type(row)).c])
        for row in self.new:
            row.entry = self.seq
        # The session keeps them in a set by their place in memory; an entry is written in one order.
        for row in sorted(self.dirty, key=_key):
            # A row counts as dirty on any assignment, even of the value it had; that alone would make an
            # entry speak of a change where none was.
            if self.is_modified(row):
                self._keep_before(row)
                row.entry = self.seq

    def note_after(self) -> None:
        """Keep what rows are now."""
        for row in self.new:
            key = _key(row)
            self.changes[key] = RowChange(*key, before=None, after=_new_values(row))
        for row in self.dirty:
            key = _key(row)
            noted = self.changes.get(key)
            if noted is not None:
                self.changes[key] = RowChange(*key, before=noted.before, after=_values(row))

    def _give_numbers(self, rows: Iterable[Any]) -> None:
        by_table: dict[Table, list[Any]] = defaultdict(list)
        # The session keeps new rows in a set; numbers end up on labels, and people expect them in the order
        # in which they typed.
        for row in sorted(rows, key=_order_added):
            if row.id is None:
                by_table[table_of(type(row))].append(row)
        if not by_table:
            return
        for wanting, first in zip(by_table.values(), self.next_numbers(list(by_table)), strict=True):
            for number, row in enumerate(wanting, start=first):
                row.id = number

    def _keep_before(self, row: Any) -> None:
        key = _key(row)
        # Only the first time: flushed twice in one act, the row would else be "before" as the act itself
        # left it halfway.
        if key not in self.changes:
            self.changes[key] = RowChange(*key, before=_committed(row, inspect(row)), after={})


# Once for the class: to listen to each session again would cost every act as much as a statement.
event.listen(Noting, "before_flush", lambda session, *_: session.note_before())
event.listen(Noting, "after_flush", lambda session, *_: session.note_after())


def table_of(model: Any) -> Table:
    """Return the table of a model."""
    table: Table = model.__table__
    return table


def _check_text(values: Mapping[str, Any]) -> None:
    for name, value in values.items():
        if isinstance(value, (str, dict, list)):
            check_value(name.replace("_", " "), value)


def _order_added(row: Any) -> int:
    return int(inspect(row).insert_order or 0)


def _key(row: Base) -> tuple[str, str]:
    table, names = _named(row.__table__)
    return table, ":".join([str(getattr(row, name)) for name in names])


@functools.cache
def _named(table: Table) -> tuple[str, list[str]]:
    """Return the name of a table, and those of its key."""
    return table.name, [column.name for column in table.primary_key]


@functools.cache
def dated_columns(table: Table) -> frozenset[str]:
    """Return the names of the columns of a table that hold a moment or a day."""
    kinds = {column.name: column.type for column in table.c}
    return frozenset(
        name
        for name, kind in kinds.items()
        if isinstance(kind.impl if isinstance(kind, TypeDecorator) else kind, (DateTime, Date))
    )


@functools.cache
def _columns(table: Table) -> list[tuple[str, bool]]:
    """Return the names of a table's columns, each with whether it holds a moment or a day."""
    return [(column.name, column.name in dated_columns(table)) for column in table.c]


def _new_values(row: Base) -> dict[str, Any]:
    """Return the values of a row that was just put in: as :func:`_values`, but with nothing to load."""
    state: InstanceState[Any] = inspect(row)
    if state.expired_attributes:
        return _values(row)
    held = state.dict
    return {
        name: plain(held.get(name)) if dated else held.get(name) for name, dated in _columns(row.__table__)
    }


def _values(row: Base) -> dict[str, Any]:
    return {name: plain(getattr(row, name)) for name, _ in _columns(row.__table__)}


def _committed(row: Base, state: InstanceState[Any]) -> dict[str, Any]:
    """Return a row's values as they were read, before this act touched them."""
    return {
        name: plain(state.committed_state.get(name, getattr(row, name)))
        for name, _ in _columns(row.__table__)
    }


def driver_of(connection: Connection) -> Any:
    """Return the driver's own connection: ``execute(text, values)`` is the same on both."""
    return connection.connection.driver_connection


@functools.cache
def highest(tables: tuple[Table, ...]) -> str:
    """Return the statement that asks for the highest number in each of some tables."""
    return str(select(*(select(func.max(table.c.id)).scalar_subquery() for table in tables)).compile())


def columns_of(rows: Sequence[Mapping[str, Any]], names: Sequence[str]) -> list[Sequence[Any]]:
    """Return the values of rows by column; each row is gone through once, for thousands fill no cache."""
    if len(names) == 1:
        return [[row[names[0]] for row in rows]]
    return list(zip(*map(itemgetter(*names), rows), strict=True)) if names else []


_NUMBERS: Final = frozenset({float, type(None)})
"""What a column of numbers takes as it is."""


class Insert:
    """How rows of some columns are put into a table.

    Attributes:
        text: The statement for rows one by one.
        from_document: On PostgreSQL the statement for thousands of rows, given as one JSON text: it costs the
            server a third of as many statements. Empty for SQLite.
    """

    def __init__(self, table: Table, columns: tuple[str, ...], dialect: Dialect) -> None:
        self._left_out: dict[str, Any] = {
            column.name: column.default.arg
            for column in table.c
            if column.name not in columns and isinstance(column.default, ScalarElementColumnDefault)
        }
        names = [*columns, *self._left_out]
        compiled: Any = insert(table).compile(dialect=dialect, column_keys=names)
        self.text = str(compiled)
        self.from_document = ""
        if dialect.name == "postgresql":
            quoted = {name: dialect.identifier_preparer.quote(name) for name in names}
            typed = ", ".join(f"{quoted[name]} {table.c[name].type.compile(dialect)}" for name in names)
            into, listed = dialect.identifier_preparer.format_table(table), ", ".join(quoted.values())
            self.from_document = (
                f"INSERT INTO {into} ({listed}) SELECT {listed} "  # noqa: S608 - our own names
                f"FROM json_to_recordset(%(rows)s::json) AS given ({typed})"
            )
        processors = {
            name: table.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names
        }
        self._converters = {name: turn for name, turn in processors.items() if turn is not None}
        self._numbers = {name for name in names if isinstance(table.c[name].type, Numeric)}
        self._positions: Sequence[str] | None = compiled.positiontup if compiled.positional else None
        self._order: Callable[[Mapping[str, Any]], Any] = (
            itemgetter(*self._positions) if self._positions else dict
        )

    def values(self, row: Mapping[str, Any], **more: Any) -> Any:
        """Return a row's values, and those given beside it, as the statement takes them."""
        whole = {**self._left_out, **row, **more}
        for name, turn in self._converters.items():
            whole[name] = turn(whole[name])
        return self._order(whole)

    def many_values(self, rows: Sequence[Mapping[str, Any]], **more: Any) -> list[Any]:
        """Return what :meth:`values` returns of each row; column by column, which takes a third of the time.

        Args:
            rows: All with the same columns.
            more: Values given beside each.
        """
        if self._positions is None or not rows:
            return [self.values(row, **more) for row in rows]
        wanted = [name for name in self._positions if name in rows[0] and name not in more]
        given = dict(zip(wanted, columns_of(rows, wanted), strict=True))
        alike = {name: [value] * len(rows) for name, value in {**self._left_out, **more}.items()}
        columns = [self._turned(name, given.get(name) or alike[name]) for name in self._positions]
        return list(zip(*columns, strict=True))

    def _turned(self, name: str, values: Sequence[Any]) -> Sequence[Any]:
        turn = self._converters.get(name)
        if turn is None or (name in self._numbers and _NUMBERS.issuperset(map(type, values))):
            return values
        # Thousands of rows hold nothing, or share a document: an object's number is its own while they live.
        if values.count(None) == len(values):
            return [turn(None)] * len(values)
        turned: dict[int, Any] = {}
        for value in values:
            if id(value) not in turned:
                turned[id(value)] = turn(value)
        return [turned[id(value)] for value in values]

    def document(self, rows: Iterable[Mapping[str, Any]], **more: Any) -> str:
        """Return rows, and those values given beside each, as the JSON that ``from_document`` takes."""
        whole = [{**self._left_out, **row, **more} for row in rows]
        return json.dumps(whole, ensure_ascii=False, allow_nan=False, default=_in_words)


def _in_words(value: dt.date) -> str:
    return value.isoformat()


@functools.lru_cache(maxsize=128)
def insert_into(table: Table, columns: tuple[str, ...], dialect: Dialect) -> Insert:
    """Return how rows of some columns are put into a table."""
    return Insert(table, columns, dialect)
