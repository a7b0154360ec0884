"""Where moves lead: positions, lengths, directions, extents; arcs in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from tracker.platefile.arcs import Arcs, measure
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
        quarters: Quadrant points passed (2, 4, n); NaN where not passed.
    """

    rows: Numbers
    out: Floats
    extent: Floats
    quarters: Floats

    def among(self, rows: Numbers) -> Bends:
        """Return the arcs among some of the rows, rising, with their numbers among these."""
        number = np.minimum(np.searchsorted(rows, self.rows), len(rows) - 1)
        kept = np.flatnonzero(rows.take(number) == self.rows) if len(rows) else rows
        return Bends(number.take(kept), self.out[:, kept], self.extent[:, kept], self.quarters[:, :, kept])


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
    path.bends = Bends(rows, arcs.out[:, good] * flat, arcs.extent[:, good], arcs.quarters[:, :, good])
