"""The short form of ``python -m tests.bench_why``: few books, wide margins, the same code."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench_why import WORLDS, false_claims, follow, never_a_single_cause, score, tally
from tests.why.simulated import one_stands_out

# Sixty intervals scatter by three per cent about their coverage; three such deviations are allowed here.
_SLACK = 0.09


@pytest.mark.parametrize("world", WORLDS)
@pytest.mark.parametrize("history", [0, 12])
def test_intervals_cover_the_truth(world: str, history: int) -> None:
    """95 % intervals cover about 95 % of truths, or more where little is known."""
    counts = tally(WORLDS[world], history, 20, 900)
    assert counts.covered / counts.intervals >= 0.95 - _SLACK


def test_largest_cause_is_ranked_first() -> None:
    """With twelve earlier plates the largest cause is ranked first in nearly all books."""
    assert tally(one_stands_out, 12, 20, 901).first >= 18


def test_three_changed_together_are_named() -> None:
    """Without earlier plates never a single cause, always the group."""
    assert all(line.holds for line in never_a_single_cause(8))


def test_noise_alone_is_seldom_claimed() -> None:
    """A and B differ by noise alone: hardly ever claimed."""
    for line in false_claims(6):
        assert float(line.found.split("%")[0]) <= 20


def test_follow_up_names_the_cause_more_often_than_a_guess_with_no_more_plates_than_allowed() -> None:
    """Three factors changed together, nothing printed before: a guess among them would name two of six.

    How often it does in many books the bench counts (``python -m tests.bench_why``).
    """
    rng = np.random.default_rng(6)
    ended = [follow(rng, one_stands_out(rng, 0.0), {"nozzle_c", "fan_pct", "spool"}, 2) for _ in range(6)]
    assert all(end.plates <= 2 for end in ended)
    assert sum(end.first for end in ended) > 2


@pytest.mark.parametrize(
    "world", ["unrecorded on B, 30 earlier, 3 + 3", "interaction", "null, heavy-tailed plates", "clean"]
)
def test_books_that_break_the_assumptions(world: str) -> None:
    """Neither a wrong single cause nor a contradiction, and the total within its interval in most books."""
    counts = score(world, 6)
    assert counts.wrong == 0
    assert counts.contradictions == 0
    assert counts.covered >= 5
