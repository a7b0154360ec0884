"""A book into one file, or into a backup folder that grows."""

from __future__ import annotations

import json
import os
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, func, select, text

from tracker.backup.archive import BackupError, Contents, Reader, TableContents, Writer, reading, writing
from tracker.backup.folder import FolderReader, FolderWriter, adding, is_backup_folder, runs_of
from tracker.backup.tables import tables_of
from tracker.book import Book, schema_of
from tracker.files import sync_folder
from tracker.heads import Head, KeyRing
from tracker.journal import moment
from tracker.progress import Progress, silent
from tracker.stored_rows import RawTable

_SHOWN = 3


@dataclass(frozen=True)
class Run:
    """One run into a backup folder.

    Attributes:
        contents: What the book held.
        file: The run's own file.
        added: Bytes that were new in the folder.
    """

    contents: Contents
    file: Path
    added: int


def backup(book: Book, file: Path, progress: Progress | None = None, *, as_it_is: bool = False) -> Contents:
    """Write a whole book, with its attachments, into one file; others may go on writing meanwhile.

    The file holds one state of the book. It is written under a temporary name, read again and checked,
    and only then gets its own.

    Args:
        book: Open.
        file: To be made.
        progress: Called with the stage, what is done and how much it is.
        as_it_is: Attachments that are missing or damaged are listed in the backup instead of ending it.

    Returns:
        What the backup holds.

    Raises:
        BackupError: The file exists or cannot be written, an attachment is missing or damaged, or the book
            is damaged beyond copying.
    """
    with book.connect() as connection:
        return save(connection, book, file, progress or silent, as_it_is=as_it_is)


def backup_into(book: Book, folder: Path, progress: Progress | None = None, *, as_it_is: bool = False) -> Run:
    """Add a run to a backup folder: as :func:`backup`, but only what is new is written.

    Raises:
        BackupError: As there, or the folder is something else, or in use.
    """
    with book.connect() as connection:
        with adding(folder) as writer:
            contents = _write(connection, book, writer, progress or silent, as_it_is)
        if writer.run is None:
            raise AssertionError("a run that ended without error has its file")
        return Run(contents, writer.run, writer.added)


def save(
    connection: Connection, book: Book, file: Path, progress: Progress, *, as_it_is: bool = False
) -> Contents:
    """Do the work of :func:`backup` in a transaction that is open already."""
    with writing(file) as writer:
        return _write(connection, book, writer, progress, as_it_is)


def copy_to(file: Path, place: Path) -> Path:
    """Copy a backup to a second place, and check it there.

    Args:
        file: A backup in one file.
        place: A folder, or the name of the copy.

    Raises:
        BackupError: It cannot be written, or is not the same there.
    """
    target = place / file.name if place.is_dir() else place
    if target.exists():
        raise BackupError(f"{target} exists already", do="Choose another name; a backup overwrites nothing")
    temporary = target.with_name(f".{target.name[:40]}.part")
    try:
        shutil.copyfile(file, temporary)
        temporary.chmod(0o600)
        with temporary.open("rb") as stream:
            os.fsync(stream.fileno())
        with reading(temporary) as reader:
            reader.check()
        temporary.replace(target)
        sync_folder(target.parent)
    except OSError as error:
        raise BackupError(f"The copy {target} cannot be written", why=error.strerror or str(error)) from error
    finally:
        temporary.unlink(missing_ok=True)
    return target


@contextmanager
def opened_backup(file: Path) -> Iterator[Reader]:
    """Open a backup of any form: one file, a run of a backup folder, or the folder, for its last run.

    Raises:
        BackupError: It is none.
    """
    if is_backup_folder(file):
        runs = runs_of(file)
        if not runs:
            raise BackupError(f"{file} holds no run yet")
        yield FolderReader(runs[-1])
    elif _is_run(file):
        yield FolderReader(file)
    else:
        with reading(file) as reader:
            yield reader


def _is_run(file: Path) -> bool:
    return file.parent.name == "runs" and is_backup_folder(file.parent.parent)


def check_backup(file: Path, progress: Progress | None = None) -> tuple[Contents, Head | None]:
    """Read a backup whole and hold it against its own contents; no book is needed.

    Returns:
        Its contents, and the signed head of its journal; None in backups of older versions.

    Raises:
        BackupError: It is none, was cut short, or is not as it was written.
    """
    with opened_backup(file) as reader:
        head = reader.check(progress or silent)
        return reader.contents, head


