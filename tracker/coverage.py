"""Coverage factors: how many standard uncertainties lie between a value and an end of its interval.

Loads no numerical library: reading commands state results too.
"""

from __future__ import annotations

import functools
import math
import statistics
from typing import Final

LEVEL: Final = 0.95
# From here the expansion in 1/ν is exact to 3e-9, and the finite sum grows with ν.
_MANY = 200


@functools.lru_cache(maxsize=512)
def coverage_factor(dof: float | None = None, level: float = LEVEL) -> float:
    """Return k = t_p(ν), which takes a standard uncertainty to the half-width of a two-sided interval.

    Args:
        dof: Degrees of freedom ν, truncated; below 1 it counts as 1. None or infinite: normal distribution.
        level: Probability p of the interval, between 0 and 1.

    >>> f"{coverage_factor(16):.2f}"  # JCGM 100, table G.2
    '2.12'
    >>> f"{coverage_factor():.2f}"
    '1.96'
    """
    z = statistics.NormalDist().inv_cdf(0.5 + level / 2)
    if dof is None or not math.isfinite(dof):
        return z
    nu = max(1, math.floor(dof))
    return _expanded_t(z, nu) if nu > _MANY else _solved_t(level, nu)


def _expanded_t(z: float, nu: int) -> float:
    """Cornish–Fisher expansion of the quantile in 1/ν (Abramowitz and Stegun 26.7.5)."""
    return (
        z
        + (z**3 + z) / (4 * nu)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * nu**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * nu**3)
    )


@functools.lru_cache(maxsize=512)
def _solved_t(level: float, nu: int) -> float:
    low, high = 0.0, 1.0
    while _inside_t(high, nu) < level:
        low, high = high, 2 * high
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if _inside_t(middle, nu) < level else (low, middle)
        if high - low <= 1e-13 * high:
            break
    return (low + high) / 2


def _inside_t(t: float, nu: int) -> float:
    """P(|T| ≤ t) for whole ν, a finite sum (Abramowitz and Stegun 26.7.3 and 26.7.4)."""
    angle = math.atan(t / math.sqrt(nu))
    sine, square = math.sin(angle), math.cos(angle) ** 2
    odd = nu % 2
    term = math.cos(angle) if odd else 1.0
    total = term if nu > 1 else 0.0
    for k in range(3 if odd else 2, nu - 1, 2):
        term *= square * (k - 1) / k
        total += term
    return 2 / math.pi * (angle + sine * total) if odd else sine * total
