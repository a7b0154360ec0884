"""The form of a backup: tables as JSON lines, attachments, and a table of contents.

As one file it is a zip archive: ``tables/NAME.jsonl`` holds a JSON array a row, in the order of the columns
that the contents name; ``files/SHA256`` an attachment; ``head.json`` the signed head of the journal;
``book.json`` the contents, with size, rows and a digest of every table. It is written last, so a file that
was cut short has none. :mod:`tracker.backup.folder` keeps the same as a folder that grows.

An archive may come from anybody. Only members that the contents name are read, within the sizes that the
contents give, all of them before anything is written, and never much at once.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import zipfile
import zlib
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any, Final

from tracker.errors import Refused
from tracker.files import sync_folder
from tracker.heads import Head, HeadError, head_of
from tracker.inputs import MB, opened
from tracker.progress import Progress, silent

FORMAT: Final = 2
"""1 had no sizes and no head; it is still read."""

CONTENTS: Final = "book.json"
HEAD: Final = "head.json"
WHAT: Final = "strandbook backup"
DIGEST: Final = re.compile(r"[0-9a-f]{64}")

_TABLE: Final = re.compile(r"[a-z_]{1,60}")
# The quickest level: attachments are most of the file, and backups that take long are not made.
_LEVEL: Final = 1
_CHUNK: Final = MB
_LONGEST_LINE: Final = 32 * MB
_LONGEST_CONTENTS: Final = 4 * MB
# Zip cannot pack tighter than about 1 : 1030. Real books reach 20; what passes this is made to fill a disk.
_TIGHTEST: Final = 200
_SMALL: Final = 64 * MB
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
        bytes: Of the table's lines; None in format 1.
    """

    columns: list[str]
    rows: int
    sha256: str
    bytes: int | None = None


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
        attachment_bytes: Of all of them; None in format 1.
        damaged: Attachments whose bytes were not those of their digest any more, and are kept as they were.
        missing: Attachments that a row or manifest names and that were not there.
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
    attachment_bytes: int | None = None
    damaged: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    format: int = FORMAT
    what: str = WHAT

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(table.rows for table in self.tables.values())


