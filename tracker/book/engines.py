"""How the database of a book is reached, with the settings that durability rests on."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import QueuePool

from tracker.book.filesystem import check_filesystem
from tracker.book.live import leave_out_voided
from tracker.book.place import BOOK_FILE, BookError, UnreachableError, is_url, shown, url_of
from tracker.errors import missing_extra
from tracker.files import make_private_folder

BUSY_S: Final = 30
"""Longest that one waits for others to have written, in seconds."""

STATEMENT_S: Final = 120
"""Longest that one statement of an act may take on a server, in seconds."""

OLDEST_SERVER: Final = (13,)
"""Oldest PostgreSQL that a book is kept on; older ones get no repairs from their makers any more."""

WRITES: Final = "strandbook_writes"
"""Execution option of a connection whose transactions write."""

_SERVER: Final = {
    # A network that swallows packets must not hold the bench for hours, as the system's own limits would.
    "connect_timeout": 10,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 4,
    "tcp_user_timeout": BUSY_S * 1000,
    "application_name": "strandbook",
    "client_encoding": "utf8",
}


def make_engine(place: str, *, fresh: bool = False) -> Engine:
    """Return an engine for a place, with the settings that durability rests on.

    Args:
        place: Folder or URL.
        fresh: The book is to be made: the folder too.

    Raises:
        BookError: Nothing there to open, the folder cannot be made, or SQLite is not safe there.
        MissingExtraError: The driver for servers is not installed.
    """
    if is_url(place):
        engine = _server_engine(place)
        leave_out_voided(engine)
        return engine
    file = Path(place) / BOOK_FILE
    if fresh:
        _make_folder(file)
    elif not file.exists():
        raise UnreachableError(f"{place} is not a book", do=f"Begin one: strandbook init {place}")
    check_filesystem(file.parent)
    # With a creator the default pool would hold one connection for all threads.
    engine = create_engine("sqlite://", creator=lambda: _connect_sqlite(file, fresh), poolclass=QueuePool)
    event.listen(engine, "begin", _begin)
    leave_out_voided(engine)
    return engine


def _server_engine(place: str) -> Engine:
    url = url_of(place)
    if not url.drivername.startswith("postgres"):
        raise BookError(f"{url.drivername}: is no kind of server a book lies on", do="Use postgresql://…")
    url = url.set(drivername="postgresql+psycopg").difference_update_query(["files"])
    settings = {name: value for name, value in _SERVER.items() if name not in url.query}
    try:
        engine = create_engine(
            url,
            # A server may be set to another level; acts rely on seeing, after they got the lock, what others
            # wrote before.
            isolation_level="READ COMMITTED",
            # After a restart of the server the first question would fail, once for each connection.
            pool_pre_ping=True,
            # A pooler in transaction mode gives each transaction another session, which does not know what
            # an earlier one prepared.
            connect_args={**settings, "prepare_threshold": None},
        )
    except ModuleNotFoundError as error:
        raise missing_extra(error) or error from error
    event.listen(engine, "connect", lambda driver, _: _check_server(place, driver))
    return engine


def _check_server(place: str, driver: Any) -> None:
    found = driver.info.server_version
    if (found // 10000,) < OLDEST_SERVER:
        raise UnreachableError(
            f"The server of the book {shown(place)} is too old (PostgreSQL {found // 10000})",
            do=f"It must be {OLDEST_SERVER[0]} or newer",
        )


def limit_waits(connection: Connection, statement_s: int = STATEMENT_S, lock: str = "") -> None:
    """Bound what a transaction on a server waits for; nothing to do on SQLite, whose driver has a limit.

    Args:
        connection: In a transaction.
        statement_s: Longest for a statement, in seconds; 0 for no limit.
        lock: A statement that takes a lock, sent along with the limits.
    """
    if connection.dialect.name == "sqlite":
        return
    # For this transaction only, and not as options of the connection, which poolers refuse or mix up; and in
    # one message, because every act pays for it.
    limits = f"SET LOCAL lock_timeout = '{BUSY_S}s'; SET LOCAL statement_timeout = '{statement_s}s'"
    connection.exec_driver_sql(f"{limits}; {lock}" if lock else limits)


def is_conflict(error: DBAPIError) -> bool:
    """Whether a server undid a transaction only because another one wrote: repeated, it may succeed."""
    return getattr(error.orig, "sqlstate", None) in ("40001", "40P01")


def _make_folder(file: Path) -> None:
    # A file may lie there: what a program left that was killed while it made a book. Whether it holds
    # one is asked inside the transaction that makes the tables.
    try:
        make_private_folder(file.parent)
    except OSError as error:
        raise BookError(
            f"The folder {file.parent} cannot be made", why=error.strerror or str(error)
        ) from error


def _connect_sqlite(file: Path, fresh: bool) -> sqlite3.Connection:
    if fresh:
        # Before SQLite makes it: its own would follow the umask, and the files beside it follow this one.
        _make_private(file)
    connection = (
        _sqlite(str(file)) if not _only_readable(file) else _sqlite(f"{file.absolute().as_uri()}?immutable=1")
    )
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
    writable = os.access(file.parent, os.W_OK) and os.access(file, os.W_OK)
    return not writable and not log.exists()


def _make_private(file: Path) -> None:
    try:
        handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError:
        # It is there already, or SQLite will say in its own words why it cannot be made.
        return
    try:
        os.fchmod(handle, 0o600)
    finally:
        os.close(handle)


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
