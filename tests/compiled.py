"""What is made once for all books of a process: compiled SQL, read tables, statements of the migrations.

SQLAlchemy compiles each statement again for each engine, and Alembic each change of the schema
for each book that is made, which takes longer than most tests.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final

import pytest
from alembic import command
from sqlalchemy import Connection, Engine, MetaData, event, inspect
from sqlalchemy.engine.default import DefaultDialect
from sqlalchemy.util import LRUCache


@contextmanager
def compiled_once() -> Iterator[None]:
    """Let engines made meanwhile share what was compiled; dialects of one kind and server count as one."""
    statements: LRUCache[Any, Any] = LRUCache(3_000)
    begin = Engine.__init__

    def sharing(self: Engine, *args: Any, **kwargs: Any) -> None:
        begin(self, *args, **kwargs)
        self._compiled_cache = statements

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Engine, "__init__", sharing)
        patch.setattr(DefaultDialect, "__eq__", _alike)
        patch.setattr(DefaultDialect, "__hash__", lambda self: hash(_kind_of(self)))
        yield


@contextmanager
def reflected_once() -> Iterator[None]:
    """Let the tables of SQLite files with the same statements be read from the first of them."""
    plain = MetaData.reflect
    known: dict[tuple[Any, ...], MetaData] = {}

    def reflect(self: MetaData, bind: Any, *args: Any, **more: Any) -> None:
        if args or more or self.tables or bind.dialect.name != "sqlite":
            plain(self, bind, *args, **more)
            return
        schema = tuple(
            map(tuple, bind.exec_driver_sql("SELECT type, name, tbl_name, sql FROM sqlite_master"))
        )
        if schema not in known:
            known[schema] = MetaData()
            plain(known[schema], bind)
        # Copies, for who reads them may change their types.
        for table in known[schema].tables.values():
            table.to_metadata(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(MetaData, "reflect", reflect)
        yield


MIGRATE: Final = command.upgrade
"""Alembic's own."""


@contextmanager
def migrated_once() -> Iterator[None]:
    """Let an empty database be brought to a revision by the statements that brought the first one there."""
    known: dict[tuple[str, ...], list[tuple[str, Any]]] = {}

    def upgrade(config: Any, revision: str) -> None:
        connection: Connection = config.attributes["connection"]
        key = (connection.dialect.name, revision, config.get_main_option("version_locations"))
        if inspect(connection).get_table_names():
            MIGRATE(config, revision)
        elif key in known:
            for statement, parameters in known[key]:
                connection.exec_driver_sql(statement, parameters)
        else:
            known[key] = _noted(connection, lambda: MIGRATE(config, revision))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(command, "upgrade", upgrade)
        yield


def _noted(connection: Connection, migrate: Callable[[], None]) -> list[tuple[str, Any]]:
    """Do something, and return the statements with which it changed a database."""
    noted: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        if not statement.lstrip().upper().startswith(("SELECT", "PRAGMA")):
            noted.append((statement, parameters or None))

    event.listen(connection, "before_cursor_execute", note)
    try:
        migrate()
    finally:
        event.remove(connection, "before_cursor_execute", note)
    return noted


def _alike(one: DefaultDialect, other: object) -> bool:
    return isinstance(other, DefaultDialect) and _kind_of(one) == _kind_of(other)


def _kind_of(dialect: Any) -> tuple[Any, ...]:
    return type(dialect), dialect.paramstyle, getattr(dialect, "server_version_info", None)
