"""Differences and ratios of two groups against published examples."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import mean, variance

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.errors import Refused
from tracker.statistics import FiellerRatio, fieller_of, permutation_p, welch

_DRUG_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
_DRUG_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
_FLAT = [48.2, 47.5, 49.1, 48.8, 47.9]
_UPRIGHT = [22.4, 19.8, 24.1, 21.0, 23.2]


def _with(n: int, mean: float, sd: float) -> list[float]:
    """Readings that have exactly this count, mean and standard deviation."""
    x = np.arange(n, dtype=float)
    x = (x - x.mean()) / x.std(ddof=1)
    return list(mean + sd * x)


def test_welch_agrees_with_the_sleep_example() -> None:
    """Student's sleep data: t 1.86081 on 17.7765 degrees of freedom, p 0.079394."""
    found = welch(_DRUG_1, _DRUG_2)
    assert found.t == pytest.approx(1.86081, abs=1e-5)
    assert found.df == pytest.approx(17.7765, abs=1e-4)
    assert found.p == pytest.approx(0.079394, abs=1e-6)


def test_welch_agrees_with_the_handbook() -> None:
    """AUTO83B (e-Handbook 1.3.5.3): t -12.94627, df 136.87499, p 1.571e-25."""
    found = welch(_with(79, 30.48101, 6.10771), _with(249, 20.14458, 6.41470))
    assert found.t == pytest.approx(-12.94627, abs=1e-5)
    assert found.df == pytest.approx(136.87499, abs=1e-4)
    assert found.p == pytest.approx(1.571e-25, rel=1e-3)


def test_welch_interval_is_symmetric_about_the_difference() -> None:
    """The limits lie equally far from the difference."""
    found = welch(_DRUG_1, _DRUG_2)
    assert found.high - found.difference == pytest.approx(found.difference - found.low)


@pytest.mark.parametrize(("a", "b"), [([1.0], [1.0, 2.0]), ([1.0, 1.0], [2.0, 2.0])])
def test_welch_refuses_unknown_scatter(a: list[float], b: list[float]) -> None:
    """One reading, or no scatter at all, is refused."""
    with pytest.raises(Refused, match=r"neither group scatters|only one reading in the first group"):
        welch(a, b)


def test_permutation_is_exact_for_small_groups() -> None:
    """Of the 70 ways to split 1..8 in fours two differ as much as 1..4 against 5..8: p = 2/70."""
    assert permutation_p([1, 2, 3, 4], [5, 6, 7, 8]) == pytest.approx(2 / 70)


def test_permutation_does_not_depend_on_order() -> None:
    """Shuffling readings within large groups changes nothing."""
    rng = np.random.default_rng(5)
    a, b = rng.normal(0, 1, 25), rng.normal(0.4, 1, 25)
    assert permutation_p(a, b) == permutation_p(rng.permutation(a), rng.permutation(b))


def test_drawn_permutations_agree_with_t() -> None:
    """For large normal groups the drawn probability is near Welch's."""
    rng = np.random.default_rng(6)
    a, b = rng.normal(0, 1, 30), rng.normal(0.5, 1, 30)
    assert permutation_p(a, b) == pytest.approx(welch(a, b).p, abs=0.01)


@given(
    st.lists(st.integers(0, 5), min_size=2, max_size=5), st.lists(st.integers(0, 5), min_size=2, max_size=5)
)
def test_permutation_is_a_probability(a: list[int], b: list[int]) -> None:
    """It is positive, at most one, and the same with the groups exchanged."""
    p = permutation_p(a, b)
    assert 0 < p <= 1
    assert p == pytest.approx(permutation_p(b, a))


def ratio_of(top: Sequence[float], bottom: Sequence[float], level: float = 0.95) -> FiellerRatio:
    """Return the ratio of the means of two groups of readings."""
    sides = [(mean(each), variance(each) / len(each), len(each) - 1) for each in (top, bottom)]
    return fieller_of(sides[0], sides[1], level)


