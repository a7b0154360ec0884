"""What was probably meant."""

from __future__ import annotations

from tracker.errors import close_names, did_you_mean

NAMES = ("tensile.strength", "tensile.modulus", "shear.strength")


def test_a_slip_finds_the_name() -> None:
    """Letters swapped, capitals wrong."""
    assert close_names("Tensile.Stregnth", NAMES)[0] == "tensile.strength"


def test_a_part_finds_all_names_that_hold_it() -> None:
    """Nobody remembers which method a quantity is of."""
    assert close_names("modulus", NAMES) == ["tensile.modulus"]


def test_what_is_like_nothing_gets_other_advice() -> None:
    """No name is forced upon anybody."""
    assert did_you_mean("qqq", NAMES, "strandbook methods") == "strandbook methods"
    assert did_you_mean("shear.strenght", NAMES).startswith("Did you mean shear.strength")
