"""Who wrote the rows of a path, and what they said before: a walk from journal entry to entry.

Every row names the entry that last wrote it. Where that entry changed the row, its body holds the row
as it was, with the entry before; so corrections are followed back to the first writing. The last part puts
them into words: who wrote what, and what was corrected.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

from tracker.lineage import Reader
from tracker.lineage import questions as ask
from tracker.model import Base

Columns = Mapping[str, Any]
Touched = tuple[str, Any]
"""Name of a table and one of its rows, which is typed as its model and gives its columns by name as well."""

_KEYS: Final = {
    table.name: tuple(column.name for column in table.primary_key) for table in Base.metadata.sorted_tables
}
_CHANGED: Final = '"before":{'
_ROWS: Final = ',"rows":['
_quoted: Final = json.JSONEncoder(ensure_ascii=False).encode


@dataclass(eq=False)
class Written:
    """A journal entry that wrote a row of the path."""

    seq: int
    at: dt.datetime
    who: str
    act: str
    body: str
    hash: str

    @cached_property
    def head(self) -> dict[str, Any]:
        """What the entry says apart from its rows: ``reason``, ``about``, ``bulk``, ``prev``.

        The rows can be many thousands of characters that nobody asked for. In canonical JSON keys are
        sorted, and inside a text a quotation mark is escaped: the first ``,"rows":[`` begins them.
        """
        head: dict[str, Any] = json.loads(self.body.partition(_ROWS)[0] + "}")
        return head

    @property
    def reason(self) -> str:
        """Why it was done; empty where nobody said."""
        return str(self.head.get("reason", ""))

    @cached_property
    def changes(self) -> dict[tuple[str, str], tuple[Columns, Columns]]:
        """The rows it changed, by table and key: as they were and as they became."""
        # New rows have no ``before``; most entries write nothing but new rows and need no reading.
        if _CHANGED not in self.body:
            return {}
        return {
            (row["table"], row["key"]): (row["before"], row["after"])
            for row in json.loads(self.body)["rows"]
            if row["before"] is not None
        }

    def change_of(self, table: str, key: str) -> tuple[Columns, Columns] | None:
        """Return a row as it was before this entry and as it became; None where the entry did not change it.

        A body may hold a whole plate, and most rows of a way back are new in it. In canonical JSON a new row
        ends with its key after an empty ``before``: for a row that is seen to be new no body is read.
        """
        if _CHANGED not in self.body:
            return None
        end = f'"key":{_quoted(key)},"table":{_quoted(table)}}}'
        # Written twice, one of them may be a document that looks like a row.
        if f'"before":null,{end}' in self.body and self.body.count(end) == 1:
            return None
        return self.changes.get((table, key))


@dataclass(frozen=True)
class Change:
    """One value that was corrected: ``old`` and ``new`` as the journal's JSON has them."""

    table: str
    key: str
    column: str
    old: Any
    new: Any
    entry: Written


@dataclass
class Journal:
    """The entries behind a path, and the corrections they made to its rows.

    Attributes:
        entries: By number, in order.
        wrote: Number of an entry to the tables of the path in which it last wrote a row.
        changes: Corrections, oldest first.
    """

    entries: dict[int, Written] = field(default_factory=dict)
    wrote: dict[int, list[str]] = field(default_factory=dict)
    changes: list[Change] = field(default_factory=list)


def journal_of(
    reader: Reader, touched: Sequence[Touched], known: dict[int, Written] | None = None
) -> Journal:
    """Return the entries that wrote some rows, with the history of each row.

    Args:
        reader: Open.
        touched: The rows.
        known: Entries that were read already, by number; what is read is added. Ways back of one job share
            most of theirs.
    """
    journal = Journal()
    for table, row in touched:
        tables = journal.wrote.setdefault(row["entry"], [])
        if table not in tables:
            tables.append(table)
    if known:
        journal.entries = {seq: known[seq] for seq in journal.wrote if seq in known}
    _fetch(reader, journal, journal.wrote)
    # Asked of the text first: most entries write new rows alone, and a trace is behind a dozen of them.
    if any(_CHANGED in entry.body for entry in journal.entries.values()):
        for table, row in touched:
            _follow(reader, journal, table, row)
    if known is not None:
        known |= journal.entries
    journal.entries = dict(sorted(journal.entries.items()))
    journal.changes.sort(key=lambda change: change.entry.seq)
    return journal


def key_of(table: str, row: Columns) -> str:
    """Return a row's primary key as the journal writes it."""
    return ":".join(str(row[name]) for name in _KEYS[table])


def _follow(reader: Reader, journal: Journal, table: str, row: Columns) -> None:
    """Note every earlier state of one row, from the entry that last wrote it to the first."""
    place = (table, key_of(table, row))
    seq: int | None = row["entry"]
    while seq is not None:
        _fetch(reader, journal, [seq])
        found = journal.entries[seq].change_of(*place) if seq in journal.entries else None
        if found is None:
            return
        before, after = found
        journal.changes += _differences(*place, before, after, journal.entries[seq])
        # Entries only ever point back; anything else is a damaged book, which verify names.
        seq = before["entry"] if before.get("entry", seq) < seq else None


def _differences(table: str, key: str, before: Columns, after: Columns, entry: Written) -> Iterator[Change]:
    for column, new in after.items():
        old = before.get(column)
        if column != "entry" and old != new:
            yield Change(table, key, column, old, new, entry)


def _fetch(reader: Reader, journal: Journal, seqs: Iterable[int]) -> None:
    """Read entries that are not there yet."""
    wanted = sorted({seq for seq in seqs if seq not in journal.entries})
    if wanted:
        for parts in reader.ask(ask.ENTRIES, wanted):
            entry = parts["entry"]
            journal.entries[entry.seq] = Written(**entry)