def test_fieller_agrees_with_the_interlayer_example() -> None:
    """Upright over flat: R 0.457557, u 0.016141, df 4.2411, 95 % [0.41385, 0.50151]."""
    found = ratio_of(_UPRIGHT, _FLAT)
    assert found.ratio == pytest.approx(0.457557, abs=1e-6)
    assert found.u == pytest.approx(0.016141, abs=1e-6)
    assert found.df == pytest.approx(4.2411, abs=1e-4)
    assert (found.low, found.high) == pytest.approx((0.41385, 0.50151), abs=1e-5)


def test_fieller_limits_are_roots_of_the_pivot() -> None:
    """At each limit r the statistic |z̄ - r x̄|/√(v_z + r² v_x) equals t: the definition, not the formula."""
    from scipy.stats import t  # noqa: PLC0415 - an oracle of its own

    found = ratio_of(_UPRIGHT, _FLAT)
    z, x = np.array(_UPRIGHT), np.array(_FLAT)
    for limit in (found.low, found.high):
        spread = math.sqrt(z.var(ddof=1) / 5 + limit**2 * x.var(ddof=1) / 5)
        assert abs(z.mean() - limit * x.mean()) / spread == pytest.approx(t.ppf(0.975, found.df))


def test_fieller_refuses_a_denominator_that_may_be_zero() -> None:
    """Where the denominator's interval includes zero (g ≥ 1) no interval is given."""
    with pytest.raises(Refused, match="includes zero"):
        ratio_of([5.0, 6.0, 7.0], [-1.0, 0.5, 1.2])


@pytest.mark.parametrize(
    ("top", "bottom"),
    [([1.0, 1.0], [2.0, 2.0]), ([-1.0, 1.0], [1.0, 2.0]), ([1.0, 2.0], [-1.0, 1.0])],
)
def test_fieller_refuses_what_has_no_interval(top: list[float], bottom: list[float]) -> None:
    """No scatter, and a mean of zero are refused."""
    with pytest.raises(Refused, match=r"neither group scatters|one of the means is zero"):
        ratio_of(top, bottom)


def test_welch_names_the_group_of_one() -> None:
    """The refusal says which of the two groups holds a single reading."""
    with pytest.raises(Refused, match="second group"):
        welch([1.0, 2.0], [1.0])


def test_welch_agrees_with_the_reference_library() -> None:
    """SciPy's ttest_ind(equal_var=False) gives the same interval at 90 %."""
    from scipy.stats import ttest_ind  # noqa: PLC0415 - an oracle of its own

    low, high = ttest_ind(_DRUG_2, _DRUG_1, equal_var=False).confidence_interval(0.9)
    found = welch(_DRUG_1, _DRUG_2, level=0.9)
    assert (found.low, found.high) == pytest.approx((low, high))


def test_permutation_compares_means_of_unequal_groups() -> None:
    """Of the ten ways to deal 1..5 into two and three, two differ in mean by 2.5 or more: p = 0.2."""
    assert permutation_p([1, 2], [3, 4, 5]) == pytest.approx(0.2)


def test_permutation_of_equal_readings_is_certain() -> None:
    """Readings that are all alike differ by nothing in every split, however large their offset."""
    assert permutation_p([1e6 + 0.1] * 3, [1e6 + 0.1] * 4) == 1


def test_drawn_probability_is_never_zero() -> None:
    """Among 20,000 draws the observed split counts as one: groups wholly apart have p 1/20001."""
    assert permutation_p(range(20), range(100, 120)) == pytest.approx(1 / 20_001)


def test_fieller_interval_at_another_level() -> None:
    """A 99 % interval holds the 95 % interval."""
    wide, narrow = ratio_of(_UPRIGHT, _FLAT, level=0.99), ratio_of(_UPRIGHT, _FLAT)
    assert wide.low < narrow.low < narrow.high < wide.high


def test_fieller_ratio_of_negative_means() -> None:
    """Both groups mirrored about zero have the same ratio, uncertainty and limits."""
    there = ratio_of(_UPRIGHT, _FLAT)
    back = ratio_of([-v for v in _UPRIGHT], [-v for v in _FLAT])
    assert (back.ratio, back.u, back.low, back.high) == pytest.approx(
        (there.ratio, there.u, there.low, there.high)
    )
