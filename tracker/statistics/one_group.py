"""One group of readings: where it lies, how it scatters, hints of outliers, and drift in the order of time.

A hint never sets anything aside.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from numpy.typing import NDArray
from scipy.special import stdtrit

from tracker.errors import Refused
from tracker.lazy_modules import np


@dataclass(frozen=True)
class Summary:
    """Count, mean, standard deviation and extremes, all in the unit of the readings.

    Attributes:
        n: Number of readings.
        mean: Arithmetic mean.
        sd: Standard deviation with divisor n - 1; None for a single reading.
        low: Least reading.
        high: Greatest reading.
    """

    n: int
    mean: float
    sd: float | None
    low: float
    high: float


def finite(values: Iterable[float], what: str = "readings") -> list[float]:
    """Return the values as a list of finite floats.

    Raises:
        Refused: A value is not a finite number, or there are none.
    """
    numbers = [float(value) for value in values]
    if not numbers:
        raise Refused(f"no {what}", why="nothing to compute from", do="Give at least one number.")
    for number in numbers:
        if not math.isfinite(number):
            raise Refused(f"{number} among the {what}", why="not a finite number", do="Leave it out.")
    return numbers


def sum_of_squares(values: list[float], about: float) -> float:
    """Return the sum of squared deviations, corrected for the rounding of ``about``.

    The corrected two-pass form of Chan, Golub and LeVeque (American
    Statistician 37, 1983, 242-247): the second term would be zero in exact
    arithmetic and removes what rounding left in the mean. A one-pass formula
    has no correct digit when the readings share a large offset.

    Args:
        values: Finite readings, one or more.
        about: Their mean, same unit; the sum is in its square.
    """
    deviations = [value - about for value in values]
    correction = math.fsum(deviations) ** 2 / len(values)
    # Rounding may leave a hair below zero, of which there is no root.
    return max(math.fsum(d * d for d in deviations) - correction, 0.0)


def summary(values: Iterable[float]) -> Summary:
    """Return count, mean, standard deviation and extremes of the readings.

    Sums are exact before their last rounding (``math.fsum``).

    Raises:
        Refused: There are no readings, or one is not finite.
    """
    numbers = finite(values)
    n = len(numbers)
    mean = math.fsum(numbers) / n
    # One reading has no scatter that anybody knows; 0 would claim that it has none.
    sd = math.sqrt(sum_of_squares(numbers, mean) / (n - 1)) if n > 1 else None
    return Summary(n, mean, sd, min(numbers), max(numbers))


Array = NDArray[np.float64]


_FALSE_ALARM = 0.05
"""Probability that chance alone gives a hint on a piece of a plate."""


@dataclass(frozen=True)
class OutlierHint:
    """How far the most extreme reading stands apart, beside what chance allows.

    Attributes:
        index: Position of the reading in the input.
        value: The reading itself, in its own unit.
        statistic: Grubbs' G or Dixon's Q, dimensionless.
        critical: What chance exceeds with probability ``alpha``.
        alpha: That probability.
        is_outlier: True where ``statistic`` exceeds ``critical``.
    """

    index: int
    value: float
    statistic: float
    critical: float
    alpha: float
    is_outlier: bool


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
    # Only the farthest is judged; after one is set aside by a person the question is asked again.
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
        is_outlier: Whether it does.
    """

    plate: int
    index: int
    statistic: float
    critical: float
    is_outlier: bool


