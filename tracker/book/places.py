"""Where a book lies: a folder, or a database on a server with a folder of attachments."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from sqlalchemy import make_url

from tracker.book.refusals import BookError

BOOK_FILE: Final = "book.sqlite"
"""Name of the database in a book's folder."""


def find_place(start: Path, named: str | None = None) -> str:
    """Return the place of the book that is meant: the named one, else the one here or above.

    Raises:
        BookError: There is none.
    """
    if named:
        return named
    for folder in (start, *start.parents):
        if (folder / BOOK_FILE).exists():
            return str(folder)
    raise BookError(
        "There is no book in this folder or above it",
        do="Name one with --book FOLDER, or begin one: strandbook init FOLDER",
    )


def is_url(place: str) -> bool:
    """Whether a place is a database server and not a folder."""
    return "://" in place


def files_folder(place: str) -> Path:
    """Return the folder of attachments: beside the SQLite file, or named in the URL as ``files=``.

    Raises:
        BookError: A URL without ``files=`` and no ``STRANDBOOK_FILES`` set.
    """
    if not is_url(place):
        return Path(place) / "files"
    named = make_url(place).query.get("files") or os.environ.get("STRANDBOOK_FILES")
    if not named:
        raise BookError(
            "A book on a server needs a shared folder for its attachments",
            do="Add ?files=/path/to/folder to the URL, or set STRANDBOOK_FILES",
        )
    return Path(str(named))
