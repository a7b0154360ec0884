"""Where moves lead: positions, lengths, directions and extents; arcs in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy.typing as npt

from tracker.lazy_modules import np

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
    """Return the values with a few gaps filled with what is above them."""
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
    increments = given & relative
    # A file that hops by increments still says where it goes in X and Y.
    if not increments.any():
        return held(values, given, before)
    steps = np.cumsum(np.where(increments, values, 0.0))
    # From an absolute row on, what counts is the sum of the steps made since.
    anchors: Floats = held(values - steps, given & ~np.asarray(relative), before)
    reached: Floats = anchors + steps
    return reached


def shifted(values: Floats, before: float) -> Floats:
    """Return the values one row earlier, (n,) for at least one row; ``before`` comes first."""
    earlier = np.empty_like(values)
    earlier[0] = before
    earlier[1:] = values[:-1]
    return earlier


_TURN = 2 * np.pi
COMPASS = 16
"""Directions in which points of an arc are kept: its box needs four of them, its outline more."""


class Arcs(NamedTuple):
    """Measured arcs; arrays of equal length.

    Attributes:
        good: False where no centre is given: such a move is taken as straight.
        flat: Length in the plane in mm.
        into: Direction in the plane at the start (2, n), unit length.
        out: Direction at the end.
        extent: Least X, greatest X, least Y, greatest Y (4, n), quadrants included.
        circles: X and Y of the centre, radius, angle at the start, sweep (negative clockwise), (5, n).
    """

    good: Flags
    flat: Floats
    into: Floats
    out: Floats
    extent: Floats
    circles: Floats


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
    circles = np.stack([*centre, radius, begin, sign * sweep])
    return Arcs(
        good & (radius > 0),
        radius * sweep,
        np.stack([-sign * np.sin(begin), sign * np.cos(begin)]),
        np.stack([-sign * np.sin(last), sign * np.cos(last)]),
        _extent(start, end, points_passed(circles, COMPASS // 4)),
        circles,
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


def points_passed(circles: Floats, every: int = 1) -> Floats:
    """Return the points of arcs in so many of the `COMPASS` directions: X and Y, (2, directions, n), mm.

    Those that an arc does not pass are NaN.

    Args:
        circles: As in `Arcs`.
        every: 1 for all directions, 4 for each fourth.
    """
    x, y, radius, begin, sweep = circles
    angles = np.arange(0, COMPASS, every)[:, None] * (_TURN / COMPASS)
    # The box of an arc is not that of its ends: a half circle bulges beyond both.
    passed = np.mod(np.sign(sweep) * (angles - begin), _TURN) < np.abs(sweep)
    points = np.stack([x + radius * np.cos(angles), y + radius * np.sin(angles)])
    return np.where(passed, points, np.nan)


def _extent(start: Floats, end: Floats, quarters: Floats) -> Floats:
    low, high = np.fmin(start, end), np.fmax(start, end)
    for number in range(quarters.shape[1]):
        low, high = np.fmin(low, quarters[:, number]), np.fmax(high, quarters[:, number])
    return np.stack([low[0], high[0], low[1], high[1]])


@dataclass(slots=True)
class Reading:
    """How the numbers of some rows are read; one value for all where they are alike, else one per row.

    Attributes:
        relative: X, Y, Z are increments.
        relative_e: E is an increment.
        unit: mm per unit of length.
        e_scale: mm of filament per unit of E.
        flat: Arcs lie in XY.
        tool: The tool that E moves.
        other_e: E is an increment in the other reading of G90 and G91.
    """

    relative: Flags | bool
    relative_e: Flags | bool
    unit: Floats | float
    e_scale: Floats | float
    flat: Flags | bool
    tool: Numbers | int
    other_e: Flags | bool

    def at(self, rows: Numbers) -> Reading:
        """Return how some of the rows are read."""
        values = (getattr(self, field.name) for field in fields(self))
        return Reading(*(value.take(rows) if isinstance(value, np.ndarray) else value for value in values))


@dataclass(slots=True)
class Bends:
    """The arcs among some rows; every array has one value per arc.

    Attributes:
        rows: Which rows they are.
        out: Direction in X and Y at their ends times the length.
        extent: Least X, greatest X, least Y, greatest Y (4, n).
        circles: As in `Arcs` (5, n).
    """

    rows: Numbers
    out: Floats
    extent: Floats
    circles: Floats

    def among(self, rows: Numbers) -> Bends:
        """Return the arcs among some of the rows, rising, with their numbers among these."""
        number = np.minimum(np.searchsorted(rows, self.rows), len(rows) - 1)
        kept = np.flatnonzero(rows.take(number) == self.rows) if len(rows) else rows
        return Bends(number.take(kept), self.out[:, kept], self.extent[:, kept], self.circles[:, kept])


@dataclass(slots=True)
class Path:
    """Where some rows lead; every array has one value per row.

    Attributes:
        at: X, Y, Z after each row; NaN where unknown.
        was: X, Y, Z before it.
        step: The difference, 0 where unknown.
        climbs: Whether any row changes Z.
        unknown: Whether X or Y is unknown at the start.
        length: mm along the path.
        into: Direction at the start times the length.
        bends: The arcs, if there are any; all other rows end in the direction in which they start.
    """

    at: list[Floats]
    was: list[Floats]
    step: list[Floats]
    climbs: bool
    unknown: bool
    length: Floats
    into: list[Floats]
    bends: Bends | None = None


class Walker:
    """Keeps the position from one span of rows to the next."""

    def __init__(self) -> None:
        self.at = [math.nan] * 3
        self._offset = [0.0] * 3
        self.without_centre = 0

    def home(self, axes: str) -> None:
        """Forget where some axes are."""
        for axis in axes:
            self.at["XYZ".index(axis)] = math.nan
            self._offset["XYZ".index(axis)] = 0.0

    def call_position(self, axes: tuple[tuple[str, float], ...], unit: float) -> None:
        """Give the present position other coordinates (G92); an unknown position counts as 0."""
        for axis, value in axes:
            i = "XYZ".index(axis)
            if math.isnan(self.at[i]):
                self.at[i] = 0.0
            # Kept as an offset at full precision: adding up rounded coordinates would drift over a hundred
            # thousand resets.
            self._offset[i] = self.at[i] - value * unit

    def follow(self, words: Floats, how: Reading) -> list[Floats]:
        """Return where each of some lines leads: X, Y and Z.

        Args:
            words: What the lines say of X, Y and Z, (3, n); NaN where they say nothing.
            how: How they are read.
        """
        at = [
            followed(self._absolute(column, axis, how), ~np.isnan(column), how.relative, self.at[axis])
            for axis, column in enumerate(words)
        ]
        self.at = [float(after[-1]) for after in at]
        return at

    def _absolute(self, values: Floats, axis: int, how: Reading) -> Floats:
        if np.any(np.not_equal(how.unit, 1.0)):
            values = values * how.unit
        if self._offset[axis]:
            # An offset moves absolute coordinates; an increment stays one.
            values = values + np.where(how.relative, 0.0, self._offset[axis])
        return values

    def bend(self, path: Path, rows: Numbers, words: Floats, counter: Flags) -> None:
        """Replace straight rows by the arcs they are.

        Args:
            path: The rows.
            rows: Which of them are arcs in the XY plane.
            words: Their I, J, R in mm, and P, (4, n); NaN where absent.
            counter: Which of them run counter-clockwise.
        """
        start = np.stack([path.was[axis].take(rows) for axis in (0, 1)])
        end = np.stack([path.at[axis].take(rows) for axis in (0, 1)])
        arcs = measure(start, end, words[:3], words[3], counter)
        self.without_centre += int((~arcs.good).sum())
        good = np.flatnonzero(arcs.good)
        if len(good):
            _put(path, rows.take(good), arcs, good)


def straight(at: list[Floats], before: list[float]) -> Path:
    """Return the path of straight rows.

    Args:
        at: X, Y and Z after each row, (n,) each, mm; NaN where unknown.
        before: The same before the first one, mm.
    """
    was = [shifted(axis, first) for axis, first in zip(at, before, strict=True)]
    step = [after - start for after, start in zip(at, was, strict=True)]
    for change, first in zip(step, before, strict=True):
        if math.isnan(first):
            change[np.isnan(change)] = 0.0
    climbs = bool(step[2].any())
    square = step[0] * step[0]
    square += step[1] * step[1]
    if climbs:
        square += step[2] * step[2]
    unknown = math.isnan(before[0] + before[1])
    return Path(at, was, step, climbs, unknown, np.sqrt(square, out=square), step)


def _put(path: Path, rows: Numbers, arcs: Arcs, good: Numbers) -> None:
    flat = arcs.flat.take(good)
    path.length[rows] = np.hypot(flat, path.step[2].take(rows))
    path.into = [path.step[0].copy(), path.step[1].copy(), path.step[2]]
    for axis in (0, 1):
        path.into[axis][rows] = arcs.into[axis].take(good) * flat
    path.bends = Bends(rows, arcs.out[:, good] * flat, arcs.extent[:, good], arcs.circles[:, good])
