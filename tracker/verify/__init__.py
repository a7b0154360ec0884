"""Whether a book is what its journal says.

:func:`verify` walks the chain of entries, replays them, holds every row against what its last entry
says, reads every attachment, and computes every result again. It reads one state of the book, row by
row, in bounded memory: 16 bytes a row, on the disk beyond 64 MB.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError

from tracker.book import Book
from tracker.errors import Refused
from tracker.heads import Head, KeyRing
from tracker.migrations.schema import schema_differences
from tracker.model import SCHEMA, Base
from tracker.progress import Progress, silent
from tracker.stored_rows import RawTable, lenient_text
from tracker.verify.attachments import check_attachments, clean
from tracker.verify.chain import walk
from tracker.verify.compare import compare
from tracker.verify.findings import Difference, Finding, Findings, Origin
from tracker.verify.heads import Heads, attach_stamp, head_now, read_heads
from tracker.verify.replay import Ledger, Replay
from tracker.verify.results import Recompute, check_results

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

    Raises:
        Refused: ``noted`` is no such hash.

    Returns:
        What was found: the first broken entry; every row that differs from its last entry, that
        nobody entered, or that is gone; every attachment missing or changed; every result that its
        readings no longer give.
    """
    findings = Findings(noted=_hash(noted))
    noted_heads = [*against, *([since] if since is not None else []), *KeyRing().remembered(book.code)]
    heads = Heads(book.code, noted_heads, findings)
    tell = progress or silent
    after = since.entry if since is not None and since.book == book.code else 0
    with book.connect() as connection, lenient_text(connection):
        _check_store(connection, findings)
        _check_rows(connection, book, findings, heads, tell, after)
        if recompute is None:
            findings.notes.append("Results were not computed again")
        else:
            with _noting(findings, "The measurements"):
                check_results(connection, recompute, findings, tell, after)
    return findings


def _hash(typed: str) -> str:
    said = "".join(typed.split()).lower()
    if said and not re.fullmatch(r"[0-9a-f]{12,64}", said):
        raise Refused(
            f"{typed!r} is no head of a journal",
            do="Give the hash that verify printed, or its first twelve characters",
        )
    return said


def _check_rows(
    connection: Connection, book: Book, findings: Findings, heads: Heads, tell: Progress, after: int
) -> None:
    dialect = connection.dialect.name
    tables = {name: RawTable(t, dialect) for name, t in Base.metadata.tables.items() if name != "journal"}
    with Ledger(tables) as ledger:
        replay = Replay(tables, book.files, ledger, findings, after=after)
        if after:
            heads.begin_after(connection, after)
            findings.notes.append(f"Only what was entered after entry {after} was gone through")
        with _noting(findings, "The journal"):
            for link in walk(connection, findings, tell, after):
                heads.take(link)
                replay.take(link)
            heads.finish()
        with _noting(findings, "The tables"):
            compare(connection, replay, tell)
        with _noting(findings, "The attachments"):
            check_attachments(connection, replay, tell)


def _check_store(connection: Connection, findings: Findings) -> None:
    """Ask the database whether its own structure is whole, and read the schema's version."""
    with _noting(findings, "The schema version"):
        versions = list(connection.scalars(text("SELECT version_num FROM alembic_version")))
        if versions != [SCHEMA]:
            said = ", ".join(map(repr, versions)) or "nothing"
            said = f"The table alembic_version says {said}, this book was opened as {SCHEMA!r}"
            findings.add(Finding("database", said, table="alembic_version"))
    with _noting(findings, "The schema"):
        _check_schema(connection, findings)
    if connection.dialect.name != "sqlite":
        return
    with _noting(findings, "The database file"):
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


@contextmanager
def _noting(findings: Findings, what: str) -> Iterator[None]:
    """Turn a database that cannot be read on into a finding, so that the other stages still run."""
    try:
        yield
    except DBAPIError as error:
        said = str(error.orig).strip().splitlines()[:1] or [type(error).__name__]
        findings.add(Finding("database", f"{what} cannot be read to the end: {said[0]}"))
