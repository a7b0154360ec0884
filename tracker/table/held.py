"""The results of a whole book held in memory, for a table that many look at while others write.

After each act only the plates that it touched are read again. Which those are the journal says: its rows are
taken in as the act itself took them (:class:`tracker.acts.derived.Touched`).
"""

from __future__ import annotations

import copy
import json
import threading
from collections.abc import Collection
from typing import Final

from sqlalchemy import Connection, select

from tracker.acts.derived import Touched
from tracker.book import Book
from tracker.journal import RowChange
from tracker.model import JournalRecord
from tracker.table.results import BookResults
from tracker.table.summary import Beside

_MOST: Final = 200
"""Acts after which all is read again; to take in more one by one would take about as long."""
_DAYS: Final = frozenset({"stay", "drying", "drying_spool"})
_EVERYTHING: Final = frozenset({"material", "spool", "other_bench"})
"""Tables of which a change may concern any plate."""


class HeldResults:
    """The results of a whole book and what is shown beside them, as new as the journal.

    Args:
        ordinal: Quantities that are grades.
    """

    def __init__(self, ordinal: Collection[str] = ()) -> None:
        self._ordinal = frozenset(ordinal)
        self._lock = threading.Lock()
        self._held: tuple[int, BookResults, Beside] | None = None

    def renewed(self, book: Book) -> tuple[BookResults, Beside]:
        """Return the results as they are now, with what is shown beside them.

        They are never changed afterwards: whoever still makes rows of them does so of what was then.
        """
        with self._lock, book.connect() as connection:
            if self._held is None:
                self._held = self._read(connection)
            else:
                self._held = self._renewed(connection, *self._held)
            return self._held[1:]

    def _read(self, connection: Connection) -> tuple[int, BookResults, Beside]:
        head = connection.scalar(select(JournalRecord.seq).order_by(JournalRecord.seq.desc()).limit(1)) or 0
        results = BookResults(connection, None, self._ordinal)
        results.read_sums(connection)
        return head, results, Beside(connection, results)

    def _renewed(
        self, connection: Connection, head: int, results: BookResults, beside: Beside
    ) -> tuple[int, BookResults, Beside]:
        asked = select(JournalRecord.seq, JournalRecord.body).where(JournalRecord.seq > head)
        entries = connection.execute(asked.order_by(JournalRecord.seq).limit(_MOST + 1)).all()
        if not entries:
            return head, results, beside
        bodies = [json.loads(body) for _, body in entries]
        changes = [RowChange(**row) for body in bodies for row in body["rows"]]
        tables = {change.table for change in changes}
        if len(entries) > _MOST or any(body["bulk"] for body in bodies) or tables & _EVERYTHING:
            return self._read(connection)
        touched = Touched()
        touched.take_changes(changes)
        plates = touched.plates_tested(connection)
        results, beside = copy.copy(results), copy.copy(beside)
        results.renew(connection, plates, days=bool(tables & _DAYS))
        beside.renew(connection, results, {plate for plate in plates if plate > 0})
        return entries[-1][0], results, beside
