"""Arcs in the XY plane: length, directions, extent, in closed form."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_TURN = 2 * np.pi


class Arcs(NamedTuple):
    """Measured arcs; arrays of equal length.

    Attributes:
        good: False where no centre is given: such a move is taken as straight.
        flat: Length in the plane in mm.
        into: Direction in the plane at the start (2, n), unit length.
        out: Direction at the end.
        extent: Least X, greatest X, least Y, greatest Y (4, n), quadrants included.
        quarters: Quadrant points passed: X and Y (2, 4, n), NaN where not passed.
    """

    good: Flags
    flat: Floats
    into: Floats
    out: Floats
    extent: Floats
    quarters: Floats


def measure(start: Floats, end: Floats, offsets: Floats, turns: Floats, counter: Flags) -> Arcs:
    """Measure arcs.

    Args:
        start: X and Y of the starts (2, n), mm.
        end: X and Y of the ends (2, n), mm; NaN where unknown.
        offsets: I, J and R as given (3, n), mm; NaN where absent. I and J count from the start and go
            before R. A positive R takes the shorter way round, a negative one the longer.
        turns: P as given (n,), NaN where absent: extra full turns.
        counter: True for counter-clockwise, (n,).
    """
    sign = np.where(counter, 1.0, -1.0)
    # Without X and Y, or back to the start: a whole turn. The end's angle counts, not its distance, which
    # rounding makes differ from the radius.
    full = (start == end).all(axis=0)
    centre, good = _centres(start, end, offsets, sign)
    good &= ~np.isnan(start + end).any(axis=0)
    from_centre, to_centre = start - centre, end - centre
    radius = np.hypot(from_centre[0], from_centre[1])
    begin = np.arctan2(from_centre[1], from_centre[0])
    sweep = np.mod(sign * (np.arctan2(to_centre[1], to_centre[0]) - begin), _TURN)
    sweep = np.where(full | (sweep == 0), _TURN, sweep)
    # P counts whole turns; an arc back to its start is one already.
    sweep += _TURN * np.maximum(np.nan_to_num(turns) - full, 0.0)
    last = begin + sign * sweep
    quarters = _quarters(centre, radius, begin, sweep, sign)
    return Arcs(
        good & (radius > 0),
        radius * sweep,
        np.stack([-sign * np.sin(begin), sign * np.cos(begin)]),
        np.stack([-sign * np.sin(last), sign * np.cos(last)]),
        _extent(start, end, quarters),
        quarters,
    )


def _centres(start: Floats, end: Floats, offsets: Floats, sign: Floats) -> tuple[Floats, Flags]:
    by_offset = np.asarray(~np.isnan(offsets[:2]).all(axis=0))
    centre = start + np.nan_to_num(offsets[:2])
    if by_offset.all():
        return centre, by_offset
    radius = np.nan_to_num(offsets[2])
    half = (end - start) / 2
    chord = np.hypot(half[0], half[1])
    by_radius = np.asarray(~by_offset & (radius != 0) & (chord > 0))
    good = np.asarray(by_offset | by_radius)
    height = np.sqrt(np.maximum(radius * radius - chord * chord, 0.0))
    aside = np.divide(sign * np.sign(radius) * height, chord, out=np.zeros_like(chord), where=chord > 0)
    of_radius = (start + end) / 2 + aside * np.stack([-half[1], half[0]])
    return np.where(by_offset, centre, of_radius), good


def _quarters(centre: Floats, radius: Floats, begin: Floats, sweep: Floats, sign: Floats) -> Floats:
    angles = np.arange(4)[:, None] * (np.pi / 2)
    # The box of an arc is not that of its ends: a half circle bulges beyond both.
    passed = np.mod(sign * (angles - begin), _TURN) < sweep
    points = np.stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)])
    return np.where(passed, points, np.nan)


def _extent(start: Floats, end: Floats, quarters: Floats) -> Floats:
    low, high = np.fmin(start, end), np.fmax(start, end)
    for number in range(4):
        low, high = np.fmin(low, quarters[:, number]), np.fmax(high, quarters[:, number])
    return np.stack([low[0], high[0], low[1], high[1]])
