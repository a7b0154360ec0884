"""The journal behind a way, in words: who wrote what, and what was corrected."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from typing import Any, Final

from tracker.trace.history import Change, Written
from tracker.trace.way import Way
from tracker.trace.words import local, shortened, value_text

_DERIVED: Final = frozenset(
    {
        "budget",
        "uncertainty",
        "remarks",
        "method_version",
        "counted",
        "problem",
        "refused",
        "log_facts",
        "plate_facts",
        "offset_s",
    }
)
"""Columns that follow from others: a corrected reading changes them, and the number's own line has them."""

_STILL_OPEN: Final = "running"
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")


def journal_lines(way: Way) -> Iterator[str]:
    """Yield the journal entries behind the path: one line for each day and person, oldest first."""
    acts: dict[tuple[str, str], list[str]] = {}
    for entry in way.path.journal.entries.values():
        # An amendment's reason stands beside what it amended.
        reason = "" if entry.changes() else shortened(entry.reason)
        day = f"{entry.at.astimezone(way.zone):%Y-%m-%d}"
        said = f"{entry.seq} {entry.act}{f' {reason}' if reason else ''}"
        acts.setdefault((day, entry.who), []).append(said)
    for (day, who), said_of in acts.items():
        yield f"{day} {who}: {'; '.join(said_of)}"


def correction_lines(way: Way) -> Iterator[str]:
    """Yield the corrections on the path: what said what before, who changed it, when and why.

    What was added because it was not known before, as at the end of a job, corrects nothing; the JSON of
    the trace has those changes too.
    """
    for said, entry in corrections(way):
        why = f": {entry.reason}" if entry.reason else ""
        yield f"{said} (entry {entry.seq}, {entry.who}, {local(entry.at, way.zone)}{why})"


def corrections(way: Way) -> Iterator[tuple[str, Written]]:
    """Yield what was corrected, from what to what, with the entry that did it."""
    names = way.names()
    for change in filter(_corrects, way.path.journal.changes):
        what = names.get((change.table, change.key), f"{change.table} {change.key}")
        for field, old, new in _apart(change.column, change.old, change.new):
            yield f"{what} {field}: {_said(old, way.zone)} → {_said(new, way.zone)}", change.entry


def _corrects(change: Change) -> bool:
    """Whether a change says that something was wrong; a gap filled with a reason counts as that."""
    if change.column in _DERIVED or change.old == _STILL_OPEN:
        return False
    return change.old is not None or bool(change.entry.reason)


def _apart(field: str, old: Any, new: Any) -> Iterator[tuple[str, Any, Any]]:
    """Yield what differs between two values; of readings and the like, the parts that do."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in {**old, **new}:
            if old.get(name) != new.get(name):
                yield f"{field} {name}", old.get(name), new.get(name)
    else:
        yield field, old, new


def _said(value: Any, zone: dt.tzinfo) -> str:
    """Return a value of the journal as text, a moment by the bench's clock."""
    if isinstance(value, str) and _MOMENT.fullmatch(value):
        return local(dt.datetime.fromisoformat(value), zone)
    return value_text(value)