def line_of(row: list[Any]) -> bytes:
    """Return a row as it is in a backup.

    Raises:
        ValueError: A value is not JSON: the book is damaged.
    """
    return (json.dumps(row, ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n").encode()


class Writer:
    """Puts a backup together.

    Args:
        archive: Open for writing.

    Attributes:
        attachment_bytes: Of the attachments so far.
    """

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive
        self.attachment_bytes = 0

    def table(self, name: str, columns: list[str], rows: Iterable[list[Any]]) -> TableContents:
        """Write one table, row by row.

        Raises:
            ValueError: A value is not JSON: the book is damaged.
        """
        hashed = hashlib.sha256()
        number = size = 0
        with self._archive.open(f"tables/{name}.jsonl", "w", force_zip64=True) as stream:
            for row in rows:
                data = line_of(row)
                hashed.update(data)
                stream.write(data)
                number += 1
                size += len(data)
        return TableContents(columns, number, hashed.hexdigest(), size)

    def file(self, digest: str, source: IO[bytes]) -> bool:
        """Write one attachment, whatever its bytes are now; returns whether they are still those of old."""
        hashed = hashlib.sha256()
        with self._archive.open(f"files/{digest}", "w", force_zip64=True) as stream:
            while chunk := source.read(_CHUNK):
                hashed.update(chunk)
                stream.write(chunk)
                self.attachment_bytes += len(chunk)
        return hashed.hexdigest() == digest

    def finish(self, contents: Contents, head: Head) -> None:
        """Write the head and the contents; the last thing."""
        self._archive.writestr(HEAD, json.dumps(head.as_json(), indent=1))
        self._archive.writestr(CONTENTS, json.dumps(asdict(contents), ensure_ascii=False, indent=1))


class Reader(ABC):
    """Takes a backup apart.

    Attributes:
        file: Its path, for refusals.
        contents: What it says that it holds.
    """

    file: Path
    contents: Contents

    @abstractmethod
    def lines(self, table: str) -> Iterator[bytes]:
        """Yield the lines of a table."""

    @abstractmethod
    def files(self) -> Iterable[tuple[str, int]]:
        """Yield digest and size of each attachment."""

    @abstractmethod
    def open_file(self, digest: str) -> contextlib.AbstractContextManager[IO[bytes]]:
        """Open an attachment."""

    @abstractmethod
    def head(self) -> Head | None:
        """Return the head that was written along, its signature checked; None in format 1."""

    def rows(self, table: str) -> Iterator[list[Any]]:
        """Yield the rows of a table."""
        for line in self.lines(table):
            yield json.loads(line)

    def check(self, progress: Progress = silent) -> Head | None:
        """Read everything once and hold it against the contents, and the head against the journal.

        Raises:
            BackupError: Something in it is not as it was written.
        """
        try:
            self._check_outside()
            for name, table in self.contents.tables.items():
                self._check_table(name, table)
                progress(name, table.rows, table.rows)
            self._check_files(progress)
            return self._checked_head()
        except (*_BROKEN, KeyError, ValueError, TypeError, RecursionError, OSError) as error:
            raise self.damaged(str(error) or type(error).__name__) from error

    def _check_outside(self) -> None:  # noqa: B027 - not every form has an outside
        """Check what can be seen without unpacking."""

    def _check_table(self, name: str, table: TableContents) -> None:
        hashed = hashlib.sha256()
        rows = size = 0
        last: list[Any] = []
        for line in self.lines(name):
            hashed.update(line)
            rows += 1
            size += len(line)
            if rows > table.rows or size > (table.bytes if table.bytes is not None else size):
                raise self.damaged(f"the table {name} holds more than the contents say")
            last = json.loads(line)
            if not isinstance(last, list) or len(last) != len(table.columns):
                raise self.damaged(f"row {rows} of the table {name} has not one value a column")
        if rows != table.rows or hashed.hexdigest() != table.sha256:
            raise self.damaged(f"the table {name} is not as it was written")
        if name == "journal":
            at = dict(zip(table.columns, last, strict=False)).get("hash", "")
            if at != self.contents.head:
                raise self.damaged("its journal does not end with the entry that the contents name")

    def _check_files(self, progress: Progress) -> None:
        number = size = 0
        # Format 1 kept damaged attachments without a word; they come back as they were, for verify to say.
        known = set(self.contents.damaged)
        for digest, length in self.files():
            with self.open_file(digest) as stream:
                whole = digest_of(stream) == digest
            if not whole and digest not in known and self.contents.format > 1:
                raise self.damaged(f"the attachment {digest[:12]}… is not as it was written")
            number += 1
            size += length
            progress("attachments", number, self.contents.attachments)
        if number != self.contents.attachments:
            raise self.damaged(f"it holds {number} attachments, and should hold {self.contents.attachments}")
        if self.contents.attachment_bytes not in (None, size):
            raise self.damaged("its attachments are not as large as the contents say")

    def _checked_head(self) -> Head | None:
        try:
            head = self.head()
        except HeadError as error:
            raise self.damaged(str(error)) from error
        if head is None:
            return None
        rows = self.contents.tables["journal"].rows if "journal" in self.contents.tables else 0
        if (head.book, head.hash, head.entry) != (self.contents.code, self.contents.head, rows):
            raise self.damaged("the head of the journal that was written along is of another journal")
        return head

    def damaged(self, why: str) -> BackupError:
        """Return the refusal of a backup that is not as it was written."""
        return BackupError(f"The backup {self.file} is damaged", why=why, do="Use another one")


class ArchiveReader(Reader):
    """Takes a backup in one file apart.

    Args:
        archive: Open for reading.
        file: Its path, for refusals.
    """

    def __init__(self, archive: zipfile.ZipFile, file: Path) -> None:
        self._archive = archive
        self.file = file
        self.contents = read_contents(file, self._small(CONTENTS))

    def lines(self, table: str) -> Iterator[bytes]:
        """Yield the lines of a table."""
        with self._archive.open(f"tables/{table}.jsonl") as stream:
            while line := stream.readline(_LONGEST_LINE):
                if len(line) == _LONGEST_LINE:
                    raise self.damaged(f"a row of the table {table} is longer than any can be")
                yield line

    def files(self) -> Iterator[tuple[str, int]]:
        """Yield digest and size of each attachment."""
        for info in self._archive.infolist():
            if info.filename.startswith("files/"):
                yield info.filename.removeprefix("files/"), info.file_size

    def open_file(self, digest: str) -> IO[bytes]:
        """Open an attachment."""
        return self._archive.open(f"files/{digest}")

    def head(self) -> Head | None:
        """Return the head that was written along."""
        if self.contents.format == 1:
            return None
        return head_of(json.loads(self._small(HEAD)), str(self.file))

    def _check_outside(self) -> None:
        infos = self._archive.infolist()
        names = [info.filename for info in infos]
        allowed = {CONTENTS, HEAD, *(f"tables/{name}.jsonl" for name in self.contents.tables)}
        for name in names:
            digest = name.removeprefix("files/")
            if name not in allowed and not (name.startswith("files/") and DIGEST.fullmatch(digest)):
                raise self.damaged(f"it holds {name[:60]!r}, which no backup does")
        if len(set(names)) != len(names):
            raise self.damaged("it holds two members of one name")
        unpacked = sum(info.file_size for info in infos)
        packed = self.file.stat().st_size
        if unpacked > max(_SMALL, _TIGHTEST * packed):
            raise self.damaged(
                f"{packed} bytes that unpack to {unpacked} are no book: they are made to fill a disk"
            )
        for info in infos:
            table = self.contents.tables.get(info.filename.removeprefix("tables/").removesuffix(".jsonl"))
            if table is not None and table.bytes not in (None, info.file_size):
                raise self.damaged(f"{info.filename} is not as large as the contents say")

    def _small(self, name: str) -> bytes:
        try:
            with self._archive.open(name) as stream:
                data = stream.read(_LONGEST_CONTENTS + 1)
        except KeyError as error:
            raise foreign(self.file, "it is some other archive") from error
        except (*_BROKEN, OSError) as error:
            raise self.damaged(str(error)) from error
        if len(data) > _LONGEST_CONTENTS:
            raise self.damaged(f"{name} is larger than any is")
        return data


def read_contents(file: Path, data: bytes) -> Contents:
    """Return the contents of a backup.

    Raises:
        BackupError: They are none, or of a newer format.
    """
    try:
        manifest = json.loads(data)
        if manifest.get("what") != WHAT:
            raise foreign(file, "it is some other archive")
        if manifest["format"] > FORMAT:
            raise BackupError(
                f"{file} was written by a newer version (backup format {manifest['format']}, this program: "
                f"{FORMAT})",
                do="Install the newer strandbook to restore it",
            )
        tables = {name: TableContents(**table) for name, table in manifest["tables"].items()}
        contents = Contents(**{**manifest, "tables": tables})
        _check_contents(contents)
    except KeyError as error:
        raise foreign(file, "it is some other archive") from error
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise BackupError(f"The backup {file} is damaged", why=str(error), do="Use another one") from error
    return contents


def _check_contents(contents: Contents) -> None:
    """Let through only contents that are of the kinds they must be.

    Raises:
        ValueError: One is not.
    """
    numbers = [contents.attachments, *(table.rows for table in contents.tables.values())]
    texts = [contents.schema, contents.code, contents.title, contents.head]
    if not all(isinstance(each, int) and each >= 0 for each in numbers):
        raise ValueError("a number in its contents is none")
    if not all(isinstance(each, str) for each in texts):
        raise ValueError("a text in its contents is none")
    for name, table in contents.tables.items():
        if not _TABLE.fullmatch(name) or not all(isinstance(each, str) for each in table.columns):
            raise ValueError(f"{name!r} is no table")


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
        # For its owner alone: it holds all that the book does.
        handle = os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w+b") as stream:
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=_LEVEL) as archive:
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
    """Open a backup in one file.

    Raises:
        BackupError: It is none, was cut short, or is of a newer format.
    """
    with contextlib.ExitStack() as stack:
        try:
            stream = stack.enter_context(opened(file))
            archive = stack.enter_context(zipfile.ZipFile(stream))
        except _BROKEN as error:
            raise foreign(file, "it is no backup, or was cut short") from error
        except (OSError, ValueError) as error:
            why = getattr(error, "why", "") or getattr(error, "strerror", "") or str(error)
            raise BackupError(f"{file} cannot be read", why=why) from error
        yield ArchiveReader(archive, file)


def digest_of(stream: IO[bytes]) -> str:
    """Return the SHA-256 of what is left of an open file."""
    hashed = hashlib.sha256()
    while chunk := stream.read(_CHUNK):
        hashed.update(chunk)
    return hashed.hexdigest()


def foreign(file: Path, why: str) -> BackupError:
    """Return the refusal of what is no backup."""
    return BackupError(f"{file} is not a backup of a book", why=why, do="Choose the file that backup wrote")
