"""Quick reading of rows: statements compiled once for a kind of database, run on its own cursor.

A trace asks a dozen small questions, and most of the time of each would go into the layers that fit any
statement. So each statement is built once, compiled once for a number of keys, and from then on only run; its
columns are converted by the same type rules as everywhere else. The tests hold the rows equal to those of a
plain execution.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, Self, cast
from weakref import WeakKeyDictionary

from sqlalchemy import (
    ColumnElement,
    Connection,
    Date,
    Dialect,
    Engine,
    FromClause,
    Select,
    SelectLabelStyle,
    bindparam,
    event,
    select,
)

from tracker.model.base import UtcTime

_SIZES: Final = (1, 12, 250)
"""How many keys a statement is compiled for: one record, the journal entries of a trace, a batch."""

Converter = Callable[[Any], Any]

_Part = tuple[str, int, int, int, tuple[str, ...], tuple[tuple[str, Converter], ...]]
"""A table in an answer: name, place of a column that is never empty in a row found, first and last column,
the columns' names, and what turns the driver's values of some of them into ours."""


class Row(dict[str, Any]):
    """A copy of a table's row: its columns as attributes, and by name. It knows no session and loads nothing.

    Where a question reads a whole table the row is typed as that table's model.
    """

    __slots__ = ()

    def __getattr__(self, name: str) -> Any:
        try:
            return self[name]
        except KeyError:
            raise AttributeError(name) from None


def columns_of(row: object) -> Mapping[str, Any]:
    """Return the columns of a row by name; of one that is typed as a model, too."""
    return cast("Row", row)


Parts = dict[str, Any]
"""The tables of one answer by name, each a :class:`Row`."""


@dataclass
class _Ready:
    """A statement compiled for one kind of database and a number of keys.

    Attributes:
        sql: Its text.
        order: Names of its parameters in order where they are positional; None where they are named.
        size: How many keys it takes.
        keys_alone: Whether its parameters are the keys, by place and in their order, and nothing else.
    """

    sql: str
    order: tuple[str, ...] | None
    size: int
    keys_alone: bool = field(init=False)

    def __post_init__(self) -> None:
        self.keys_alone = self.order == tuple(f"k{place}" for place in range(self.size))


class Question:
    """A statement that selects whole tables side by side, for records named by their keys.

    Args:
        tables: Name in the answer to table, alias or list of columns.
        build: Adds joins, conditions and order to the bare selection; may bind other parameters.
        by: The column that the keys are looked up in.
    """

    def __init__(
        self,
        tables: Mapping[str, FromClause | Sequence[ColumnElement[Any]]],
        build: Callable[[Select[Any]], Select[Any]],
        by: ColumnElement[Any],
    ) -> None:
        self._tables = {
            name: list(table.c) if isinstance(table, FromClause) else list(table)
            for name, table in tables.items()
        }
        self._build = build
        self._by = by
        self._ready: dict[tuple[str, int], _Ready] = {}
        self._divided: dict[str, tuple[_Part, ...]] = {}

    @cached_property
    def _columns(self) -> list[ColumnElement[Any]]:
        return [column for own in self._tables.values() for column in own]

    @cached_property
    def _bare(self) -> Select[Any]:
        # Made when it is first asked: most commands ask few of the questions. Two tables may have columns of
        # one name; places, not names, tell them apart.
        return self._build(select(*self._columns).set_label_style(SelectLabelStyle.LABEL_STYLE_NONE))

    @cached_property
    def _parts(self) -> list[tuple[str, int, int, int, tuple[str, ...]]]:
        """Of each table its name, the place of a column that is never empty, first and last column, names."""
        parts = []
        start = 0
        for name, own in self._tables.items():
            names = tuple(str(getattr(column, "name", column)) for column in own)
            key = next((i for i, column in enumerate(own) if getattr(column, "primary_key", False)), 0)
            parts.append((name, start + key, start, start + len(own), names))
            start += len(own)
        return parts

    def statement(self, size: int = 1) -> Select[Any]:
        """Return the statement for so many keys, parameters ``k0`` and on."""
        return self._bare.where(self._by.in_([bindparam(f"k{place}") for place in range(size)]))

    def ready(self, dialect: Dialect, keys: int) -> _Ready:
        """Return the statement compiled for a kind of database and at least so many keys."""
        found = self._ready.get((dialect.name, keys))
        if found is None:
            size = next(size for size in _SIZES if size >= keys)
            found = self._ready.get((dialect.name, size))
            if found is None:
                compiled: Any = self.statement(size).compile(dialect=dialect)
                order = tuple(compiled.positiontup) if compiled.positional else None
                found = self._ready[dialect.name, size] = _Ready(str(compiled), order, size)
            self._ready[dialect.name, keys] = found
        return found

    def parts(self, dialect: Dialect, description: Sequence[Any]) -> tuple[_Part, ...]:
        """Return how a row is divided, given how the driver describes its columns."""
        found = self._divided.get(dialect.name)
        if found is None:
            found = self._divided[dialect.name] = tuple(
                (
                    name, key, start, end, names,
                    tuple(
                        (column, converter)
                        for place, column in enumerate(names, start=start)
                        if (converter := _converter(self._columns[place], dialect, description[place][1]))
                        is not None
                    ),
                )
                for name, key, start, end, names in self._parts
            )  # fmt: skip
        return found


def _converter(column: ColumnElement[Any], dialect: Dialect, code: Any) -> Converter | None:
    # The types' own rules read a text by a pattern and then add the zone: a fifth of a trace.
    if dialect.name == "sqlite":
        if isinstance(column.type, UtcTime):
            return _moment
        if isinstance(column.type, Date):
            return dt.date.fromisoformat
    return column.type.dialect_impl(dialect).result_processor(dialect, code)


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(f"{text}+00:00")


_IDLE: Final[WeakKeyDictionary[Engine, list[Any]]] = WeakKeyDictionary()
"""A connection to each file that waits for the next reader: the pool's way out and back takes a tenth of a
trace."""


def _connection_of(engine: Engine) -> Any:
    """Return a connection that no other reader has.

    One to a server comes of the pool each time, which sees to it that it still lives.
    """
    if engine.dialect.name == "sqlite":
        idle = _IDLE.get(engine)
        if idle is None:
            _IDLE[engine] = []
            event.listen(engine, "engine_disposed", _let_go)
            connection = engine.raw_connection()
            connection.detach()
            return connection
        if idle:
            # Another thread may have taken it meanwhile.
            with suppress(IndexError):
                return idle.pop()
    return engine.raw_connection()


def _give_back(engine: Engine, connection: Any) -> None:
    """End a reader's transaction, and keep the connection for the next one or give it to the pool."""
    idle = _IDLE.get(engine)
    if idle is None or not connection.is_detached:
        connection.close()
        return
    connection.rollback()
    idle.append(connection)


