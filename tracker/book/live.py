"""Rows that were taken back are left out of every statement that does not ask for them.

In one place, so that no list, mean or history can forget it: each statement over the models that this
book's engine runs gets ``voided IS NULL`` for each table it reads, in subqueries and joins too, whether it
comes by a session or over a connection. Statements over bare tables (``Model.__table__``) are left as they
are: checks and backups read every row, and whoever builds one by hand says what it counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from sqlalchemy import Connection, Engine, Select, event
from sqlalchemy.orm import Session, with_loader_criteria

from tracker.model import Voidable

WITH_VOIDED: Final = "strandbook_voided"
"""Execution option of a statement or connection that is to see rows which were taken back."""

_LIVE: Final = with_loader_criteria(Voidable, lambda model: model.voided.is_(None), include_aliases=True)


def leave_out_voided(engine: Engine) -> None:
    """Have an engine leave rows out that were taken back."""
    event.listen(engine, "before_execute", _leave_out, retval=True)


def _leave_out(
    connection: Connection, statement: Any, several: Any, parameters: Any, options: Any
) -> tuple[Any, Any, Any]:
    del connection
    orm = isinstance(statement, Select) and statement._propagate_attrs.get("compile_state_plugin") == "orm"  # noqa: SLF001 - how a statement over models is told from one over tables
    if orm and not options.get(WITH_VOIDED):
        statement = statement.options(_LIVE)
    return statement, several, parameters


@contextmanager
def with_voided(session: Session) -> Iterator[None]:
    """See rows that were taken back while the context lasts: to show, void or restore them."""
    connection = session.connection()
    before = connection.get_execution_options().get(WITH_VOIDED, False)
    connection.execution_options(**{WITH_VOIDED: True})
    try:
        yield
    finally:
        connection.execution_options(**{WITH_VOIDED: before})
