"""Speed of one whole answer to "why", beside the least any program must do with the same results."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from tests.bench._row import Row
from tests.why.simulated import large_problem
from tracker.why import Problem, answer

_ROUNDS = 5


def rows() -> list[Row]:
    """Return the rows of this room: 1,000 and 10,000 results of 30 factors."""
    return [_row(1_000, "< 0.3 s"), _row(10_000, "< 2 s")]


def _row(results: int, goal: str) -> Row:
    asked = large_problem(results, 30)
    ours, floor = float("inf"), float("inf")
    for _ in range(_ROUNDS):
        ours = min(ours, _seconds(lambda: answer(asked)))
        floor = min(floor, _seconds(lambda: _one_least_squares(asked)))
    note = "floor: read the same numbers out of the results and fit them once by least squares"
    return Row(f"why: one answer, {results:,} results × 30 factors", ours, floor, goal, note=note)


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _one_least_squares(asked: Problem) -> object:
    names = [factor.name for factor in asked.factors if factor.kind == "number"]
    x = np.array([[o.factors.get(name) for name in names] for o in asked.observations], dtype=np.float64)
    y = np.log([o.value for o in asked.observations])
    return np.linalg.lstsq(np.nan_to_num(x), y - y.mean(), rcond=None)[0]
