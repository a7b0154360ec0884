"""One act while it is being done: it gives out numbers, notes every row, and writes the entry."""

from __future__ import annotations

import datetime as dt
import functools
import gzip
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import itemgetter
from pathlib import PurePath
from typing import Any, Final

from sqlalchemy import Connection, Select, Table, event, func, insert, inspect, select
from sqlalchemy.orm import Session
from sqlalchemy.orm.state import InstanceState
from sqlalchemy.sql.schema import ScalarElementColumnDefault

from tracker.errors import Refused
from tracker.files import Files
from tracker.journal import FIRST_PREV, Entry, RowChange, canonical, canonical_row, hash_of, plain
from tracker.model import Attachment, Base, JournalRecord

Clock = Callable[[], dt.datetime]

# Built once: making a statement anew for each act costs more than running it.
_JOURNAL: Final[Any] = JournalRecord.__table__
_LAST: Final = select(_JOURNAL.c.seq, _JOURNAL.c.hash).order_by(_JOURNAL.c.seq.desc()).limit(1)
_ENTER: Final = insert(_JOURNAL)


@functools.cache
def _highest(table: Table) -> Select[Any]:
    return select(func.max(table.c.id))


class Act:
    """An act in its transaction. Rows put into ``session`` are noted by themselves.

    Attributes:
        session: Takes new and changed rows.
        at: Moment of the act, UTC.
        seq: Number of its entry.
        about: IDs it concerns, for the entry; append to it.
        reason: Why; may be set on the way.
    """

    def __init__(
        self,
        session: Session,
        files: Files,
        at: dt.datetime,
        *,
        act: str,
        who: str,
        reason: str = "",
        about: Sequence[str] = (),
    ) -> None:
        self.session = session
        self.files = files
        self.at = at
        self.act = act
        self.who = who
        self.reason = reason
        self.about = list(about)
        self._rows: dict[tuple[str, str], RowChange] = {}
        self._bulk: list[dict[str, Any]] = []
        # Safe only because the right to write is held already: two acts that read the same last entry would
        # both name it, and the chain would fork.
        last = session.connection().execute(_LAST).one_or_none()
        self.seq = last.seq + 1 if last else 1
        self._prev = last.hash if last else FIRST_PREV
        # Noted by the session's own events and not by whoever adds a row: a caller who forgot would leave a
        # row that no entry speaks of.
        event.listen(session, "before_flush", self._before_flush)
        event.listen(session, "after_flush", self._after_flush)

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
        return int(self.session.connection().scalar(_highest(table)) or 0) + 1

    def bulk(self, model: type[Base], rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert many complete rows at once; the entry names a manifest of them instead of each.

        Args:
            model: Its table.
            rows: All with the same columns, ``entry`` left out; numbers are given by the caller, from
                :meth:`next_number`.
        """
        if not rows:
            return
        self.session.flush()
        table = _table(model)
        columns = sorted({*rows[0], "entry"})
        # The manifest comes first: what it cannot hold is refused before the database sees it.
        digest = self.files.put(_manifest(table, columns, rows, self.seq))
        _insert(self.session.connection(), table, columns, rows, self.seq)
        self._bulk.append({"table": table.name, "rows": len(rows), "manifest": digest})

    def enter(self) -> None:
        """Write the journal entry; the last thing an act does.

        Raises:
            Refused: Something in it cannot be written as JSON (a lone surrogate, say).
        """
        self.session.flush()
        entry = Entry(
            seq=self.seq,
            at=self.at,
            who=self.who,
            act=self.act,
            prev=self._prev,
            reason=self.reason,
            about=tuple(dict.fromkeys(self.about)),
            rows=tuple(self._rows.values()),
            bulk=tuple(self._bulk),
        )
        said = [self.who, self.act, self.reason, *self.about]
        body = _written(entry.body, "the entry", [said])
        columns = {"seq": entry.seq, "at": entry.at, "who": entry.who, "act": entry.act}
        self.session.connection().execute(_ENTER, {**columns, "body": body, "hash": hash_of(body)})

    def _before_flush(self, session: Session, *_: object) -> None:
        if session.deleted:
            # A fault in our own code and nothing a person can mend, so it is no refusal: it must not be
            # caught with them.
            raise AssertionError("rows of a book are never deleted")
        for row in (*session.new, *session.dirty):
            _check_text(row)
        self._give_numbers([row for row in session.new if "id" in _table(type(row)).c])
        for row in session.new:
            row.entry = self.seq
        for row in session.dirty:
            # A row counts as dirty on any assignment, even of the value it had; that alone would make an
            # entry speak of a change where none was.
            if session.is_modified(row):
                self._note_before(row)
                row.entry = self.seq

    def _give_numbers(self, rows: Iterable[Any]) -> None:
        by_table: dict[Table, list[Any]] = defaultdict(list)
        # The session keeps new rows in a set; numbers end up on labels, and people expect them in the order
        # in which they typed.
        for row in sorted(rows, key=_order_added):
            if row.id is None:
                by_table[_table(type(row))].append(row)
        for table, wanting in by_table.items():
            for number, row in enumerate(wanting, start=self.next_number(table)):
                row.id = number

    def _note_before(self, row: Any) -> None:
        state = inspect(row)
        key = (_table(type(row)).name, _key(row))
        # Only the first time: flushed twice in one act, the row would else be "before" as the act itself
        # left it halfway.
        if key not in self._rows:
            self._rows[key] = RowChange(*key, before=_committed(row, state), after={})

    def _after_flush(self, session: Session, *_: object) -> None:
        for row in session.new:
            key = (_table(type(row)).name, _key(row))
            self._rows[key] = RowChange(*key, before=None, after=_values(row))
        for row in session.dirty:
            key = (_table(type(row)).name, _key(row))
            noted = self._rows.get(key)
            if noted is not None:
                self._rows[key] = RowChange(*key, before=noted.before, after=_values(row))


def _written(write: Callable[[], str], what: str, values: Iterable[Any]) -> str:
    """Return a JSON text, or refuse what has none, or what a text column cannot keep.

    Raises:
        Refused: Something in it is not JSON, or no text; ``values`` are looked through for which.
    """
    try:
        text = write()
        text.encode()
    except ValueError as error:
        _check_each(what, values)
        raise Refused(
            "This cannot be written down", why=str(error).splitlines()[0], do="Nothing was written"
        ) from error
    if "\\u0000" in text:
        # A person's own "\\u0000", spelt out, looks like a NUL here; a closer look tells them apart.
        _check_each(what, values)
    return text


def _check_each(what: str, values: Iterable[Any]) -> None:
    for value in values:
        _check_value(what, value)


def _encodes(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _check_text(row: Any) -> None:
    """Refuse text that not every database can keep, before any sees it.

    Raises:
        Refused: A NUL character, or half of a surrogate pair.
    """
    for name, value in inspect(row).dict.items():
        if isinstance(value, (str, dict, list)):
            _check_value(name.replace("_", " "), value)


def _check_value(name: str, value: Any) -> None:
    if isinstance(value, str):
        if "\0" in value:
            raise _unkept(name, "a NUL character")
        if not _encodes(value):
            raise _unkept(name, "half of a surrogate pair, which is no character")
    elif isinstance(value, dict):
        _check_value(name, [*value, *value.values()])
    elif isinstance(value, (list, tuple)):
        for inner in value:
            _check_value(name, inner)


def _unkept(name: str, what: str) -> Refused:
    return Refused(f"The text of {name} holds {what}", do="Nothing was written; type it anew without it")


def _table(model: Any) -> Table:
    table: Table = model.__table__
    return table


def _order_added(row: Any) -> int:
    return int(inspect(row).insert_order or 0)


def _key(row: Any) -> str:
    return ":".join(str(getattr(row, column.name)) for column in _table(type(row)).primary_key)


def _values(row: Any) -> dict[str, Any]:
    return {column.name: plain(getattr(row, column.key)) for column in _table(type(row)).c}


def _committed(row: Any, state: InstanceState[Any]) -> dict[str, Any]:
    """Return a row's values as they were read, before this act touched them."""
    return {
        column.name: plain(state.committed_state.get(column.key, getattr(row, column.key)))
        for column in _table(type(row)).c
    }


def _insert(
    connection: Connection, table: Table, columns: list[str], rows: Sequence[Mapping[str, Any]], seq: int
) -> None:
    """Insert rows through the driver, converted by the types' own rules but without a layer for each row."""
    dialect = connection.dialect
    left_out: dict[str, Any] = {
        column.name: column.default.arg
        for column in table.c
        if column.name not in columns and isinstance(column.default, ScalarElementColumnDefault)
    }
    names = [*columns, *left_out]
    compiled: Any = insert(table).compile(dialect=dialect, column_keys=names)
    converters = {name: table.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names}
    whole = ({**left_out, **row, "entry": seq} for row in rows)
    made = (
        {name: value if (turn := converters[name]) is None else turn(value) for name, value in row.items()}
        for row in whole
    )
    if compiled.positional:
        order = itemgetter(*compiled.positiontup)
        connection.exec_driver_sql(str(compiled), [order(row) for row in made])
    else:
        connection.exec_driver_sql(str(compiled), list(made))


def _manifest(table: Table, columns: list[str], rows: Sequence[Mapping[str, Any]], seq: int) -> bytes:
    """Return the manifest: a line naming table and columns, then one canonical array for each row."""
    head = canonical({"table": table.name, "columns": columns})
    dated = {column.name for column in table.c if column.type.python_type in {dt.datetime, dt.date}}

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

    text = _written(write, "a row", (list(row.values()) for row in rows))
    # No time and no name inside, so that equal rows make equal bytes.
    return gzip.compress(text.encode(), compresslevel=1, mtime=0)
