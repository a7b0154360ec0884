"""Where moves lead: positions, lengths, directions, extents; arcs in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracker.platefile import scan
from tracker.platefile.arcs import Arcs, measure
from tracker.platefile.meaning import CLOCKWISE, COUNTER
from tracker.platefile.positions import followed, shifted

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


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
    """

    relative: Flags | bool
    relative_e: Flags | bool
    unit: Floats | float
    e_scale: Floats | float
    flat: Flags | bool
    tool: Numbers | int


@dataclass(slots=True)
class Path:
    """Where some rows lead; every array has one value per row.

    Attributes:
        at: X, Y, Z after each row; NaN where unknown.
        was: X, Y, Z before it.
        step: The difference, 0 where unknown.
        climbs: Whether any row changes Z.
        length: mm along the path.
        into: Direction at the start times the length.
        out: Direction at the end times the length.
        low: Least X and Y.
        high: Greatest X and Y.
        curved: The rows that are arcs, with their quadrant points (2, 4, n).
    """

    at: list[Floats]
    was: list[Floats]
    step: list[Floats]
    climbs: bool
    length: Floats
    into: list[Floats]
    out: list[Floats]
    low: list[Floats]
    high: list[Floats]
    curved: tuple[Numbers, Floats] | None = None


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

    def walk(
        self, kinds: npt.NDArray[np.uint8], values: list[Floats], given: list[Flags], how: Reading
    ) -> Path:
        """Follow rows of moves.

        Args:
            kinds: As in `tracker.platefile.scan.Scan`.
            values: Their words, as columns; only those of arcs are looked at beyond X, Y, Z.
            given: Which rows hold X, Y, Z.
            how: How they are read.
        """
        at, was, step = [], [], []
        for axis in range(3):
            after = followed(
                self._absolute(values[axis], axis, how), given[axis], how.relative, self.at[axis]
            )
            before = shifted(after, self.at[axis])
            change = after - before
            if math.isnan(self.at[axis]):
                change[np.isnan(change)] = 0.0
            at.append(after)
            was.append(before)
            step.append(change)
        climbs = bool(step[2].any())
        square = step[0] * step[0] + step[1] * step[1]
        if climbs:
            square += step[2] * step[2]
        low, high = _extents(was, at, unknown=math.isnan(self.at[0] + self.at[1]))
        path = Path(at, was, step, climbs, np.sqrt(square), step, step, low, high)
        self._bend(path, kinds, values, how)
        self.at = [float(after[-1]) for after in at]
        return path

    def _absolute(self, values: Floats, axis: int, how: Reading) -> Floats:
        if np.any(np.not_equal(how.unit, 1.0)):
            values = values * how.unit
        if self._offset[axis]:
            # An offset moves absolute coordinates; an increment stays one.
            values = values + np.where(how.relative, 0.0, self._offset[axis])
        return values

    def _bend(self, path: Path, kinds: npt.NDArray[np.uint8], values: list[Floats], how: Reading) -> None:
        """Replace straight moves by the arcs they are."""
        rows = np.flatnonzero(((kinds == CLOCKWISE) | (kinds == COUNTER)) & how.flat)
        if not len(rows):
            return
        unit = how.unit if isinstance(how.unit, float) else how.unit.take(rows)
        offsets = np.stack([values[column].take(rows) for column in (scan.I, scan.J, scan.R)]) * unit
        start = np.stack([path.was[axis].take(rows) for axis in (0, 1)])
        end = np.stack([path.at[axis].take(rows) for axis in (0, 1)])
        arcs = measure(start, end, offsets, values[scan.P].take(rows), kinds.take(rows) == COUNTER)
        self.without_centre += int((~arcs.good).sum())
        _put(path, rows, arcs)


def _extents(was: list[Floats], at: list[Floats], *, unknown: bool) -> tuple[list[Floats], list[Floats]]:
    """Return least and greatest X and Y of straight rows; a point of which half is unknown does not count."""
    if not unknown:
        return [np.minimum(was[i], at[i]) for i in (0, 1)], [np.maximum(was[i], at[i]) for i in (0, 1)]
    ends = []
    for point in (was, at):
        half = np.isnan(point[0] + point[1])
        ends.append([np.where(half, np.nan, point[i]) for i in (0, 1)])
    return [np.fmin(ends[0][i], ends[1][i]) for i in (0, 1)], [
        np.fmax(ends[0][i], ends[1][i]) for i in (0, 1)
    ]


def _put(path: Path, rows: Numbers, arcs: Arcs) -> None:
    rows, flat = rows[arcs.good], arcs.flat[arcs.good]
    if not len(rows):
        return
    path.length[rows] = np.hypot(flat, path.step[2].take(rows))
    path.into, path.out = [*path.step], [*path.step]
    for axis in (0, 1):
        path.into[axis], path.out[axis] = path.step[axis].copy(), path.step[axis].copy()
        path.into[axis][rows] = arcs.into[axis][arcs.good] * flat
        path.out[axis][rows] = arcs.out[axis][arcs.good] * flat
        path.low[axis][rows] = arcs.extent[2 * axis][arcs.good]
        path.high[axis][rows] = arcs.extent[2 * axis + 1][arcs.good]
    path.curved = (rows, arcs.quarters[:, :, arcs.good])
