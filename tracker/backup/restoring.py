"""A backup back into an empty place, and an older book brought up to date after a backup."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, text
from sqlalchemy.exc import DataError, IntegrityError, InterfaceError, ProgrammingError

from tracker.acts.derived import working_out
from tracker.backup.archive import BackupError, Contents, Reader
from tracker.backup.saving import opened_backup, save
from tracker.backup.tables import check_references, let_tables_be_copied, put_rows, tables_of
from tracker.book import (
    BOOK_FILE,
    Book,
    BookError,
    check_empty,
    check_encoding,
    check_schema,
    files_folder,
    files_of,
    is_url,
    make_engine,
    schema_of,
    shown,
)
from tracker.files import Files, FilesError
from tracker.heads import KeyRing
from tracker.inputs import MB
from tracker.migrations import upgrade
from tracker.migrations.schema import schema_differences
from tracker.model import SCHEMA
from tracker.progress import Progress, silent
from tracker.write_queue import LOCK_SUFFIXES

_REVISION: Final = re.compile(r"\d{4}")
_UNFIT: Final = (
    ValueError, TypeError, OverflowError, KeyError, RecursionError, DataError, IntegrityError,
    InterfaceError, ProgrammingError,
)  # fmt: skip


def restore(file: Path, place: str, progress: Progress | None = None, *, dry_run: bool = False) -> Contents:
    """Make a book from a backup, whole or not at all; all is read and checked before anything is written.

    Args:
        file: What :func:`tracker.backup.backup` wrote, a run of a backup folder, or the folder.
        place: A folder without a book, or the URL of an empty PostgreSQL database; not necessarily the
            kind of database that the backup was made of.
        progress: Called with the stage, what is done and how much it is.
        dry_run: Check the backup and the place, and write nothing.

    Returns:
        What the backup held.

    Raises:
        BackupError: The file is damaged, cut short, something else, or of a newer version.
        BookError: There is a book already, or the place cannot be written.
    """
    tell = progress or silent
    with opened_backup(file) as reader:
        contents = reader.contents
        if contents.schema > SCHEMA:
            raise BackupError(
                f"{file} was written by a newer version (schema {contents.schema}, this program: {SCHEMA})",
                do="Install the newer strandbook to restore it",
            )
        if not _REVISION.fullmatch(contents.schema):
            raise reader.damaged(f"{contents.schema[:20]!r} is no version of a schema")
        reader.check(tell)
        _check_room(reader, place)
        if dry_run:
            _check_place(place)
        else:
            with _place(place) as (book, put):
                _fill(book, reader, put, tell)
            # What came after the backup is lost by this very act; verify need not find it out each time.
            journal = contents.tables.get("journal")
            KeyRing().forget_after(contents.code, journal.rows if journal is not None else 0)
        return contents


def _check_room(reader: Reader, place: str) -> None:
    """Refuse what the disk of the attachments, or of the whole book, cannot hold.

    Raises:
        BackupError: It cannot.
    """
    contents = reader.contents
    wanted = contents.attachment_bytes or 0
    if not is_url(place):
        wanted += sum(table.bytes or 0 for table in contents.tables.values())
    folder = files_folder(place)
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    free = shutil.disk_usage(folder).free
    if wanted > free:
        raise BackupError(
            f"{reader.file} does not fit there: it needs {wanted // MB + 1} MB, and {free // MB} MB are free",
            do="Nothing was written. Free some space, or choose another place",
        )


def _check_place(place: str) -> None:
    """Let through a place where a book could be made, without making anything there.

    Raises:
        BookError: There is one already, or it cannot be reached.
    """
    if not is_url(place):
        if (Path(place) / BOOK_FILE).exists():
            raise BookError(f"{place} is a book already", do="Choose another place")
        return
    with (
        Book(place, make_engine(place), files_of(place)) as book,
        book.translated(),
        book.connect() as connection,
    ):
        check_empty(place, connection)
        check_encoding(place, connection)


def _fill(book: Book, reader: Reader, put: list[str], progress: Progress) -> None:
    with book.writing(fresh=True) as connection:
        check_empty(book.place, connection)
        check_encoding(book.place, connection)
        # Attachments first, as always: a crash leaves files that nobody names, never a row without its
        # file.
        _put_files(book.files, reader, put, progress)
        # At its own revision first: its rows fit that one.
        upgrade(connection, reader.contents.schema)
        _put_tables(connection, reader, progress)
        upgrade(connection)
        check_references(connection)
        for keeper in working_out():
            keeper.refill(connection, progress)
        book.files.mark(reader.contents.code)


def _put_tables(connection: Connection, reader: Reader, progress: Progress) -> None:
    for table in tables_of(connection):
        stated = reader.contents.tables.get(table.name)
        if stated is None:
            raise reader.damaged(f"the table {table.name} is missing")
        try:
            put_rows(connection, table, stated.columns, reader.rows(table.name))
        except _UNFIT as error:
            raise BackupError(
                f"The table {table.name} of {reader.file} does not fit",
                why=next(iter(str(error).splitlines()), type(error).__name__),
                do="Nothing was written",
            ) from error
        progress(table.name, stated.rows, stated.rows)


def _put_files(files: Files, reader: Reader, put: list[str], progress: Progress) -> None:
    for done, (digest, size) in enumerate(reader.files(), start=1):
        if not files.has(digest):
            put.append(digest)
        with reader.open_file(digest) as stream:
            # Under the name it had: an attachment that was damaged before the backup stays so, for verify to
            # say.
            files.put_as(digest, stream, size)
        progress("attachments", done, reader.contents.attachments)


@contextmanager
def _place(place: str) -> Iterator[tuple[Book, list[str]]]:
    """Give an unfilled book, and a list for the attachments that are put there.

    Where filling fails, all that was made for the book is removed.
    """
    folder = files_folder(place)
    # Asked before anything is made: what a person already had there must not be removed with our own
    # failure.
    made = [path for path in _to_be_made(place, folder) if not path.exists()]
    put: list[str] = []
    with Book(place, make_engine(place, fresh=True), files_of(place)) as book:
        let_tables_be_copied(book.engine)
        try:
            yield book, put
        # An interrupt from the keyboard too: half a book would be taken for a book.
        except BaseException:
            book.close()
            with suppress(FilesError, OSError):
                for digest in put:
                    book.files.remove(digest)
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
        foreign: What in the schema the program did not make, a sentence each.
    """

    found: str
    now: str
    backup: Path | None
    foreign: list[str] = field(default_factory=list)


