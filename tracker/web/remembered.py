"""What is worth keeping between requests: pictures and facts by what they were made from, writes by key."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

T = TypeVar("T")


class Remembered(Generic[T]):
    """The newest answers by what they were made from; the least used goes first.

    Args:
        most: How many are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, T] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what was made from ``key``, made now where it never was.

        Two that ask at once may both make it: that costs time and is never wrong.
        """
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        made = make()
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made


@dataclass
class _Doing:
    lock: threading.Lock = field(default_factory=threading.Lock)
    where: str = ""


class Once:
    """Writes that came under a key are done once, however often the key comes.

    Args:
        most: How many keys are kept; they end with the process. Measurements, which matter most, keep
            theirs in the book.
    """

    def __init__(self, most: int = 2000) -> None:
        self._doings: Remembered[_Doing] = Remembered(most)

    def do(self, key: str, act: Callable[[], str]) -> str:
        """Do an act, or return what it returned when the key came first.

        A refused act leaves no trace: the key may come again with better answers.
        """
        if not key:
            return act()
        doing = self._doings.get(key, _Doing)
        with doing.lock:
            if not doing.where:
                doing.where = act()
            return doing.where
