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
    """Proposed plates rank the true cause first in most books, and on average spare a plate."""
    lines = follow_up_plates(10)
    first = [float(line.found.rstrip("%")) for line in lines if "true cause first" in line.what]
    assert np.mean(first) >= 80
    assert sum(bool(line.holds) for line in lines if "printed" in line.what) >= len(lines) / 2 - 1


def test_follow_up_never_prints_more_than_allowed() -> None:
    """Three factors changed together and two plates allowed: two at most."""
    rng = np.random.default_rng(5)
    assert follow(rng, one_stands_out(rng), {"nozzle_c", "fan_pct", "spool"}, 2).plates <= 2
