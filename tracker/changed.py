"""What of a book was changed last: so that an answer stays good when something else was written.

Most acts at a bench store a measurement. Such an act changes what is shown of its specimen's job, and of the
other jobs of the same material (how far its programme is), and of no other material. Any other act may change
anything.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable, Mapping
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.book import Book
from tracker.model import (
    OWN_MATERIAL,
    FactorInForce,
    JobInForce,
    JournalRecord,
    Measurement,
    Specimen,
)

_OF_MEASUREMENTS: Final = frozenset(
    {"measurement", "result", "measurement_rig", "measurement_file", "attachment", "sent_form"}
)
"""Tables that an act writes which only stores, corrects or judges measurements; and of specimens
:data:`_BY_MEASURING`."""

_BY_MEASURING: Final = frozenset({"broken_at", "entry"})
"""Columns of a specimen that a measurement changes."""

_WITH_SPECIMEN: Final = ("specimen", "measurement", "result")
_MOST_ENTRIES: Final = 500


class Changed:
    """Follows a book's journal, and says by what marks an answer about a job is known to be still good.

    Args:
        book: The book.
    """

    def __init__(self, book: Book) -> None:
        self._book = book
        self._lock = threading.Lock()
        self._state = ""
        self._seq = 0
        self._anything = 0
        self._materials: dict[int, int] = {}
        self._of_jobs: dict[int, frozenset[int]] = {}

    def mark_of_job(self, job: int, state: str) -> str:
        """Return a text that stays the same as long as what is shown of a job and its specimens does.

        Args:
            job: Its number.
            state: Of the book, as :meth:`tracker.book.Book.state` gave it to whoever asks.
        """
        with self._lock:
            self._look(state)
            if job not in self._of_jobs:
                with self._book.connect() as connection:
                    self._of_jobs[job] = _materials_of(connection, [job])
            newest = max((self._materials.get(each, 0) for each in self._of_jobs[job]), default=0)
            return f"{self._anything}.{newest}"

    def mark_of_records(self, state: str) -> str:
        """Return a text that stays the same until something else than measurements is written.

        Args:
            state: Of the book, as for :meth:`mark_of_job`.
        """
        with self._lock:
            self._look(state)
            return str(self._anything)

    def _look(self, state: str) -> None:
        if state != self._state:
            self._follow()
            self._state = state

    def _follow(self) -> None:
        """Read the entries that came since the last look."""
        with self._book.connect() as connection:
            asked = select(JournalRecord.seq, JournalRecord.body).where(JournalRecord.seq > self._seq)
            # Newest first: of a book that is looked at first, or after an hour, no more than a part is read.
            entries = connection.execute(
                asked.order_by(JournalRecord.seq.desc()).limit(_MOST_ENTRIES + 1)
            ).all()
            if not entries:
                return
            first = self._seq == 0 or len(entries) > _MOST_ENTRIES
            self._seq = entries[0].seq
            if first:
                self._touch_anything()
                return
            for seq, body in reversed(entries):
                specimens = measured_specimens(connection, json.loads(body))
                if specimens is None:
                    self._touch_anything()
                    return
                for material in _materials_of_specimens(connection, specimens):
                    self._materials[material] = seq

    def _touch_anything(self) -> None:
        self._anything = self._seq
        self._materials.clear()
        self._of_jobs.clear()


def measured_specimens(connection: Connection, body: Mapping[str, Any]) -> set[int] | None:
    """Return the numbers of the specimens whose measurements an entry is about; None where it is of more.

    Args:
        connection: To the book.
        body: Of the entry, read from its JSON.
    """
    rows = body["rows"]
    if body.get("bulk") or not all(map(_by_measuring, rows)):
        return None
    after = {name: [row["after"] for row in rows if row["table"] == name] for name in _WITH_SPECIMEN}
    specimens = {each["id"] for each in after["specimen"]}
    specimens |= {each["specimen_id"] for each in after["measurement"]}
    measurements = {each["measurement_id"] for each in after["result"]}
    if measurements:
        asked = select(Measurement.specimen_id).where(Measurement.id.in_(measurements))
        specimens |= set(connection.scalars(asked))
    # Of a spool: how dry it is, and what was printed from it, may be reported on any page.
    return None if None in specimens else specimens


def _by_measuring(row: Mapping[str, Any]) -> bool:
    if row["table"] == "specimen":
        before = row["before"]
        return before is not None and _BY_MEASURING.issuperset(_differing(before, row["after"]))
    return row["table"] in _OF_MEASUREMENTS


def _differing(before: Mapping[str, Any], after: Mapping[str, Any]) -> set[str]:
    return {name for name in after if before.get(name) != after[name]}


def _materials_of_specimens(connection: Connection, specimens: Iterable[int]) -> frozenset[int]:
    jobs = select(Specimen.job_id).where(Specimen.id.in_(list(specimens))).distinct()
    return _materials_of(connection, list(connection.scalars(jobs)))


def _materials_of(connection: Connection, jobs: Iterable[int]) -> frozenset[int]:
    """Return the materials of jobs: of their main spools, and of single specimens that have their own."""
    numbers = list(jobs)
    main = select(JobInForce.material_id).where(JobInForce.job_id.in_(numbers))
    own = (
        select(FactorInForce.number)
        .join(Specimen, Specimen.id == FactorInForce.specimen_id)
        .where(Specimen.job_id.in_(numbers), FactorInForce.name == OWN_MATERIAL)
    )
    found = {int(each or 0) for asked in (main, own) for each in connection.scalars(asked)}
    # No material at all is one too: jobs of which none is known are taken for each other's like.
    return frozenset(found or {0})
