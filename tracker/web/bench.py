"""What every page has at hand: the book, the methods, who serves, and what is kept between requests."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import math
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

from tracker.book import Book, files_folder, now
from tracker.changed import Changed
from tracker.manual import Topic
from tracker.plugins import Plugged
from tracker.table import HeldResults, graded
from tracker.web.pairing import PairingCodes
from tracker.web.tasks import Tasks

T = TypeVar("T")

LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})
_PICTURES: Final = 128
_FACTS: Final = 512
_AWAY_S: Final = 2.0
"""How often it is looked whether the attachments can be reached."""

_KEY: Final[ContextVar[str]] = ContextVar("key of the form that is being stored", default="")


HEAVY_S: Final = 0.05
"""An answer that took as long to make may be given again although the book was written to since."""

SLOW_S: Final = 0.5
"""One that took as long is made beside the page, and whoever asks waits no longer than this for it."""

_RESTS: Final = 20.0
_RESTS_AT_MOST_S: Final = 30.0


@dataclass(frozen=True)
class Answer(Generic[T]):
    """What was answered to a question.

    Attributes:
        value: The answer.
        mark: Of what it was made from: it holds as long as the mark is the same.
        at: The moment at which the book was asked.
        began_s: When that was, by a clock that only goes forward.
        took_s: How long it took to make.
        older: The book was written to since, and this is given all the same.
    """

    value: T
    mark: str
    at: dt.datetime
    began_s: float
    took_s: float
    older: bool = False

    @property
    def as_of(self) -> dt.datetime | None:
        """The moment that has to be said with it; None where it is as the book is now."""
        return self.at if self.older else None


class Answers:
    """The last answer to each question; the least asked goes first.

    Args:
        most: How many are kept.
        now: Gives the moment.
        clock: Seconds that only go forward.
    """

    def __init__(
        self,
        most: int,
        now: Callable[[], dt.datetime] = now,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most = most
        self._now = now
        self._clock = clock
        self._kept: OrderedDict[Hashable, Answer[Any]] = OrderedDict()
        self._making: dict[Hashable, threading.Event] = {}
        self._lock = threading.Lock()

    def get(self, what: Hashable, make: Callable[[], T], mark: str = "", *, older: bool = False) -> Answer[T]:
        """Return the answer to a question, made now where the kept one does not hold any more.

        Of many that ask at once one makes it and the others wait: after each write all open pages ask again.
        What was begun after one asked is good for it, whatever was written while it was made. Where it came
        to nothing the next one tries.

        Args:
            what: The question.
            make: Makes the answer.
            mark: Of what the answer hangs on.
            older: An older answer may be given in a large book: while a new one is made, and until the last
                making is twenty times as long ago as it took, so that it never takes more than a part of the
                processor, however often the book is written to.
        """
        asked_s = self._clock()
        while True:
            with self._lock:
                kept = self._kept.get(what)
                if kept is not None and (kept.mark == mark or kept.began_s >= asked_s):
                    self._kept.move_to_end(what)
                    return kept
                making = self._making.get(what)
                if older and kept is not None and (making is not None or self._rests(kept)):
                    return replace(kept, older=True)
                if making is None:
                    making = self._making[what] = threading.Event()
                    break
            making.wait()
        if not older or kept is None or kept.took_s < SLOW_S:
            return self._made(what, make, mark)
        # A daemon: whoever ends the page does not wait for an answer that nobody will read.
        threading.Thread(target=self._made_beside, args=(what, make, mark), daemon=True).start()
        making.wait(SLOW_S)
        with self._lock:
            newest = self._kept.get(what, kept)
        return newest if newest.began_s >= asked_s else replace(newest, older=True)

    def _made(self, what: Hashable, make: Callable[[], T], mark: str) -> Answer[T]:
        try:
            at, began_s = self._now(), self._clock()
            value = make()
            made = Answer(value, mark, at, began_s, self._clock() - began_s)
            with self._lock:
                self._kept[what] = made
                self._kept.move_to_end(what)
                while len(self._kept) > self._most:
                    self._kept.popitem(last=False)
        finally:
            with self._lock:
                self._making.pop(what).set()
        return made

    def _made_beside(self, what: Hashable, make: Callable[[], Any], mark: str) -> None:
        # Whoever asks next without an older answer to show is told what it ended in.
        with contextlib.suppress(Exception):
            self._made(what, make, mark)

    def _rests(self, kept: Answer[Any]) -> bool:
        ended_s = kept.began_s + kept.took_s
        rest_s = min(_RESTS * kept.took_s, _RESTS_AT_MOST_S)
        return kept.took_s >= HEAVY_S and self._clock() < ended_s + rest_s


HELD_BYTES: Final = 60_000_000
HELD_S: Final = 3600.0


@dataclass(frozen=True)
class HeldFile:
    """A file with its plain name, and who sent it."""

    name: str
    data: bytes
    sid: str
    at_s: float


class Held:
    """Files that were sent and looked at, held for their sender until they are kept or time is up.

    A browser never sends a chosen file a second time by itself: without this, whoever looks at a log before
    keeping it would have to find it among the phone's files again. The oldest go when there is no more room.

    Args:
        clock: Seconds that only go forward.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._files: OrderedDict[str, HeldFile] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, name: str, data: bytes, sid: str) -> str:
        """Hold a file and return the word to find it by."""
        token = secrets.token_urlsafe(16)
        with self._lock:
            self._files[token] = HeldFile(name, data, sid, self._clock())
            self._clear()
        return token

    def get(self, token: str, sid: str) -> HeldFile | None:
        """Return a file to the browser that sent it; None for any other, and when it is gone."""
        with self._lock:
            self._clear()
            found = self._files.get(token)
        return found if found is not None and found.sid == sid else None

    def newest(self, sid: str) -> tuple[str, HeldFile] | None:
        """Return the word and the file that a sender sent last; None where none is held."""
        with self._lock:
            self._clear()
            return next(
                ((word, each) for word, each in reversed(self._files.items()) if each.sid == sid), None
            )

    def drop(self, token: str) -> None:
        """Let go of a file that was kept or is not wanted."""
        with self._lock:
            self._files.pop(token, None)

    def _clear(self) -> None:
        """Let go of what is too old, and of the oldest while it is too much."""
        late = self._clock() - HELD_S
        size = sum(len(each.data) for each in self._files.values())
        while self._files:
            first = next(iter(self._files.values()))
            if first.at_s >= late and size <= HELD_BYTES:
                return
            self._files.popitem(last=False)
            size -= len(first.data)


