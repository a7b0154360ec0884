"""Orientation as people ask for it."""

from __future__ import annotations

import pytest

from tracker.orientation import (
    NOTATIONS,
    OrientationError,
    asked_for,
    checked_letters,
    in_words,
    orientation_matches,
)


@pytest.mark.parametrize("letters", ["Z", "ZX", "ZXY", "ZYX"])
def test_a_single_letter_asks_for_the_first(letters: str) -> None:
    """Z means every piece that stands on end, whatever its other letters."""
    assert orientation_matches(letters, asked_for("z"))
    assert not orientation_matches("XZY", asked_for("Z"))


def test_two_letters_leave_no_choice_for_the_third() -> None:
    """ZX and ZXY are one orientation."""
    assert orientation_matches("ZX", asked_for("ZXY"))
    assert orientation_matches("ZXY", asked_for("ZX"))
    assert not orientation_matches("ZYX", asked_for("ZX"))


@pytest.mark.parametrize(
    ("typed", "letters"),
    [("flat", "YX"), ("Upright", "ZYX"), ("on edge", "YZX"), ("on-edge", "XZ"), ("edge", "XZY")],
)
def test_words_ask_for_an_orientation(typed: str, letters: str) -> None:
    """Upper and lower case, with blank or dash."""
    assert orientation_matches(letters, asked_for(typed))


@pytest.mark.parametrize(
    ("letters", "words"),
    [
        ("XYZ", "flat"), ("YXZ", "flat"), ("XY", "flat"), ("X", "flat"), ("XZY", "on edge"),
        ("YZ", "on edge"), ("ZXY", "upright"), ("Z", "upright"), (None, "not recorded"), ("", "not recorded"),
    ],
)  # fmt: skip
def test_letters_are_put_into_words(letters: str | None, words: str) -> None:
    """By the place of Z, the axis across the bed: longest, middle or shortest (ISO/ASTM 52921:2013)."""
    assert in_words(letters) == words


@pytest.mark.parametrize("letters", sorted(NOTATIONS))
def test_every_orientation_is_found_by_its_own_letters(letters: str) -> None:
    """What was entered can be asked for."""
    assert orientation_matches(checked_letters(letters), asked_for(letters.lower()))


@pytest.mark.parametrize("typed", ["", "W", "ZZ", "ZXW", "standing"])
def test_unknown_letters_are_refused(typed: str) -> None:
    """With what can be asked for."""
    with pytest.raises(OrientationError, match="first letters"):
        asked_for(typed)
