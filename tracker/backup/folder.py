"""A backup folder that grows: each run adds what is new, and a small list of what the book then was.

``objects/ab/SHA256`` holds portions of tables (gzip, suffix ``.gz``) and attachments, addressed by the
SHA-256 of what is in them: what did not change since an earlier run is there already and is not written
again. ``runs/TIME-CODE.json`` is a run: the contents as in one file, the signed head, and the digest of its
index, which lists the objects. A run that breaks off leaves objects that no run names; the next pruning
takes them away.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import io
import json
import os
import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any, Final

from tracker.backup.archive import (
    DIGEST,
    WHAT,
    BackupError,
    Contents,
    Reader,
    TableContents,
    foreign,
    line_of,
    read_contents,
)
from tracker.files import make_private_folder, sync_folder
from tracker.heads import Head, head_of
from tracker.inputs import MB, opened

try:
    import fcntl
except ImportError:  # pragma: no cover - Windows has none: there one run at a time is up to the person
    fcntl = None  # type: ignore[assignment]

_PORTION: Final = 4096
"""Rows with neighbouring keys that are kept together: a changed row costs its portion again, no more."""

_LONGEST: Final = 64 * MB
_MARK: Final = "strandbook-backups.json"


class FolderWriter:
    """Adds a run to a backup folder; used as :class:`tracker.backup.archive.Writer` is.

    Args:
        folder: The backup folder.

    Attributes:
        attachment_bytes: Of the attachments so far.
        added: Bytes that were new.
        run: The file of the run, once it is finished.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.attachment_bytes = 0
        self.added = 0
        self.run: Path | None = None
        self._tables: dict[str, list[str]] = {}
        self._files: list[tuple[str, int]] = []

    def table(self, name: str, columns: list[str], rows: Iterable[list[Any]]) -> TableContents:
        """Write one table, whose rows come in the order of their keys.

        Raises:
            ValueError: A value is not JSON: the book is damaged.
        """
        hashed = hashlib.sha256()
        number = size = 0
        portion: list[bytes] = []
        digests: list[str] = []
        for row in rows:
            if number and number % _PORTION == 0:
                digests.append(self._portion(portion))
                portion = []
            line = line_of(row)
            hashed.update(line)
            portion.append(line)
            number += 1
            size += len(line)
        if portion:
            digests.append(self._portion(portion))
        self._tables[name] = digests
        return TableContents(columns, number, hashed.hexdigest(), size)

    def file(self, digest: str, source: IO[bytes]) -> bool:
        """Write one attachment where it is not there yet; returns False, and keeps none, if it is damaged."""
        place = object_place(self.folder, digest)
        if place.exists():
            # What an earlier run found whole is kept as it was then; only its size is asked again.
            size = place.stat().st_size
            self._files.append((digest, size))
            self.attachment_bytes += size
            return True
        temporary, size, found = self._spooled(source)
        if found != digest:
            # Under its digest it would pass for the real bytes in every later run.
            temporary.unlink()
            return False
        self._files.append((digest, size))
        self.attachment_bytes += size
        self._keep(temporary, place)
        return True

    def finish(self, contents: Contents, head: Head) -> None:
        """Write the index and the run; the last thing."""
        index = json.dumps({"tables": self._tables, "files": self._files}).encode()
        digest = self._portion([index])
        runs = self.folder / "runs"
        make_private_folder(runs)
        stamp = contents.made_at[:19].replace("-", "").replace(":", "")
        self.run = _free(runs, f"{stamp}Z-{contents.code}")
        body = {**asdict(contents), "head_signed": head.as_json(), "index": digest}
        self._write(self.run, json.dumps(body, ensure_ascii=False).encode())

    def _portion(self, lines: list[bytes]) -> str:
        data = b"".join(lines)
        digest = hashlib.sha256(data).hexdigest()
        place = object_place(self.folder, digest, ".gz")
        if not place.exists():
            self._write(place, gzip.compress(data, compresslevel=1, mtime=0))
        return digest

    def _spooled(self, source: IO[bytes]) -> tuple[Path, int, str]:
        temporary = self.folder / f".new-{secrets.token_hex(8)}"
        hashed = hashlib.sha256()
        size = 0
        with os.fdopen(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            while chunk := source.read(MB):
                hashed.update(chunk)
                stream.write(chunk)
                size += len(chunk)
            stream.flush()
            os.fsync(stream.fileno())
        self.added += size
        return temporary, size, hashed.hexdigest()

    def _write(self, place: Path, data: bytes) -> None:
        temporary, _, _ = self._spooled(io.BytesIO(data))
        self._keep(temporary, place)

    def _keep(self, temporary: Path, place: Path) -> None:
        make_private_folder(place.parent)
        temporary.replace(place)
        sync_folder(place.parent)


class FolderReader(Reader):
    """Takes one run of a backup folder apart.

    Args:
        run: Its file in the folder ``runs``.
    """

    def __init__(self, run: Path) -> None:
        self.file = run
        self.folder = run.parent.parent
        with opened(run) as stream:
            data = stream.read(_LONGEST + 1)
        try:
            index = json.loads(data)
            self._index_digest = str(index.pop("index"))
            self._head = index.pop("head_signed")
        except (ValueError, KeyError, AttributeError, TypeError, RecursionError) as error:
            raise foreign(run, "it is no run of a backup folder") from error
        self.contents = read_contents(run, json.dumps(index).encode())
        self._tables, self._files = self._index()

    def objects(self) -> set[Path]:
        """Return every object that the run needs."""
        portions = [self._index_digest, *(each for digests in self._tables.values() for each in digests)]
        return {
            *(object_place(self.folder, each, ".gz") for each in portions),
            *(object_place(self.folder, digest) for digest, _ in self._files),
        }

    def lines(self, table: str) -> Iterator[bytes]:
        """Yield the lines of a table."""
        for digest in self._tables[table]:
            yield from io.BytesIO(self._portion(digest))

    def files(self) -> Iterator[tuple[str, int]]:
        """Yield digest and size of each attachment, as it is in the folder."""
        for digest, _ in self._files:
            yield digest, object_place(self.folder, digest).stat().st_size

    def open_file(self, digest: str) -> contextlib.AbstractContextManager[IO[bytes]]:
        """Open an attachment."""
        return opened(object_place(self.folder, digest))

    def head(self) -> Head | None:
        """Return the head that was written along."""
        return head_of(self._head, str(self.file))

    def _index(self) -> tuple[dict[str, list[str]], list[tuple[str, int]]]:
        try:
            index = json.loads(self._portion(self._index_digest))
            tables = {str(name): [_digest(each) for each in some] for name, some in index["tables"].items()}
            files = [(_digest(digest), int(size)) for digest, size in index["files"]]
        except (ValueError, KeyError, AttributeError, TypeError, RecursionError, OSError) as error:
            raise self.damaged(str(error) or "its index cannot be read") from error
        if set(tables) != set(self.contents.tables):
            raise self.damaged("its index and its contents name other tables")
        return tables, files

    def _portion(self, digest: str) -> bytes:
        with opened(object_place(self.folder, _digest(digest), ".gz")) as packed, gzip.open(packed) as stream:
            data = stream.read(_LONGEST + 1)
        if len(data) > _LONGEST or hashlib.sha256(data).hexdigest() != digest:
            raise self.damaged(f"the object {digest[:12]}… is not as it was written")
        return data


@contextmanager
def adding(folder: Path) -> Iterator[FolderWriter]:
    """Add a run to a backup folder, which is made where there is none, and check what is new in it.

    Raises:
        BackupError: It cannot be written, is something else, or another run is at work in it.
    """
    try:
        with _locked(folder):
            writer = FolderWriter(folder)
            yield writer
            if writer.run is not None:
                FolderReader(writer.run).check()
    except OSError as error:
        raise BackupError(
            f"The backup folder {folder} cannot be written", why=error.strerror or str(error)
        ) from error


def prune(folder: Path, keep: int) -> int:
    """Take away all but the last runs of each book, and every object that none of those left needs.

    Args:
        folder: The backup folder.
        keep: How many runs of each book stay; at least one.

    Returns:
        How many runs were taken away.

    Raises:
        BackupError: It cannot be written, or a run that stays cannot be read.
    """
    if keep < 1:
        raise BackupError("At least one run must be kept", do="Give 1 or more")
    try:
        with _locked(folder):
            by_book: dict[str, list[Path]] = {}
            for run in runs_of(folder):
                by_book.setdefault(run.stem.split("-")[1], []).append(run)
            gone = [run for runs in by_book.values() for run in runs[:-keep]]
            # Read before anything is taken away: a run that cannot be read must not lose its objects.
            needed = {
                each for run in runs_of(folder) if run not in gone for each in FolderReader(run).objects()
            }
            # Runs first: broken off in between, no run is left that lacks something.
            for run in gone:
                run.unlink()
            sync_folder(folder / "runs")
            for place in [*folder.glob("objects/??/*"), *folder.glob(".new-*")]:
                if place not in needed:
                    place.unlink()
    except OSError as error:
        raise BackupError(
            f"The backup folder {folder} cannot be pruned", why=error.strerror or str(error)
        ) from error
    return len(gone)


def runs_of(folder: Path) -> list[Path]:
    """Return the runs in a backup folder, oldest first."""
    return sorted((folder / "runs").glob("*Z-*.json"), key=_order)


def _order(run: Path) -> tuple[str, int]:
    stamp, _, number = (*run.stem.split("-"), "")[:3]
    return stamp, int(number or 1)


def is_backup_folder(folder: Path) -> bool:
    """Whether a folder is one that this module made."""
    return (folder / _MARK).is_file()


def object_place(folder: Path, digest: str, ending: str = "") -> Path:
    """Return where an object is."""
    return folder / "objects" / digest[:2] / f"{digest}{ending}"


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Hold a backup folder for one run; made where there is none.

    Raises:
        BackupError: Another run is at work in it, or it is something else.
        OSError: It cannot be written.
    """
    if folder.exists() and not is_backup_folder(folder) and (not folder.is_dir() or any(folder.iterdir())):
        raise foreign(folder, "it holds something else; choose an empty folder")
    make_private_folder(folder)
    mark = folder / _MARK
    with os.fdopen(os.open(mark, os.O_RDWR | os.O_CREAT, 0o600), "r+") as stream:
        try:
            if fcntl is not None:
                fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BackupError(f"Another backup is at work in {folder}", do="Wait until it is done") from error
        if not stream.read():
            stream.write(json.dumps({"what": f"{WHAT} folder"}))
            stream.flush()
        yield


def _free(runs: Path, name: str) -> Path:
    """Return a name that no run has: two may be made in one second."""
    file = runs / f"{name}.json"
    number = 1
    while file.exists():
        number += 1
        file = runs / f"{name}-{number:02d}.json"
    return file


def _digest(value: Any) -> str:
    if not isinstance(value, str) or not DIGEST.fullmatch(value):
        raise ValueError(f"{value!r} is no digest")
    return value
