"""A programme as its TOML says it: method × way of lying × replicates."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final

from tracker.errors import Refused
from tracker.orientation import checked_letters, in_words

_LIES: Final = ("flat", "on edge", "upright", "")
_KEYS: Final = frozenset({"method", "lie", "orientation", "replicates"})
_MOST: Final = 1000


class ProgrammeError(Refused, ValueError):
    """A text is no programme."""


@dataclass(frozen=True)
class WantedTest:
    """One line of a programme.

    Attributes:
        method: Id of the method.
        lie: ``flat``, ``on edge``, ``upright``, or empty where it does not matter.
        orientation: Letters where they must be exact; else None.
        replicates: How many counted results it takes.
    """

    method: str
    lie: str
    orientation: str | None
    replicates: int

    def fits(self, orientation: str | None) -> bool:
        """Whether a piece of an orientation serves it."""
        if self.orientation is not None:
            return orientation == self.orientation
        # A piece of unknown orientation serves no line that asks for one: an upright bar taken for a flat
        # one is the largest error there is.
        return not self.lie or (orientation is not None and in_words(orientation) == self.lie)

    @property
    def way(self) -> str:
        """The letters, or the way of lying, or "any"."""
        return self.orientation or self.lie or "any"


@dataclass(frozen=True)
class Programme:
    """A programme.

    Attributes:
        name: What it is called.
        conditioning_h: Hours from the end of a print to its first test.
        tests: Its lines.
    """

    name: str
    conditioning_h: float
    tests: tuple[WantedTest, ...]


def read_programme(text: str) -> Programme:
    """Return the programme that a TOML text says.

    Raises:
        ProgrammeError: It is no TOML, or a key or value is not what it should be.
    """
    try:
        said = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ProgrammeError("The programme is no TOML", why=str(error)) from error
    # A misspelt key would else be passed over, and the programme would want less than its author meant.
    strangers = set(said) - {"name", "conditioning_h", "test"}
    if strangers:
        raise ProgrammeError(
            f"{', '.join(sorted(strangers))}: unknown", do="There are name, conditioning_h, [[test]]"
        )
    name, hours = said.get("name"), said.get("conditioning_h", 0.0)
    if not isinstance(name, str) or not name.strip():
        raise ProgrammeError("The programme has no name", do='Begin it with name = "…"')
    if not isinstance(hours, int | float) or isinstance(hours, bool) or not 0 <= hours < 10_000:  # noqa: PLR2004 - a year
        raise ProgrammeError(f"conditioning_h = {hours!r} is no number of hours")
    tests = tuple(_test(number, each) for number, each in enumerate(said.get("test", ()), start=1))
    if not tests:
        raise ProgrammeError("The programme has no tests", do="Add [[test]] with method, lie and replicates")
    return Programme(name.strip(), float(hours), tests)


def _test(number: int, said: Any) -> WantedTest:
    where = f"test {number}"
    if not isinstance(said, dict) or set(said) - _KEYS:
        raise ProgrammeError(f"{where}: unknown keys", do=f"There are {', '.join(sorted(_KEYS))}")
    method, lie, count = said.get("method"), said.get("lie", ""), said.get("replicates", 1)
    if not isinstance(method, str) or not method:
        raise ProgrammeError(f"{where} has no method")
    if lie not in _LIES:
        raise ProgrammeError(f"{where}: lie = {lie!r}", do="Say flat, on edge, upright, or nothing")
    if not isinstance(count, int) or isinstance(count, bool) or not 1 <= count <= _MOST:
        raise ProgrammeError(f"{where}: replicates = {count!r} is no count from 1 to {_MOST}")
    letters = said.get("orientation")
    return WantedTest(method, lie, checked_letters(str(letters)) if letters else None, count)


def usual() -> Programme:
    """Return the programme that comes with the program."""
    return read_programme(resources.files("tracker.programme").joinpath("usual.toml").read_text("utf-8"))
