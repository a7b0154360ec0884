"""Files that were sent and looked at, held for their sender until they are kept or time is up.

A browser never sends a chosen file a second time by itself: without this, whoever looks at a log before
keeping it would have to find it among the phone's files again.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from tracker.web.uploads import MOST_RECORDING

MOST_BYTES: Final = 2 * MOST_RECORDING
MOST_S: Final = 3600.0


@dataclass(frozen=True)
class HeldFile:
    """A file with its plain name, and who sent it."""

    name: str
    data: bytes
    sid: str
    at_s: float


class Held:
    """Files by a word that only their sender is told; the oldest go when there is no more room.

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

    def _clear(self) -> None:
        """Let go of what is too old, and of the oldest while it is too much."""
        late = self._clock() - MOST_S
        size = sum(len(each.data) for each in self._files.values())
        while self._files:
            first = next(iter(self._files.values()))
            if first.at_s >= late and size <= MOST_BYTES:
                return
            self._files.popitem(last=False)
            size -= len(first.data)
