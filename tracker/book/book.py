"""An open book: reading from it, and acts that write to it."""

from __future__ import annotations

import copy
import datetime as dt
import itertools
import secrets
import time
import zoneinfo
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from tracker.book.engines import BUSY_S, STATEMENT_S, begin_writing, is_conflict, make_engine
from tracker.book.place import (
    BOOK_FILE,
    BookError,
    UncertainError,
    check_empty,
    check_encoding,
    check_schema,
    files_of,
    is_lost,
    is_url,
    refusal_for,
    shown,
)
from tracker.files import Files
from tracker.ids import BOOK_ALPHABET
from tracker.lazy_modules import lazy
from tracker.model import BookRecord, JournalRecord
from tracker.write_queue import wait_turn

if TYPE_CHECKING:
    from tracker import acts, heads
    from tracker import migrations as _migrations
    from tracker.acts import Act, Clock, ClockDoubt
else:
    # Wanted only where something is written.
    acts, heads = lazy("tracker.acts"), lazy("tracker.heads")
    # Brings alembic, which is wanted only where a book is made.
    _migrations = lazy("tracker.migrations")

LOOK_S: Final = 20
"""How long a book is asked again after an answer was lost, in seconds."""

_LOOK_PAUSE_S: Final = 0.5
_ASKED_S: Final = 600
_ATTEMPTS: Final = 5
_PAUSE_S: Final = 0.05


class LostAnswerError(UncertainError):
    """The connection ended while the last step of an act was on its way."""