@dataclass(frozen=True)
class Offer:
    """A recording that a rig's computer has just written, not stored yet.

    Attributes:
        number: Of the offer; each is higher than the one before.
        name: Of the file.
        data: Its bytes.
        at_s: When it came.
    """

    number: int
    name: str
    data: bytes
    at_s: float


class Offers:
    """The newest recordings of each rig, until one is taken for a specimen.

    Args:
        clock: Seconds that only go forward.
    """

    MOST: Final = 4
    LASTS_S: Final = 900.0

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._offers: dict[str, list[Offer]] = {}
        self._count = 0
        self._changes = 0

    def put(self, rig: str, name: str, data: bytes) -> Offer:
        """Take in a recording; of a rig the oldest goes when there are too many."""
        with self._lock:
            self._count += 1
            self._changes += 1
            made = Offer(self._count, name, data, self._clock())
            self._offers[rig] = [*self._offers.get(rig, []), made][-self.MOST :]
            return made

    def newest(self, rig: str) -> Offer | None:
        """Return the newest recording of a rig; None where there is none, or it is too old."""
        with self._lock:
            found = self._offers.get(rig)
            return found[-1] if found and found[-1].at_s >= self._clock() - self.LASTS_S else None

    def get(self, rig: str, number: int) -> Offer | None:
        """Return one recording of a rig."""
        with self._lock:
            return next((each for each in self._offers.get(rig, ()) if each.number == number), None)

    def drop(self, rig: str, number: int) -> None:
        """Let go of a recording that was stored or is not wanted."""
        with self._lock:
            self._changes += 1
            self._offers[rig] = [each for each in self._offers.get(rig, []) if each.number != number]

    @property
    def mark(self) -> int:
        """How often an offer came or was let go: another number means that a page at a rig is behind."""
        return self._changes


