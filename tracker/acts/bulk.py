"""Many rows put in at once, and the manifest that stands for them in the journal."""

from __future__ import annotations

import gzip
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table

from tracker.acts.driver import insert_into
from tracker.acts.noting import dated_columns
from tracker.acts.texts import written
from tracker.journal import canonical, canonical_row, plain


def insert_rows(
    connection: Connection, table: Table, columns: list[str], rows: Sequence[Mapping[str, Any]], seq: int
) -> None:
    """Insert rows through the driver.

    Args:
        connection: In a transaction that writes.
        table: Where they go.
        columns: What each row has, and ``entry``.
        rows: Values by column, without ``entry``.
        seq: Number of the entry they are written by.
    """
    into = insert_into(table, tuple(columns), connection.dialect)
    connection.exec_driver_sql(into.text, [into.values({**row, "entry": seq}) for row in rows])


def manifest(table: Table, columns: list[str], rows: Sequence[Mapping[str, Any]], seq: int) -> bytes:
    """Return the manifest: a line naming table and columns, then one canonical array for each row.

    Raises:
        Refused: Something in a row cannot be written as JSON.
    """
    head = canonical({"table": table.name, "columns": columns})
    dated = dated_columns(table)

    def write() -> str:
        lines = (
            canonical_row(
                [
                    seq if name == "entry" else plain(row[name]) if name in dated else row[name]
                    for name in columns
                ]
            )
            for row in rows
        )
        return "\n".join([head, *lines, ""])

    text = written(write, "a row", (list(row.values()) for row in rows))
    # No time and no name inside, so that equal rows make equal bytes.
    return gzip.compress(text.encode(), compresslevel=1, mtime=0)
