"""Grades and bounds: medians, ranks, never means."""

from __future__ import annotations

import pytest
from scipy.stats import mannwhitneyu

from tracker.errors import Refused
from tracker.statistics import OrdinalSummary, limited_mean, ordinal_summary, rank_test


def test_grades_have_median_and_counts() -> None:
    """Grades are summed up by median, extremes and counts."""
    facts = ordinal_summary([2, 0, 1, 1, 4])
    assert (facts.median, facts.median_high, facts.low, facts.high) == (1, 1, 0, 4)
    assert facts.counts == ((0, 1), (1, 2), (2, 1), (4, 1))


def test_grades_have_no_mean() -> None:
    """The summary of grades has no field that averages them."""
    assert not {"mean", "sd"} & set(OrdinalSummary.__dataclass_fields__)


def test_even_count_keeps_both_middle_grades() -> None:
    """Between 1 and 3 lies no grade of 2: both middle ones are given."""
    facts = ordinal_summary([0, 1, 3, 4])
    assert (facts.median, facts.median_high) == (1, 3)


def test_rank_test_agrees_with_mann_whitney() -> None:
    """Without ties and bounds p is the exact Mann-Whitney probability."""
    a, b = [1.1, 2.3, 0.4, 3.3], [2.9, 4.1, 5.2, 3.7, 6.0]
    assert rank_test(a, b).p == pytest.approx(mannwhitneyu(a, b, method="exact").pvalue)


def test_rank_test_counts_pairs() -> None:
    """b_higher is the share of pairs in which b reads higher, ties counted half."""
    found = rank_test([1, 2], [2, 3])
    assert found.b_higher == pytest.approx(3.5 / 4)


def test_bound_above_counts_as_higher() -> None:
    """Pieces that did not soften up to 120 °C rank above those that did at 90 °C."""
    found = rank_test([90, 91, 92, 93], [120] * 4, bounds_b=["above"] * 4)
    assert found.b_higher == 1
    assert found.p == pytest.approx(2 / 70)


def test_bound_leaves_pairs_open() -> None:
    """A bound above 80 and a reading of 90 cannot be ordered: the pair counts half and is said to be open."""
    found = rank_test([90, 91], [80, 95], bounds_b=["above", None])
    assert found.open_pairs == 2
    assert found.b_higher == pytest.approx((0.5 * 2 + 2) / 4)


def test_two_bounds_above_are_open() -> None:
    """Two lower bounds tell nothing about their order."""
    found = rank_test([80, 80], [120, 120], bounds_a=["above"] * 2, bounds_b=["above"] * 2)
    assert found.open_pairs == 4
    assert found.p == 1


def test_equal_readings_are_not_open() -> None:
    """Ties between readings are ties, not open pairs."""
    assert rank_test([1, 1], [1, 2]).open_pairs == 0


@pytest.mark.parametrize("bounds", [["above"], ["over", None]])
def test_odd_bounds_are_refused(bounds: list[str | None]) -> None:
    """Bounds must be one per reading, and a known word."""
    with pytest.raises(Refused, match="bounds of readings: each must be above, below or nothing"):
        rank_test([1, 2], [3, 4], bounds_a=bounds)


def test_middle_grade_is_by_count() -> None:
    """Of five different grades the third is the median, whatever the extremes."""
    assert ordinal_summary([5, 3, 1, 4, 2]).median == 3


def test_bound_touching_a_reading_is_higher() -> None:
    """Above 90 is higher than a reading of 90; below 90 is lower."""
    assert rank_test([90, 90], [90, 90], bounds_b=["above"] * 2).b_higher == 1
    assert rank_test([90, 90], [90, 90], bounds_b=["below"] * 2).b_higher == 0


def test_ties_between_groups_count_half() -> None:
    """Two groups of one equal grade have no tendency and p 1."""
    found = rank_test([1, 1], [1, 1])
    assert (found.b_higher, found.p, found.n_a, found.n_b) == (0.5, 1, 2, 2)


def test_kaplan_meier_of_leukaemia_patients() -> None:
    """Gehan's 6-MP group of 21, nine remissions: median 23 weeks (Kalbfleisch and Prentice; from memory)."""
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    open_ones = {3, 5, 7, 8, 11, 12, 13, 16, 17, 18, 19, 20}
    found = limited_mean(weeks, ["above" if i in open_ones else None for i in range(21)])
    assert found is not None
    assert (found.n, found.limits, found.median, found.bound) == (21, 12, 23, "above")
    # Restricted mean up to 35 weeks as survival packages print it (from memory): 23.29.
    assert found.mean == pytest.approx(23.29, abs=5e-3)


def test_without_limits_it_is_the_mean() -> None:
    """Numbers alone have their mean and their lower middle."""
    found = limited_mean([3.0, 1.0, 2.0, 6.0], [None] * 4)
    assert found is not None
    assert (found.mean, found.median, found.bound) == (3.0, 2.0, "")


def test_limits_below_mirror_limits_above() -> None:
    """At most and at least are the same question the other way round."""
    above = limited_mean([5.0, 7.0, 9.0], [None, None, "above"])
    below = limited_mean([-5.0, -7.0, -9.0], [None, None, "below"])
    assert above is not None
    assert below is not None
    assert (below.mean, below.bound, above.bound) == (-above.mean, "below", "above")


@pytest.mark.parametrize("bounds", [["above", "below", None], ["above"] * 3])
def test_no_mean_of_mixed_or_only_limits(bounds: list[str | None]) -> None:
    """Limits of both kinds, or limits alone, have no mean of this kind."""
    assert limited_mean([1.0, 2.0, 3.0], bounds) is None
