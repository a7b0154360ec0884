"""Filament: what a row adds to the deposit, and the retractions between deposits.

A deposit is a rise of the running high-water mark of E, for each tool: what is
pulled back and pushed out again cancels, an extra on the restart counts.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable
from typing import Any

import numpy.typing as npt

from tracker.lazy_modules import np
from tracker.platefile.path import Reading, followed, shifted

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
Count = Callable[[int, float, int, int], None]
"""Takes the context of retractions that are alike, their feed in mm/min, length in 0.01 mm and number."""

RETRACTED_MM = 1e-6
"""Less than this below the high-water mark is rounding."""

ROUNDING_MM = 1e-7
"""A smaller rise is a return to the mark with rounding, no deposit."""

_WINDOW = 12
"""Rows within which a retraction is expected to be made good: wipe, hop, way, and back."""

_REACHED_MM = 1e-10
"""So near to the mark it is reached, but for the rounding of sums."""

_NOTHING: Floats = np.zeros(0)
_HALF_UP = 1e-6
"""Added before a length is rounded: half a step is a frequent length, and must not go by its last bit."""


class ECounter:
    """The counter of E.

    Args:
        value: Where it is, mm of filament.
    """

    def __init__(self, value: float = 0.0) -> None:
        self.value = value

    def steps(self, values: Floats, sets: Flags, relative: Flags | bool, scale: Any) -> Floats:
        """Return how far each line moves the filament, in mm.

        Args:
            values: E as the lines give it, (n,); NaN where they do not.
            sets: Which lines only set the counter, (n,).
            relative: Whether E is an increment, of all lines or of each.
            scale: mm of filament per unit of E, likewise.
        """
        given = ~np.isnan(values)
        scaled = values * scale
        if relative is True:
            steps = np.where(given & ~sets, scaled, 0.0)
            # Where the counter was set, it goes on from there: absolute E may follow in what is read next.
            last = int(np.flatnonzero(sets)[-1]) if sets.any() else -1
            begin = float(scaled[last]) if last >= 0 else self.value
            self.value = begin + float(steps[last + 1 :].sum())
            return steps
        increments = given & relative & ~sets
        mixed = bool(increments.any())
        counter = followed(scaled, given, increments if mixed else False, self.value)
        steps = counter - shifted(counter, self.value)
        self.value = float(counter[-1])
        steps[sets] = 0.0
        return np.where(increments, scaled, steps) if mixed else steps


class OtherReading:
    """Follows E as firmware of the other kind would, in which G90 and G91 do (or do not) set E too.

    It is made where the two begin to differ, and knows by then only what they share.

    Args:
        counter: The counter of E.
        filament: What is below its mark.
        deposited_mm: mm of filament deposited so far.
    """

    def __init__(self, counter: ECounter, filament: Filament, deposited_mm: float) -> None:
        self._counter = ECounter(counter.value)
        self._filament = Filament(None)
        self._filament.depths.update(filament.depths)
        self.deposited_mm = deposited_mm

    def follow(self, values: Floats, sets: Flags, how: Reading) -> None:
        """Add up what some lines lay; the arguments are those of `ECounter.steps`."""
        steps = self._counter.steps(values, sets, how.other_e, how.e_scale)
        moved = np.flatnonzero(steps)
        if not len(moved):
            return
        tools = how.tool if isinstance(how.tool, int) else how.tool.take(moved)
        self.deposited_mm += float(self._filament.follow(steps.take(moved), tools, moved, _NOTHING).sum())


class Filament:
    """Follows E through a plate.

    Args:
        count: Takes the retractions; None counts none.

    Attributes:
        depths: mm below the mark, of each tool.
    """

    def __init__(self, count: Count | None) -> None:
        self.depths: dict[int, float] = defaultdict(float)
        self._count = count
        self._open: tuple[int, float, float] | None = None

    def follow(self, steps: Floats, tools: Numbers | int, context: Numbers, feeds: Floats) -> Floats:
        """Return what each row deposits, in mm.

        Args:
            steps: mm of filament moved by each row.
            tools: The tool of each row, or of all.
            context: The context of each row.
            feeds: The feed of each row, mm/min.
        """
        if isinstance(tools, int):
            return self._one(steps, tools, context, feeds)
        deposit = np.zeros(len(steps))
        bounds = np.flatnonzero(np.diff(tools)) + 1
        for start, stop in zip([0, *bounds.tolist()], [*bounds.tolist(), len(steps)], strict=True):
            part = slice(start, stop)
            deposit[part] = self._one(steps[part], int(tools[start]), context[part], feeds[part])
        return deposit

    def _one(self, steps: Floats, tool: int, context: Numbers, feeds: Floats) -> Floats:
        before = self.depths[tool]
        near = _near_retractions(steps, before)
        depth, deposit = _below_mark(steps.take(near), before)
        # A window must end where the mark has been reached; a longer way back is followed row by row.
        ends = np.append(np.flatnonzero(np.diff(near) > 1), len(near) - 1)
        if len(near) and (depth.take(ends) > _REACHED_MM).any():
            near = np.arange(len(steps))
            depth, deposit = _below_mark(steps, before)
        whole = steps.copy()
        whole[near] = deposit
        if len(near):
            self.depths[tool] = float(depth[-1])
            if self._count is not None:
                # Wiped back in many small pieces a retraction is still one, until the mark is reached again.
                self._episodes(depth, before, context.take(near), feeds.take(near))
        # Five decimals in the file leave such remnants after every retraction; they would lay a layer at
        # travel height.
        whole *= whole >= ROUNDING_MM
        return whole

    def _episodes(self, depth: Floats, before: float, context: Numbers, feeds: Floats) -> None:
        below = np.empty(len(depth) + 1, np.bool_)
        below[0] = before > RETRACTED_MM
        np.greater(depth, RETRACTED_MM, out=below[1:])
        begins = np.flatnonzero(below[1:] & ~below[:-1])
        first = int(begins[0]) if len(begins) else len(depth)
        if self._open and first:
            self._open = (*self._open[:2], max(self._open[2], float(depth[:first].max())))
        if not len(begins):
            return
        self.close()
        deepest = np.maximum.reduceat(depth, begins)
        of, at = context.take(begins), np.nan_to_num(feeds.take(begins))
        # The last one may go on in what follows.
        self._open = (int(of[-1]), float(at[-1]), float(deepest[-1]))
        lengths = np.rint(deepest[:-1] * 100 + _HALF_UP).astype(np.int64)
        alike = Counter(zip(of[:-1].tolist(), at[:-1].tolist(), lengths.tolist(), strict=True))
        for (who, feed, length), count in alike.items():
            self._count_rows(who, feed, length, count)

    def close(self) -> None:
        """Count the retraction that has just ended, if there is one."""
        if self._open:
            who, feed, length = self._open
            self._count_rows(who, feed, round(length * 100 + _HALF_UP), 1)
        self._open = None

    def _count_rows(self, context: int, feed: float, length: int, count: int) -> None:
        if self._count is not None:
            self._count(context, feed, length, count)


def _near_retractions(steps: Floats, before: float) -> Numbers:
    """Return the rows at which E may be below its mark, if each retraction is made good within a few rows.

    Everywhere else a row deposits what it moves: running sums and maxima over all rows would take four
    times as long.
    """
    back = np.flatnonzero(steps < 0)
    if before > 0:
        back = np.concatenate([[0], back])
    near = np.zeros(len(steps) + _WINDOW, np.bool_)
    for behind in range(_WINDOW):
        near[back + behind] = True
    return np.flatnonzero(near[: len(steps)])


def _below_mark(steps: Floats, before: float) -> tuple[Floats, Floats]:
    """Return how far below its high-water mark E is after each row, and what each row deposits."""
    # Counted from the mark, so that the sum stays small and its rounding too.
    reached = np.cumsum(steps)
    reached -= before
    water = np.zeros(len(steps) + 1)
    np.maximum.accumulate(np.maximum(reached, 0.0), out=water[1:])
    depth = np.subtract(water[1:], reached, out=reached)
    return depth, water[1:] - water[:-1]
