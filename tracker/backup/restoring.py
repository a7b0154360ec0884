"""A backup back into an empty place, and an older book brought up to date after a backup."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, IntegrityError

from tracker.backup.archive import BackupError, Contents, Reader, reading
from tracker.backup.saving import save
from tracker.backup.tables import check_references, let_tables_be_copied, put_rows, tables_of
from tracker.book import (
    BOOK_FILE,
    Book,
    check_empty,
    check_schema,
    files_folder,
    is_url,
    make_engine,
    schema_of,
)
from tracker.files import Files
from tracker.migrations import upgrade
from tracker.model import SCHEMA
from tracker.progress import Progress, silent
from tracker.write_queue import LOCK_SUFFIXES


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
    with book.writing(fresh=True) as connection:
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
    return [base, folder, *(base / f"{BOOK_FILE}{tail}" for tail in ("", "-wal", "-shm", *LOCK_SUFFIXES))]


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


@dataclass(frozen=True)
class Upgraded:
    """What an upgrade did.

    Attributes:
        found: Schema version the book had.
        now: Schema version it has.
        backup: The backup made before; None where there was nothing to do.
    """

    found: str
    now: str
    backup: Path | None


def upgrade_book(place: str, who: str, progress: Progress | None = None) -> Upgraded:
    """Bring a book to the schema of this program, after a backup of it as it was.

    Backup and migration are one transaction: nobody writes in between, and where the migration fails
    the book is as before.

    Args:
        place: Folder or URL.
        who: The person, for the journal.
        progress: Called with the stage, what is done and how much it is.

    Raises:
        BookError: There is no book, it is of a newer version, or it cannot be written.
        BackupError: The backup cannot be written; then nothing was migrated.
    """
    with Book(place, make_engine(place), Files(files_folder(place))) as book:
        let_tables_be_copied(book.engine)
        with book.connect() as connection:
            found = schema_of(connection)
            if found is None or found >= SCHEMA:
                check_schema(place, connection)
                return Upgraded(SCHEMA, SCHEMA, None)
        with book.writing() as connection:
            file = _beside(place, f"before-{SCHEMA}-{book.clock():%Y%m%dT%H%M%S}.backup")
            save(connection, book, file, progress or silent)
            upgrade(connection)
            # SQLite did not look while tables were copied; before the commit is the last moment to.
            check_references(connection)
            with book.doing(connection, act="upgrade", who=who, reason=f"schema {found} to {SCHEMA}"):
                pass
    return Upgraded(found, SCHEMA, file)


def _beside(place: str, name: str) -> Path:
    if not is_url(place):
        return Path(place) / name
    folder = files_folder(place)
    try:
        # The first attachment makes it; a book may have none yet.
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BackupError(
            f"The backup {folder / name} cannot be written",
            why=error.strerror or str(error),
            do="Nothing was changed; check who may write there",
        ) from error
    return folder / name
