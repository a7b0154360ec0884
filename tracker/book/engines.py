"""How the database of a book is reached, with the settings that durability rests on."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.pool import QueuePool

from tracker.book.live import leave_out_voided
from tracker.book.place import BOOK_FILE, BookError, is_url

BUSY_S: Final = 30
"""Longest that one waits for others to have written, in seconds."""

WRITES: Final = "strandbook_writes"
"""Execution option of a connection whose transactions write."""


def make_engine(place: str, *, fresh: bool = False) -> Engine:
    """Return an engine for a place, with the settings that durability rests on.

    Args:
        place: Folder or URL.
        fresh: The book is to be made: the folder too.

    Raises:
        BookError: Nothing there to open, or the folder cannot be made.
    """
    if is_url(place):
        engine = create_engine(_server_url(place))
        leave_out_voided(engine)
        return engine
    file = Path(place) / BOOK_FILE
    if fresh:
        _make_folder(file)
    elif not file.exists():
        raise BookError(f"{place} is not a book", do=f"Begin one: strandbook init {place}")
    # With a creator the default pool would hold one connection for all threads.
    engine = create_engine("sqlite://", creator=lambda: _connect_sqlite(file), poolclass=QueuePool)
    event.listen(engine, "begin", _begin)
    leave_out_voided(engine)
    return engine


def _server_url(place: str) -> URL:
    url = make_url(place)
    if not url.drivername.startswith("postgres"):
        raise BookError(f"{url.drivername}: is no kind of server a book lies on", do="Use postgresql://…")
    return url.set(drivername="postgresql+psycopg").difference_update_query(["files"])


def _make_folder(file: Path) -> None:
    # A file may lie there: what a program left that was killed while it made a book. Whether it holds
    # one is asked inside the transaction that makes the tables.
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BookError(
            f"The folder {file.parent} cannot be made", why=error.strerror or str(error)
        ) from error


def _connect_sqlite(file: Path) -> sqlite3.Connection:
    connection = _sqlite(str(file)) if not _only_readable(file) else _sqlite(f"{file.as_uri()}?immutable=1")
    # WAL lets readers go on while one writes; FULL makes every commit survive a power cut.
    for pragma in ("journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        try:
            connection.execute(f"PRAGMA {pragma}")
        except sqlite3.OperationalError:
            # A book on a read-only disk can still be read.
            if not pragma.startswith("journal_mode"):
                raise
    return connection


def _only_readable(file: Path) -> bool:
    """Whether the files of the write-ahead log can neither be made nor are there.

    SQLite then cannot even read, unless told that nobody writes: true of a disk that is read-only. Where
    others may write to the folder, their log is there while they do, and is used.
    """
    log = file.with_name(f"{file.name}-wal")
    return not os.access(file.parent, os.W_OK) and not log.exists()


def _sqlite(name: str) -> sqlite3.Connection:
    return sqlite3.connect(
        name,
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
        cached_statements=256,
        uri=name.startswith("file:"),
    )


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES, False)
    # A deferred read-then-write would fail at once whatever the timeout; see SQLITEBUSY_SNAPSHOT.
    driver: Any = connection.connection.driver_connection
    driver.execute("BEGIN IMMEDIATE" if writes else "BEGIN")
