"""Where a handful of readings lies, and how widely they scatter."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from tracker.errors import Refused


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