def upgrade_book(
    place: str, who: str, progress: Progress | None = None, *, as_it_is: bool = False
) -> Upgraded:
    """Bring a book to the schema of this program, after a backup of it as it was.

    Backup and migration are one transaction: nobody writes in between, and where the migration fails
    the book is as before.

    Args:
        place: Folder or URL.
        who: The person, for the journal.
        progress: Called with the stage, what is done and how much it is.
        as_it_is: Attachments that are missing or damaged are listed in the backup instead of ending it. Of
            a book that needs no upgrade the place of its attachments becomes the one that is named.

    Raises:
        BookError: There is no book, it is of a newer version, or it cannot be written.
        BackupError: The backup cannot be written; then nothing was migrated.
    """
    with Book(place, make_engine(place), files_of(place)) as book:
        let_tables_be_copied(book.engine)
        with book.connect() as connection:
            found = schema_of(connection)
            if found is None or found >= SCHEMA:
                check_schema(place, connection)
                if as_it_is:
                    _go_on_without(book, connection)
                foreign = [str(each) for each in schema_differences(connection, SCHEMA)]
                return Upgraded(SCHEMA, SCHEMA, None, foreign)
        with book.writing() as connection:
            foreign = _check_before(place, connection, found)
            file = _beside(place, f"before-{SCHEMA}-{book.clock():%Y%m%dT%H%M%S}.backup")
            save(connection, book, file, progress or silent, as_it_is=as_it_is)
            upgrade(connection)
            # SQLite did not look while tables were copied; before the commit is the last moment to.
            check_references(connection)
            for keeper in working_out():
                keeper.refill(connection, progress)
            if left := [each for each in schema_differences(connection, SCHEMA) if each.kind != "foreign"]:
                raise BackupError(
                    f"After the upgrade the schema of {shown(place)} would not be as it must be: {left[0]}",
                    do="Nothing was changed; restore a backup into an empty place instead",
                )
            book.files.mark(connection.scalar(text("SELECT code FROM book")) or "")
            with book.doing(connection, act="upgrade", who=who, reason=f"schema {found} to {SCHEMA}"):
                pass
    return Upgraded(found, SCHEMA, file, foreign)


def _go_on_without(book: Book, connection: Connection) -> None:
    """Take the place that is named for the book's attachments, which were somewhere else or are lost."""
    code = str(connection.scalar(text("SELECT code FROM book")) or "")
    if code and code not in book.files.named():
        book.files.mark(code)


def _check_before(place: str, connection: Connection, found: str) -> list[str]:
    """Return what is foreign in the schema of a book and may stay.

    Raises:
        BackupError: Something is missing or other than it was made, or acts on what is written: copying
            tables would lose it, or be changed by it.
    """
    differences = schema_differences(connection, found)
    wrong = [str(each) for each in differences if each.kind != "foreign" or each.acts]
    if wrong:
        raise BackupError(
            f"The schema of {shown(place)} is not the one of version {found}: {'; '.join(wrong[:5])}",
            do="Nothing was changed. Remove what is not part of it, or restore the last good backup",
        )
    return [str(each) for each in differences]


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
