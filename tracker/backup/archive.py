"""The one file of a backup: a zip archive of tables as JSON lines, attachments, and a table of contents.

``tables/NAME.jsonl`` holds a JSON array a row, in the order of the columns that the contents name;
``files/SHA256`` an attachment; ``book.json`` the contents, with a digest of every table. It is written
last, so a file that was cut short has none.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any, Final

from tracker.errors import Refused
from tracker.files import sync_folder

FORMAT: Final = 1
_CONTENTS: Final = "book.json"
_WHAT: Final = "strandbook backup"
# The quickest level: attachments are most of the file, and backups that take long are not made.
_LEVEL: Final = 1
_CHUNK: Final = 1 << 20
_BROKEN: Final = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError)


class BackupError(Refused):
    """A backup cannot be written, read or restored."""


@dataclass(frozen=True)
class TableContents:
    """One table in a backup.

    Attributes:
        columns: In the order in which the rows hold their values.
        rows: How many.
        sha256: Of the table's lines.
    """

    columns: list[str]
    rows: int
    sha256: str


@dataclass(frozen=True)
class Contents:
    """What a backup holds.

    Attributes:
        schema: Schema version of the book.
        code: The book's three characters.
        title: What people call it.
        made_at: Moment of the backup, RFC 3339.
        head: Hash of the last journal entry.
        tables: By name.
        attachments: How many files.
        format: Version of this file format.
        what: Says what kind of file this is.
    """

    schema: str
    code: str
    title: str
    made_at: str
    head: str
    tables: dict[str, TableContents] = field(default_factory=dict)
    attachments: int = 0
    format: int = FORMAT
    what: str = _WHAT

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(table.rows for table in self.tables.values())


class Writer:
    """Puts a backup together.

    Args:
        archive: Open for writing.
    """

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive

    def table(self, name: str, columns: list[str], rows: Iterable[list[Any]]) -> TableContents:
        """Write one table, row by row.

        Raises:
            ValueError: A value is not JSON: the book is damaged.
        """
        hashed = hashlib.sha256()
        number = 0
        with self._archive.open(f"tables/{name}.jsonl", "w", force_zip64=True) as stream:
            for row in rows:
                line = json.dumps(row, ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n"
                data = line.encode()
                hashed.update(data)
                stream.write(data)
                number += 1
        return TableContents(columns, number, hashed.hexdigest())

    def file(self, digest: str, path: Path) -> None:
        """Write one attachment, whatever its bytes are now."""
        # A damaged attachment is copied as it is, under the digest it should have: a backup that refused
        # would leave the bench with none.
        self._archive.write(path, f"files/{digest}")

    def contents(self, contents: Contents) -> None:
        """Write the contents; the last thing."""
        self._archive.writestr(_CONTENTS, json.dumps(asdict(contents), ensure_ascii=False, indent=1))


class Reader:
    """Takes a backup apart.

    Args:
        archive: Open for reading.
        file: Its path, for refusals.
    """

    def __init__(self, archive: zipfile.ZipFile, file: Path) -> None:
        self._archive = archive
        self.file = file
        self.contents = self._contents()

    def rows(self, table: str) -> Iterator[list[Any]]:
        """Yield the rows of a table."""
        with self._archive.open(f"tables/{table}.jsonl") as stream:
            for line in stream:
                yield json.loads(line)

    def files(self) -> list[str]:
        """Return the digests of the attachments."""
        return [name.removeprefix("files/") for name in self._archive.namelist() if name.startswith("files/")]

    def bytes_of(self, digest: str) -> bytes:
        """Return the bytes of an attachment."""
        return self._archive.read(f"files/{digest}")

    def check(self) -> None:
        """Read everything once and hold it against the contents.

        Raises:
            BackupError: Something in it is not as it was written.
        """
        try:
            # The archive's own checksums find damage; the digests in the contents find a table that was
            # exchanged.
            broken = self._archive.testzip()
            for name, table in self.contents.tables.items():
                broken = broken or (name if self._digest(name) != table.sha256 else None)
            if len(self.files()) != self.contents.attachments:
                broken = broken or "the number of attachments"
        except (*_BROKEN, KeyError) as error:
            raise self._damaged(str(error)) from error
        if broken:
            raise self._damaged(f"{broken} is not as it was written")

    def _digest(self, table: str) -> str:
        with self._archive.open(f"tables/{table}.jsonl") as stream:
            return _digest_of(stream)

    def _contents(self) -> Contents:
        try:
            told = json.loads(self._archive.read(_CONTENTS))
            if told.get("what") != _WHAT:
                raise _foreign(self.file, "it is some other archive")
            if told["format"] > FORMAT:
                raise BackupError(
                    f"{self.file} was written by a newer version (backup format {told['format']}, this "
                    f"program: {FORMAT})",
                    do="Install the newer strandbook to restore it",
                )
            tables = {name: TableContents(**table) for name, table in told["tables"].items()}
            return Contents(**{**told, "tables": tables})
        except KeyError as error:
            raise _foreign(self.file, "it is some other archive") from error
        except (*_BROKEN, ValueError, TypeError, AttributeError) as error:
            raise self._damaged(str(error)) from error

    def _damaged(self, why: str) -> BackupError:
        return BackupError(f"The backup {self.file} is damaged", why=why, do="Use another one")


@contextmanager
def writing(file: Path) -> Iterator[Writer]:
    """Write a backup under a temporary name, check it, and give it its name when it is whole.

    Raises:
        BackupError: It cannot be written, or there is a file of that name.
    """
    if file.exists():
        raise BackupError(f"{file} exists already", do="Choose another name; a backup overwrites nothing")
    temporary = file.with_name(f".{file.name[:40]}-{secrets.token_hex(6)}")
    try:
        with temporary.open("xb") as stream:
            with _zipped(stream) as archive:
                yield Writer(archive)
            stream.flush()
            os.fsync(stream.fileno())
        # Read back while the book is still there: a backup that fails is noticed on the day it is needed,
        # otherwise.
        with reading(temporary) as reader:
            reader.check()
        temporary.replace(file)
        sync_folder(file.parent)
    except OSError as error:
        why = error.strerror or str(error)
        raise BackupError(
            f"The backup {file} cannot be written", why=why, do="Nothing was left behind"
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def reading(file: Path) -> Iterator[Reader]:
    """Open a backup.

    Raises:
        BackupError: It is none, was cut short, or is of a newer format.
    """
    with contextlib.ExitStack() as stack:
        try:
            archive = stack.enter_context(zipfile.ZipFile(file))
        except OSError as error:
            raise BackupError(f"{file} cannot be read", why=error.strerror or str(error)) from error
        except _BROKEN as error:
            raise _foreign(file, "it is no backup, or was cut short") from error
        yield Reader(archive, file)


def _zipped(stream: IO[bytes]) -> zipfile.ZipFile:
    return zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=_LEVEL)


def _digest_of(stream: IO[bytes]) -> str:
    hashed = hashlib.sha256()
    while chunk := stream.read(_CHUNK):
        hashed.update(chunk)
    return hashed.hexdigest()


def _foreign(file: Path, why: str) -> BackupError:
    return BackupError(f"{file} is not a backup of a book", why=why, do="Choose the file that backup wrote")
