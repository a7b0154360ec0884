"""Strain at a mark of time, from readings alone."""

from __future__ import annotations

import math

from tracker_methods.creep import strain_at

from tests.api.close import approx


def test_of_two_readings_near_a_mark_the_nearer_is_taken() -> None:
    """A quarter of an hour late is nearer to 24 h than half an hour early."""
    assert strain_at(24.0, [(23.6, 0.010), (24.2, 0.011)]) == (0.011, "Read at 24.2 h.")


def test_between_readings_strain_runs_straight_over_the_logarithm_of_time() -> None:
    """Half-way between 1 h and 100 h lies 10 h."""
    found = strain_at(10.0, [(1.0, 0.010), (100.0, 0.014)])
    assert found is not None
    assert found[0] == approx(0.012)


def test_neighbours_are_those_next_to_the_mark() -> None:
    """Readings further off do not bend the line."""
    found = strain_at(10.0, [(0.1, 0.001), (5.0, 0.010), (20.0, 0.012), (1000.0, 0.1)])
    assert found is not None
    assert found[0] == approx(0.010 + 0.002 * math.log(2) / math.log(4))


def test_a_mark_beyond_the_readings_has_no_strain() -> None:
    """Before the first and after the last nothing is known."""
    strains = [(1.0, 0.010), (10.0, 0.012)]
    assert (strain_at(0.5, strains), strain_at(24.0, strains)) == (None, None)