class LastSeen:
    """When each device asked last, to the minute; kept in a small file beside the attachments.

    Not in the book: to look at a page must not write an entry into its journal.

    Args:
        file: Where it is kept; one that cannot be written costs what is known after a restart, no more.
    """

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self._lock = threading.Lock()
        self._seen: dict[int, dt.datetime] = {}
        if file is not None:
            with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):
                held = json.loads(file.read_text("utf-8"))
                self._seen = {int(each): dt.datetime.fromisoformat(at) for each, at in held.items()}

    def note(self, device: int, now: dt.datetime) -> None:
        """Note that a device asks now."""
        minute = now.replace(second=0, microsecond=0)
        with self._lock:
            if self._seen.get(device) == minute:
                return
            self._seen[device] = minute
            if self._file is not None:
                with contextlib.suppress(OSError):
                    kept = {str(each): at.isoformat() for each, at in self._seen.items()}
                    self._file.write_text(json.dumps(kept), "utf-8")

    def of(self, device: int) -> dt.datetime | None:
        """Return when a device asked last; None where it never did, or it is not known."""
        with self._lock:
            return self._seen.get(device)


def _quiet(code: str) -> None:
    del code


@dataclass(frozen=True)
class Serving:
    """How the page is served.

    Attributes:
        book: The book.
        plugged: The methods.
        who: Who started it; writes from this computer bear the name.
        key: Signs the cookies.
        shared: Other devices may come; then every device must be paired, this computer's browser too.
        read_only: Nobody writes.
        hosts: Names and addresses under which the page may be asked for, without port.
        address: ``HOST:PORT`` at which other devices find it; empty where not shared.
        secure: It is served over TLS, so that a phone lets it use the camera.
        fingerprint: SHA-256 of the certificate, for the pairing code; empty without TLS.
        announce: Told of every new pairing code.
        clock: Seconds that only go forward; for the pairing code.
        commands: What the command line says of its commands, as lines of Markdown; for Help.
    """

    book: Book
    plugged: Plugged
    who: str
    key: bytes
    shared: bool = False
    read_only: bool = False
    hosts: frozenset[str] = LOOPBACK
    address: str = ""
    secure: bool = False
    fingerprint: str = ""
    announce: Callable[[str], None] = _quiet
    clock: Callable[[], float] = time.monotonic
    commands: Callable[[], Iterable[str]] = tuple


@dataclass(frozen=True)
class ActMessage:
    """What the page that follows an act shows of it.

    Attributes:
        notes: Sentences, the most important first.
        entry: Number of the journal's entry, by which the act can be undone; 0 for none.
    """

    notes: tuple[str, ...] = ()
    entry: int = 0


