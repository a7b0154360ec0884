"""The journal as people read it: who did what, when, to which record, and why."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.model import JournalRecord
from tracker.moments import NOT_RECORDED, local_time

_BOOKKEEPING: Final = frozenset(
    (
        "entry",
        "confirmed",
        "voided",
        "results",
        "plate_facts",
        "log_facts",
        "units",
        "readings",
        "budget",
        "broken_at",
    )
)
"""Columns whose change says nothing to a person; readings are told one by one."""

_MOST_CHANGES: Final = 6
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")


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
    zone: dt.tzinfo,
    *,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    who: str | None = None,
    about: str | None = None,
) -> Iterator[Act]:
    """Yield the acts of the journal, the newest first.

    Args:
        connection: Read only.
        zone: The bench's zone, for moments that were changed.
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
        changes = _changes(body.get("rows") or (), zone, gaps=bool(body.get("reason")))
        yield Act(row.seq, row.at, row.who, row.act, named, body.get("reason") or "", changes)


def _concerns(named: tuple[str, ...], wanted: str) -> bool:
    # J0012-P and its specimens J0012-04-K share what stands before the check character.
    stem = wanted.rpartition("-")[0]
    return any(each == wanted or (wanted.startswith("J") and each.startswith(f"{stem}-")) for each in named)


def _changes(rows: Iterable[Mapping[str, Any]], zone: dt.tzinfo, *, gaps: bool) -> tuple[str, ...]:
    """Return what an act changed, each change once; filling a gap counts only where it has a reason."""
    found: list[str] = []
    for row in rows:
        before, after = row.get("before"), row.get("after") or {}
        if before is None:
            continue
        found += _apart(before, after, zone, gaps)
        old, new = before.get("readings"), after.get("readings")
        if isinstance(old, dict) and isinstance(new, dict):
            found += _apart(old, new, zone, gaps)
    return tuple(dict.fromkeys(found))[:_MOST_CHANGES]


def _apart(before: Mapping[str, Any], after: Mapping[str, Any], zone: dt.tzinfo, gaps: bool) -> Iterator[str]:
    for name, old in before.items():
        new = after.get(name)
        if name in _BOOKKEEPING or old == new or isinstance(old or new, (dict, list)):
            continue
        if old is not None or gaps:
            yield f"{name} {_word(old, zone)} → {_word(new, zone)}"


def _word(value: Any, zone: dt.tzinfo) -> str:
    if value is None:
        return NOT_RECORDED
    if isinstance(value, str) and _MOMENT.fullmatch(value):
        return local_time(dt.datetime.fromisoformat(value), zone)
    return f"{value:.6g}" if isinstance(value, float) else str(value)
