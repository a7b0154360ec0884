"""What every row should be by its last entry: a digest each, on the disk when memory would not do."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, Self

from tracker.rawrows import BATCH, Key

_CACHE_KB: Final = 65536


class Ledger:
    """Digests of rows by table and key, in a temporary SQLite database that ends with the ledger.

    Args:
        tables: Names of the tables it will hold.
    """

    def __init__(self, tables: Iterable[str]) -> None:
        # An unnamed database lives in memory up to its cache and on the disk beyond.
        self._base = sqlite3.connect("", isolation_level=None)
        self._base.execute(f"PRAGMA cache_size = -{_CACHE_KB}")
        # Nothing to roll back to: the ledger is thrown away, whole or not.
        self._base.execute("PRAGMA journal_mode = OFF")
        self._base.execute("BEGIN")
        for table in tables:
            self._base.execute(f'CREATE TABLE "{table}" (key PRIMARY KEY, entry, digest) WITHOUT ROWID')

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._base.close()

    def last(self, table: str, key: Key) -> tuple[int, bytes] | None:
        """Return the entry that last wrote a row and the row's digest, or None where there was none."""
        found: tuple[int, bytes] | None = self._base.execute(
            f'SELECT entry, digest FROM "{table}" WHERE key = ?',  # noqa: S608 - a table of our own models
            (key,),
        ).fetchone()
        return found

    def note(self, table: str, rows: Iterable[tuple[Key, int, bytes]]) -> None:
        """Note rows as ``(key, entry, digest)``; a later note replaces an earlier one."""
        self._base.executemany(f'INSERT OR REPLACE INTO "{table}" VALUES (?, ?, ?)', rows)  # noqa: S608 - as above

    def take(self, table: str, keys: Sequence[Key]) -> dict[Key, tuple[int, bytes]]:
        """Return what is noted of some rows, and forget it."""
        taken = self._base.execute(
            f'DELETE FROM "{table}" WHERE key IN (SELECT value FROM json_each(?))'  # noqa: S608 - as above
            " RETURNING key, entry, digest",
            # One parameter however many keys: databases cap the number of question marks.
            (json.dumps(keys),),
        )
        return {key: (entry, noted) for key, entry, noted in taken}

    def left(self, table: str) -> Iterator[tuple[Key, int]]:
        """Yield the key and entry of every row noted and not taken."""
        cursor = self._base.execute(f'SELECT key, entry FROM "{table}" ORDER BY entry, key')  # noqa: S608 - as above
        while rows := cursor.fetchmany(BATCH):
            yield from rows
