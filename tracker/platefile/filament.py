"""Filament: what a row adds to the deposit, and the retractions between deposits.

A deposit is a rise of the running high-water mark of E, for each tool: what is
pulled back and pushed out again cancels, an extra on the restart counts.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from functools import partial

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Objects = tuple[str, ...]
Who = Callable[[int], tuple[Objects, float]]
"""Gives the objects and the feed of a row."""

RETRACTED_MM = 1e-6
"""Less than this below the high-water mark is rounding."""

ROUNDING_MM = 1e-7
"""A smaller rise is a return to the mark with rounding, no deposit."""


def _later(who: Who, start: int, row: int) -> tuple[Objects, float]:
    return who(row + start)


class Filament:
    """Follows E through a plate.

    Args:
        count: Takes the row a retraction began in (its objects and feed, as handed to `follow`), and its
            length in 0.01 mm.
    """

    def __init__(self, count: Callable[[tuple[Objects, float], int], None]) -> None:
        self._depths: dict[int, float] = defaultdict(float)
        self._count = count
        self._open: tuple[tuple[Objects, float], float] | None = None

    def follow(self, steps: Floats, tools: Numbers | int, who: Who) -> Floats:
        """Return what each row deposits, in mm.

        Args:
            steps: mm of filament moved by each row.
            tools: The tool of each row, or of all.
            who: Gives the objects and the feed of a row, for the count of retractions.
        """
        if isinstance(tools, int):
            return self._one(steps, tools, who)
        deposit = np.zeros(len(steps))
        bounds = np.flatnonzero(np.diff(tools)) + 1
        for start, stop in zip([0, *bounds.tolist()], [*bounds.tolist(), len(steps)], strict=True):
            part = steps[start:stop]
            deposit[start:stop] = self._one(part, int(tools[start]), partial(_later, who, start))
        return deposit

    def _one(self, steps: Floats, tool: int, who: Who) -> Floats:
        before = self._depths[tool]
        # Counted from the mark, so that the sum stays small and its rounding too.
        reached = np.cumsum(steps)
        reached -= before
        water = np.maximum.accumulate(np.maximum(reached, 0.0))
        depth = water - reached
        self._depths[tool] = float(depth[-1])
        # Wiped back in many small pieces a retraction is still one, until the mark is reached again.
        self._episodes(depth, before, who)
        deposit = np.diff(water, prepend=0.0)
        # Five decimals in the file leave such remnants after every retraction; they would lay a layer at
        # travel height.
        deposit[deposit < ROUNDING_MM] = 0.0
        return deposit

    def _episodes(self, depth: Floats, before: float, who: Who) -> None:
        below = np.empty(len(depth) + 1, np.bool_)
        below[0] = before > RETRACTED_MM
        np.greater(depth, RETRACTED_MM, out=below[1:])
        begins = np.flatnonzero(below[1:] & ~below[:-1])
        first = int(begins[0]) if len(begins) else len(depth)
        if self._open and first:
            self._open = (self._open[0], max(self._open[1], float(depth[:first].max())))
        if not len(begins):
            return
        deepest = np.maximum.reduceat(depth, begins)
        for row, most in zip(begins.tolist(), deepest.tolist(), strict=True):
            self.close()
            self._open = (who(row), most)

    def close(self) -> None:
        """Count the retraction that has just ended, if there is one."""
        if self._open:
            (objects, feed), length = self._open
            self._count((objects, 0.0 if math.isnan(feed) else feed), round(length * 100))
        self._open = None
