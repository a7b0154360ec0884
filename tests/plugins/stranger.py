"""A stranger's plugin, good and bad, for the tests of the manager."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from types import SimpleNamespace
from typing import Annotated, Any

from pydantic import Field

from tracker.api import Method, Outcome, Piece, Quantity, Reading, Readings, hookimpl


class GoodReadings(Readings):
    """One length."""

    size: Annotated[float, Reading("mm", "size", resolution=0.1), Field(gt=0)]


class Good(Method):
    """A method that answers what it was told to."""

    id = "good"
    title = "Good"
    version = "1"
    standard = "None. Departures: all."
    Readings = GoodReadings
    quantities = (Quantity("good.size", "mm"), Quantity("good.area", "mm^2"))

    def __init__(self, answer: Callable[[Any], Iterable[Any]] | None = None) -> None:
        self.answer = answer

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer by the given function, or with the size and its square."""
        del piece
        if self.answer is not None:
            return self.answer(readings)
        return [Outcome("good.size", readings.size), Outcome("good.area", readings.size**2)]


def offering(*methods: Any) -> SimpleNamespace:
    """Return a plugin that offers methods."""

    @hookimpl
    def strandbook_methods() -> list[Any]:
        return list(methods)

    return SimpleNamespace(strandbook_methods=strandbook_methods)
