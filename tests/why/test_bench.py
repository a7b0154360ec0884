"""The short form of ``python -m tests.bench_why``: few books, wide margins, the same code."""

from __future__ import annotations

import pytest

from tests.bench_why import (
    SEEDS,
    WORLDS,
    books_of,
    follow,
    never_a_single_cause,
    one_at_a_time,
    score,
    tally,
    watched,
)
from tests.why.simulated import deviating, one_stands_out

_CHANGED = {"nozzle_c", "fan_pct", "spool"}


@pytest.mark.parametrize(("world", "history"), [("one stands out", 0), ("effects as the prior has them", 12)])
def test_intervals_cover_the_truth(world: str, history: int) -> None:
    """95 % intervals cover about 95 % of truths, or more where little is known.

    Thirty intervals scatter by four per cent about their coverage; three such deviations are allowed.
    """
    counts = tally(WORLDS[world], history, 15, books_of("tune", 900))
    assert counts.covered / counts.intervals >= 0.95 - 0.12


def test_largest_cause_is_ranked_first() -> None:
    """With twelve earlier plates the largest cause is ranked first in nearly all books."""
    assert tally(one_stands_out, 12, 15, books_of("tune", 901)).first >= 13


def test_three_changed_together_are_named() -> None:
    """Without earlier plates never a single cause, always the group."""
    assert all(line.holds for line in never_a_single_cause(6, "tune"))


def test_follow_up_finds_the_cause_with_fewer_plates_than_one_factor_at_a_time() -> None:
    """Three changed together, nothing printed before: the true cause first in at least seven of eight books.

    One factor at a time prints three plates in each; a guess would be right in three of eight.
    """
    rng = books_of("tune", 902)
    ended = []
    for _ in range(8):
        world = one_stands_out(rng, 0.0)
        main = max(world.effect, key=lambda name: abs(world.effect[name]))
        ended.append(follow(rng, world, deviating(rng, 3, main), 3))
    assert sum(end.first for end in ended) >= 7
    assert sum(end.plates for end in ended) <= 0.85 * 3 * len(ended)


def test_one_factor_at_a_time_prints_a_plate_for_each() -> None:
    """What the follow-up is compared with: one plate a factor, the largest gap from A named."""
    rng = books_of("tune", 903)
    ended = [one_at_a_time(rng, one_stands_out(rng, 0.0), _CHANGED) for _ in range(20)]
    assert {end.plates for end in ended} == {3}


@pytest.mark.parametrize(
    ("world", "claimed"),
    [
        ("unrecorded on B, 30 earlier, 3 + 3", (5, 8)),
        ("interaction", (4, 8)),
        ("null, heavy-tailed plates", (0, 1)),
        ("null, no earlier", (0, 1)),
        ("clean", (5, 8)),
    ],
)
def test_books_that_break_the_assumptions(world: str, claimed: tuple[int, int]) -> None:
    """A difference claimed where there is one, no wrong single cause, no contradiction, the total covered."""
    counts = score(world, 8)
    assert claimed[0] <= counts.claimed <= claimed[1]
    assert counts.wrong == 0
    assert counts.contradictions == 0
    assert counts.covered >= 6
    assert counts.right >= (5 if world == "clean" else 0)


def test_clean_books_are_answered_by_their_cause() -> None:
    """With 30 earlier plates the true cause stands alone in nearly all."""
    assert score("clean, 30 earlier", 6).right >= 5


def test_watch_shows_what_is_wrong_and_little_else() -> None:
    """Of twenty quiet books at most two show a line; a rig that reads 6 % high shows in nearly all."""
    lines = {line.what: float(line.found.split("%")[0]) for line in watched(20, "tune", (20,))}
    assert lines["watch, 20 plates, nothing wrong: any line"] <= 10
    assert lines["watch, 24 plates, rig 6 % high: any line"] >= 90
    assert lines["watch, 24 plates, step of 8 %: any line"] >= 75


def test_reported_books_are_not_those_of_tuning() -> None:
    """The figures that are reported come from books that nothing was chosen on."""
    assert books_of("report", 1).normal() != books_of("tune", 1).normal()
    assert len(set(SEEDS.values())) == len(SEEDS)
