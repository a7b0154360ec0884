"""The walk along the journal: every entry hashed again, and compared with the one before."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, func, select

from tracker.journal import FIRST_PREV, canonical, hash_of
from tracker.model import JournalRecord
from tracker.progress import Progress
from tracker.stored_rows import RawTable, raw
from tracker.verify.findings import Finding, Findings, Origin

_SOME: Final = 200
# Only floats are written otherwise by RFC 8785 than by the standard library.
_FLOATS_TO_DOUBT: Final = re.compile(r"\.0[],}]|\d[eE][-+]?\d")


@dataclass(frozen=True)
class Link:
    """One entry as it lies in the journal.

    Attributes:
        origin: Its head, from the columns.
        body: Its parsed text; empty where it no longer parses.
        hash: As it is in the journal.
    """

    origin: Origin
    body: dict[str, Any]
    hash: str


def walk(connection: Connection, findings: Findings, progress: Progress, after: int = 0) -> Iterator[Link]:
    """Yield every entry in order, and note the first that is broken.

    Args:
        connection: To the book.
        findings: Takes what is broken.
        progress: Called now and then.
        after: Number of an entry that is known to be sound; the walk begins behind it.
    """
    total = connection.scalar(select(func.count()).where(JournalRecord.seq > after)) or 0
    last_seq, last_hash = after, FIRST_PREV
    if after:
        last_hash = connection.scalar(select(JournalRecord.hash).where(JournalRecord.seq == after)) or ""
    whole = True
    for row in _rows(connection, after):
        link = Link(_origin(row), _parsed(row["body"]), str(row["hash"]))
        # Only the first: after a break every later entry is broken too, and would bury it.
        trouble = _trouble(row, link.body, last_seq, last_hash) if whole else ""
        if trouble:
            whole = False
            findings.add(Finding("chain", trouble, table="journal", key=str(row["seq"]), origin=link.origin))
        last_seq, last_hash = row["seq"], row["hash"]
        if findings.noted and str(last_hash).startswith(findings.noted):
            findings.noted_entry = link.origin
        findings.counts["entries"] += 1
        if findings.counts["entries"] % _SOME == 0:
            progress("journal", findings.counts["entries"], total)
        yield link
    if not last_seq:
        findings.add(Finding("chain", "The journal is empty", table="journal"))
    findings.head, findings.head_entry = last_hash, last_seq
    if findings.noted and findings.noted_entry is None:
        gone = f"No entry has the hash {findings.noted}, noted earlier: the journal is not the one of then"
        findings.add(Finding("chain", gone, table="journal"))


def links(connection: Connection, after: int = 0) -> Iterator[Link]:
    """Yield every entry in order as it lies there, without a look at whether it is sound.

    Args:
        connection: To the book.
        after: The walk begins behind the entry of this number.
    """
    for row in _rows(connection, after):
        yield Link(_origin(row), _parsed(row["body"]), str(row["hash"]))


def origin_of(connection: Connection, seq: int) -> Origin | None:
    """Return the head of an entry, or None where it is not in the journal."""
    reader = RawTable(JournalRecord.metadata.tables["journal"], connection.dialect.name)
    row = connection.execute(_select(reader).where(JournalRecord.seq == seq)).one_or_none()
    return None if row is None else _origin(_named(reader, row))


def body_of(connection: Connection, seq: int) -> dict[str, Any]:
    """Return the parsed text of an entry; empty where it is gone or no longer parses."""
    body = connection.scalar(select(raw(JournalRecord.body)).where(JournalRecord.seq == seq))
    return _parsed(body)


def _rows(connection: Connection, after: int) -> Iterator[dict[str, Any]]:
    reader = RawTable(JournalRecord.metadata.tables["journal"], connection.dialect.name)
    statement = _select(reader).where(JournalRecord.seq > after).order_by(JournalRecord.seq)
    options = {"stream_results": True, "yield_per": _SOME}
    for row in connection.execute(statement, execution_options=options):
        yield _named(reader, row)


def _select(reader: RawTable) -> Any:
    return select(*(raw(reader.table.c[name]).label(name) for name in reader.columns))


def _named(reader: RawTable, row: Any) -> dict[str, Any]:
    return dict(zip(reader.columns, reader.in_json(row), strict=True))


def _origin(row: dict[str, Any]) -> Origin:
    return Origin(row["seq"], str(row["at"]), str(row["who"]), str(row["act"]))


def _parsed(body: Any) -> dict[str, Any]:
    try:
        parsed = json.loads(body)
    except (ValueError, TypeError):
        return {}
    return parsed if isinstance(parsed, dict) else {}


def _trouble(row: dict[str, Any], body: dict[str, Any], last_seq: int, last_hash: str) -> str:
    """Return a sentence on what is wrong with an entry, or nothing."""
    origin = _origin(row)
    if row["seq"] != last_seq + 1:
        return f"After entry {last_seq} of the journal comes {origin}: what was between is gone"
    if not _hashes(row):
        return f"The text of {origin} is not the one its hash was made of: one of them was changed"
    if not body or not _is_canonical(row["body"], body):
        return f"The text of {origin} is not canonical JSON: this program did not write it"
    # The columns are there to be searched by; only the text is hashed, so somebody may have changed them
    # alone.
    for name in ("seq", "at", "who", "act"):
        if row[name] != body.get(name):
            return (
                f"The column {name} of entry {row['seq']} says {row[name]!r}, "
                f"its hashed text says {body.get(name)!r}"
            )
    if body.get("prev") != last_hash:
        return f"{origin} does not follow the entry before it as that one is now".capitalize()
    return ""


def _hashes(row: dict[str, Any]) -> bool:
    try:
        return bool(hash_of(row["body"]) == row["hash"])
    except (ValueError, TypeError, AttributeError):
        return False


def _is_canonical(body: str, parsed: dict[str, Any]) -> bool:
    # Sorted by code points, which is RFC 8785's order for all but rare letters beyond the basic plane;
    # those go the long way.
    try:
        quick = json.dumps(parsed, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
        if quick == body and not _FLOATS_TO_DOUBT.search(body):
            return True
        return canonical(parsed) == body
    except ValueError:
        return False
