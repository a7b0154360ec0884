"""The short form of ``python -m tests.bench_why``: few books, wide margins, the same code."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench_why import WORLDS, false_claims, follow, follow_up_plates, never_a_single_cause, tally
from tests.why.simulated import one_stands_out

# Fifty books scatter by three per cent about their coverage; three such deviations are allowed here.
_SLACK = 0.09


@pytest.mark.parametrize("world", WORLDS)
@pytest.mark.parametrize("history", [0, 2, 12])
def test_intervals_cover_the_truth(world: str, history: int) -> None:
    """95 % intervals cover about 95 % of truths, or more where little is known."""
    counts = tally(WORLDS[world], history, 40, 900)
    assert counts.covered / counts.intervals >= 0.95 - _SLACK


def test_largest_cause_is_ranked_first() -> None:
    """With twelve earlier plates the largest cause is ranked first in nearly all books."""
    counts = tally(one_stands_out, 12, 40, 901)
    assert counts.first >= 37


def test_three_changed_together_are_named() -> None:
    """Without earlier plates never a single cause, always the group."""
    assert all(line.holds for line in never_a_single_cause(25))


def test_noise_alone_is_seldom_claimed() -> None:
    """A and B differ by noise alone: hardly ever claimed."""
    for line in false_claims(20):
        assert float(line.found.split("%")[0]) <= 20


def test_follow_up_finds_the_cause() -> None:
    """Proposed plates rank the true cause first in most books, with at most one plate less than factors."""
    for line in follow_up_plates(12):
        if "plates printed" in line.what:
            assert "at most" in line.found
        else:
            assert float(line.found.rstrip("%")) >= 70


def test_follow_up_never_prints_more_than_one_at_a_time_would() -> None:
    """Three factors changed together take two plates at most."""
    rng = np.random.default_rng(5)
    world = one_stands_out(rng)
    assert follow(rng, world, {"nozzle_c", "fan_pct", "spool"}).plates <= 2
