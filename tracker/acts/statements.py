"""Statements handed to the driver as they are: what every act repeats, without a layer for each time.

A statement is compiled once for a kind of database, and the values converted by the columns' own rules.
Errors come as the driver raises them; whoever holds the transaction translates them.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, Dialect, Table, func, insert, select
from sqlalchemy.sql.schema import ScalarElementColumnDefault


def driver_of(connection: Connection) -> Any:
    """Return the driver's own connection: ``execute(text, values)`` is the same on both."""
    return connection.connection.driver_connection


@functools.cache
def highest(table: Table) -> str:
    """Return the statement that asks for the highest number in a table."""
    return str(select(func.max(table.c.id)).compile())


class Insert:
    """How rows of some columns are put into a table.

    Attributes:
        text: The statement.
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
        processors = {
            name: table.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names
        }
        self._converters = {name: turn for name, turn in processors.items() if turn is not None}
        self._order: Callable[[Mapping[str, Any]], Any] = (
            itemgetter(*compiled.positiontup) if compiled.positional else dict
        )

    def values(self, row: Mapping[str, Any], **more: Any) -> Any:
        """Return a row's values, and those given beside it, as the statement takes them."""
        whole = {**self._left_out, **row, **more}
        for name, turn in self._converters.items():
            whole[name] = turn(whole[name])
        return self._order(whole)


@functools.lru_cache(maxsize=128)
def insert_into(table: Table, columns: tuple[str, ...], dialect: Dialect) -> Insert:
    """Return how rows of some columns are put into a table."""
    return Insert(table, columns, dialect)
