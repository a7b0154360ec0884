"""One act while it is being done: it gives out numbers, records every row, and writes the entry."""

from __future__ import annotations

import datetime as dt
import gzip
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from sqlalchemy import Connection, Dialect, Table, select
from sqlalchemy.orm import Session

from tracker.acts.derived import Touched, working_out
from tracker.acts.recording import (
    Insert,
    Noting,
    columns_of,
    dated_columns,
    driver_of,
    highest,
    insert_into,
    table_of,
    written,
)
from tracker.errors import Doubt
from tracker.files import Files
from tracker.journal import FIRST_PREV, Entry, canonical, canonical_rows, hash_of, plain
from tracker.model import Attachment, JournalRecord, SentForm
from tracker.stored_rows import batched

if TYPE_CHECKING:
    from tracker.model import Base

_MANY: Final = 200
"""From so many rows on PostgreSQL is given them in documents."""
_TOGETHER: Final = 2000
"""Rows of such a document."""
_WRITTEN_TOGETHER: Final = 200
"""Rows of a manifest that are written at once: a number that needs the long way sends so many through it."""


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
    for text, values in _statements(insert_into(table, tuple(columns), connection.dialect), rows, seq):
        connection.exec_driver_sql(text, values)


def _statements(into: Insert, rows: Sequence[Mapping[str, Any]], seq: int) -> Iterator[tuple[str, Any]]:
    """Yield the statements that insert rows, each with what the driver takes with it."""
    if into.from_document and len(rows) >= _MANY:
        for some in batched(rows, _TOGETHER):
            yield into.from_document, {"rows": into.document(some, entry=seq)}
    else:
        yield into.text, into.many_values(rows, entry=seq)


class Bulk(NamedTuple):
    """Complete rows of a table, ready to be inserted by an act; made by :func:`bulk_of`.

    Attributes:
        table: Its name.
        rows: How many.
        manifest: Of the rows; see :func:`manifest`.
        statements: What inserts them, with what the driver takes.
        touched: What they touch.
    """

    table: str
    rows: int
    manifest: bytes = b""
    statements: Sequence[tuple[str, Any]] = ()
    touched: Touched | None = None


def bulk_of(model: type[Base], rows: Sequence[Mapping[str, Any]], seq: int, dialect: Dialect) -> Bulk:
    """Make rows ready to be inserted; the database is not asked, so another process may do it.

    Args:
        model: Their table.
        rows: All with the same columns, ``entry`` left out; numbers are given by the caller, from
            :meth:`Act.next_number`.
        seq: Number of the entry they are written by.
        dialect: Of the database.

    Raises:
        Refused: Something in a row cannot be written as JSON.
    """
    table = table_of(model)
    if not rows:
        return Bulk(table.name, 0)
    columns = sorted({*rows[0], "entry"})
    # The manifest comes first: what it cannot hold is refused before the database sees it.
    listed = manifest(table, columns, rows, seq)
    touched = Touched()
    touched.take_rows(table.name, rows)
    into = insert_into(table, tuple(columns), dialect)
    return Bulk(table.name, len(rows), listed, list(_statements(into, rows, seq)), touched)


def manifest(table: Table, columns: list[str], rows: Sequence[Mapping[str, Any]], seq: int) -> bytes:
    """Return the manifest: a line naming table and columns, then one canonical array for each row.

    Raises:
        Refused: Something in a row cannot be written as JSON.
    """
    head = canonical({"table": table.name, "columns": columns})
    dated = dated_columns(table)

    known = [name for name in columns if name != "entry"]

    def write() -> str:
        lines = [head]
        for some in batched(rows, _WRITTEN_TOGETHER):
            values = {"entry": [seq] * len(some), **dict(zip(known, columns_of(some, known), strict=True))}
            for name in dated & values.keys():
                values[name] = [plain(value) for value in values[name]]
            lines += canonical_rows([values[name] for name in columns])
        return "\n".join([*lines, ""])

    text = written(write, "a row", (list(row.values()) for row in rows))
    # No time and no name inside, so that equal rows make equal bytes.
    return gzip.compress(text.encode(), compresslevel=1, mtime=0)


Clock = Callable[[], dt.datetime]

_JOURNAL: Final[Any] = JournalRecord.__table__
_LAST: Final = "SELECT seq, hash, at FROM journal ORDER BY seq DESC LIMIT 1"
_ENTRY: Final = tuple(column.name for column in _JOURNAL.c)

BACKWARDS: Final = dt.timedelta(minutes=2)
"""How far the clocks of computers that share a book may differ before it is asked about."""


class ClockDoubt(Doubt):
    """The clock says less than the last entry: one of the two is wrong."""


class DoneBefore(Exception):  # noqa: N818 - no error: it ends an act of which nothing is left to do
    """What a key stands for was done already.

    Attributes:
        id: The ID or name that was made or changed then; empty where the act named none.
    """

    def __init__(self, name: str) -> None:
        self.id = name
        super().__init__(name)


def refuse_twice(session: Session, key: str) -> None:
    """Let through a key under which nothing was done yet.

    Raises:
        DoneBefore: Something was.
    """
    body = session.scalar(
        select(JournalRecord.body)
        .join(SentForm, SentForm.entry == JournalRecord.seq)
        .where(SentForm.key == key)
    )
    if body is not None:
        raise DoneBefore(next(iter(json.loads(body)["about"]), ""))