def head_in(file: Path) -> Head | None:
    """Return the head of the journal that a backup of any form holds, without reading its rows.

    None where the file is no backup, or one of an older version that kept none.

    Raises:
        BackupError: It is a backup that cannot be read.
    """
    # A pipe in the place of a file is left to those who refuse it: to look into it would wait for ever.
    in_one = file.is_file() and zipfile.is_zipfile(file)
    if not (in_one or is_backup_folder(file) or _is_run(file)):
        return None
    with opened_backup(file) as reader:
        return reader.head()


def _write(
    connection: Connection, book: Book, writer: Writer | FolderWriter, progress: Progress, as_it_is: bool
) -> Contents:
    wanted = _named_files(connection)
    missing = sorted(digest for digest in wanted if not book.files.has(digest))
    if missing and not as_it_is:
        raise _refused(book, "missing from", [(digest, wanted[digest]) for digest in missing])
    tables = {table.name: _table(connection, table, writer, progress) for table in tables_of(connection)}
    # After the tables: a file is on the disk before a row names it, so none can be missing.
    kept = sorted(wanted.keys() - set(missing))
    damaged = _files(book, kept, writer, progress)
    if damaged and not as_it_is:
        raise _refused(book, "damaged in", [(digest, wanted[digest]) for digest in damaged])
    left_out = len(damaged) if isinstance(writer, FolderWriter) else 0
    # By hand and not through the models: an older schema may know fewer columns.
    own = connection.execute(text("SELECT code, title FROM book")).one()
    last = connection.execute(text("SELECT seq, hash FROM journal ORDER BY seq DESC LIMIT 1")).one_or_none()
    at = book.clock()
    contents = Contents(
        schema=schema_of(connection) or "",
        code=own.code,
        title=own.title,
        made_at=moment(at),
        # Noted outside the tables as well: written down elsewhere it shows whether a restored book is the
        # one that was saved.
        head=last.hash if last else "",
        tables=tables,
        attachments=len(kept) - left_out,
        attachment_bytes=writer.attachment_bytes,
        damaged=damaged,
        missing=missing,
    )
    writer.finish(contents, KeyRing().sign(own.code, last.seq if last else 0, contents.head, at))
    return contents


def _named_files(connection: Connection) -> dict[str, str]:
    """Return every attachment that a row or an entry names, with what it is called."""
    rows = connection.execute(text("SELECT sha256, name FROM attachment"))
    named = {str(digest): str(name) for digest, name in rows}
    # Canonical JSON writes an empty list in one way; quotes inside texts are escaped and cannot look like it.
    entries = text("SELECT seq, body FROM journal WHERE body NOT LIKE '%\"bulk\":[]%'")
    for seq, body in connection.execute(entries):
        try:
            bulk = json.loads(body)["bulk"]
            named |= {str(each["manifest"]): f"list of the rows of entry {seq}" for each in bulk}
        except (ValueError, KeyError, TypeError):
            # An entry that no longer parses is kept as it is; verify names it.
            continue
    return named


def _refused(book: Book, how: str, files: list[tuple[str, str]]) -> BackupError:
    some = ", ".join(f"{name[:60]!r} ({digest[:12]}…)" for digest, name in files[:_SHOWN])
    rest = f" and {len(files) - _SHOWN} more" if len(files) > _SHOWN else ""
    trouble = book.files.trouble()
    return BackupError(
        f"{len(files)} attachments are {how} {book.files.where}: {some}{rest}",
        why=f"the folder {trouble}" if trouble else "",
        do="strandbook verify names what they belong to; --as-it-is makes a backup that says so",
    )


def _table(
    connection: Connection, table: Table, writer: Writer | FolderWriter, progress: Progress
) -> TableContents:
    reader = RawTable(table, connection.dialect.name)
    total = connection.scalar(select(func.count()).select_from(table)) or 0

    def rows() -> Iterator[list[Any]]:
        done = 0
        for batch in reader.batches(connection, in_order=True):
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


def _files(book: Book, digests: list[str], writer: Writer | FolderWriter, progress: Progress) -> list[str]:
    """Write attachments; returns those that are not what they were."""
    damaged = []
    for done, digest in enumerate(digests, start=1):
        with book.files.opened(digest) as stream:
            if not writer.file(digest, stream):
                damaged.append(digest)
        progress("attachments", done, len(digests))
    return damaged
