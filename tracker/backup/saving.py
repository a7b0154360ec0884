"""A book into one file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, func, select, text

from tracker.backup.archive import BackupError, Contents, TableContents, Writer, writing
from tracker.backup.tables import tables_of
from tracker.book import Book, schema_of
from tracker.files import Files
from tracker.journal import moment
from tracker.progress import Progress, silent
from tracker.stored_rows import RawTable


def backup(book: Book, file: Path, progress: Progress | None = None) -> Contents:
    """Write a whole book, with its attachments, into one file; others may go on writing meanwhile.

    The file holds one state of the book. It is written under a temporary name, read again and checked,
    and only then gets its own.

    Args:
        book: Open.
        file: To be made.
        progress: Called with the stage, what is done and how much it is.

    Returns:
        What the backup holds.

    Raises:
        BackupError: The file exists or cannot be written, or the book is damaged beyond copying.
    """
    with book.connect() as connection:
        return save(connection, book, file, progress or silent)


def save(connection: Connection, book: Book, file: Path, progress: Progress) -> Contents:
    """Do the work of :func:`backup` in a transaction that is open already."""
    with writing(file) as writer:
        tables = {table.name: _table(connection, table, writer, progress) for table in tables_of(connection)}
        # After the tables: a file is on the disk before a row names it, so none can be missing.
        attachments = _files(book.files, writer, progress)
        contents = _contents(connection, book, tables, attachments)
        writer.contents(contents)
    return contents


def _contents(
    connection: Connection, book: Book, tables: dict[str, TableContents], attachments: int
) -> Contents:
    # By hand and not through the models: an older schema may know fewer columns.
    own = connection.execute(text("SELECT code, title FROM book")).one()
    # Noted outside the tables as well: written down elsewhere it shows whether a restored book is the one
    # that was saved.
    head = connection.scalar(text("SELECT hash FROM journal ORDER BY seq DESC LIMIT 1"))
    return Contents(
        schema=schema_of(connection) or "",
        code=own.code,
        title=own.title,
        made_at=moment(book.clock()),
        head=head or "",
        tables=tables,
        attachments=attachments,
    )


def _table(connection: Connection, table: Table, writer: Writer, progress: Progress) -> TableContents:
    reader = RawTable(table, connection.dialect.name)
    total = connection.scalar(select(func.count()).select_from(table)) or 0

    def rows() -> Iterator[list[Any]]:
        done = 0
        for batch in reader.batches(connection):
            yield from batch
            done += len(batch)
            progress(table.name, done, total)

    try:
        return writer.table(table.name, reader.columns, rows())
    except (ValueError, TypeError) as error:
        raise BackupError(
            f"The table {table.name} holds a value that is damaged",
            why=str(error),
            do="strandbook verify names it; to keep the book as it is, copy its folder",
        ) from error


def _files(files: Files, writer: Writer, progress: Progress) -> int:
    stored = list(files.stored())
    for done, digest in enumerate(stored, start=1):
        writer.file(digest, files.path(digest))
        progress("attachments", done, len(stored))
    return len(stored)
