"""Numbers for values that recur, so that arrays can carry them."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)


class Numbering(Generic[Key]):
    """Numbers for values in the order they first appear."""

    def __init__(self) -> None:
        self.values: list[Key] = []
        self._numbers: dict[Key, int] = {}

    def __call__(self, value: Key) -> int:
        """Return the value's number, giving it one if it is new."""
        number = self._numbers.get(value)
        if number is None:
            number = self._numbers[value] = len(self.values)
            self.values.append(value)
        return number
