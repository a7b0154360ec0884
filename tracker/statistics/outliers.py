"""Hints that a reading or a group stands apart. A hint never sets anything aside."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy.special import fdtri, stdtrit

from tracker.errors import Refused
from tracker.statistics.location import finite, summary

_DIXON = {
    # n: (10 %, 5 %) critical values of gap/range, two-sided. D. B. Rorabacher, Analytical
    # Chemistry 63 (1991) 139-146, after W. J. Dixon, Biometrics 9 (1953) 74-89; from memory.
    3: (0.941, 0.970),
    4: (0.765, 0.829),
    5: (0.642, 0.710),
    6: (0.560, 0.625),
    7: (0.507, 0.568),
    8: (0.468, 0.526),
    9: (0.437, 0.493),
    10: (0.412, 0.466),
}


@dataclass(frozen=True)
class OutlierHint:
    """How far the most extreme reading stands apart, beside what chance allows.

    Attributes:
        index: Position of the reading in the input.
        value: The reading itself, in its own unit.
        statistic: Grubbs' G or Dixon's Q, dimensionless.
        critical: What chance exceeds with probability ``alpha``.
        alpha: That probability.
        stands_apart: True where ``statistic`` exceeds ``critical``.
    """

    index: int
    value: float
    statistic: float
    critical: float
    alpha: float
    stands_apart: bool


@dataclass(frozen=True)
class CochranHint:
    """How much of all within-group variance one group holds.

    Attributes:
        index: Position of the group with the largest variance.
        statistic: Cochran's C, largest variance ÷ sum of variances.
        critical: What chance exceeds with probability ``alpha``.
        alpha: That probability.
        stands_apart: True where ``statistic`` exceeds ``critical``.
    """

    index: int
    statistic: float
    critical: float
    alpha: float
    stands_apart: bool


def grubbs(values: Iterable[float], alpha: float = 0.05, *, sides: int = 2) -> OutlierHint:
    """Return Grubbs' hint on the reading farthest from the mean.

    G = max|x - x̄|/s, critical ((n-1)/√n) √(t²/(n-2+t²)) with t at
    1 - alpha/(2n) (two-sided) or 1 - alpha/n (one-sided), n - 2 degrees of
    freedom (NIST/SEMATECH e-Handbook 1.3.5.17).

    Args:
        values: Three or more readings.
        alpha: Probability that chance alone exceeds the critical value.
        sides: 2 where either end may stand apart, 1 where only one could.

    Raises:
        Refused: Fewer than three readings, one is not finite, or they do not scatter.
    """
    numbers = finite(values)
    n = len(numbers)
    facts = summary(numbers)
    if n < 3 or not facts.sd:  # noqa: PLR2004 - two readings are equally far from their mean
        raise Refused("Grubbs' hint", why="it needs three readings that scatter", do="Test more pieces.")
    # Only the farthest is judged; after one is set aside by a person the question is asked anew.
    index = max(range(n), key=lambda i: abs(numbers[i] - facts.mean))
    statistic = abs(numbers[index] - facts.mean) / facts.sd
    # Divided by n as the reading was picked for being farthest: any of them could have been it.
    t = float(stdtrit(n - 2, 1 - alpha / (sides * n)))
    critical = (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))
    return OutlierHint(index, numbers[index], statistic, critical, alpha, statistic > critical)


def dixon(values: Iterable[float], alpha: float = 0.05) -> OutlierHint:
    """Return Dixon's hint on the least or greatest of three to ten readings.

    Q = gap to the next reading ÷ range, whichever end is farther out; critical
    values at 5 and 10 % as tabled by Dixon (1953) and Rorabacher (1991).

    Raises:
        Refused: Not three to ten readings, one is not finite, all are equal, or ``alpha``
            is neither 0.05 nor 0.10.
    """
    numbers = finite(values)
    if len(numbers) not in _DIXON or alpha not in {0.05, 0.10}:
        raise Refused(
            f"Dixon's hint on {len(numbers)} readings at {alpha:g}",
            why="its table holds 3 to 10 readings at 0.05 and 0.10",
            do="Use Grubbs' hint.",
        )
    order = sorted(range(len(numbers)), key=numbers.__getitem__)
    lowest, second, before, highest = (numbers[order[i]] for i in (0, 1, -2, -1))
    if lowest == highest:
        raise Refused("Dixon's hint", why="all readings are equal", do="There is nothing to point at.")
    # The farther end is looked at: the table is for both sides together.
    below, above = second - lowest, highest - before
    index = order[0] if below > above else order[-1]
    statistic = max(below, above) / (highest - lowest)
    critical = _DIXON[len(numbers)][0 if alpha == 0.10 else 1]  # noqa: PLR2004 - the table's own column
    return OutlierHint(index, numbers[index], statistic, critical, alpha, statistic > critical)


def cochran(groups: Sequence[Sequence[float]], alpha: float = 0.05) -> CochranHint:
    """Return Cochran's hint on the group that scatters most.

    C = s_max²/Σs², critical 1/(1 + (p-1)/F) with F at 1 - alpha/p on n - 1 and
    (p-1)(n-1) degrees of freedom (ISO 5725-2; formula from memory). Where group
    sizes differ, their mean, rounded, stands for n, as ISO 5725-2 allows for small differences.

    Raises:
        Refused: Fewer than two groups, an empty group or a group of one, a number that is
            not finite, or no scatter in any.
    """
    spreads = [summary(group).sd for group in groups]
    known = [sd**2 for sd in spreads if sd is not None]
    if len(groups) < 2 or len(known) < len(groups) or not any(known):  # noqa: PLR2004 - a comparison needs two
        raise Refused(
            "Cochran's hint", why="it needs two groups of two or more that scatter", do="Test more pieces."
        )
    p, n = len(groups), round(sum(map(len, groups)) / len(groups))
    statistic = max(known) / math.fsum(known)
    f = float(fdtri(n - 1, (p - 1) * (n - 1), 1 - alpha / p))
    critical = 1 / (1 + (p - 1) / f)
    return CochranHint(known.index(max(known)), statistic, critical, alpha, statistic > critical)
