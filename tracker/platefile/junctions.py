"""Nominal speed and acceleration of each row, and how fast one may follow another."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from tracker.platefile.limits import Plan

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]

USUAL_FEED_MM_MIN = 1500.0
"""Taken before the file states any feed rate."""
_STRAIGHT = 0.999999
_CORNER = math.sqrt(2) - 1


class Limits:
    """The plans in force over some rows, as arrays, or as plain numbers where all rows share one.

    Args:
        plans: All plans seen so far.
        numbers: The plan of each row.
    """

    def __init__(self, plans: Sequence[Plan], numbers: Numbers) -> None:
        self._one = len(numbers) == 0 or bool((numbers == numbers[0]).all())
        self._numbers = numbers
        self._plans = plans
        self._plan = plans[int(numbers[0])] if len(numbers) else Plan()

    def of(self, name: str) -> Floats | float:
        """Return one limit for each row."""
        if self._one:
            return float(getattr(self._plan, name))
        table = np.array([getattr(plan, name) for plan in self._plans])
        return float(table[0]) if bool((table == table[0]).all()) else table.take(self._numbers)


def nominal(
    limits: Limits, feed: Floats, way: Floats, into: Floats, e: Floats, standing: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Return the nominal speed (mm/s) and the acceleration (mm/s²) of each row.

    Args:
        limits: What binds them.
        feed: mm/min as written.
        way: mm: the path, or E where nothing else moves.
        into: Directions at the start (3, n); zero where only E moves.
        e: mm of filament moved.
        standing: True where only E moves.
    """
    feed = np.where(feed > 0, feed, USUAL_FEED_MM_MIN)
    speed = np.minimum(feed / 60 * limits.of("factor"), limits.of("speed"))
    fastest = float(speed.max()) if len(speed) else 0.0
    for axis, share in zip("xyz", into, strict=True):
        most = limits.of(f"speed_{axis}")
        if np.min(most) < fastest:
            speed = np.minimum(speed, _per(most, np.abs(share)))
    most = limits.of("speed_e")
    if np.min(most) < np.inf:
        speed = np.minimum(speed, _per(most, np.abs(e) / way))
    capped = np.where(e != 0, limits.of("printing"), limits.of("travel"))
    capped = np.minimum(capped, limits.of("limit_xy"))
    if np.min(limits.of("limit_z")) < np.inf:
        capped = np.minimum(capped, _per(limits.of("limit_z"), np.abs(into[2])))
    alone = np.minimum(limits.of("retract"), limits.of("limit_e"))
    return speed, np.where(standing, alone, capped)


def _per(most: Floats | float, share: Floats) -> Floats:
    """Return the speed along the path at which an axis with this share of it reaches its limit."""
    with np.errstate(divide="ignore"):
        return most / share


def following(
    limits: Limits,
    speed: tuple[Floats, Floats],
    out: Floats,
    into: Floats,
    acceleration: Floats,
    standing: npt.NDArray[np.bool_],
) -> Floats:
    """Return the square of the speed at which each row may follow the one before it.

    Classic rule: no axis may jump by more than its jerk. With a corner velocity or
    a junction deviation: the speed on a circle that touches both rows.

    Args:
        limits: What binds the rows.
        speed: Nominal speed of the rows before, and of these.
        out: Direction at the end of the rows before (3, n).
        into: Direction at the start of these.
        acceleration: Of these.
        standing: True where a row or the one before it moves E alone.
    """
    slower = np.minimum(*speed)
    corner, deviation = limits.of("corner"), limits.of("deviation")
    if np.max(corner) == 0 and np.max(deviation) == 0:
        return _classic(limits, slower, np.abs(out - into))
    round_corner = _by_circle(corner, deviation, slower, out, into, acceleration)
    round_corner = np.where(standing, 0.0, round_corner)
    if np.min(np.maximum(corner, deviation)) > 0:
        return round_corner
    curved = np.maximum(corner, deviation) > 0
    return np.where(curved, round_corner, _classic(limits, slower, np.abs(out - into)))


def _classic(limits: Limits, slower: Floats, jump: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        most = np.fmin(slower, limits.of("jerk_xy") / np.maximum(jump[0], jump[1]))
        if jump[2].any():
            most = np.fmin(most, limits.of("jerk_z") / jump[2])
    return most * most


def _by_circle(
    corner: Floats | float,
    deviation: Floats | float,
    slower: Floats,
    out: Floats,
    into: Floats,
    acceleration: Floats,
) -> Floats:
    cosine = -(out[0] * into[0] + out[1] * into[1] + out[2] * into[2])
    half = np.sqrt(np.maximum(0.0, (1 - cosine) / 2))
    push = np.where(np.greater(corner, 0), np.square(corner) * _CORNER, deviation * acceleration)
    with np.errstate(divide="ignore", invalid="ignore"):
        square = push * half / (1 - half)
    return np.where(half > _STRAIGHT, slower * slower, np.fmin(slower * slower, square))
