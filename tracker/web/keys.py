"""The key that cookies are signed with."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from tracker.book import files_folder

_BYTES = 32


def signing_key(place: str) -> bytes:
    """Return the key of a book's page; made once, and kept where only its owner may read.

    A book that cannot be written gets a key that ends with this process: devices then pair anew.
    """
    file = files_folder(place).parent / "page.key"
    kept = _read(file)
    if kept:
        return kept
    fresh = secrets.token_bytes(_BYTES)
    with contextlib.suppress(OSError):
        _write(file, fresh)
    # Two servers may begin at once: the file that is there counts.
    return _read(file) or fresh


def _read(file: Path) -> bytes:
    try:
        data = file.read_bytes()
    except OSError:
        return b""
    return data if len(data) == _BYTES else b""


def _write(file: Path, data: bytes) -> None:
    # Readable by nobody else from the first moment on: not made and then narrowed.
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
