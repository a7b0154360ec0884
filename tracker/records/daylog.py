"""The journal as people read it: who did what, when, to which record, and why."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.model import JournalRecord
from tracker.moments import local_time

_BOOKKEEPING: Final = frozenset(
    ("entry", "confirmed", "voided", "results", "plate_facts", "log_facts", "units", "readings", "budget")
)
"""Columns whose change says nothing to a person; readings are told one by one."""

_MOST_CHANGES: Final = 6


@dataclass(frozen=True)
class Act:
    """One act of a person.

    Attributes:
        seq: Number of its entry in the journal.
        at: When.
        who: The person.
        act: What was done, as the journal names it.
        about: IDs of the records concerned.
        reason: Why, where one was given.
        changes: What was changed: ``width 10.02 → 10.20``; empty for what was new.
    """

    seq: int
    at: dt.datetime
    who: str
    act: str
    about: tuple[str, ...]
    reason: str
    changes: tuple[str, ...]

    def told(self, zone: dt.tzinfo) -> dict[str, str]:
        """Return the act as a row of a table."""
        what = "; ".join(part for part in (", ".join(self.changes), self.reason) if part)
        return {
            "time": local_time(self.at, zone), "who": self.who, "act": self.act,
            "records": " ".join(self.about), "what": what,
        }  # fmt: skip

    def as_json(self) -> dict[str, Any]:
        """Return the act as plain JSON values; the time in UTC."""
        return {
            "entry": self.seq, "at": self.at.isoformat(), "who": self.who, "act": self.act,
            "about": list(self.about), "reason": self.reason or None, "changes": list(self.changes),
        }  # fmt: skip


def acts(
    connection: Connection,
    *,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    who: str | None = None,
    about: str | None = None,
) -> Iterator[Act]:
    """Yield the acts of the journal, the newest first.

    Args:
        connection: Read only.
        since: None before this moment.
        until: None from this moment on.
        who: Only this person's, upper and lower case alike.
        about: Only those that concern this ID; for a job its specimens' too.
    """
    rows = select(
        JournalRecord.seq, JournalRecord.at, JournalRecord.who, JournalRecord.act, JournalRecord.body
    )
    if since is not None:
        rows = rows.where(JournalRecord.at >= since)
    if until is not None:
        rows = rows.where(JournalRecord.at < until)
    for row in connection.execute(rows.order_by(JournalRecord.seq.desc()).execution_options(yield_per=500)):
        if who is not None and row.who.casefold() != who.casefold():
            continue
        body = json.loads(row.body)
        named = tuple(dict.fromkeys(body.get("about") or ()))
        if about is not None and not _concerns(named, about):
            continue
        changes = tuple(_changes(body.get("rows") or ()))[:_MOST_CHANGES]
        yield Act(row.seq, row.at, row.who, row.act, named, body.get("reason") or "", changes)


def _concerns(named: tuple[str, ...], wanted: str) -> bool:
    # J0012-P and its specimens J0012-04-K share what stands before the check character.
    stem = wanted.rpartition("-")[0]
    return any(each == wanted or (wanted.startswith("J") and each.startswith(f"{stem}-")) for each in named)


def _changes(rows: tuple[Mapping[str, Any], ...]) -> Iterator[str]:
    for row in rows:
        before, after = row.get("before"), row.get("after") or {}
        if before is None:
            continue
        yield from _apart(before, after)
        old, new = before.get("readings"), after.get("readings")
        if isinstance(old, dict) and isinstance(new, dict):
            yield from _apart(old, new)


def _apart(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    for name, old in before.items():
        new = after.get(name)
        if name in _BOOKKEEPING or old == new or isinstance(old or new, (dict, list)):
            continue
        yield f"{name} {_word(old)} → {_word(new)}"


def _word(value: Any) -> str:
    return "not recorded" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)