class Act:
    """An act in its transaction. Rows put into ``session`` are recorded by themselves.

    Attributes:
        session: Takes new and changed rows.
        at: Moment of the act, UTC.
        seq: Number of its entry.
        about: IDs it concerns, for the entry; append to it.
        reason: Why; may be set on the way.
        hash: Of its entry, once that is written.
    """

    def __init__(
        self,
        connection: Connection,
        files: Files,
        at: dt.datetime,
        *,
        act: str,
        who: str,
        reason: str = "",
        about: Sequence[str] = (),
        key: str = "",
        any_time: bool = False,
    ) -> None:
        self.files = files
        self.at = at
        self.act = act
        self.who = who
        self.reason = reason
        self.about = list(about)
        self.key = key
        self.hash = ""
        self._connection = connection
        self._driver = driver_of(connection)
        self._bulk: list[dict[str, Any]] = []
        self.touched = Touched()
        # Safe only because the right to write is held already: two acts that read the same last entry would
        # both name it, and the chain would fork.
        last = self._driver.execute(_LAST).fetchone()
        self.seq: int = last[0] + 1 if last else 1
        self._prev: str = last[1] if last else FIRST_PREV
        if last and not any_time:
            _check_clock(at, last[2])
        self.session = Noting(connection, self.seq, self.next_numbers)
        if key:
            # Asked inside the act, where nobody else writes: of two that come at once one finds the other.
            refuse_twice(self.session, key)

    def attach(self, data: bytes, name: str) -> str:
        """Keep a file with this act and return its SHA-256.

        Raises:
            FilesError: It cannot be written.
        """
        digest = self.files.put(data)
        if self.session.get(Attachment, digest) is None:
            self.session.add(Attachment(sha256=digest, size=len(data), name=PurePath(name).name or "file"))
            self.session.flush()
        return digest

    def next_number(self, table: Table) -> int:
        """Return the number the next row of a table gets. Rows are never deleted, so none comes twice."""
        return self.next_numbers((table,))[0]

    def next_numbers(self, tables: Sequence[Table]) -> list[int]:
        """Return the same of several tables, asked for at once."""
        found = self._driver.execute(highest(tuple(tables))).fetchone()
        return [int(each or 0) + 1 for each in found]

    def bulk(self, model: type[Base], rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert many complete rows at once; arguments as for :func:`bulk_of`."""
        self.insert(bulk_of(model, rows, self.seq, self._connection.dialect))

    def insert(self, bulk: Bulk) -> None:
        """Insert rows that were made ready; the entry names a manifest of them instead of each."""
        if bulk.touched is None:
            return
        self.session.flush()
        digest = self.files.put(bulk.manifest)
        for text, values in bulk.statements:
            self._connection.exec_driver_sql(text, values)
        self.touched.add(bulk.touched)
        self._bulk.append({"table": bulk.table, "rows": bulk.rows, "manifest": digest})

    def work_out(self) -> None:
        """Work out what follows from the rows so far; done at the end for what comes after."""
        if self.touched:
            for keeper in working_out(self.touched):
                keeper.keep(self.session, self.seq, self.touched)
        self.touched = Touched()

    def enter(self) -> None:
        """Write the journal entry; the last thing an act does.

        Raises:
            Refused: Something in it cannot be written as JSON (a lone surrogate, say).
        """
        if self.key:
            self.session.add(SentForm(key=self.key))
        self.session.flush()
        self.touched.take_changes(self.session.changes.values())
        self.work_out()
        entry = Entry(
            seq=self.seq,
            at=self.at,
            who=self.who,
            act=self.act,
            prev=self._prev,
            reason=self.reason,
            about=tuple(dict.fromkeys(self.about)),
            rows=tuple(self.session.changes.values()),
            bulk=tuple(self._bulk),
        )
        texts = [self.who, self.act, self.reason, *self.about]
        body = written(entry.body, "the entry", [texts])
        columns = {"seq": entry.seq, "at": entry.at, "who": entry.who, "act": entry.act}
        self.hash = hash_of(body)
        into = insert_into(_JOURNAL, _ENTRY, self._connection.dialect)
        self._driver.execute(into.text, into.values(columns, body=body, hash=self.hash))

    def close(self) -> None:
        """Let go of the rows."""
        self.session.close()


def _check_clock(at: dt.datetime, last: dt.datetime | str) -> None:
    """Ask where the clock went back: times in the journal would contradict its order.

    Raises:
        ClockDoubt: It did.
    """
    # Straight from the driver: SQLite gives text, in UTC without saying so.
    before = dt.datetime.fromisoformat(last).replace(tzinfo=dt.UTC) if isinstance(last, str) else last
    if at < before - BACKWARDS:
        raise ClockDoubt(
            f"The clock of this computer says {at:%Y-%m-%d %H:%M} UTC, but the last entry in the book was "
            f"made at {before:%Y-%m-%d %H:%M} UTC",
            do="Set the clock; where it is right and the earlier one was wrong, repeat with --clock-is-right",
        )
