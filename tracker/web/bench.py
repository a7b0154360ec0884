"""What every page has at hand: the book, the methods, who serves, and what is kept between requests."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

from tracker.book import Book
from tracker.plugins import Plugged
from tracker.records.marks import state_of
from tracker.web.held import Held
from tracker.web.pairing import PairingCode
from tracker.web.remembered import Remembered

T = TypeVar("T")

LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})
_PICTURES: Final = 64
_FACTS: Final = 512
_KEY: Final[ContextVar[str]] = ContextVar("key of the form that is being stored", default="")


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
        announce: Told of every new pairing code.
        clock: Seconds that only go forward; for the pairing code.
    """

    book: Book
    plugged: Plugged
    who: str
    key: bytes
    shared: bool = False
    read_only: bool = False
    hosts: frozenset[str] = LOOPBACK
    address: str = ""
    announce: Callable[[str], None] = _quiet
    clock: Callable[[], float] = time.monotonic


@dataclass
class Bench:
    """One running page: how it is served, and what it remembers."""

    serving: Serving
    pictures: Remembered[bytes] = field(default_factory=lambda: Remembered(_PICTURES))
    facts: Remembered[Any] = field(default_factory=lambda: Remembered(_FACTS))
    _said: Remembered[str] = field(default_factory=lambda: Remembered(_FACTS))

    def __post_init__(self) -> None:
        self.code = PairingCode(self.serving.clock, self.serving.announce)
        self.held = Held(self.serving.clock)

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

    def keep_words(self, words: str) -> str:
        """Keep what is to be said on the next page; returns a word to find it by.

        The words themselves never travel in an address: anybody could write one.
        """
        token = secrets.token_urlsafe(9)
        self._said.get(token, lambda: words)
        return token

    def words_of(self, token: str) -> str:
        """Return what was kept; empty where it is gone, or never was."""
        return self._said.get(token, str) if token else ""

    def of_state(self, what: Hashable, make: Callable[[], T], state: str = "") -> T:
        """Return an answer that hangs on the book alone; made anew only after something was written.

        Args:
            what: What is answered.
            make: Makes the answer.
            state: Of the book, where it was asked for already; an older one is never wrong, only older.
        """
        found: T = self.facts.get((state or state_of(self.book), what), make)
        return found