@dataclass
class Bench:
    """One running page: how it is served, and what it remembers."""

    serving: Serving
    pictures: Answers = field(default_factory=lambda: Answers(_PICTURES))
    _words: Answers = field(default_factory=lambda: Answers(_FACTS))
    monotonic: Callable[[], float] = time.monotonic

    def __post_init__(self) -> None:
        self._away = (-math.inf, "")
        self._newest = (-math.inf, "")
        self.facts = Answers(_FACTS, self.serving.book.clock)
        self.changed = Changed(self.serving.book)
        self.codes = PairingCodes(self.serving.clock, self.serving.announce)
        self.held = Held(self.serving.clock)
        self.tasks = Tasks()
        self.offers = Offers(self.serving.clock)
        writable = self.serving.shared and not self.serving.read_only
        self.seen = LastSeen(files_folder(self.book.place).parent / "page.seen" if writable else None)

    @property
    def book(self) -> Book:
        """The book; while a form is stored, one on which its act is done once."""
        return self.serving.book.keyed(_KEY.get())

    @contextmanager
    def storing(self, key: str) -> Iterator[None]:
        """Do what is done meanwhile, by this thread, under the key of a form."""
        held = _KEY.set(key)
        try:
            yield
        finally:
            _KEY.reset(held)

    @property
    def plugged(self) -> Plugged:
        """The methods."""
        return self.serving.plugged

    @cached_property
    def results(self) -> HeldResults:
        """The results of the book, of which after an act only those of its plates are read again."""
        return HeldResults(graded(self.plugged))

    @cached_property
    def titles(self) -> dict[str, str]:
        """Title of each quantity by its identifier."""
        return self.plugged.titles

    @cached_property
    def method_titles(self) -> dict[str, str]:
        """Title of each method by its identifier."""
        return {name: each.method.title for name, each in self.plugged.methods.items()}

    def state_now(self) -> str:
        """Return the book's state, asked for now."""
        at_s = self.monotonic()
        state = self.book.state()
        # Of two that asked at once the one that began later knows more.
        self._newest = max(self._newest, (at_s, state), key=lambda each: each[0])
        return state

    def state_within(self, span_s: float) -> str | None:
        """Return the book's state as a request found it so many seconds ago at most; None where none did."""
        at_s, state = self._newest
        return state if self.monotonic() - at_s < span_s else None

    @property
    def is_away(self) -> bool:
        """Whether the attachments could not be reached when they were looked for last."""
        return bool(self._away[1])

    def away(self) -> str:
        """Return a sentence where the attachments cannot be reached; some seconds old at most."""
        clock = self.serving.clock
        if clock() - self._away[0] >= _AWAY_S:
            # First the time: others that ask meanwhile are not held up by a share that hangs.
            self._away = (clock(), self._away[1])
            files = self.book.files
            trouble = files.trouble()
            words = (
                f"The {files.noun} {files.where} {trouble}. What is in the book can be read; nothing is "
                "stored until it is there."
            )
            self._away = (clock(), words if trouble else "")
        return self._away[1]

    def keep_words(self, message: ActMessage) -> str:
        """Keep what the next page will show; returns a word to find it by.

        The words themselves never travel in an address: anybody could write one.
        """
        token = secrets.token_urlsafe(9)
        self._words.get(token, lambda: message)
        return token

    def words_of(self, token: str) -> ActMessage:
        """Return what was kept; nothing where it is gone, or never was."""
        return self._words.get(token, ActMessage).value if token else ActMessage()

    @cached_property
    def reference(self) -> Topic:
        """The page of the manual that is made from the program; the same as long as the program runs."""
        from tracker.reference import reference  # noqa: PLC0415 - only Help needs it

        return reference(self.plugged, self.serving.commands())

    def of_state(self, what: Hashable, make: Callable[[], T], state: str = "") -> T:
        """Return an answer that depends on the book alone; made again only after something was written.

        Args:
            what: What is answered.
            make: Makes the answer.
            state: Of the book, where it was asked for already, or a mark of that part of it on which the
                answer hangs.
        """
        return self.facts.get(what, make, state or self.book.state()).value

    def lately(self, what: Hashable, make: Callable[[], T], state: str = "") -> Answer[T]:
        """Return an answer as :meth:`of_state`, of a large book perhaps an older one.

        Whoever shows it says of when it is (:attr:`Answer.as_of`).
        """
        return self.facts.get(what, make, state or self.book.state(), older=True)
