"""Attachments: bytes kept whole in a folder, addressed by their SHA-256.

A file is complete on the disk before any row names it: written under a temporary name, fsynced,
renamed, the folder fsynced. A crash in between leaves a file that nobody names, never the reverse.
"""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from tracker.errors import Refused

_CHUNK: Final = 1 << 20


class FilesError(Refused, OSError):
    """An attachment cannot be written or read."""


class Files:
    """The folder of attachments of one book.

    Args:
        folder: Where they lie; made when the first one comes.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, data: bytes) -> str:
        """Keep bytes and return their SHA-256, hexadecimal. Keeping them twice changes nothing.

        Raises:
            FilesError: The disk is full, or the folder may not be written.
        """
        digest = hashlib.sha256(data).hexdigest()
        self.put_as(digest, data)
        return digest

    def put_as(self, digest: str, data: bytes) -> None:
        """Keep bytes under a digest that is theirs, or was once: a restored attachment.

        Raises:
            FilesError: The disk is full, or the folder may not be written.
        """
        place = self.path(digest)
        # Size too: a file cut short, by a copy broken off, must not pass for kept. Reading it
        # whole each time would make a second import as slow as the first.
        if place.exists() and place.stat().st_size == len(data):
            return
        try:
            self._write(place, data)
        except OSError as error:
            raise FilesError(
                f"The attachment folder {self.folder} cannot be written",
                why=error.strerror or str(error),
                do="Free some space and repeat the command"
                if error.errno in (errno.ENOSPC, errno.EDQUOT)
                else "Check who may write there, then repeat the command",
            ) from error

    def get(self, digest: str) -> bytes:
        """Return the bytes of an attachment.

        Raises:
            FilesError: It is not there any more.
        """
        try:
            return self.path(digest).read_bytes()
        except OSError as error:
            raise FilesError(
                f"Attachment {digest[:12]}… is missing from {self.folder}",
                do="Bring the folder back from a backup: strandbook restore FILE",
            ) from error

    def path(self, digest: str) -> Path:
        """Return where an attachment lies; 256 sub-folders keep listings short."""
        return self.folder / digest[:2] / digest

    def unchanged(self, digest: str) -> bool | None:
        """Whether the bytes still have their digest; None where the file is missing."""
        try:
            with self.path(digest).open("rb") as stream:
                return hashlib.file_digest(stream, "sha256").hexdigest() == digest
        except OSError:
            return None

    def stored(self) -> Iterator[str]:
        """Yield the digest of every file in the folder, in order."""
        for place in sorted(self.folder.glob("??/*")):
            if not place.name.startswith("."):
                yield place.name

    def _write(self, place: Path, data: bytes) -> None:
        made = not place.parent.exists()
        place.parent.mkdir(parents=True, exist_ok=True)
        # Beside its final place: a rename is atomic within one file system only. The leading dot hides a
        # remnant from ``stored``.
        temporary = place.with_name(f".{place.name[:16]}-{secrets.token_hex(8)}")
        try:
            with temporary.open("xb") as stream:
                for start in range(0, len(data), _CHUNK):
                    stream.write(data[start : start + _CHUNK])
                stream.flush()
                os.fsync(stream.fileno())
            temporary.replace(place)
        finally:
            temporary.unlink(missing_ok=True)
        sync_folder(place.parent)
        # The name of a new sub-folder is an entry of the folder above and is lost with it in a power cut.
        if made:
            sync_folder(self.folder)


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
