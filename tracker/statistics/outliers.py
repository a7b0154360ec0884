"""Hints that a reading stands apart from the others. A hint never sets anything aside."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from numpy.typing import NDArray
from scipy.special import stdtrit

from tracker.errors import Refused
from tracker.lazy_modules import np
from tracker.statistics.location import finite, summary

Array = NDArray[np.float64]


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


def plate_critical(pieces: Array | float, df: Array | float, total: Array | float, alpha: float) -> Array:
    """Return what the largest deviation from its plate's mean, over s_r, exceeds by chance in ``alpha``.

    The largest normed residual of a one-way layout, each of N residuals judged at alpha/(2N): with one plate
    this is Grubbs' two-sided test. A residual over √(ν(1 - 1/n)) s_r is distributed as a correlation, so that
    G = √(1 - 1/n) √(ν t²/(ν - 1 + t²)), t at 1 - alpha/(2N) on ν - 1 (from memory: R. D. Cook and
    S. Weisberg, Residuals and Influence in Regression, 1982, 2.2).

    Args:
        pieces: n, pieces of the plate.
        df: ν, degrees of freedom of s_r: all pieces less all plates.
        total: N, all pieces.
        alpha: Probability of a false alarm for the whole group.

    Returns:
        Infinite where there are too few pieces for any to stand apart.
    """
    pieces, df, total = (np.asarray(each, dtype=float) for each in (pieces, df, total))
    enough = (df > 1) & (pieces > 1)
    nu = np.where(enough, df, 2.0)
    t = stdtrit(nu - 1, 1 - alpha / (2 * total))
    g = np.sqrt(np.maximum(0.0, 1 - 1 / pieces)) * np.sqrt(nu * t * t / (nu - 1 + t * t))
    return np.where(enough, g, np.inf)


_DECIMALS: Final = 9
_WHOLE: Final = 1e-4
"""How far a multiple of a step may be off a whole number by the rounding of doubles."""


def resolution_of(values: Iterable[float]) -> float:
    """Return the step to which readings seem to be rounded, in their unit; 0 where none shows.

    The decimal step (1, 2 or 5 of some power of ten) of which all readings are multiples. Numbers that were
    computed are multiples of none, as far as nine significant digits show.
    """
    numbers = [abs(value) for value in values if value]
    if not numbers:
        return 0.0
    top = math.floor(math.log10(max(numbers)))
    for power in range(top, top - _DECIMALS, -1):
        for part in (5.0, 2.0, 1.0):
            steps = [value / (part * 10.0**power) for value in numbers]
            if all(abs(each - round(each)) < _WHOLE for each in steps):
                return part * 10.0**power
    return 0.0


def widened(sd: float, resolution: float) -> float:
    """Return a standard deviation with the rounding of the readings in it: √(s² + d²/12).

    Three readings rounded to their own scatter agree in two of them more often than not, and the third would
    stand apart by chance in over half of all cases; with the rounding in it in 5 % or fewer for n = 3 to 10.
    """
    return math.sqrt(sd * sd + resolution * resolution / 12.0)


@dataclass(frozen=True)
class PlateOutlier:
    """The piece farthest from its plate's mean, beside what chance allows.

    Attributes:
        plate: Position of its plate.
        index: Position of the piece in the plate.
        statistic: G, its deviation over s_r (with the rounding of the readings in it).
        critical: What chance exceeds in 5 % of such groups.
        stands_apart: Whether it does.
    """

    plate: int
    index: int
    statistic: float
    critical: float
    stands_apart: bool


def plate_outlier(
    plates: Sequence[Sequence[float]], alpha: float = 0.05, *, others: Sequence[tuple[int, float]] = ()
) -> PlateOutlier | None:
    """Return the hint on the piece farthest from its plate's mean; None for too few pieces, or equal ones.

    Args:
        plates: Readings of each plate, one a piece.
        alpha: Probability of a false alarm.
        others: Plates of which only the sums are known: pieces, and sum of squares within.
    """
    arrays = [np.array(plate, dtype=float) for plate in plates]
    total = sum(map(len, arrays)) + sum(n for n, _ in others)
    df = total - len(arrays) - len(others)
    offs = [plate - plate.mean() for plate in arrays]
    within = math.fsum([*(float(off @ off) for off in offs), *(squares for _, squares in others)])
    if df < 2 or within <= 0.0:  # noqa: PLR2004 - two pieces are equally far from their mean
        return None
    scatter = widened(math.sqrt(within / df), resolution_of(v for plate in plates for v in plate))
    found = None
    for number, off in enumerate(offs):
        index = int(np.argmax(np.abs(off)))
        g = float(abs(off[index])) / scatter
        critical = float(plate_critical(float(len(off)), float(df), float(total), alpha))
        if found is None or g / critical > found.statistic / found.critical:
            found = PlateOutlier(number, index, g, critical, g > critical)
    return found
