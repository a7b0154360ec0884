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


def sums(gains: Floats) -> Floats:
    """Return the sum of the gains before each row, and of all of them: (n + 1,), mm²/s².

    Args:
        gains: 2 a L of each row, (n,), mm²/s².
    """
    travelled = np.empty(len(gains) + 1)
    travelled[0] = 0.0
    np.cumsum(gains, out=travelled[1:])
    return travelled


def backward(limits: Floats, gains: Floats, travelled: Floats, last: float) -> Floats:
    """Return the squares of speed from which every row can still slow down in time.

    Args:
        limits: Square of each junction's limit, (n,), mm²/s².
        gains: 2 a L of each row, (n,), mm²/s².
        travelled: Their `sums`.
        last: Square of the speed allowed after the last row, mm²/s².
    """
    # Distances still to go: small where it matters, next to the end of the rows.
    ahead = travelled[-1] - travelled[1:]
    ahead += gains
    capped: Floats = limits - ahead
    np.minimum(capped, last, out=capped)
    np.minimum.accumulate(capped[::-1], out=capped[::-1])
    capped += ahead
    return capped


def forward(limits: Floats, travelled: Floats) -> Floats:
    """Return the squares of speed that can be reached, given those from which one can slow down.

    Args:
        limits: (n + 1,), mm²/s²: before each row and after the last; the first one is reached as it stands.
        travelled: `sums` of the rows' gains 2 a L.
    """
    squares: Floats = limits - travelled
    np.minimum.accumulate(squares, out=squares)
    squares += travelled
    return squares


def settled(limits: Floats, gains: Floats, travelled: Floats) -> tuple[Floats, int]:
    """Plan backward without knowing what follows.

    Args:
        limits: Square of each junction's limit, (n,), mm²/s².
        gains: 2 a L of each row, (n,), mm²/s².
        travelled: Their `sums`.

    Returns:
        The squares of speed before each row, (n,), and the number of rows that nothing to come can change.
    """
    stopping = backward(limits, gains, travelled, 0.0)
    # The row up to which the future does not matter is nearly always close to the end.
    for tail in (_TAIL, len(limits)):
        near = (limits[-tail:], gains[-tail:], sums(gains[-tail:]))
        agreed = np.flatnonzero(backward(*near, 0.0) == backward(*near, np.inf))
        if len(agreed):
            return stopping, max(len(limits) - tail, 0) + int(agreed[-1])
    return stopping, 0


def times(squares: Floats, ways: Floats, speeds: Floats, accelerations: Floats) -> Floats:
    """Return the time of each row in s, (n,).

    Args:
        squares: Squares of speed at the junctions, (n + 1,), mm²/s².
        ways: Lengths in mm, (n,).
        speeds: Nominal speeds in mm/s, (n,).
        accelerations: mm/s², (n,).
    """
    ends = np.sqrt(np.maximum(squares, 0.0))
    mean = squares[:-1] + squares[1:]
    mean /= 2
    top = accelerations * ways
    top += mean
    np.maximum(top, 0.0, out=top)
    np.minimum(speeds, np.sqrt(top, out=top), out=top)
    cruise = top * top
    cruise -= mean
    cruise /= accelerations
    np.subtract(ways, cruise, out=cruise)
    np.maximum(cruise, 0.0, out=cruise)
    cruise /= top
    ramps = 2 * top
    ramps -= ends[:-1]
    ramps -= ends[1:]
    ramps /= accelerations
    ramps += cruise
    return ramps
