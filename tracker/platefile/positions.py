"""Where a column of words leads: absolute, relative or mixed, whole arrays at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

_FEW = 4
"""Gaps in less than one row in so many are filled one by one."""


def held(values: Floats, known: Flags, before: float) -> Floats:
    """Return each row's value, or the last known one above it, or ``before``."""
    if (len(known) - np.count_nonzero(known)) * _FEW < len(known):
        return _bridged(values, np.flatnonzero(~known), before)
    # Repeating known values is three times as fast as a running maximum of row numbers.
    rows = np.flatnonzero(known)
    if not len(rows):
        return np.full(len(values), before)
    reached = np.empty(len(values))
    reached[: rows[0]] = before
    reached[rows[0] :] = np.repeat(values.take(rows), np.diff(rows, append=len(values)))
    return reached


def _bridged(values: Floats, gaps: Numbers, before: float) -> Floats:
    """Return the values with a few gaps filled with what stands above them."""
    reached = values.copy()
    if not len(gaps):
        return reached
    begins = np.flatnonzero(np.diff(gaps, prepend=-2) > 1)
    above = gaps.take(begins) - 1
    filling = values.take(above, mode="clip")
    if above[0] < 0:
        filling[0] = before
    reached[gaps] = np.repeat(filling, np.diff(begins, append=len(gaps)))
    return reached


def followed(values: Floats, given: Flags, relative: Flags | bool, before: float) -> Floats:
    """Return the position after each row.

    Args:
        values: What the rows say, scaled and with any offset of absolute values applied, (n,), mm.
        given: Which rows say anything, (n,).
        relative: Which rows are increments; one flag for all of them if they are alike.
        before: The position before the first row, mm; NaN if unknown.
    """
    if relative is False:
        return held(values, given, before)
    if relative is True:
        return before + np.cumsum(np.where(given, values, 0.0))
    steps = np.cumsum(np.where(given & relative, values, 0.0))
    # From an absolute row on, what counts is the sum of the steps made since.
    anchors: Floats = held(values - steps, given & ~np.asarray(relative), before)
    reached: Floats = anchors + steps
    return reached


def shifted(values: Floats, before: float) -> Floats:
    """Return the values one row earlier, (n,) for at least one row; ``before`` stands first."""
    earlier = np.empty_like(values)
    earlier[0] = before
    earlier[1:] = values[:-1]
    return earlier
