"""A backup back into an empty place."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, IntegrityError

from tracker.backup.archive import BackupError, Contents, Reader, reading
from tracker.backup.references import check_references, let_tables_be_copied
from tracker.backup.tables import put_rows, tables_of
from tracker.book import BOOK_FILE, Book, check_empty, files_folder, is_url, make_engine
from tracker.files import Files
from tracker.migrations import upgrade
from tracker.model import SCHEMA
from tracker.progress import Progress, silent
from tracker.turns import TAILS


def restore(file: Path, place: str, progress: Progress | None = None) -> Contents:
    """Make a book from a backup, whole or not at all.

    Args:
        file: What :func:`tracker.backup.backup` wrote.
        place: A folder without a book, or the URL of an empty PostgreSQL database; not necessarily the
            kind of database that the backup was made of.
        progress: Called with the stage, what is done and how much it is.

    Returns:
        What the backup held.

    Raises:
        BackupError: The file is damaged, cut short, something else, or of a newer version.
        BookError: There is a book already, or the place cannot be written.
    """
    with reading(file) as reader:
        if reader.contents.schema > SCHEMA:
            raise BackupError(
                f"{file} was written by a newer version (schema {reader.contents.schema}, this program: "
                f"{SCHEMA})",
                do="Install the newer strandbook to restore it",
            )
        reader.check()
        with _place(place) as book:
            _fill(book, reader, progress or silent)
        return reader.contents


def _fill(book: Book, reader: Reader, progress: Progress) -> None:
    with book.writing() as connection:
        check_empty(book.place, connection)
        # Attachments first, as always: a crash leaves files that nobody names, never a row without its
        # file.
        _put_files(book.files, reader, progress)
        # At its own revision first: its rows fit that one.
        upgrade(connection, reader.contents.schema)
        _put_tables(connection, reader, progress)
        upgrade(connection)
        check_references(connection)


def _put_tables(connection: Connection, reader: Reader, progress: Progress) -> None:
    for table in tables_of(connection):
        told = reader.contents.tables[table.name]
        try:
            put_rows(connection, table, told.columns, reader.rows(table.name))
        except (ValueError, TypeError, DataError, IntegrityError) as error:
            raise BackupError(
                f"The table {table.name} of {reader.file} does not fit",
                why=str(error).splitlines()[0],
                do="Nothing was written",
            ) from error
        progress(table.name, told.rows, told.rows)


def _put_files(files: Files, reader: Reader, progress: Progress) -> None:
    digests = reader.files()
    for done, digest in enumerate(digests, start=1):
        # Under the name it had: an attachment that was damaged before the backup stays so, for verify to say.
        files.put_as(digest, reader.bytes_of(digest))
        progress("attachments", done, len(digests))


@contextmanager
def _place(place: str) -> Iterator[Book]:
    """Give an unfilled book; where filling fails, remove what was made for it."""
    folder = files_folder(place)
    # Asked before anything is made: what a person already had there must not be removed with our own
    # failure.
    made = [path for path in _to_be_made(place, folder) if not path.exists()]
    with Book(place, make_engine(place, fresh=True), Files(folder)) as book:
        let_tables_be_copied(book.engine)
        try:
            yield book
        # An interrupt from the keyboard too: half a book would be taken for a book.
        except BaseException:
            book.close()
            for path in made:
                _remove(path)
            raise


def _to_be_made(place: str, folder: Path) -> list[Path]:
    if is_url(place):
        return [folder]
    base = Path(place)
    return [base, folder, *(base / f"{BOOK_FILE}{tail}" for tail in ("", "-wal", "-shm", *TAILS))]


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)
