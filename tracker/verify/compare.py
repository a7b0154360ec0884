"""The tables against the ledger: rows that differ, rows nobody entered, rows that are gone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, func, select

from tracker.progress import Progress
from tracker.stored_rows import Key, RawTable, batched, digest, raw
from tracker.verify.chain import body_of, origin_of
from tracker.verify.findings import Difference, Finding, named
from tracker.verify.replay import Replay, manifest_rows

_TOLD_AT_ONCE: Final = 500


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
            _tell(connection, replay, reader, _differing(replay, reader, rows))
            done += len(rows)
            progress(name, done, total)
        replay.findings.counts["rows"] += done
        gone = (_Suspect(key, entry, None) for key, entry in replay.ledger.left(name))
        for some in batched(gone, _TOLD_AT_ONCE):
            _tell(connection, replay, reader, some)


def _differing(replay: Replay, reader: RawTable, rows: list[list[Any]]) -> list[_Suspect]:
    # Taken out as they are met, so that what is left at the end are the rows that are gone.
    expected = replay.ledger.take(reader.table.name, [reader.key(row) for row in rows])
    suspects = []
    for row in rows:
        entry, noted = expected.get(reader.key(row), (None, b""))
        if noted != digest(row):
            suspects.append(_Suspect(reader.key(row), entry, row))
    entry_at = reader.columns.index("entry")
    # A row of a list that cannot be read is neither right nor wrong; the missing list is told once, not
    # once a row.
    return [s for s in suspects if s.entry or not _set_aside(replay, reader, s, entry_at)]


def _set_aside(replay: Replay, reader: RawTable, suspect: _Suspect, entry_at: int) -> bool:
    """Whether a row is one of a manifest that cannot be read."""
    return suspect.found is not None and (reader.table.name, suspect.found[entry_at]) in replay.unread


def _tell(connection: Connection, replay: Replay, reader: RawTable, suspects: list[_Suspect]) -> None:
    """Make findings of suspects, with what the journal says of them."""
    if not suspects:
        return
    wanted: dict[int, set[Key]] = defaultdict(set)
    # A table replaced wholesale gives a million suspects; every one is told, but only some with the old
    # value beside the new.
    for suspect in suspects[:_TOLD_AT_ONCE]:
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
