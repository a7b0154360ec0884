"""Charts of readings in the order of time: has something drifted?"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from tracker.errors import Refused
from tracker.statistics.location import finite

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
    low, high = centre - 3 * sigma, centre + 3 * sigma
    beyond = tuple(i for i, value in enumerate(numbers) if not low <= value <= high)
    return IndividualsChart(centre, sigma, low, high, beyond)


def ewma(
    values: Iterable[float], *, centre: float, sigma: float, weight: float = 0.3, width: float = 3.0
) -> EwmaChart:
    """Return the moving average z ← w·x + (1-w)·z started at ``centre``.

    Limits are centre ± width·sigma·√(w/(2-w)) (NIST/SEMATECH e-Handbook
    6.3.2.4). Slow drifts show here before a single reading leaves a Shewhart chart.

    Args:
        values: Readings in order of time.
        centre: Target, unit of the readings.
        sigma: Known scatter of one reading, same unit, positive.
        weight: w, above 0 and at most 1.
        width: Limits in standard deviations of the average.

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
    half = width * sigma * math.sqrt(weight / (2 - weight))
    beyond = tuple(i for i, value in enumerate(averages) if abs(value - centre) > half)
    return EwmaChart(centre, tuple(averages), centre - half, centre + half, beyond)
