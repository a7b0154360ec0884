"""The entries replayed into a ledger: a digest of what every row should be, on the disk beyond 64 MB."""

from __future__ import annotations

import gzip
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Self

from tracker.files import Files
from tracker.stored_rows import BATCH, Key, RawTable, batched, digest
from tracker.verify.chain import Link
from tracker.verify.findings import Finding, Findings, Origin

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


@dataclass
class Replay:
    """Takes entries one after another and keeps a ledger of what they leave.

    Attributes:
        tables: The tables of the book by name.
        files: Where manifests lie.
        ledger: Filled by :meth:`take`.
        findings: Where trouble is noted.
        manifests: Digest of every manifest met, and the entry that names it.
        unread: ``(table, entry)`` of rows whose manifest cannot be read: they cannot be judged.
        after: Number of the entry behind which the replay begins; what was before it is taken as sound.
        elsewhere: Names of tables that are known and not looked at here.
    """

    tables: Mapping[str, RawTable]
    files: Files
    ledger: Ledger
    findings: Findings
    manifests: dict[str, Origin] = field(default_factory=dict)
    unread: set[tuple[str, int]] = field(default_factory=set)
    after: int = 0
    elsewhere: frozenset[str] = frozenset()

    def take(self, link: Link) -> None:
        """Take one entry."""
        try:
            for change in link.body.get("rows", ()):
                self._row(link.origin, change)
            for named in link.body.get("bulk", ()):
                self._bulk(link.origin, named)
        except (KeyError, TypeError, ValueError, AttributeError):
            self._say("chain", f"The rows that {link.origin} speaks of cannot be made out", link.origin)

    def _row(self, origin: Origin, change: Mapping[str, Any]) -> None:
        name = change["table"]
        reader = self.tables.get(name)
        if reader is None and name in self.elsewhere:
            return
        if reader is None:
            self._say("chain", f"{origin} speaks of a table {name!r} that a book does not have", origin)
            return
        key = reader.read_key(change["key"])
        # The chain proves that no entry was changed since; only this shows that a row was changed behind
        # the journal and then corrected through it.
        self._check_before(origin, reader, key, change["before"])
        self.ledger.note(name, [(key, origin.seq, digest(reader.values(change["after"])))])

    def _check_before(
        self, origin: Origin, reader: RawTable, key: Key, before: Mapping[str, Any] | None
    ) -> None:
        last = self.ledger.last(reader.table.name, key)
        noted = None if before is None else digest(reader.values(before))
        if noted == (last[1] if last else None) or (last is None and self._cannot_know(reader, before)):
            return
        told = "left it otherwise" if last else "never wrote it"
        earlier = f"entry {last[0]}" if last else "an earlier entry"
        self._say(
            "chain",
            f"{origin} says how {reader.table.name} {key} was before it, but {earlier} {told}",
            origin,
        )

    def _cannot_know(self, reader: RawTable, before: Mapping[str, Any] | None) -> bool:
        if before is None:
            return False
        entry = before.get("entry")
        earlier = isinstance(entry, int) and entry <= self.after
        return earlier or (reader.table.name, entry) in self.unread

    def _bulk(self, origin: Origin, named: Mapping[str, Any]) -> None:
        table, manifest = named["table"], named["manifest"]
        self.manifests[manifest] = origin
        if table not in self.tables and table in self.elsewhere:
            return
        reader = self.tables[table]
        if not self.files.unchanged(manifest):
            # The stage of the attachments names it; here its rows are set aside.
            self.unread.add((table, origin.seq))
            return
        for rows in batched(manifest_rows(self.files, manifest), BATCH):
            values = [reader.values(row) for row in rows]
            self.ledger.note(table, [(reader.key(row), origin.seq, digest(row)) for row in values])

    def _say(self, kind: str, text: str, origin: Origin) -> None:
        self.findings.add(
            Finding(kind, text[0].upper() + text[1:], table="journal", key=str(origin.seq), origin=origin)
        )


def manifest_rows(files: Files, manifest: str) -> Iterator[dict[str, Any]]:
    """Yield the rows that a manifest of a bulk import lists, by column."""
    with (
        files.opened(manifest) as stream,
        gzip.open(stream, "rt", encoding="utf-8", newline="\n") as lines,
    ):
        columns = json.loads(next(lines))["columns"]
        for line in lines:
            yield dict(zip(columns, json.loads(line), strict=True))
