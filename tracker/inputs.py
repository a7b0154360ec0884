"""Files that people name, read within bounds: regular files only, of a size that their kind can have.

A pipe would hold the program for ever, a device never ends, and a file of gigabytes taken for a column
map would fill the memory before anything could be said of it.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final, Literal

from tracker.errors import Refused

Kind = Literal[
    "plate file", "log", "recording", "sheet", "day sheet", "picture", "settings file", "table of a site"
]

MB: Final = 1 << 20
LIMITS: Final[dict[Kind, int]] = {
    "plate file": 100 * MB,
    "log": 16 * MB,
    "recording": 20 * MB,
    "sheet": 100 * MB,
    "day sheet": MB,
    "table of a site": 8 * MB,
    "picture": 32 * MB,
    "settings file": MB,
}
"""Most bytes of each kind of file: far above what a bench makes.

Reading stays within 300 MB (tests/ground/peaks.py measures it): a log takes 13 times its size, a recording 9
times and a table of a site 6 times, beside the 50 to 80 MB of the program; a plate file and a sheet that is
brought in are read as they go. A week of one line a second is 13 MB.
"""


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


def sha256_of(path: Path) -> str:
    """Return the digest of a file of any size, hexadecimal.

    Raises:
        InputError: It cannot be read, or is no regular file.
    """
    digest = hashlib.sha256()
    with opened(path) as stream:
        while block := stream.read(MB):
            digest.update(block)
    return digest.hexdigest()


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
            do="Divide it: give each part the header line"
            if "sheet" in kind
            else "Check that it is the right file",
        )
    return data
