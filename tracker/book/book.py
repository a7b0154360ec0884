"""An open book: reading from it, and acts that write to it."""

from __future__ import annotations

import datetime as dt
import secrets
import zoneinfo
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from tracker.acts import Act, Clock
from tracker.book.engines import BUSY_S, WRITES, make_engine
from tracker.book.place import (
    BOOK_FILE,
    BookError,
    check_empty,
    check_schema,
    files_folder,
    is_url,
    refusal_for,
)
from tracker.files import Files
from tracker.ids import BOOK_ALPHABET
from tracker.model import BookRecord
from tracker.write_queue import wait_turn


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
            self.engine.connect().execution_options(**{WRITES: True}) as connection,
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
        with wait_turn(Path(self.place) / BOOK_FILE, BUSY_S) as ours:
            if not ours:
                raise BookError(
                    f"The book {self.place} is being written by somebody else",
                    do="Nothing was written. Wait a moment and repeat the command",
                )
            yield

    @contextmanager
    def doing(self, connection: Connection, **what: Any) -> Iterator[Act]:
        """Do an act in a transaction that :meth:`writing` gave; the words of :meth:`act`."""
        act = Act(connection, self.files, self.clock(), **what)
        try:
            yield act
            act.enter()
        finally:
            act.close()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        # An act hands some statements straight to the driver, whose errors then come as they are.
        except (DBAPIError, self.engine.dialect.loaded_dbapi.Error) as error:
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


def zone_named(name: str) -> dt.tzinfo:
    """Return a time zone by its IANA name.

    Raises:
        BookError: There is none of that name.
    """
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BookError(f"{name!r} is no time zone", do="Use a name such as Europe/Vienna or UTC") from error
