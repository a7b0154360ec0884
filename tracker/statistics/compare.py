"""Two groups of readings: their difference and their ratio."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from tracker.errors import Refused
from tracker.lazy_modules import np
from tracker.statistics.one_group import Summary, finite, summary

_EXACT_UP_TO = 20_000
"""Rearrangements that are all tried; beyond, as many are drawn with a fixed seed."""
_DRAWN_READINGS = 4_000_000
"""Readings moved in all draws together; large groups get fewer draws, never below a thousand."""


@dataclass(frozen=True)
class Welch:
    """Welch's t interval for a difference of means without assuming equal spread.

    Attributes:
        difference: mean of b - mean of a, in the unit of the readings.
        low: Lower limit of the difference.
        high: Upper limit of the difference.
        t: The statistic, with the sign of ``difference``.
        df: Welch-Satterthwaite degrees of freedom, not rounded.
        p: Two-sided probability.
    """

    difference: float
    low: float
    high: float
    t: float
    df: float
    p: float


@dataclass(frozen=True)
class FiellerRatio:
    """A ratio of two means with its Fieller interval.

    Attributes:
        ratio: mean of the numerator ÷ mean of the denominator.
        u: Standard uncertainty of the ratio by the delta method.
        df: Effective degrees of freedom (Welch-Satterthwaite on the relative terms).
        low: Lower Fieller limit.
        high: Upper Fieller limit.
    """

    ratio: float
    u: float
    df: float
    low: float
    high: float


def _two_or_more(values: Iterable[float], name: str) -> tuple[Summary, float]:
    facts = summary(values)
    if facts.sd is None:
        raise Refused(
            f"only one reading in {name}", why="its scatter is unknown", do="Give at least two readings each."
        )
    return facts, facts.sd**2 / facts.n


def welch(a: Iterable[float], b: Iterable[float], level: float = 0.95) -> Welch:
    """Return Welch's interval for mean(b) - mean(a).

    t = (b̄ - ā)/√(s_a²/n_a + s_b²/n_b) with Satterthwaite's degrees of freedom
    (NIST/SEMATECH e-Handbook 1.3.5.3).

    Args:
        a: Readings of the first group, two or more.
        b: Readings of the second group, two or more, in the same unit.
        level: Confidence level, between 0 and 1; not checked.

    Raises:
        Refused: A group has fewer than two readings, one is not finite, or neither
            group scatters at all.
    """
    facts_a, v_a = _two_or_more(a, "the first group")
    facts_b, v_b = _two_or_more(b, "the second group")
    return _welch_from(facts_b.mean - facts_a.mean, v_a, v_b, (facts_a.n - 1, facts_b.n - 1), level)


def _welch_from(difference: float, v_a: float, v_b: float, dfs: tuple[int, int], level: float) -> Welch:
    variance = v_a + v_b
    if variance <= 0:
        raise Refused(
            "a t interval", why="neither group scatters at all", do="Compare the readings as they are."
        )
    # Not rounded down: with three pieces a group the step from 2.9 to 2 would widen the interval by a
    # third.
    df = variance**2 / (v_a**2 / dfs[0] + v_b**2 / dfs[1])
    error = math.sqrt(variance)
    half = float(stdtrit(df, (1 + level) / 2)) * error
    t = difference / error
    # The lower tail, doubled: 1 minus the upper would lose all digits of a small probability.
    p = 2 * float(stdtr(df, -abs(t)))
    return Welch(difference, difference - half, difference + half, t, df, p)


def permutation_p(a: Iterable[float], b: Iterable[float]) -> float:
    """Return the two-sided permutation probability of the difference of means.

    The share of all ways to deal the pooled readings into groups of these
    sizes whose means differ at least as much. Up to 20,000 ways are all tried;
    beyond, 20,000 (fewer for hundreds of readings, at least 1,000) are drawn with
    a fixed seed from the sorted readings, so the answer does not depend on the
    order in which they were written down.

    Raises:
        Refused: A group is empty or holds a number that is not finite.
    """
    first, second = finite(a, "readings of the first group"), finite(b, "readings of the second group")
    # Sorted, so that draws do not depend on the order of writing; centred, so that sums keep their digits.
    pooled = np.sort(np.array(first + second))
    pooled -= pooled.mean()
    observed = abs(math.fsum(first) / len(first) - math.fsum(second) / len(second))
    return share_at_least(pooled, len(first), observed)


def share_at_least(pooled: NDArray[np.float64], n_a: int, observed: float) -> float:
    """Return the share of splits whose means differ by ``observed`` or more.

    Args:
        pooled: All scores, shape (n,), in an order that does not depend on the groups.
        n_a: Size of the first group.
        observed: Absolute difference of the group means, unit of the scores.
    """
    n, total = len(pooled), float(pooled.sum())
    sums, drawn = _sums_of_splits(pooled, n_a)
    differences = np.abs(sums / n_a - (total - sums) / (n - n_a))
    # Sums in another order differ in their last bits; equal must count as "at least as much".
    slack = 1e-9 * (float(np.abs(pooled).max()) + observed)
    hits = int(np.count_nonzero(differences >= observed - slack))
    # Among draws the observed split counts as one of them: a drawn probability of zero would be a lie.
    return (hits + 1) / (len(sums) + 1) if drawn else hits / len(sums)


def _sums_of_splits(pooled: NDArray[np.float64], n_a: int) -> tuple[NDArray[np.float64], bool]:
    n = len(pooled)
    if math.comb(n, n_a) <= _EXACT_UP_TO:
        chosen = np.array(list(combinations(range(n), n_a)), dtype=np.intp)
        return pooled[chosen].sum(axis=1), False
    # Fixed, so that the same readings give the same figure on every bench and every day.
    rng = np.random.default_rng(20240229)
    blocks = max(1, min(_EXACT_UP_TO, _DRAWN_READINGS // n) // 1000)
    # A thousand at a time keeps large groups out of memory.
    sums = [
        rng.permuted(np.broadcast_to(pooled, (1000, n)), axis=1)[:, :n_a].sum(axis=1) for _ in range(blocks)
    ]
    return np.concatenate(sums), True


Estimate = tuple[float, float, float]
"""A mean, the variance of the mean, and its degrees of freedom."""


def fieller_of(top: Estimate, bottom: Estimate, level: float = 0.95) -> FiellerRatio:
    """Return the ratio of two independent means with Fieller's interval.

    With g = t² v_x / x̄², v_z and v_x the variances of the two means and R the ratio, the limits are
    [R ± (t/x̄) √(v_z(1 - g) + R² v_x)]/(1 - g) (E. C. Fieller, J. Royal Statistical Society B 16, 1954,
    175-185). Whether the two groups may be divided at all (geometry, spool, dryness, printer) is the
    caller's to judge.

    Args:
        top: Mean, variance of that mean and degrees of freedom of the numerator.
        bottom: The same of the denominator.
        level: Confidence level, between 0 and 1; not checked.

    Raises:
        Refused: A mean is zero, neither scatters, or the denominator is not known to differ from zero
            (g ≥ 1).
    """
    if bottom[0] == 0 or top[0] == 0:
        raise Refused("a ratio", why="one of the means is zero", do="Give the two means as they are.")
    relative_top, relative_bottom = top[1] / top[0] ** 2, bottom[1] / bottom[0] ** 2
    relative = relative_top + relative_bottom
    if relative == 0:
        raise Refused(
            "an interval of the ratio", why="neither group scatters at all", do="Give the ratio alone."
        )
    # On the relative terms, because in a ratio it is these that add up.
    df = relative**2 / (relative_top**2 / top[2] + relative_bottom**2 / bottom[2])
    ratio = top[0] / bottom[0]
    low, high = _fieller_limits(ratio, bottom[0], top[1], bottom[1], float(stdtrit(df, (1 + level) / 2)))
    return FiellerRatio(ratio, abs(ratio) * math.sqrt(relative), df, low, high)


def _fieller_limits(
    ratio: float, below: float, v_top: float, v_bottom: float, t: float
) -> tuple[float, float]:
    g = t**2 * v_bottom / below**2
    # Then the limits are the two ends of an excluded range or none at all; printed as an interval they
    # would say the opposite of what is known.
    if g >= 1:
        raise Refused(
            "an interval of the ratio",
            why="the denominator's own interval includes zero",
            do="Test more pieces of the denominator's orientation.",
        )
    half = t / abs(below) * math.sqrt(v_top * (1 - g) + ratio**2 * v_bottom)
    return (ratio - half) / (1 - g), (ratio + half) / (1 - g)
