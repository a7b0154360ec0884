"""SQL compiled once for all books of a process: SQLAlchemy compiles each statement anew for each engine."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.engine.default import DefaultDialect
from sqlalchemy.util import LRUCache


@contextmanager
def compiled_once() -> Iterator[None]:
    """Let engines made meanwhile share what was compiled; dialects of one kind and server count as one."""
    statements: LRUCache[Any, Any] = LRUCache(10_000)
    begin = Engine.__init__

    def sharing(self: Engine, *args: Any, **kwargs: Any) -> None:
        begin(self, *args, **kwargs)
        self._compiled_cache = statements

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Engine, "__init__", sharing)
        patch.setattr(DefaultDialect, "__eq__", _alike)
        patch.setattr(DefaultDialect, "__hash__", lambda self: hash(_kind_of(self)))
        yield


def _alike(one: DefaultDialect, other: object) -> bool:
    return isinstance(other, DefaultDialect) and _kind_of(one) == _kind_of(other)


def _kind_of(dialect: Any) -> tuple[Any, ...]:
    return type(dialect), dialect.paramstyle, getattr(dialect, "server_version_info", None)
