"""A book: where it lies, how it is opened, read and written.

One act of a person is one transaction is one journal entry. Every write goes through
:meth:`Book.act`, which takes the right to write before it reads anything (``BEGIN IMMEDIATE`` on
SQLite, the lock of the book's own row on PostgreSQL), so that numbers and the chain of hashes are
given out in one order whoever else is writing.
"""

from __future__ import annotations

import datetime as dt
import os
import secrets
import sqlite3
import zoneinfo
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any, Final, Self

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, select, text
from sqlalchemy.exc import DBAPIError, OperationalError, ProgrammingError
from sqlalchemy.orm import Session
from sqlalchemy.pool import QueuePool

from tracker.acts import Act, Clock
from tracker.errors import Refused
from tracker.files import Files
from tracker.ids import BOOK_ALPHABET
from tracker.model import SCHEMA, BookRecord
from tracker.turns import turn

BOOK_FILE: Final = "book.sqlite"
_BUSY_S: Final = 30
_WRITES: Final = "strandbook_writes"


class BookError(Refused):
    """A book cannot be found, opened, read or written as asked."""


def now() -> dt.datetime:
    """Return the present moment in UTC: the one place the store asks a clock."""
    return dt.datetime.now(dt.UTC)


class Book:
    """An open book. Make one with :func:`open_book` or :func:`new_book`; close it when done.

    Attributes:
        place: Folder or URL as the person named it.
        code: The book's three characters.
        zone: The bench's time zone.
        address: HOST:PORT of the bench page, or empty.
        files: Its attachments.
        engine: For questions in SQL by the rooms above; writing goes through :meth:`act`.
    """

    def __init__(self, place: str, engine: Engine, files: Files, clock: Clock = now) -> None:
        self.place = place
        self.engine = engine
        self.files = files
        self.clock = clock
        self.code = ""
        self.zone: dt.tzinfo = dt.UTC
        self.address = ""

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def read(self) -> Session:
        """Return a session for reading; one session sees one state of the book."""
        return Session(self._readers(), expire_on_commit=False)

    def connect(self) -> Connection:
        """Return a connection for hand-built reading statements; it too sees one state of the book."""
        return self._readers().connect()

    def _readers(self) -> Engine:
        if self.engine.dialect.name == "sqlite":
            return self.engine
        # Else PostgreSQL would show each statement what others have written meanwhile. Writers must see
        # just that once they hold the lock, so this is not for the whole engine.
        return self.engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)

    @contextmanager
    def act(self, act: str, who: str, *, reason: str = "", about: tuple[str, ...] = ()) -> Iterator[Act]:
        """Do one act: whole, with its journal entry, or not at all.

        Args:
            act: The verb, as the command line has it (``spool add``).
            who: The person, or the paired device.
            reason: Why, for corrections.
            about: IDs concerned, as far as they are known before; more may be added on the way.

        Yields:
            The act, whose ``session`` takes new and changed rows.

        Raises:
            BookError: The book is read-only, full, busy or damaged; nothing was written.
        """
        with self.writing() as connection:
            if connection.dialect.name != "sqlite":
                # SQLite's BEGIN IMMEDIATE has locked the file by now; a server locks nothing until asked.
                connection.execute(select(BookRecord.id).with_for_update())
            with self.doing(connection, act=act, who=who, reason=reason, about=about) as doing:
                yield doing

    def begin(self, who: str, **columns: str) -> None:
        """Make the tables and the book's own row, in one transaction.

        Raises:
            BookError: There is a book already.
        """
        from tracker.migrations import upgrade  # noqa: PLC0415 - alembic is wanted here only

        with self.writing() as connection:
            check_empty(self.place, connection)
            upgrade(connection)
            with self.doing(connection, act="init", who=who) as act:
                # Drawn and not counted: two benches that never meet must still be told apart on a borrowed
                # piece.
                code = "".join(secrets.choice(BOOK_ALPHABET) for _ in range(3))
                act.session.add(BookRecord(id=1, code=code, begun_at=act.at, **columns))

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a connection in a transaction that writes: for making, restoring and migrating a book.

        Raises:
            BookError: The book is read-only, full, busy or damaged; nothing was written.
        """
        with (
            self._translated(),
            self._turn(),
            self.engine.connect().execution_options(**{_WRITES: True}) as connection,
            connection.begin(),
        ):
            yield connection

    @contextmanager
    def _turn(self) -> Iterator[None]:
        """Wait until nobody else writes; on a server its own locks are fair.

        Raises:
            BookError: Others kept their turn longer than we wait.
        """
        if is_url(self.place):
            yield
            return
        with turn(Path(self.place) / BOOK_FILE, _BUSY_S) as ours:
            if not ours:
                raise BookError(
                    f"The book {self.place} is being written by somebody else",
                    do="Nothing was written. Wait a moment and repeat the command",
                )
            yield

    @contextmanager
    def doing(self, connection: Connection, **what: Any) -> Iterator[Act]:
        """Do an act in a transaction that :meth:`writing` gave; the words of :meth:`act`."""
        # Flushing by itself before every query would give out numbers in the middle of an act, in an order
        # that depends on what happens to be asked.
        session = Session(connection, autoflush=False, expire_on_commit=False)
        try:
            act = Act(session, self.files, self.clock(), **what)
            yield act
            act.enter()
        finally:
            session.close()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise refusal_for(self.place, error) from error

    def load(self) -> None:
        """Read the book's own row.

        Raises:
            BookError: There is no book here, or its schema is not the one this program knows.
        """
        with self._translated(), self.engine.connect() as connection:
            check_schema(self.place, connection)
            row = connection.execute(
                select(BookRecord.code, BookRecord.zone, BookRecord.address).where(BookRecord.id == 1)
            ).one_or_none()
        if row is None:
            raise BookError(
                f"{self.place} holds the tables of a book but no book", do="strandbook restore FILE"
            )
        self.code, self.address = row.code, row.address
        self.zone = zone_named(row.zone)


def open_book(place: str, clock: Clock = now) -> Book:
    """Open a book by folder or PostgreSQL URL.

    Raises:
        BookError: There is none, or it is of another schema version.
    """
    book = Book(place, make_engine(place), Files(files_folder(place)), clock)
    try:
        book.load()
    except BaseException:
        book.close()
        raise
    return book


def new_book(
    place: str, who: str, *, title: str = "", zone: str = "UTC", address: str = "", clock: Clock = now
) -> Book:
    """Make an empty book and open it.

    Args:
        place: Folder to be made, or URL of an empty PostgreSQL database.
        who: Who makes it; the first line of the journal.
        title: What people call it.
        zone: IANA name of the bench's time zone.
        address: HOST:PORT of the bench page, for labels that a phone can follow.
        clock: For tests.

    Raises:
        BookError: Something is there already, or the place cannot be written.
    """
    zone_named(zone)
    engine = make_engine(place, fresh=True)
    book = Book(place, engine, Files(files_folder(place)), clock)
    try:
        book.begin(who, title=title, zone=zone, address=address)
        book.load()
    except BaseException:
        book.close()
        raise
    return book


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


def make_engine(place: str, *, fresh: bool = False) -> Engine:
    """Return an engine for a place, with the settings that durability rests on.

    Args:
        place: Folder or URL.
        fresh: The book is to be made: the folder too.

    Raises:
        BookError: Nothing there to open, or the folder cannot be made.
    """
    if is_url(place):
        return create_engine(_server_url(place))
    file = Path(place) / BOOK_FILE
    if fresh:
        _make_folder(file)
    elif not file.exists():
        raise BookError(f"{place} is not a book", do=f"Begin one: strandbook init {place}")
    # With a creator the default pool would hold one connection for all threads.
    engine = create_engine("sqlite://", creator=lambda: _connect_sqlite(file), poolclass=QueuePool)
    event.listen(engine, "begin", _begin)
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
        timeout=_BUSY_S,
        isolation_level=None,
        check_same_thread=False,
        cached_statements=256,
        uri=name.startswith("file:"),
    )


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    # A deferred read-then-write would fail at once whatever the timeout; see SQLITE_BUSY_SNAPSHOT.
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def schema_of(connection: Connection) -> str | None:
    """Return the schema version written in a database, or None where there is no book."""
    try:
        # On a server a failed statement spoils its whole transaction; a savepoint keeps the question from
        # costing the answer to the next one.
        with connection.begin_nested() if connection.dialect.name != "sqlite" else nullcontext():
            return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    except (OperationalError, ProgrammingError) as error:
        if "no such table" in str(error.orig) or type(error.orig).__name__ == "UndefinedTable":
            return None
        raise


def check_empty(place: str, connection: Connection) -> None:
    """Let through only a database in which there is nothing yet.

    Raises:
        BookError: There is a book, or tables of something else.
    """
    if schema_of(connection) is not None:
        raise BookError(f"{place} is a book already", do="Choose another place")
    if tables := inspect(connection).get_table_names():
        raise BookError(f"{place} holds other tables ({', '.join(tables[:3])})", do="Choose another place")


def check_schema(place: str, connection: Connection) -> None:
    """Let through only a book of the schema this program knows.

    Raises:
        BookError: There is no book, or it is older or newer; the text says what to do.
    """
    found = schema_of(connection)
    if found is None:
        raise BookError(f"{place} is not a book", do=f"Begin one: strandbook init {place}")
    # Revisions are numbered with leading noughts, so that texts compare as numbers do.
    if found < SCHEMA:
        raise BookError(
            f"{place} was written by an older version (schema {found}, this program: {SCHEMA})",
            do="strandbook upgrade makes a backup and brings it up to date",
        )
    if found > SCHEMA:
        raise BookError(
            f"{place} was written by a newer version (schema {found}, this program: {SCHEMA})",
            do="Install the newer strandbook to open it",
        )


def zone_named(name: str) -> dt.tzinfo:
    """Return a time zone by its IANA name.

    Raises:
        BookError: There is none of that name.
    """
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BookError(f"{name!r} is no time zone", do="Use a name such as Europe/Vienna or UTC") from error


def refusal_for(place: str, error: Exception) -> BookError:
    """Return what a database's error means to the person, with what to do."""
    # By the words and not by error codes: the two drivers share no codes, and SQLite reports a full or a
    # read-only disk through the same class as a wrong statement.
    said = str(getattr(error, "orig", error)).lower()
    kinds: list[tuple[str, str, str]] = [
        ("readonly", "may not be written", "Check who may write there; reading goes on as before"),
        ("read-only", "may not be written", "Check who may write there; reading goes on as before"),
        ("is full", "does not fit on the disk any more", "Free some space and repeat the command"),
        ("no space left", "does not fit on the disk any more", "Free some space and repeat the command"),
        ("locked", "is being written by somebody else", "Wait a moment and repeat the command"),
        ("not a database", "is no SQLite file", "Bring it back from a backup: strandbook restore FILE"),
        ("malformed", "is damaged", "Bring it back from a backup: strandbook restore FILE"),
        ("unable to open", "cannot be opened", "Check the path and who may read it"),
        ("connection to server", "cannot be reached", "Check that the server runs, and the URL"),
    ]
    for word, what, do in kinds:
        if word in said:
            return BookError(f"The book {place} {what}", do=f"Nothing was written. {do}")
    return BookError(f"The book {place} did not take this", why=_first_line(error), do="Nothing was written")


def _first_line(error: Exception) -> str:
    return next(iter(str(getattr(error, "orig", error)).strip().splitlines()), type(error).__name__)
