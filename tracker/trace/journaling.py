"""The journal behind a way, in words: who wrote what, and what was corrected."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tracker.trace.way import Way
from tracker.trace.words import local, shortened, value_text


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
    """Yield the corrections on the path: what said what before, who changed it, when and why."""
    names = way.names()
    for change in way.path.journal.changes:
        entry = change.entry
        what = names.get((change.table, change.key), f"{change.table} {change.key}")
        why = f": {entry.reason}" if entry.reason else ""
        by = f"(entry {entry.seq}, {entry.who}, {local(entry.at, way.zone)}{why})"
        for field, old, new in _apart(change.column, change.old, change.new):
            yield f"{what} {field}: {old} → {new} {by}"


def _apart(field: str, old: Any, new: Any) -> Iterator[tuple[str, str, str]]:
    """Yield what differs between two values; of readings and the like, the parts that do."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in {**old, **new}:
            if old.get(name) != new.get(name):
                yield f"{field} {name}", value_text(old.get(name)), value_text(new.get(name))
    else:
        yield field, value_text(old), value_text(new)
