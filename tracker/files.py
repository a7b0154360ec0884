"""Attachments: bytes kept whole in a folder, addressed by their SHA-256.

A file is complete on the disk before any row names it: written under a temporary name, fsynced,
renamed, the folder fsynced. A crash in between leaves a file that nobody names, never the reverse.

The folder holds a marker with the code of its book. A share that is not mounted leaves an empty folder
in its place, and files written there would vanish beneath the share. Without the marker no act is done, with
or without an attachment: what is entered meanwhile would have to be told from what was entered before.
"""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import IO, Final

from tracker.errors import Refused
from tracker.inputs import InputError, opened

MARKER: Final = "book.code"
"""File in the folder that names the books whose attachments are in it, a code a line."""

_CHUNK: Final = 1 << 20
_PRIVATE: Final = 0o700


class FilesError(Refused, OSError):
    """An attachment cannot be written or read."""


class AwayError(FilesError):
    """The place of the attachments is not there, or is not this book's."""


class Files:
    """The folder of attachments of one book.

    Attributes:
        where: The place as people name it.
        noun: What kind of place it is.

    Args:
        folder: Where they are; made with the book.
        code: The book's three characters, which its marker must name; empty where that is not known yet,
            as while the book is made: then the marker is not looked at.
    """

    noun = "attachment folder"

    def __init__(self, folder: Path, code: str = "") -> None:
        self.folder = folder
        self.where = str(folder)
        self.code = code

    def mark(self, code: str) -> None:
        """Name a book in the marker, with the folder made where there is none.

        Raises:
            FilesError: It cannot be written.
        """
        self.code = code
        try:
            make_private_folder(self.folder)
            named = self.named()
            if code not in named:
                text = "".join(f"{each}\n" for each in [*named, code])
                self._write(self.folder / MARKER, text.encode())
        except OSError as error:
            raise self._unwritten(error) from error

    def named(self) -> list[str]:
        """Return the codes of the books that the marker names; none where there is no marker."""
        try:
            with opened(self.folder / MARKER) as stream:
                return stream.read(4096).decode("ascii", "replace").split()
        except InputError:
            return []

    def trouble(self) -> str:
        """Return why this cannot be the book's folder, as a sentence's end; nothing where it is."""
        if not self.code or self.code in (named := self.named()):
            return ""
        try:
            self.folder.stat()
        except FileNotFoundError:
            return "is not there; if it is on another computer, that one may not be connected"
        except OSError as error:
            return f"cannot be read ({error.strerror or error})"
        if named:
            return f"belongs to the book {' and '.join(named)}, and not to {self.code}"
        return (
            f"has no marker of the book {self.code} ({MARKER}); if it is on another computer, that one may "
            "not be connected, and this be the empty place for it"
        )

    def check(self) -> None:
        """Let an act go on only where its attachments would come to the right place.

        Raises:
            AwayError: The place is not there, does not answer, or is not this book's.
        """
        if trouble := self.trouble():
            raise AwayError(
                f"Nothing was written: the {self.noun} {self.where} {trouble}",
                do="Connect the right one and repeat the command; where it is lost for good, go on without "
                "it: strandbook upgrade --as-it-is",
            )

    def put(self, data: bytes) -> str:
        """Keep bytes and return their SHA-256, hexadecimal. Keeping them twice changes nothing.

        Raises:
            FilesError: The disk is full, the folder may not be written, or is not this book's.
        """
        digest = hashlib.sha256(data).hexdigest()
        self.put_as(digest, data)
        return digest

    def put_as(self, digest: str, data: bytes | IO[bytes], size: int | None = None) -> None:
        """Keep bytes under a digest that is theirs, or was once: a restored attachment.

        Args:
            digest: 64 hexadecimal digits.
            data: The bytes, or an open file that gives them.
            size: How many an open file gives.

        Raises:
            FilesError: The disk is full, the folder may not be written, or is not this book's.
        """
        self.check()
        place = self.path(digest)
        length = len(data) if isinstance(data, bytes) else size
        # Size too: a file cut short, by a copy broken off, must not pass for kept. Reading it
        # whole each time would make a second import as slow as the first.
        if place.exists() and place.stat().st_size == length:
            return
        try:
            self._write(place, data)
        except OSError as error:
            raise self._unwritten(error) from error

    def get(self, digest: str) -> bytes:
        """Return the bytes of an attachment.

        Raises:
            FilesError: It is not there any more.
        """
        try:
            with opened(self.path(digest)) as stream:
                return stream.read()
        except OSError as error:
            trouble = self.trouble()
            why = f"the folder {trouble}" if trouble else ""
            raise FilesError(
                f"Attachment {digest[:12]}… is missing from {self.folder}",
                why=why,
                do="Connect the right folder"
                if trouble
                else "Bring the folder back from a backup: strandbook restore FILE",
            ) from error

    def has(self, digest: str) -> bool:
        """Whether an attachment is there, whatever its bytes."""
        return self.path(digest).is_file()

    def opened(self, digest: str) -> AbstractContextManager[IO[bytes]]:
        """Open an attachment for reading.

        Raises:
            InputError: It is not there any more.
        """
        return opened(self.path(digest))

    def path(self, digest: str) -> Path:
        """Return where an attachment is; 256 sub-folders keep listings short."""
        return self.folder / digest[:2] / digest

    def unchanged(self, digest: str) -> bool | None:
        """Whether the bytes still have their digest; None where the file is missing."""
        try:
            with opened(self.path(digest)) as stream:
                return _digest(stream) == digest
        except OSError:
            return None

    def stored(self) -> Iterator[str]:
        """Yield the digest of every file in the folder, in order."""
        for place in sorted(self.folder.glob("??/*")):
            if not place.name.startswith("."):
                yield place.name

    def remove(self, digest: str) -> None:
        """Take a file away that nothing names."""
        self.path(digest).unlink(missing_ok=True)

    def remnants(self) -> Iterator[Path]:
        """Yield what writing that was broken off left: files under temporary names."""
        yield from sorted(self.folder.glob("??/.*"))

    def _unwritten(self, error: OSError) -> FilesError:
        return FilesError(
            f"The attachment folder {self.folder} cannot be written",
            why=error.strerror or str(error),
            do="Free some space and repeat the command"
            if error.errno in (errno.ENOSPC, errno.EDQUOT)
            else "Check who may write there, then repeat the command",
        )

    def _write(self, place: Path, data: bytes | IO[bytes]) -> None:
        if not self.folder.exists():
            make_private_folder(self.folder)
        # As open as the folder itself and no more, whatever the umask: a bench that shares it opens it to
        # its group once, and all that comes later follows.
        mode = self.folder.stat().st_mode & 0o777
        made = not place.parent.exists()
        if made:
            place.parent.mkdir(exist_ok=True)
            place.parent.chmod(mode | _PRIVATE)
        # Beside its final place: a rename is atomic within one file system only. The leading dot hides a
        # remnant from ``stored``.
        temporary = place.with_name(f".{place.name[:16]}-{secrets.token_hex(8)}")
        try:
            with os.fdopen(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
                for chunk in _chunks(data):
                    stream.write(chunk)
                stream.flush()
                os.fchmod(stream.fileno(), mode & 0o666 | 0o600)
                os.fsync(stream.fileno())
            temporary.replace(place)
        finally:
            temporary.unlink(missing_ok=True)
        sync_folder(place.parent)
        # The name of a new sub-folder is an entry of the folder above and is lost with it in a power cut.
        if made:
            sync_folder(self.folder)


def make_private_folder(folder: Path) -> None:
    """Make a folder, and those above it, that only its owner can enter; one that is there is left as it is.

    Raises:
        OSError: It cannot be made.
    """
    if folder.is_dir():
        return
    if not folder.parent.exists():
        make_private_folder(folder.parent)
    folder.mkdir(mode=_PRIVATE, exist_ok=True)
    # The mode above passes through the umask, which could take even the owner's own rights.
    folder.chmod(_PRIVATE)


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _digest(stream: IO[bytes]) -> str:
    hashed = hashlib.sha256()
    for chunk in _chunks(stream):
        hashed.update(chunk)
    return hashed.hexdigest()


def _chunks(data: bytes | IO[bytes]) -> Iterator[bytes]:
    if isinstance(data, bytes):
        for start in range(0, len(data), _CHUNK):
            yield data[start : start + _CHUNK]
    else:
        while chunk := data.read(_CHUNK):
            yield chunk