_LOCK: Final = "SELECT id FROM book FOR UPDATE"
_NEWEST: Final = select(JournalRecord.hash).order_by(JournalRecord.seq.desc()).limit(1)


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
        clock_is_right: A person said so: acts may be entered earlier than the last one.
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
        self.clock_is_right = False
        # By person; shared by the copies that :meth:`keyed` makes.
        self._clock_asked: dict[str, float] = {}
        self._keys: Iterator[str] = iter(())

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

    def state(self) -> str:
        """Return the hash of the newest journal entry: as long as it is the same, so is every answer."""
        with self.connect() as connection:
            return str(connection.execute(_NEWEST).scalar() or "")

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
            AwayError: The place of the attachments is not there, or is not this book's: an act without one
                is refused as well.
            BookError: The book is read-only, full, busy or damaged; nothing was written.
            UncertainError: The connection was lost in the last step, and the book cannot be asked again.
            ClockDoubt: The clock went back since the last entry.
            DoneBefore: The key of the act (:meth:`keyed`) was used.
        """
        what = {"act": act, "who": who, "reason": reason, "about": about, "key": next(self._keys, "")}
        # Before the right to write is taken: a share that hangs must not hold up others.
        self.files.check()
        with ExitStack() as stack:
            try:
                doing = stack.enter_context(self._one_act(any_time=self.clock_is_right, **what))
            except acts.ClockDoubt as doubt:
                # Asked with the right to write given back: others may be waiting for it.
                self._confirm_clock(doubt, who)
                doing = stack.enter_context(self._one_act(any_time=True, **what))
            yield doing

    @contextmanager
    def _one_act(self, **what: Any) -> Iterator[Act]:
        doing: Act | None = None
        try:
            with (
                self.writing(statement_s=STATEMENT_S) as connection,
                self.doing(connection, **what) as doing,
            ):
                yield doing
        except LostAnswerError as lost:
            if doing is None:
                raise
            self._look_for(doing, lost)

    def _confirm_clock(self, doubt: ClockDoubt, who: str) -> None:
        """Let an act through that was asked about within the last ten minutes, by the same person.

        Raises:
            ClockDoubt: It was not; it is from now on.
        """
        before = self._clock_asked.get(who)
        self._clock_asked[who] = time.monotonic()
        if before is None or time.monotonic() - before > _ASKED_S:
            raise doubt

    def _look_for(self, act: Act, lost: LostAnswerError) -> None:
        """Find out whether an act was written whose last answer was lost.

        Raises:
            BookError: It was not.
            UncertainError: The book cannot be asked.
        """
        until = time.monotonic() + LOOK_S
        while True:
            try:
                found = self._hash_at(act.seq)
                break
            except DBAPIError as error:
                if time.monotonic() > until:
                    again = f" --key {act.key}" if act.key else ""
                    raise UncertainError(
                        f"It is not known whether this was written: the connection to {shown(self.place)} "
                        "was lost in the last step, and it does not answer",
                        do="Look for it before you repeat it (strandbook list …, show …)"
                        + (f"; repeated with{again} it is done once" if again else ""),
                    ) from error
                time.sleep(_LOOK_PAUSE_S)
        if found != act.hash:
            raise BookError(
                f"The connection to {shown(self.place)} was lost in the last step",
                why="the book was asked again, and this was not written",
                do="Repeat the command",
            ) from lost

    def _hash_at(self, seq: int) -> str | None:
        # The lost session may still be at its work. It holds this lock until it has either written or given
        # up, so after it the answer is final.
        with begin_writing(self.engine, STATEMENT_S, _LOCK) as connection:
            return connection.scalar(select(JournalRecord.hash).where(JournalRecord.seq == seq))

    def keyed(self, key: str) -> Book:
        """Return this book with a key for its next act, so that one sent twice is done once.

        A browser that lost the answer sends its form again, a finger taps twice, a script repeats a command.
        Only the book itself sees all of that, so it keeps the key, by the very act that it belongs to. A
        second act of the same book has the key with ``.2`` behind it, and so on. The same book where the
        key is empty.
        """
        if not key:
            return self
        # The same connections and files: opening the book again for each form would cost more than the form.
        keyed = copy.copy(self)
        # No generator: threads of one page may ask at once, which a generator does not bear.
        keyed._keys = itertools.chain((key,), map(f"{key}.{{}}".format, itertools.count(2)))  # noqa: SLF001 - of its own class
        return keyed

    def check_new(self, key: str) -> None:
        """Let through a key that was not used, before anything is read for it.

        Raises:
            DoneBefore: It was.
        """
        if key:
            with self.read() as session:
                acts.refuse_twice(session, key)

    def begin(self, who: str, **columns: str) -> None:
        """Make the tables and the book's own row, in one transaction.

        Raises:
            BookError: There is a book already.
        """
        with self.writing(fresh=True) as connection:
            check_empty(self.place, connection)
            check_encoding(self.place, connection)
            _migrations.upgrade(connection)
            with self.doing(connection, act="init", who=who) as act:
                code = _new_code()
                act.session.add(BookRecord(id=1, code=code, begun_at=act.at, **columns))
                act.reason = _key_made(code)
            # Before the commit: a book without a place for its attachments must not come to be.
            self.files.mark(code)

    def settings(self) -> dict[str, str]:
        """Return the book's own settings: code, title, zone, address."""
        with self.read() as session:
            row = session.get_one(BookRecord, 1)
            return {"book": row.code, "title": row.title, "zone": row.zone, "address": row.address}

    def change_settings(self, who: str, **changed: str) -> None:
        """Change title, zone or address, by an act of its own. Moments are kept in UTC: none changes.

        Raises:
            BookError: There is no such zone.
        """
        if "zone" in changed:
            zone_named(changed["zone"])
        with self.act("settings", who) as act:
            row = act.session.get_one(BookRecord, 1)
            for name, value in changed.items():
                setattr(row, name, value)
        self.load()

    @contextmanager
    def writing(self, statement_s: int = 0, *, fresh: bool = False) -> Iterator[Connection]:
        """Give a connection in a transaction that writes, and holds the right to.

        Args:
            statement_s: Longest that a statement may take on a server, in seconds; 0 for no limit.
            fresh: There is no book yet whose row could be locked.

        Raises:
            BookError: The book is read-only, full, busy or damaged; nothing was written.
            LostAnswerError: The connection was lost in the last step; it may have been written.
        """
        with self.translated(), self._turn():
            connection = self._begun(statement_s, fresh)
            try:
                try:
                    yield connection
                except BaseException:
                    with suppress(DBAPIError):
                        connection.rollback()
                    raise
                self._commit(connection)
            finally:
                connection.close()

    def _begun(self, statement_s: int, fresh: bool) -> Connection:
        """Begin a transaction that writes; undone only because others wrote, it begins again."""
        for attempt in range(_ATTEMPTS):
            try:
                return begin_writing(self.engine, statement_s, "" if fresh else _LOCK)
            except DBAPIError as error:
                if not is_conflict(error) or attempt == _ATTEMPTS - 1:
                    raise
                time.sleep(_PAUSE_S * 2**attempt * (1 + secrets.randbelow(100) / 100))
        raise AssertionError("the last attempt returns or raises")

    def _commit(self, connection: Connection) -> None:
        try:
            connection.commit()
        except DBAPIError as error:
            if is_url(self.place) and is_lost(error):
                raise LostAnswerError(
                    f"The connection to {shown(self.place)} was lost in the last step",
                    do="It is not known whether this was written; look before you repeat it",
                ) from error
            raise

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
                    f"The book {shown(self.place)} is being written by somebody else",
                    do="Nothing was written. Wait a moment and repeat the command",
                )
            yield

    @contextmanager
    def doing(self, connection: Connection, **what: Any) -> Iterator[Act]:
        """Do an act in a transaction that :meth:`writing` gave; the words of :meth:`act`."""
        act = acts.Act(connection, self.files, self.clock(), **what)
        try:
            yield act
            act.enter()
        finally:
            act.close()

    @contextmanager
    def translated(self) -> Iterator[None]:
        """Have a database's own errors raised as refusals."""
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
        with self.translated(), self.engine.connect() as connection:
            check_schema(self.place, connection)
            row = connection.execute(
                select(BookRecord.code, BookRecord.zone, BookRecord.address).where(BookRecord.id == 1)
            ).one_or_none()
        if row is None:
            raise BookError(
                f"{shown(self.place)} holds the tables of a book but no book", do="strandbook restore FILE"
            )
        self.code, self.address = row.code, row.address
        self.files.code = row.code
        self.zone = zone_named(row.zone)


def _new_code() -> str:
    """Return a book's three characters.

    Drawn and not counted: two benches that never meet must still be told apart on a borrowed piece. What
    another book of this computer has is drawn again, as far as that helps: its key would be set aside, and
    the heads that were remembered of it would accuse the new book.
    """
    taken = heads.KeyRing().books()
    for _ in range(1000):
        code = "".join(secrets.choice(BOOK_ALPHABET) for _ in range(3))
        if code not in taken:
            break
    return code


def _key_made(code: str) -> str:
    """Return the sentence by which the first entry names the book's signing key; a book can do without."""
    try:
        return f"{heads.KEY_ENTERED}{heads.KeyRing().new_key(code)}"
    except (heads.HeadError, ModuleNotFoundError):
        return ""


def open_book(place: str, clock: Clock = now) -> Book:
    """Open a book by folder or PostgreSQL URL.

    Raises:
        BookError: There is none, or it is of another schema version.
    """
    book = Book(place, make_engine(place), files_of(place), clock)
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
    book = Book(place, engine, files_of(place), clock)
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