def _let_go(engine: Engine) -> None:
    for connection in _IDLE.pop(engine, ()):
        connection.close()


class Reader:
    """Asks questions on one connection, in one transaction: all answers are those of one moment.

    Use it in a ``with`` block; nothing can be written through it.

    Args:
        source: The book's engine; or a connection that is open already, whose transaction is then read in.
    """

    def __init__(self, source: Engine | Connection) -> None:
        self._dialect = source.dialect
        self._engine = source if isinstance(source, Engine) else None
        self._connection: Any = _connection_of(source) if isinstance(source, Engine) else source.connection
        self._cursor = self._connection.cursor()

    def __enter__(self) -> Self:
        # psycopg begins by itself; the books' SQLite connections leave it to whoever uses them.
        if self._engine is not None and self._dialect.name == "sqlite":
            self._cursor.execute("BEGIN")
        return self

    def __exit__(self, *_: object) -> None:
        self._cursor.close()
        if self._engine is not None:
            _give_back(self._engine, self._connection)

    def ask(self, question: Question, keys: int | Iterable[int], **others: Any) -> list[Parts]:
        """Return the rows that answer a question, each divided into its tables.

        Args:
            question: What is asked.
            keys: One key, or any number of them; each is asked for once.
            others: The question's other parameters.
        """
        wanted = (keys,) if isinstance(keys, int) else tuple(keys)
        if len(wanted) == 1:
            return self._asked(question, wanted, others)
        wanted = tuple(dict.fromkeys(wanted))
        return [
            parts
            for start in range(0, len(wanted), _SIZES[-1])
            for parts in self._asked(question, wanted[start : start + _SIZES[-1]], others)
        ]

    def _asked(self, question: Question, keys: tuple[int, ...], others: Mapping[str, Any]) -> list[Parts]:
        ready = question.ready(self._dialect, len(keys))
        if len(keys) < ready.size:
            keys += keys[-1:] * (ready.size - len(keys))
        if ready.keys_alone and not others:
            self._cursor.execute(ready.sql, keys)
        else:
            values: dict[str, Any] = {f"k{place}": key for place, key in enumerate(keys)} | dict(others)
            order = ready.order
            self._cursor.execute(ready.sql, values if order is None else [values[name] for name in order])
        rows = self._cursor.fetchall()
        if not rows:
            return []
        parts = question.parts(self._dialect, self._cursor.description or ())
        found = []
        for row in rows:
            tables: Parts = {}
            for name, key, start, end, names, converters in parts:
                # One that an outer join did not find is absent.
                if row[key] is not None:
                    table = tables[name] = Row(zip(names, row[start:end]))  # noqa: B905 - as many as selected
                    for column, converter in converters:
                        value = table[column]
                        if value is not None:
                            table[column] = converter(value)
            found.append(tables)
        return found

    def one(self, question: Question, key: int, **others: Any) -> Parts | None:
        """Return the first row of an answer, or None."""
        rows = self.ask(question, key, **others)
        return rows[0] if rows else None
