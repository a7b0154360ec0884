"""Planned time of rows: trapezoids of speed with look-ahead over all of them.

The squares of the speeds at the junctions obey ``u[i] <= c[i]`` (the junction's
own limit) and ``|u[i+1] - u[i]| <= d[i] = 2 a L``. Going back and forth once is
a running minimum once the sum of ``d`` is taken off, so whole arrays are planned
at once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_TAIL = 512


def backward(limits: Floats, gains: Floats, last: float) -> Floats:
    """Return the squares of speed from which every row can still slow down in time.

    Args:
        limits: Square of each junction's limit, (n,), mm²/s².
        gains: 2 a L of each row, (n,).
        last: Square of the speed allowed after the last row.
    """
    travelled = np.cumsum(gains)
    total = travelled[-1]
    # Distances still to go: small where it matters, next to the end of the rows.
    ahead = total - travelled + gains
    capped = np.minimum(limits - ahead, last)
    squares: Floats = np.minimum.accumulate(capped[::-1])[::-1] + ahead
    return squares


def forward(limits: Floats, gains: Floats) -> Floats:
    """Return the squares of speed that can be reached, given those from which one can slow down.

    Args:
        limits: (n + 1,): before each row and after the last; the first one is reached as it stands.
        gains: 2 a L of each row, (n,).
    """
    travelled = np.empty(len(limits))
    travelled[0] = 0.0
    np.cumsum(gains, out=travelled[1:])
    return np.minimum.accumulate(limits - travelled) + travelled


def settled(limits: Floats, gains: Floats) -> tuple[Floats, int]:
    """Plan backward without knowing what follows.

    Returns:
        The squares of speed before each row, and the number of rows that nothing to come can change.
    """
    stopping = backward(limits, gains, 0.0)
    # The row up to which the future does not matter is nearly always close to the end.
    for tail in (_TAIL, len(limits)):
        free = backward(limits[-tail:], gains[-tail:], np.inf)
        agreed = np.flatnonzero(backward(limits[-tail:], gains[-tail:], 0.0) == free)
        if len(agreed):
            return stopping, max(len(limits) - tail, 0) + int(agreed[-1])
    return stopping, 0


def times(squares: Floats, ways: Floats, speeds: Floats, accelerations: Floats) -> Floats:
    """Return the time of each row.

    Args:
        squares: Squares of speed at the junctions, (n + 1,).
        ways: Lengths in mm.
        speeds: Nominal speeds in mm/s.
        accelerations: mm/s².
    """
    ends = np.sqrt(np.maximum(squares, 0.0))
    mean = (squares[:-1] + squares[1:]) / 2
    top = np.minimum(speeds, np.sqrt(np.maximum(mean + accelerations * ways, 0.0)))
    cruise = np.maximum(ways - (top * top - mean) / accelerations, 0.0)
    return (2 * top - ends[:-1] - ends[1:]) / accelerations + cruise / top
