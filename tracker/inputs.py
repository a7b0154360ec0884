"""Files that people name, read within bounds: regular files only, of a size that their kind can have.

A pipe would hold the program for ever, a device never ends, and a file of gigabytes taken for a column
map would fill the memory before anything could be said of it.
"""

from __future__ import annotations

import errno
import gzip
import io
import os
import stat
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final, Literal

from tracker.errors import Refused

Kind = Literal["plate file", "log", "recording", "sheet", "picture", "settings"]

MB: Final = 1 << 20
LIMITS: Final[dict[Kind, int]] = {
    "plate file": 100 * MB,
    "log": 64 * MB,
    "recording": 64 * MB,
    "sheet": 100 * MB,
    "picture": 32 * MB,
    "settings": MB,
}
"""Most bytes of each kind of file, unpacked: far above what a bench makes, and held in memory whole."""

DEEPEST: Final = 64
"""Most levels of lists and tables within each other that a file of settings may have."""


class InputError(Refused, OSError):
    """A file cannot be read, is not a regular file, or is larger than its kind can be."""

    def __init__(self, what: str, *, why: str = "", do: str = "") -> None:
        super().__init__(what, why=why, do=do)
        # What callers of old say after their own words, as they do of the system's errors.
        self.strerror = why or what


@contextmanager
def opened(path: Path) -> Iterator[IO[bytes]]:
    """Open a regular file for reading; anything else is refused without waiting for it.

    Raises:
        InputError: It cannot be opened, or is a folder, a pipe, a socket or a device.
    """
    try:
        # Without O_NONBLOCK opening a pipe waits until somebody writes to it.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except OSError as error:
        why = "it is a pipe or a socket" if error.errno == errno.ENXIO else error.strerror or str(error)
        raise InputError(f"{path} cannot be read", why=why) from error
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        what = "a folder" if stat.S_ISDIR(mode) else "a pipe or a device"
        raise InputError(f"{path} cannot be read", why=f"it is {what}", do="Give the file itself")
    with os.fdopen(handle, "rb") as stream:
        yield stream


def read_input(path: Path, kind: Kind) -> bytes:
    """Return the bytes of a file that a person named.

    Args:
        path: The file.
        kind: What it should be; decides how large it may be.

    Raises:
        InputError: It cannot be read, is no regular file, or is too large.
    """
    most = LIMITS[kind]
    with opened(path) as stream:
        # One byte more than allowed: a file that grows while it is read is refused like any other.
        data = stream.read(most + 1)
    if len(data) > most:
        raise InputError(
            f"{path} cannot be read",
            why=f"it is larger than a {kind} can be ({most // MB} MB)",
            do="Check that it is the right file",
        )
    return data


def unpack(data: bytes, name: str, kind: Kind) -> bytes:
    """Return bytes unpacked where they are gzip's, within the limit of their kind; else as they are.

    Raises:
        InputError: They are damaged, or unpack to more than the kind can have.
    """
    if not data.startswith(b"\x1f\x8b"):
        return data
    most = LIMITS[kind]
    try:
        with gzip.open(io.BytesIO(data)) as stream:
            whole = stream.read(most + 1)
    except (OSError, EOFError, zlib.error) as error:
        raise InputError(f"{name} cannot be unpacked", why=str(error), do="Check the file") from error
    if len(whole) > most:
        raise InputError(f"{name} unpacks to more than a {kind} can be ({most // MB} MB)")
    return whole


def check_depth(value: Any, name: str) -> None:
    """Refuse tables and lists nested deeper than any real file has them.

    Raises:
        InputError: They are.
    """
    level = [value]
    for _ in range(DEEPEST):
        level = [
            inner
            for each in level
            if isinstance(each, (dict, list))
            for inner in (each.values() if isinstance(each, dict) else each)
        ]
        if not level:
            return
    raise InputError(f"{name} is nested deeper than {DEEPEST} levels", do="Check that it is the right file")
