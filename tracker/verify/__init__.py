"""Whether a book is what its journal says.

:func:`verify` walks the chain of entries, replays them, holds every row against what its last entry
says, reads every attachment, and computes every result again. It reads one state of the book, row by
row, in bounded memory: 16 bytes a row, on the disk beyond 64 MB.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection, func, select, text

from tracker.book import Book
from tracker.errors import Refused
from tracker.heads import Head, KeyRing
from tracker.migrations.schema import schema_differences
from tracker.model import SCHEMA, Base, Specimen
from tracker.progress import Progress, silent
from tracker.stored_rows import RawTable, lenient_text, raw
from tracker.verify.attachments import check_attachments, clean
from tracker.verify.chain import walk
from tracker.verify.findings import Difference, Finding, Findings, Origin, noting
from tracker.verify.heads import Heads, attach_stamp, head_now, read_heads
from tracker.verify.ledger import Ledger, Replay, compare
from tracker.verify.parallel import UNSPOKEN, Recomputing, parts_of, worked
from tracker.verify.recomputed import Recompute, check_derived, check_results, mend_derived, note_missing

__all__ = [
    "Difference",
    "Finding",
    "Findings",
    "Origin",
    "Progress",
    "Recompute",
    "attach_stamp",
    "clean",
    "head_now",
    "mend_derived",
    "read_heads",
    "verify",
]


def verify(
    book: Book,
    recompute: Recompute | None = None,
    progress: Progress | None = None,
    noted: str = "",
    *,
    against: Sequence[Head] = (),
    since: Head | None = None,
    anew: Recomputing | None = None,
    processes: int | None = None,
) -> Findings:
    """Hold a book against its journal.

    Args:
        book: Open; nothing is written to it.
        recompute: Gives a measurement's values again from its readings; left out, results are not
            computed again, which a note says.
        progress: Called with the stage, what is done and how much it is.
        noted: Hash of the last entry as it was noted earlier, or at least its first twelve characters: some
            entry must still have it.
        against: Heads that were noted outside the book: each entry that they name must have that hash. Those
            that this computer signed are looked for as well.
        since: A head noted after an earlier verification: only what was entered since is gone through, in
            seconds where the whole takes minutes. Older rows that were changed behind the journal are not
            found; a note says so.
        anew: Gives the same as ``recompute`` in a process of its own, so that a large book can be divided.
        processes: Among so many; None for as many as there are processors, and one for a small book.

    Raises:
        Refused: ``noted`` is no such hash.

    Returns:
        What was found: the first broken entry; every row that differs from its last entry, that
        nobody entered, or that is gone; every attachment missing or changed; every result that its
        readings no longer give.
    """
    findings = Findings(noted=_hash(noted))
    noted_heads = [*against, *([since] if since is not None else []), *KeyRing().remembered(book.code)]
    heads = Heads(book.code, book.zone, noted_heads, findings)
    tell = progress or silent
    after = since.entry if since is not None and since.book == book.code else 0
    with book.connect() as connection, lenient_text(connection):
        many = _processes(connection) if processes is None else processes
        if many > 1 and (recompute is None or anew is not None):
            _check_in_parts(connection, book, findings, heads, tell, after, many, anew if recompute else None)
        else:
            _check_in_turn(connection, book, findings, heads, tell, after, recompute)
    if recompute is None:
        findings.notes.append("Results were not computed again")
    return findings


_LARGE: Final = 50_000


def _processes(connection: Connection) -> int:
    """Return among how many processes a book is worth dividing: to begin one takes a second or two."""
    table: Any = Specimen.__table__
    large = (connection.scalar(select(func.max(raw(table.c.id)))) or 0) > _LARGE
    return min(os.cpu_count() or 1, 8) if large else 1


def _check_in_turn(
    connection: Connection, book: Book, findings: Findings, heads: Heads, tell: Progress, after: int,
    recompute: Recompute | None,
) -> None:  # fmt: skip
    _check_store(connection, findings)
    known = Base.metadata.tables
    tables = {name: RawTable(known[name], connection.dialect.name) for name in known if name not in UNSPOKEN}
    _check_rows(connection, book, findings, heads, tell, after, tables)
    # Where a row is damaged, what follows from it is as well: that would say the same twice.
    if not after and not findings.of("row"):
        with noting(findings, "The factors in force"):
            check_derived(connection, findings, tell)
    if recompute is not None:
        with noting(findings, "The measurements"):
            note_missing(check_results(connection, recompute, findings, tell, after), findings)


_ORDER: Final = ("database", "schema", "chain", "row", "attachment", "derived", "result")


def _check_in_parts(
    connection: Connection, book: Book, findings: Findings, heads: Heads, tell: Progress, after: int,
    processes: int, anew: Recomputing | None,
) -> None:  # fmt: skip
    def own() -> None:
        _check_store(connection, findings)
        _check_rows(connection, book, findings, heads, tell, after, {})

    parts = [part for part in parts_of(connection, processes, after) if anew or part.what != "results"]
    done = worked(book, parts, anew, processes, own, tell)
    found = [*findings.found, *(finding for each in done for finding in each.found)]
    if any(finding.kind == "row" for finding in found):
        found = [finding for finding in found if finding.kind != "derived"]
    findings.found = []
    # What an entry says of a table that is none is said once by each process.
    for finding in sorted(dict.fromkeys(found), key=lambda each: _ORDER.index(each.kind)):
        findings.add(finding)
    missing: Counter[str] = Counter()
    for each in done:
        findings.more += each.more
        missing.update(each.missing)
        findings.notes += [note for note in each.notes if note not in findings.notes]
        for what in ("rows", "results"):
            findings.counts[what] += each.counts[what]
    note_missing(missing, findings)


def _hash(typed: str) -> str:
    digest = "".join(typed.split()).lower()
    if digest and not re.fullmatch(r"[0-9a-f]{12,64}", digest):
        raise Refused(
            f"{typed!r} is no head of a journal",
            do="Give the hash that verify printed, or its first twelve characters",
        )
    return digest


def _check_rows(
    connection: Connection, book: Book, findings: Findings, heads: Heads, tell: Progress, after: int,
    tables: Mapping[str, RawTable],
) -> None:  # fmt: skip
    """Walk the journal, and hold rows of tables and all attachments against it."""
    elsewhere = frozenset() if tables else frozenset(Base.metadata.tables)
    with Ledger(tables) as ledger:
        replay = Replay(tables, book.files, ledger, findings, after=after, elsewhere=elsewhere)
        if after:
            heads.begin_after(connection, after)
            findings.notes.append(f"Only what was entered after entry {after} was gone through")
        with noting(findings, "The journal"):
            for link in walk(connection, findings, tell, after):
                heads.take(link)
                replay.take(link)
            heads.finish()
        with noting(findings, "The tables"):
            compare(connection, replay, tell)
        with noting(findings, "The attachments"):
            check_attachments(connection, replay, tell)


def _check_store(connection: Connection, findings: Findings) -> None:
    """Ask the database whether its own structure is whole, and read the schema's version."""
    with noting(findings, "The schema version"):
        versions = list(connection.scalars(text("SELECT version_num FROM alembic_version")))
        if versions != [SCHEMA]:
            stated = ", ".join(map(repr, versions)) or "nothing"
            stated = f"The table alembic_version says {stated}, this book was opened as {SCHEMA!r}"
            findings.add(Finding("database", stated, table="alembic_version"))
    with noting(findings, "The schema"):
        _check_schema(connection, findings)
    if connection.dialect.name != "sqlite":
        return
    with noting(findings, "The database file"):
        # Twenty are enough to know; a badly damaged file has hundreds of thousands.
        for line in connection.scalars(text("PRAGMA integrity_check(20)")):
            if line != "ok":
                findings.add(Finding("database", f"The database file is damaged: {' '.join(line.split())}"))


def _check_schema(connection: Connection, findings: Findings) -> None:
    """Hold tables, columns, indices, constraints, triggers and views against those of this version."""
    for difference in schema_differences(connection, SCHEMA):
        if difference.kind == "foreign" and not difference.acts:
            # Somebody's own index or view changes nothing; what acts on rows might.
            findings.notes.append(str(difference))
        else:
            findings.add(Finding("schema", str(difference)))
