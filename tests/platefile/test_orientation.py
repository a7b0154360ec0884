"""Letters and words for how a piece lies (ISO/ASTM 52921, now ISO/ASTM 17295)."""

from __future__ import annotations

import math

import pytest

from tracker.errors import Refused
from tracker.orientation import checked_letters
from tracker.platefile import NOTATIONS, orientation


@pytest.mark.parametrize(
    ("size", "letters", "plain"),
    [
        ((10, 4, 150), "ZXY", "upright"),
        ((4, 10, 150), "ZYX", "upright"),
        ((170, 4, 20), "XZY", "on edge"),
        ((4, 170, 20), "YZX", "on edge"),
        ((170, 20, 4), "XYZ", "flat"),
        ((20, 170, 4), "YXZ", "flat"),
        ((80, 10, 10), "X", "flat"),
        ((10, 80, 10), "Y", "flat"),
        ((10, 10, 80), "Z", "upright"),
    ],
)
def test_straight_pieces(size: tuple[float, float, float], letters: str, plain: str) -> None:
    """The axes by falling length; one letter where the two shorter dimensions are alike."""
    found = orientation(size)

    assert (found.letters, found.plain, found.rotation_deg) == (letters, plain, 0)


@pytest.mark.parametrize("size", [(20, 20, 20), (20, 22, 19), (5.01, 5.0, 5.0)])
def test_cubes_have_no_axis(size: tuple[float, float, float]) -> None:
    """Sides that differ by less than a fifth prefer no axis."""
    found = orientation(size)

    assert (found.letters, found.plain) == ("", "no preferred axis")


def test_square_plate_is_flat_and_its_order_a_choice() -> None:
    """Two long sides alike: the letters are given with a note."""
    found = orientation((60, 60, 4))

    assert (found.letters, found.plain) == ("XYZ", "flat")
    assert "choice" in found.note


def test_plate_standing_on_its_edge() -> None:
    """A plate hardly higher than long stands on edge; it is not upright."""
    assert orientation((60, 4, 62)).plain == "on edge"


def test_bar_at_45_degrees_is_no_square() -> None:
    """With its rectangle known, a bar across the plate keeps its letters and gets a turn."""
    found = orientation((64, 64, 4), 45.0, (80, 10))

    assert (found.letters, found.plain, found.rotation_deg) == ("XYZ", "flat", 45.0)
    assert found.text == "XYZ C45 (flat)"


@pytest.mark.parametrize("angle", [15.0, 30.0, 60.0, -40.0])
def test_sides_of_an_askew_bar_from_its_box(angle: float) -> None:
    """Without the rectangle, length and width follow from box and angle."""
    c, s = abs(math.cos(math.radians(angle))), abs(math.sin(math.radians(angle)))
    found = orientation((80 * c + 10 * s, 80 * s + 10 * c, 4), angle)

    assert (found.letters, found.rotation_deg) == ("XYZ", angle)


@pytest.mark.parametrize(("angle", "letters"), [(1.0, "XYZ"), (-2.0, "XYZ")])
def test_a_few_degrees_are_straight(angle: float, letters: str) -> None:
    """Less than three degrees is a bar that lies straight."""
    found = orientation((80, 11, 4), angle, (80, 10))

    assert (found.letters, found.rotation_deg) == (letters, 0)


def test_fifteen_notations() -> None:
    """Six permutations, six ordered pairs, three letters, all different."""
    assert len(set(NOTATIONS)) == 15


@pytest.mark.parametrize("letters", NOTATIONS)
def test_each_notation_is_accepted_in_either_case(letters: str) -> None:
    """Letters are read in either case and given back in capitals."""
    assert checked_letters(f" {letters.lower()} ") == letters


@pytest.mark.parametrize("letters", ["XX", "XYX", "ZZ", "XYZX", "A", "XA", "45", "ZX+45", "", "X Y"])
def test_anything_else_is_refused(letters: str) -> None:
    """The refusal shows what was given and what would do."""
    with pytest.raises(Refused, match="is no orientation"):
        checked_letters(letters)
