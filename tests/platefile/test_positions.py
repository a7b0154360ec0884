"""Columns of words followed: what holds, what adds up, and runs of what stays the same."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tracker.platefile.motion import runs
from tracker.platefile.path import followed, held

columns = st.lists(st.one_of(st.none(), st.integers(-99, 99).map(float)), min_size=1, max_size=40)


def one_by_one(values: list[float | None], before: float) -> list[float]:
    """Return what holds after each row."""
    found = []
    for value in values:
        before = before if value is None else value
        found.append(before)
    return found


def column(values: list[float | None]) -> np.ndarray:
    """Return values as a column, NaN where there is none."""
    return np.array([math.nan if value is None else value for value in values])


@given(columns)
@example([None] + [1.0] * 9)
@example([1.0] * 5 + [None] + [2.0] * 9)
@example([1.0] * 9)
@example([None] * 3)
def test_the_last_value_holds(values: list[float | None]) -> None:
    """Whether gaps are few or many, each row has its own value or the one above."""
    found = column(values)

    assert held(found, ~np.isnan(found), 7.0).tolist() == one_by_one(values, 7.0)


@given(columns)
def test_increments_add_up(values: list[float | None]) -> None:
    """In relative rows what is there is added; where nothing stands, nothing is."""
    found = column(values)
    reached = followed(found, ~np.isnan(found), relative=True, before=7.0)

    assert reached.tolist() == pytest.approx((7 + np.cumsum([value or 0.0 for value in values])).tolist())


@given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 2)), min_size=1, max_size=30))
def test_runs_begin_where_anything_changes(rows: list[tuple[int, int]]) -> None:
    """A run ends with the first row that differs in any column."""
    first, second = (np.array(one) for one in zip(*rows, strict=True))

    assert runs(first, second).tolist() == [n for n, row in enumerate(rows) if not n or row != rows[n - 1]]
