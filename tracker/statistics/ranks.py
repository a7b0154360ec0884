"""Readings that are grades or limits: ordered, but not to be averaged as they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from numpy.typing import NDArray

from tracker.errors import Refused
from tracker.lazy_modules import np
from tracker.statistics.compare import share_at_least
from tracker.statistics.one_group import finite


@dataclass(frozen=True)
class OrdinalSummary:
    """Median and spread of grades; there is no mean on purpose.

    Attributes:
        n: Number of grades.
        median: The middle grade; for an even count the lower of the two middle grades.
        median_high: The upper of the two middle grades (equal to ``median`` for an odd count).
        low: Least grade given.
        high: Greatest grade given.
        counts: How often each grade was given, in ascending order of grade.
    """

    n: int
    median: float
    median_high: float
    low: float
    high: float
    counts: tuple[tuple[float, int], ...]


@dataclass(frozen=True)
class RankTest:
    """Which of two groups tends to read higher.

    Attributes:
        n_a: Readings in the first group.
        n_b: Readings in the second group.
        b_higher: Chance that one piece of b reads higher than one of a, ties and
            pairs that bounds leave open counted half (Vargha and Delaney's A).
        p: Two-sided permutation probability of the rank sum.
        open_pairs: Pairs whose order the bounds leave open.
    """

    n_a: int
    n_b: int
    b_higher: float
    p: float
    open_pairs: int


@dataclass(frozen=True)
class LimitedMean:
    """What readings say together of which some are only limits (Kaplan and Meier).

    Attributes:
        n: All readings, limits among them.
        limits: Those that are limits.
        mean: Mean of the estimated distribution up to the last reading: the mean is at least this where
            ``bound`` is ``"above"``, at most this where it is ``"below"``.
        bound: On which side the mean is open; empty where the outermost reading is none but a number.
        median: Median of the estimated distribution; None where it lies among the limits.
    """

    n: int
    limits: int
    mean: float
    bound: str
    median: float | None


def limited_mean(values: Sequence[float], bounds: Sequence[str | None]) -> LimitedMean | None:
    """Return the Kaplan-Meier mean and median of readings of which some are only limits.

    E. L. Kaplan and P. Meier, J. American Statistical Association 53 (1958) 457-481: at each reading the
    share that lies beyond falls by the share of readings there among all that are known to reach so far. The
    mean is the area under that curve, cut at the outermost reading.

    Args:
        values: Readings, all finite.
        bounds: For each None for a number, ``"above"`` or ``"below"`` where the truth lies there.

    Returns:
        None where limits of both kinds are mixed (no such estimate holds), or all are limits.

    Raises:
        Refused: There are no readings, or as many bounds as readings are not given.
    """
    kinds = {bound for bound in _bounds(values, bounds) if bound is not None}
    if len(kinds) > 1 or all(bound is not None for bound in bounds):
        return None
    # What lies below is what lies above, looked at in a mirror.
    sign = -1.0 if kinds == {"below"} else 1.0
    # At one place numbers come before limits: "above 90" is known to have reached 90.
    order = sorted(
        (sign * value, bound is not None) for value, bound in zip(finite(values), bounds, strict=True)
    )
    alive, mean, median, reached = 1.0, order[0][0], None, order[0][0]
    for place, (value, limit) in enumerate(order):
        mean += alive * (value - reached)
        reached = value
        if not limit:
            alive *= 1.0 - 1.0 / (len(order) - place)
            if median is None and alive <= 0.5 + 1e-12:
                median = sign * value
    open_end = order[-1][1]
    return LimitedMean(
        n=len(order),
        limits=sum(limit for _, limit in order),
        mean=sign * mean,
        bound=("below" if sign < 0 else "above") if open_end else "",
        median=median,
    )


def ordinal_summary(grades: Iterable[float]) -> OrdinalSummary:
    """Return median, extremes and counts of grades.

    Raises:
        Refused: There are no grades, or one is not finite.
    """
    ordered = sorted(finite(grades, "grades"))
    n = len(ordered)
    counts = tuple(sorted(Counter(ordered).items()))
    # Both middle grades and no mean of them: half a grade is none.
    return OrdinalSummary(n, ordered[(n - 1) // 2], ordered[n // 2], ordered[0], ordered[-1], counts)


def rank_test(
    a: Sequence[float],
    b: Sequence[float],
    *,
    bounds_a: Sequence[str | None] | None = None,
    bounds_b: Sequence[str | None] | None = None,
) -> RankTest:
    """Compare two groups by rank, readings that are only bounds included.

    Each pooled reading scores the number of others surely below it less the
    number surely above it (Gehan, Biometrika 52, 1965, 203-223; without bounds
    this is the Wilcoxon-Mann-Whitney test with mid-ranks), and the scores'
    difference is referred to its permutation distribution, exact for small groups.

    Args:
        a: Readings of the first group.
        b: Readings of the second group.
        bounds_a: For each of ``a``: None for a reading, ``"above"`` when the truth
            lies above the number given, ``"below"`` when below. None: all are readings.
        bounds_b: The same for ``b``.

    Raises:
        Refused: A group is empty, a number is not finite, a bound is neither word, or
            there are not as many bounds as readings.
    """
    # A reading is the range from itself to itself, a bound reaches to infinity: one comparison serves both.
    low, high = _ranges([*finite(a), *finite(b)], [*_bounds(a, bounds_a), *_bounds(b, bounds_b)])
    n_a, n_b = len(a), len(b)
    above = (low[:, None] >= high[None, :]) & (low[:, None] + high[:, None] > low[None, :] + high[None, :])
    # Strictly above, or touching at one end only: "above 90" is higher than a reading of 90.
    scores = above.sum(axis=1) - above.sum(axis=0).astype(np.float64)
    wins, losses = int(above[n_a:, :n_a].sum()), int(above[:n_a, n_a:].sum())
    equal = (low == high)[:, None] & (low[:, None] == low[None, :]) & (low == high)[None, :]
    undecided = n_a * n_b - wins - losses
    p = share_at_least(np.sort(scores), n_a, abs(float(scores[n_a:].mean() - scores[:n_a].mean())))
    return RankTest(
        n_a, n_b, (wins + undecided / 2) / (n_a * n_b), p, undecided - int(equal[n_a:, :n_a].sum())
    )


def _bounds(values: Sequence[float], bounds: Sequence[str | None] | None) -> list[str | None]:
    if bounds is None:
        return [None] * len(values)
    if len(bounds) != len(values) or set(bounds) - {None, "above", "below"}:
        raise Refused(
            "bounds of readings", why="each must be above, below or nothing", do="Give one per reading."
        )
    return list(bounds)


def _ranges(values: list[float], bounds: list[str | None]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the least and greatest value each reading may stand for."""
    numbers = np.array(values)
    low = np.where([bound == "below" for bound in bounds], -np.inf, numbers)
    high = np.where([bound == "above" for bound in bounds], np.inf, numbers)
    return low, high
