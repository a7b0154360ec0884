"""Questions asked in few steps: Core statements compiled once for a database, run on its own cursor.

A trace asks a dozen small questions. Asked through the layers that fit any statement, most of the time
would go into those layers. So each statement is built once, when this package is loaded, compiled once
for a kind of database, and from then on only run; its columns are converted by the same type rules as
everywhere else. The tests hold the rows equal to those of a plain execution.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

from sqlalchemy import ColumnElement, Dialect, Engine, FromClause, Select, select

from tracker.model.base import UtcTime

Row = dict[str, Any]
Parts = dict[str, Row]
Converter = Callable[[Any], Any]


@dataclass
class _Ready:
    """A statement compiled for one kind of database.

    Attributes:
        sql: Its text.
        order: Names of its parameters in order where they are positional; None where they are named.
        converters: Place of a column and what turns the driver's value into ours; None until the first
            answer has shown how the driver types its columns.
    """

    sql: str
    order: tuple[str, ...] | None
    converters: tuple[tuple[int, Converter], ...] | None = None


class Question:
    """A statement that selects whole tables side by side.

    Args:
        tables: Name in the answer to table, alias or list of columns.
        build: Adds joins, conditions and order to the bare selection.
    """

    def __init__(
        self,
        tables: Mapping[str, FromClause | Sequence[ColumnElement[Any]]],
        build: Callable[[Select[Any]], Select[Any]],
    ) -> None:
        columns: list[ColumnElement[Any]] = []
        # Name, place of a column that is never empty in a row found, first and last column, names.
        self._parts: list[tuple[str, int, int, int, tuple[str, ...]]] = []
        for name, table in tables.items():
            own = list(table.c) if isinstance(table, FromClause) else list(table)
            names = tuple(str(getattr(column, "name", column)) for column in own)
            key = next((i for i, column in enumerate(own) if getattr(column, "primary_key", False)), 0)
            start = len(columns)
            self._parts.append((name, start + key, start, start + len(own), names))
            columns += own
        self._columns = columns
        # Two tables may have columns of one name; places, not names, tell them apart.
        self.statement = build(select(*(column.label(f"c{i}") for i, column in enumerate(columns))))
        self._ready: dict[str, _Ready] = {}

    def ready(self, dialect: Dialect) -> _Ready:
        """Return the statement compiled for a kind of database, compiling it at the first call."""
        found = self._ready.get(dialect.name)
        if found is None:
            found = self._ready[dialect.name] = self._compiled(dialect)
        return found

    def _compiled(self, dialect: Dialect) -> _Ready:
        compiled: Any = self.statement.compile(dialect=dialect)
        return _Ready(str(compiled), tuple(compiled.positiontup) if compiled.positional else None)

    def converters(self, dialect: Dialect, codes: Sequence[Any]) -> tuple[tuple[int, Converter], ...]:
        """Return what turns the driver's values into ours, given the driver's type of each column."""
        return tuple(
            (place, converter)
            for place, (column, code) in enumerate(zip(self._columns, codes, strict=True))
            if (converter := _converter(column, dialect, code)) is not None
        )

    def divided(self, row: Sequence[Any]) -> Parts:
        """Return a row as tables side by side; one that an outer join did not find is absent."""
        return {
            name: dict(zip(names, row[start:end]))  # noqa: B905 - as many as the statement selects
            for name, key, start, end, names in self._parts
            if row[key] is not None
        }


def _converter(column: ColumnElement[Any], dialect: Dialect, code: Any) -> Converter | None:
    # The type's own rule reads the text and then adds the zone; a fifth of a trace would go into that.
    if isinstance(column.type, UtcTime) and dialect.name == "sqlite":
        return _moment
    return column.type.dialect_impl(dialect).result_processor(dialect, code)


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(f"{text}+00:00")


class Reader:
    """Asks questions on one connection, in one transaction: all answers are those of one moment.

    Use it in a ``with`` block; nothing can be written through it.

    Args:
        engine: Of the book.
    """

    def __init__(self, engine: Engine) -> None:
        self._dialect = engine.dialect
        self._connection = engine.raw_connection()
        self._cursor = self._connection.cursor()

    def __enter__(self) -> Self:
        # psycopg begins by itself; the books' SQLite connections leave it to whoever uses them.
        if self._dialect.name == "sqlite":
            self._cursor.execute("BEGIN")
        return self

    def __exit__(self, *_: object) -> None:
        self._cursor.close()
        # The pool rolls back what it takes in, which ends the transaction.
        self._connection.close()

    def ask(self, question: Question, **values: Any) -> list[Parts]:
        """Return the rows that answer a question, each divided into its tables."""
        ready = question.ready(self._dialect)
        order = ready.order
        self._cursor.execute(ready.sql, values if order is None else [values[name] for name in order])
        rows = self._cursor.fetchall()
        if not rows:
            return []
        if ready.converters is None:
            codes = [column[1] for column in self._cursor.description or ()]
            ready.converters = question.converters(self._dialect, codes)
        if ready.converters:
            rows = [_converted(row, ready.converters) for row in rows]
        return [question.divided(row) for row in rows]

    def one(self, question: Question, **values: Any) -> Parts | None:
        """Return the first row of an answer, or None."""
        rows = self.ask(question, **values)
        return rows[0] if rows else None


def _converted(row: Sequence[Any], converters: tuple[tuple[int, Converter], ...]) -> Sequence[Any]:
    values = list(row)
    for place, converter in converters:
        if values[place] is not None:
            values[place] = converter(values[place])
    return values
