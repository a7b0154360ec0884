"""The entries replayed into a ledger, a digest of what each row should be; the tables compared with it."""

from __future__ import annotations

import gzip
import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Self

from sqlalchemy import Connection, func, select

from tracker.files import Files
from tracker.progress import Progress
from tracker.stored_rows import BATCH, Key, RawTable, batched, digest, raw
from tracker.verify.chain import Link, body_of, origin_of
from tracker.verify.findings import Difference, Finding, Findings, Origin, named

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
            self._report("chain", f"The rows that {link.origin} speaks of cannot be made out", link.origin)

    def _row(self, origin: Origin, change: Mapping[str, Any]) -> None:
        name = change["table"]
        reader = self.tables.get(name)
        if reader is None and name in self.elsewhere:
            return
        if reader is None:
            self._report("chain", f"{origin} speaks of a table {name!r} that a book does not have", origin)
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
        differently = "left it otherwise" if last else "never wrote it"
        earlier = f"entry {last[0]}" if last else "an earlier entry"
        self._report(
            "chain",
            f"{origin} says how {reader.table.name} {key} was before it, but {earlier} {differently}",
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

    def _report(self, kind: str, text: str, origin: Origin) -> None:
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


_REPORTED_AT_ONCE: Final = 500


@dataclass
class _Suspect:
    """A row that is not as its last entry says; ``found`` is None where it is gone."""

    key: Key
    entry: int | None
    found: list[Any] | None
    noted: Mapping[str, Any] = field(default_factory=dict)


def compare(connection: Connection, replay: Replay, progress: Progress) -> None:
    """Hold every row of every table against what the replay expects."""
    for name, reader in replay.tables.items():
        wanted = select(func.count()).where(raw(reader.table.c.entry) > replay.after)
        total = connection.scalar(wanted) or 0
        done = 0
        for rows in reader.batches(connection, after=replay.after):
            _add_findings(connection, replay, reader, _differing(replay, reader, rows))
            done += len(rows)
            progress(name, done, total)
        replay.findings.counts["rows"] += done
        gone = (_Suspect(key, entry, None) for key, entry in replay.ledger.left(name))
        for some in batched(gone, _REPORTED_AT_ONCE):
            _add_findings(connection, replay, reader, some)


def _differing(replay: Replay, reader: RawTable, rows: list[list[Any]]) -> list[_Suspect]:
    # Taken out as they are met, so that what is left at the end are the rows that are gone.
    expected = replay.ledger.take(reader.table.name, [reader.key(row) for row in rows])
    suspects = []
    for row in rows:
        entry, noted = expected.get(reader.key(row), (None, b""))
        if noted != digest(row):
            suspects.append(_Suspect(reader.key(row), entry, row))
    entry_at = reader.columns.index("entry")
    # A row of a list that cannot be read is neither right nor wrong; the missing list is reported once, not
    # once a row.
    return [s for s in suspects if s.entry or not _set_aside(replay, reader, s, entry_at)]


def _set_aside(replay: Replay, reader: RawTable, suspect: _Suspect, entry_at: int) -> bool:
    """Whether a row is one of a manifest that cannot be read."""
    return suspect.found is not None and (reader.table.name, suspect.found[entry_at]) in replay.unread


def _add_findings(connection: Connection, replay: Replay, reader: RawTable, suspects: list[_Suspect]) -> None:
    """Make findings of suspects, with what the journal says of them."""
    if not suspects:
        return
    wanted: dict[int, set[Key]] = defaultdict(set)
    # A table replaced wholesale gives a million suspects; every one is told, but only some with the old
    # value beside the new.
    for suspect in suspects[:_REPORTED_AT_ONCE]:
        if suspect.entry is not None:
            wanted[suspect.entry].add(suspect.key)
    recalled = {entry: _recall(connection, replay, reader, entry, keys) for entry, keys in wanted.items()}
    for suspect in suspects:
        suspect.noted = recalled.get(suspect.entry or 0, {}).get(suspect.key, {})
        replay.findings.add(_finding(connection, reader, suspect))


def _recall(
    connection: Connection, replay: Replay, reader: RawTable, entry: int, keys: set[Key]
) -> dict[Key, Mapping[str, Any]]:
    """Return rows as an entry left them, from its text or its manifests."""
    body = body_of(connection, entry)
    name = reader.table.name
    rows: dict[Key, Mapping[str, Any]] = {}
    for change in body.get("rows", ()):
        if change["table"] == name and (key := reader.read_key(change["key"])) in keys:
            rows[key] = change["after"]
    for named_manifest in body.get("bulk", ()):
        if named_manifest["table"] == name and keys - rows.keys():
            rows |= _listed(reader, manifest_rows(replay.files, named_manifest["manifest"]), keys)
    return rows


def _listed(
    reader: RawTable, rows: Iterable[Mapping[str, Any]], keys: set[Key]
) -> dict[Key, Mapping[str, Any]]:
    return {key: row for row in rows if (key := reader.key(reader.values(row))) in keys}


def _finding(connection: Connection, reader: RawTable, suspect: _Suspect) -> Finding:
    found = dict(zip(reader.columns, suspect.found, strict=True)) if suspect.found else {}
    noted = dict(zip(reader.columns, reader.values(suspect.noted), strict=True)) if suspect.noted else {}
    identity, words = named(connection, reader.table.name, suspect.key, noted or found)
    origin = origin_of(connection, suspect.entry) if suspect.entry else None
    differences = _differences(found, noted) if found and noted else ()
    if not found:
        text = f"The {words} is gone; {origin} wrote it"
    elif suspect.entry is None:
        text = f"The {words} is in the book, but no journal entry speaks of it: nobody entered it"
    elif differences:
        text = f"The {words} is not as {origin} left it: {'; '.join(map(str, differences))}"
    else:
        text = f"The {words} is not as {origin} left it"
    name, key = reader.table.name, str(suspect.key)
    return Finding("row", text, identity, name, key, origin, differences)


def _differences(found: Mapping[str, Any], noted: Mapping[str, Any]) -> tuple[Difference, ...]:
    return tuple(
        Difference(name, noted[name], found[name])
        for name in found
        if name not in noted or digest([found[name]]) != digest([noted[name]])
    )