def plate_outlier(
    plates: Sequence[Sequence[float]], *, others: Sequence[tuple[int, float]] = ()
) -> PlateOutlier | None:
    """Return the hint on the piece farthest from its plate's mean; None for too few pieces, or equal ones.

    Args:
        plates: Readings of each plate, one a piece.
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
        critical = float(plate_critical(float(len(off)), float(df), float(total), _FALSE_ALARM))
        if found is None or g / critical > found.statistic / found.critical:
            found = PlateOutlier(number, index, g, critical, g > critical)
    return found


_LIMITS_SD = 3.0
"""Limits of the charts, in standard deviations of what is drawn."""

_D2_OF_PAIRS = 1.128
"""Mean range of two standard normal readings (2/√π), as printed in control-chart tables."""


@dataclass(frozen=True)
class IndividualsChart:
    """A Shewhart chart of single readings, unit of the readings.

    Attributes:
        centre: Mean of the readings.
        sigma: Short-term scatter, mean moving range ÷ 1.128.
        low: Lower control limit, centre - 3 sigma.
        high: Upper control limit, centre + 3 sigma.
        beyond: Positions of readings outside the limits.
    """

    centre: float
    sigma: float
    low: float
    high: float
    beyond: tuple[int, ...]


@dataclass(frozen=True)
class EwmaChart:
    """An exponentially weighted moving average, unit of the readings.

    Attributes:
        centre: The target.
        averages: The moving average after each reading, as many as there are readings.
        low: Lower limit for a chart that has run a while.
        high: Upper limit for a chart that has run a while.
        beyond: Positions whose average lies outside the limits.
    """

    centre: float
    averages: tuple[float, ...]
    low: float
    high: float
    beyond: tuple[int, ...]


def shewhart_individuals(values: Iterable[float]) -> IndividualsChart:
    """Return the chart of individual readings, limits at three short-term sigmas.

    NIST/SEMATECH e-Handbook 6.3.2.2.

    Raises:
        Refused: Fewer than three readings, or one is not finite.
    """
    numbers = finite(values)
    n = len(numbers)
    if n < 3:  # noqa: PLR2004 - two readings have one moving range, and it always covers them
        raise Refused(
            f"a control chart of {n} readings", why="it needs three", do="Come back after more plates."
        )
    centre = math.fsum(numbers) / n
    ranges = [abs(later - earlier) for earlier, later in pairwise(numbers)]
    # From neighbours only: the overall standard deviation would hold the very drift that the chart is to
    # show, and widen the limits around it.
    sigma = math.fsum(ranges) / len(ranges) / _D2_OF_PAIRS
    low, high = centre - _LIMITS_SD * sigma, centre + _LIMITS_SD * sigma
    beyond = tuple(i for i, value in enumerate(numbers) if not low <= value <= high)
    return IndividualsChart(centre, sigma, low, high, beyond)


def ewma(values: Iterable[float], *, centre: float, sigma: float, weight: float = 0.3) -> EwmaChart:
    """Return the moving average z ← w·x + (1-w)·z started at ``centre``.

    Limits are centre ± 3·sigma·√(w/(2-w)) (NIST/SEMATECH e-Handbook
    6.3.2.4). Slow drifts show here before a single reading leaves a Shewhart chart.

    Args:
        values: Readings in order of time.
        centre: Target, unit of the readings.
        sigma: Known scatter of one reading, same unit, positive.
        weight: w, above 0 and at most 1.

    Raises:
        Refused: No readings, one not finite, or ``sigma`` or ``weight`` outside its range.
    """
    numbers = finite(values)
    if sigma <= 0 or not 0 < weight <= 1:
        raise Refused(
            f"a moving average with sigma {sigma:g} and weight {weight:g}",
            why="sigma must be above 0 and the weight above 0 and at most 1",
            do="Use the repeatability of the method and a weight of 0.3.",
        )
    # Started at the target and not at the first reading, which may be the very thing to be found.
    average, averages = centre, []
    for number in numbers:
        average = weight * number + (1 - weight) * average
        averages.append(average)
    # The limits of a chart that has run long, from the first point on: the exact ones begin narrower, and
    # would raise more alarms while least is known.
    half = _LIMITS_SD * sigma * math.sqrt(weight / (2 - weight))
    beyond = tuple(i for i, value in enumerate(averages) if abs(value - centre) > half)
    return EwmaChart(centre, tuple(averages), centre - half, centre + half, beyond)
