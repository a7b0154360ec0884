"""Tests of the example plugin: one of its own, and those that every method must pass."""

from collections.abc import Callable

import pytest
from tracker.api import Method, testing

from hardness_example import Hardness


def test_the_mean_of_the_points_is_the_hardness() -> None:
    """Three points, one mean."""
    assert testing.values(Hardness(), {"points": "70 72 74"})["shored.mean"] == 72.0


def test_a_thin_piece_is_remarked_on() -> None:
    """The support under a thin piece is felt by the needle."""
    found = testing.outcomes(Hardness(), {"points": "70", "thickness": 2})
    assert found["shored.mean"].remarks == ("Thinner than 4 mm: the support is felt.",)


@pytest.mark.parametrize("check", testing.CHECKS)
def test_like_every_method(check: Callable[[Method], None]) -> None:
    """What strandbook asks of every method."""
    check(Hardness())
