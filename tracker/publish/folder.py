"""A folder that is written whole or not at all."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tracker.errors import Refused

MARK: Final = "data/table.json"
"""By this file a folder is known as one that was published before, and may be written anew."""


class Site:
    """Files under a folder, by their paths within it."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self.count = 0

    def put(self, path: str, data: str | bytes) -> None:
        """Write a file, and the folders above it."""
        place = self._root / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data.encode() if isinstance(data, str) else data)
        self.count += 1


@contextmanager
def written(folder: Path) -> Iterator[Site]:
    """Give a place to write to; it takes the folder's place when all of it is there.

    Raises:
        Refused: The folder holds something else, or cannot be written.
    """
    _check(folder)
    begun = folder.with_name(f".{folder.name}.begun")
    old = folder.with_name(f".{folder.name}.old")
    try:
        for left in (begun, old):
            shutil.rmtree(left, ignore_errors=True)
        begun.mkdir(parents=True)
        yield Site(begun)
        if folder.exists():
            folder.rename(old)
        begun.rename(folder)
    except OSError as error:
        raise Refused(f"{folder} cannot be written", why=error.strerror or str(error)) from error
    finally:
        for left in (begun, old):
            shutil.rmtree(left, ignore_errors=True)


def _check(folder: Path) -> None:
    if not folder.exists():
        return
    if not folder.is_dir():
        raise Refused(f"{folder} is a file", do="Name a folder that is not there yet")
    if any(folder.iterdir()) and not (folder / MARK).is_file():
        raise Refused(
            f"{folder} holds other things",
            why="all of it would be replaced",
            do="Name an empty or a new folder",
        )
