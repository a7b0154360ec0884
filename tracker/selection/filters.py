"""Filters as people type them: ``material=PETG-2 orientation=Z job="PETG-2 Z 1" nozzle_c>260``.

An orientation is asked for by its first letters, or in words: ``orientation=Z`` holds of ZXY and ZYX,
``orientation=upright`` of the same, ``orientation='on edge'`` of every piece whose second letter is Z.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from tracker.errors import Refused
from tracker.orientation import OrientationError, asked_for, orientation_matches

_TERM: Final = re.compile(
    r"^(?P<name>[A-Za-z][A-Za-z0-9_.]*)(?P<sign>!=|>=|<=|=|>|<)(?P<value>.*)$", re.DOTALL
)


ORIENTATION: Final = "orientation"


class FilterError(Refused, ValueError):
    """A text is no filter."""


@dataclass(frozen=True)
class Term:
    """One condition.

    Attributes:
        name: What is asked of: material, orientation, job, or any factor.
        sign: ``=``, ``!=``, ``<``, ``<=``, ``>``, ``>=``.
        value: As typed.
    """

    name: str
    sign: str
    value: str

    def __str__(self) -> str:
        """The term as it may be typed again."""
        return f"{self.name}{self.sign}{shlex.quote(self.value) if ' ' in self.value else self.value}"

    def holds(self, known: Any) -> bool:
        """Whether a known value fulfils the term; what is not recorded fulfils none but ``!=``.

        Words are compared without regard to capitals; numbers as numbers where both are.
        """
        if known is None:
            # Not recorded is not equal to anything: a piece of unknown nozzle temperature is neither above
            # nor below 260.
            return self.sign == "!="
        if self.name == ORIENTATION:
            return orientation_matches(str(known), asked_for(self.value)) is (self.sign == "=")
        number, wanted = _number(known), _number(self.value)
        if number is not None and wanted is not None:
            return bool(_COMPARED[self.sign](number, wanted))
        recorded, asked = str(known).casefold(), self.value.casefold()
        if self.sign in ("=", "!="):
            return (recorded == asked) is (self.sign == "=")
        # Words have no order a person could rely on: "lot>B" is answered by nothing rather than by the
        # alphabet.
        return False


_COMPARED: Final = {
    "=": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b,
}


def _number(value: Any) -> float | None:
    if isinstance(value, bool):
        return None
    try:
        return float(value)
    except (TypeError, ValueError):
        return None


@dataclass(frozen=True)
class Filter:
    """Conditions that must all hold."""

    terms: tuple[Term, ...]

    def __str__(self) -> str:
        """The filter as it may be typed again."""
        return " ".join(map(str, self.terms))

    def names(self) -> frozenset[str]:
        """Return what is asked of."""
        return frozenset(term.name for term in self.terms)

    def holds(self, known: Mapping[str, Any]) -> bool:
        """Whether all terms hold of what is known."""
        return all(term.holds(known.get(term.name)) for term in self.terms)


def parse_filter(text: str) -> Filter:
    """Return the filter that a text says; values with blanks stand in quotes.

    Raises:
        FilterError: A word is no condition, or a quote is not closed.
    """
    try:
        # The quoting people know from the shell, as the same filter is typed on the page and on the command
        # line.
        words = shlex.split(text)
    except ValueError as error:
        raise FilterError(f"{text!r} is no filter", why=str(error).lower(), do="Close the quote") from error
    terms = []
    for word in words:
        match = _TERM.match(word)
        if match is None:
            raise FilterError(
                f"{word!r} is no condition", do='Write name=value, as in material=X job="X Z 1" nozzle_c>260'
            )
        terms.append(_checked(Term(match["name"], match["sign"], match["value"])))
    return Filter(tuple(terms))


def _checked(term: Term) -> Term:
    """Return a term that can be answered.

    Raises:
        FilterError: It asks for an orientation that there is none of, or for more of one.
    """
    if term.name != ORIENTATION:
        return term
    if term.sign not in ("=", "!="):
        raise FilterError(f"{term} is no condition", why="no orientation is more than another", do="Write =")
    try:
        asked_for(term.value)
    except OrientationError as error:
        raise FilterError(error.what, do=error.do) from error
    return term
