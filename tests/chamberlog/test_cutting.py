"""Means over spans against plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.chamberlog.logs import elapsed
from tracker.chamberlog import cut
from tracker.errors import Refused


def test_the_mean_is_weighted_by_time() -> None:
    """Readings that crowd together do not weigh more."""
    log = elapsed([0, 1, 2, 3, 4, 50], [10, 10, 10, 10, 10, 56])
    assert cut(log, "chamber", [(0, 50)]).mean == pytest.approx((4 * 10 + 46 * 33) / 50)


def test_a_span_between_two_readings() -> None:
    """A layer shorter than the log's step has the value on the line between its readings."""
    found = cut(elapsed([0, 60], [20, 26]), "chamber", [(20, 30)])
    assert found.mean == pytest.approx(22.5)
    assert (found.low, found.high, found.readings) == (22.0, 23.0, 0)
    assert found.covered == 1.0


def test_least_and_greatest_are_of_the_span() -> None:
    """What happens outside the spans does not count."""
    found = cut(elapsed([0, 10, 20, 30], [99, 20, 30, -5]), "chamber", [(10, 20)])
    assert (found.low, found.high, found.readings) == (20.0, 30.0, 2)


def test_a_gap_is_not_bridged() -> None:
    """Over a gap nothing is covered, and nothing is made up."""
    found = cut(elapsed([0, 10, 500, 510], [20, 20, 90, 90]), "chamber", [(0, 510)])
    assert found.mean == pytest.approx(55.0)
    assert found.covered == pytest.approx(20 / 510)


def test_nothing_covered_gives_no_number() -> None:
    """Spans outside the log have no mean."""
    found = cut(elapsed([0, 10], [20, 21]), "chamber", [(100, 200)])
    assert (found.mean, found.low, found.readings, found.covered) == (None, None, 0, 0.0)


def test_half_covered_is_reported() -> None:
    """A span that reaches beyond the log says how much of it is covered."""
    found = cut(elapsed([0, 10], [20, 20]), "chamber", [(5, 15)])
    assert (found.mean, found.covered) == (20.0, 0.5)


def test_overlapping_spans_count_once() -> None:
    """Spans that overlap are joined."""
    log = elapsed([0, 10, 20], [0, 10, 20])
    assert cut(log, "chamber", [(0, 10), (5, 15)]) == cut(log, "chamber", [(0, 15)])


def test_a_moment_has_a_value() -> None:
    """A span without length is answered by the line through it."""
    found = cut(elapsed([0, 10], [20, 30]), "chamber", [(5, 5)])
    assert (found.mean, found.covered) == (25.0, 1.0)


def test_no_spans_no_numbers() -> None:
    """Without spans there is nothing to say."""
    assert cut(elapsed([0, 10], [20, 21]), "chamber", []).mean is None


def test_one_reading_alone() -> None:
    """A log of a single reading answers only for its moment."""
    log = elapsed([10], [20])
    assert cut(log, "chamber", [(0, 20)]).readings == 1
    assert cut(log, "chamber", [(0, 20)]).mean == 20.0
    assert cut(log, "chamber", [(11, 20)]).mean is None


def test_a_channel_the_log_has_not_is_refused() -> None:
    """Asking for what was not logged names what was."""
    with pytest.raises(Refused, match=r"channel 'bed'.*It has chamber"):
        cut(elapsed([0, 1], [1, 1]), "bed", [(0, 1)])


def test_a_span_that_ends_before_it_begins_is_refused() -> None:
    """A span backwards is refused."""
    with pytest.raises(Refused, match="ends before it begins"):
        cut(elapsed([0, 1], [1, 1]), "chamber", [(1, 0)])


span = st.tuples(st.floats(-20, 200), st.floats(0, 50)).map(lambda pair: (pair[0], pair[0] + pair[1]))


@given(
    st.lists(st.floats(0.5, 9.0), min_size=2, max_size=25),
    st.lists(span, min_size=1, max_size=4),
    st.randoms(),
)
def test_against_a_fine_sum(steps: list[float], spans: list[tuple[float, float]], random: object) -> None:
    """The mean and the cover agree with a fine sum over the joined readings."""
    del random
    times = np.concatenate([[0.0], np.cumsum(steps)])
    readings = 20.0 + 5.0 * np.sin(times)
    found = cut(elapsed(times.tolist(), readings.tolist()), "chamber", spans)
    grid = np.arange(-20.0, 250.0, 0.005) + 0.0025
    wanted = np.any([(grid >= a) & (grid <= b) for a, b in spans], axis=0)
    there = wanted & (grid <= times[-1]) & (grid >= 0.0)
    if np.count_nonzero(there) > 400:
        assert found.mean == pytest.approx(float(np.interp(grid[there], times, readings).mean()), abs=0.05)
    if np.count_nonzero(wanted) > 400:
        assert found.covered == pytest.approx(np.count_nonzero(there) / np.count_nonzero(wanted), abs=0.02)
