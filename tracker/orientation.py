"""Orientation letters by ISO/ASTM 52921:2013 (now ISO/ASTM 17295:2023), checked and put into words.

The first letter is the axis along which the piece is longest, the second that of its second longest
dimension, the third that of its shortest; letters that symmetry makes needless may be left out.
"""

from __future__ import annotations

import itertools
from typing import Final

from tracker.errors import Refused

AXES: Final = "XYZ"
NOTATIONS: Final = frozenset(
    "".join(letters) for count in (1, 2, 3) for letters in itertools.permutations(AXES, count)
)
"""Six permutations, six ordered pairs, three single axes."""

FLAT: Final = "flat"
ON_EDGE: Final = "on edge"
UPRIGHT: Final = "upright"

_WORDS: Final = {FLAT: "XYZ", ON_EDGE: "XZY", "edge": "XZY", UPRIGHT: "ZXY"}


class OrientationError(Refused, ValueError):
    """Letters that the notation does not know."""


def checked_letters(typed: str) -> str:
    """Return orientation letters in capitals; *flat*, *on edge* and *upright* are understood.

    Raises:
        OrientationError: It is none of the notation's fifteen forms.
    """
    word = " ".join(typed.split()).lower()
    letters = _WORDS.get(word, word.upper())
    if letters not in NOTATIONS:
        raise OrientationError(
            f"{typed!r} is no orientation",
            do="Give its axes from longest to shortest: XYZ (flat), XZY (on edge), ZXY (upright)",
        )
    return letters


def asked_for(typed: str) -> str:
    """Return what a question about orientation asks for: a word for the way of lying, or first letters.

    ``Z`` asks for every piece whose first letter is Z, whatever follows; ``ZX`` and ``ZXY`` for those that
    begin so. *flat*, *on edge* and *upright* ask for the way of lying.

    Raises:
        OrientationError: It is neither.
    """
    word = " ".join(typed.replace("-", " ").replace("_", " ").split()).lower()
    if word in _WORDS:
        return in_words(_WORDS[word])
    if word.upper() not in NOTATIONS:
        raise OrientationError(
            f"{typed!r} is no orientation",
            do="Ask for flat, 'on edge' or upright, or for first letters: Z, ZX, ZXY",
        )
    return word.upper()


def orientation_matches(letters: str, asked: str) -> bool:
    """Whether a piece of these letters is one that was asked for; see :func:`asked_for`."""
    if asked in (FLAT, ON_EDGE, UPRIGHT):
        return in_words(letters) == asked
    return _whole(letters).startswith(asked)


def _whole(letters: str) -> str:
    """Return all three letters where two were written, for they leave no choice for the third."""
    if len(letters) != len(AXES) - 1:
        return letters
    return letters + "".join(axis for axis in AXES if axis not in letters)


def oriented(letters: str | None) -> str:
    """Return an orientation in words, as a group of results is told by; empty where it is not recorded."""
    return in_words(letters) if letters else ""


def in_words(letters: str | None) -> str:
    """Return *flat*, *on edge* or *upright* for letters; "not recorded" for None.

    A piece stands upright when Z comes first, on edge when Z comes second.
    """
    if not letters:
        return "not recorded"
    place = letters.find("Z")
    # Two letters leave the third to be inferred; XY alone says that Z is the shortest.
    return {0: UPRIGHT, 1: ON_EDGE}.get(place, FLAT)
