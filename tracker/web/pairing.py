"""The short code by which a device is let in, and how often it may be tried."""

from __future__ import annotations

import secrets
import threading
from collections import defaultdict, deque
from collections.abc import Callable
from typing import Final

from tracker.errors import Refused
from tracker.ids import BOOK_ALPHABET

LENGTH: Final = 6
"""31 characters to choose from, six of them: 890 million codes."""

LASTS_S: Final = 15 * 60
_WINDOW_S: Final = 10 * 60
_MOST_OF_ONE: Final = 5
_MOST_OF_ALL: Final = 20
"""Wrong tries in ten minutes, of one address and of all: to guess a code takes some thousand years."""


class TooManyTriesError(Refused):
    """Wrong codes came too often."""


class WrongCodeError(Refused):
    """The code is not the one that stands on the bench's screen, or it has run out."""


class PairingCode:
    """The code that holds now. It serves once, and a quarter of an hour.

    Args:
        clock: Seconds that only go forward.
        announce: Told of every new code, to show it at the bench.
    """

    def __init__(self, clock: Callable[[], float], announce: Callable[[str], None]) -> None:
        self._clock = clock
        self._announce = announce
        self._lock = threading.Lock()
        self._tries: dict[str, deque[float]] = defaultdict(deque)
        self._code = ""
        self._until = 0.0

    def current(self) -> str:
        """Return the code that holds; a new one where the last has run out."""
        with self._lock:
            return self._current()

    def _current(self) -> str:
        if self._clock() >= self._until:
            self._renew()
        return self._code

    def _renew(self) -> None:
        self._code = "".join(secrets.choice(BOOK_ALPHABET) for _ in range(LENGTH))
        self._until = self._clock() + LASTS_S
        self._announce(self._code)

    def use(self, typed: str, address: str) -> None:
        """Use the code up.

        Args:
            typed: Lower case, blanks and dashes are forgiven.
            address: Of the device that asks.

        Raises:
            TooManyTriesError: Too many wrong ones came before; this one was not looked at.
            WrongCodeError: It is not the code.
        """
        with self._lock:
            self._refuse_often(address)
            plain = "".join(typed.split()).replace("-", "").upper()
            right = secrets.compare_digest(plain.encode(), self._current().encode())
            if not right:
                for whom in (address, ""):
                    self._tries[whom].append(self._clock())
                raise WrongCodeError(
                    "That is not the code", do="Read it again from the bench's screen; it changes when used"
                )
            self._renew()

    def _refuse_often(self, address: str) -> None:
        since = self._clock() - _WINDOW_S
        for whom in list(self._tries):
            tries = self._tries[whom]
            while tries and tries[0] < since:
                tries.popleft()
            if not tries:
                del self._tries[whom]
        too_often = (
            len(self._tries.get(address, ())) >= _MOST_OF_ONE or len(self._tries.get("", ())) >= _MOST_OF_ALL
        )
        if too_often:
            raise TooManyTriesError("Too many wrong codes came", do="Wait ten minutes, then type the new one")
