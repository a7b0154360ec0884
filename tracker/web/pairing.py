"""The short codes by which devices are paired, and how often they may be tried."""

from __future__ import annotations

import ipaddress
import secrets
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from typing import Final

from tracker.desk.devices import ROLES, Role
from tracker.ids import BOOK_ALPHABET
from tracker.web.refusals import TooManyTriesError, WrongCodeError

LENGTH: Final = 8
"""31 characters to choose from, eight of them: 850 thousand million codes.

Long enough that no limit over all addresses is needed. Such a limit would let one stranger who guesses keep
everybody else from pairing; with one for each address alone, ten thousand of them would guess for 300 years.
"""

LASTS_S: Final = 15 * 60
_WINDOW_S: Final = 10 * 60
_MOST_OF_ONE: Final = 5
"""Wrong tries of one address in ten minutes."""

_MOST_ADDRESSES: Final = 10_000
"""Addresses whose tries are remembered; more would fill the memory."""


class PairingCodes:
    """The codes that hold now, one for each role. A code serves once, and a quarter of an hour.

    Args:
        clock: Seconds that only go forward.
        announce: Told of every new code for a device that keeps the book, to show it at the bench.
    """

    def __init__(self, clock: Callable[[], float], announce: Callable[[str], None]) -> None:
        self._clock = clock
        self._announce = announce
        self._lock = threading.Lock()
        self._tries: OrderedDict[str, deque[float]] = OrderedDict()
        self._codes: dict[Role, tuple[str, float]] = {}

    def current(self, role: Role = "keeps") -> str:
        """Return the code that holds for a role; a new one where the last has run out."""
        with self._lock:
            return self._current(role)

    def _current(self, role: Role) -> str:
        code, until = self._codes.get(role, ("", 0.0))
        return code if code and self._clock() < until else self._renew(role)

    def _renew(self, role: Role) -> str:
        code = "".join(secrets.choice(BOOK_ALPHABET) for _ in range(LENGTH))
        self._codes[role] = (code, self._clock() + LASTS_S)
        if role == "keeps":
            self._announce(code)
        return code

    def use(self, typed: str, address: str) -> Role:
        """Use a code up and return the role that it stands for.

        Args:
            typed: Lower case, blanks and dashes are forgiven.
            address: Of the device that asks.

        Raises:
            TooManyTriesError: Too many wrong ones came from this address before; this one was not looked at.
            WrongCodeError: It is no code that holds.
        """
        network = _network_of(address)
        with self._lock:
            tries = self._recent(network)
            if len(tries) >= _MOST_OF_ONE:
                raise TooManyTriesError(
                    "Too many wrong codes came from this device",
                    do="Wait ten minutes, then type the new one",
                )
            plain = "".join(typed.split()).replace("-", "").upper().encode("utf-8", "replace")
            # Every role is compared, whatever matched: how long it takes tells nothing.
            right = [role for role in ROLES if secrets.compare_digest(plain, self._current(role).encode())]
            if not right:
                tries.append(self._clock())
                raise WrongCodeError(
                    "That is not the code", do="Read it again from the bench's screen; it changes when used"
                )
            self._renew(right[0])
            return right[0]

    def _recent(self, network: str) -> deque[float]:
        tries = self._tries.setdefault(network, deque())
        self._tries.move_to_end(network)
        since = self._clock() - _WINDOW_S
        while tries and tries[0] < since:
            tries.popleft()
        while len(self._tries) > _MOST_ADDRESSES:
            self._tries.popitem(last=False)
        return tries


def _network_of(address: str) -> str:
    """Return what one sender cannot easily change: an IPv4 address, or the first half of an IPv6 one."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if found.version == 4 or found.is_link_local:  # noqa: PLR2004 - the version of the protocol
        return str(found)
    return str(ipaddress.ip_network((found, 64), strict=False))
