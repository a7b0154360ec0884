"""Objects of a plate without markers: connected islands of what is deposited, seen from above.

Deposits are drawn into one coarse grid while they stream past; what hangs together is one
island. Islands only ever grow together, so each deposit gets the provisional number of the
island it lies on at that moment, and numbers that turn out to be one island are joined at
the end. An island of a single layer (a skirt, a purge line) is no piece, unless there is no
other kind.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Final, cast

import numpy.typing as npt

from tracker.lazy_modules import np
from tracker.platefile.tally import Cell, CellKey, Tally, is_ramp

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]

CELL_MM: Final = 0.8
"""Size of the grid's cells: about two line widths, so that pieces 1.6 mm apart are two."""
# Odd, so that round coordinates never lie on the border of two cells, where rounding would decide.
ORIGIN_MM: Final = -250.3137
CELLS: Final = 1600


class Roots:
    """Provisional island numbers, and which of them turned out to be one island; 0 is no island."""

    def __init__(self) -> None:
        self._parents = [0]

    def new(self) -> int:
        """Return a number not given yet."""
        self._parents.append(len(self._parents))
        return len(self._parents) - 1

    def join(self, numbers: Iterable[int]) -> int:
        """Make some numbers one island; return the number it goes by."""
        roots = {self.of(number) for number in numbers}
        least = min(roots)
        for root in roots:
            self._parents[root] = least
        return least

    def of(self, number: int) -> int:
        """Return the number that an island goes by."""
        while self._parents[number] != number:
            self._parents[number] = self._parents[self._parents[number]]
            number = self._parents[number]
        return number

    def table(self) -> Numbers:
        """Return the number that each number's island goes by."""
        return np.array([self.of(number) for number in range(len(self._parents))], np.int64)


class Islands:
    """The grid, and the islands on it so far.

    Args:
        roots: Gives the islands their numbers.
    """

    def __init__(self, roots: Roots) -> None:
        self._roots = roots
        # Made when first drawn on: most plates with markers never need the memory.
        self._drawn: npt.NDArray[np.bool_] | None = None
        # Islands of the part of the grid that has been drawn on, which begins at this row and column.
        self._names = np.zeros((1, 1), np.int32)
        self._corner = (0, 0)
        self._named = False
        self._count = 0
        self._first = np.array([CELLS, CELLS])
        self._last = np.array([-1, -1])

    def draw(self, x: tuple[Floats, Floats], y: tuple[Floats, Floats]) -> Numbers:
        """Draw deposits along straight lines.

        Args:
            x: X of their starts and of their ends, mm; deposits to an unknown place are left out.
            y: Likewise Y.

        Returns:
            The island on which each of them ends, 0 for none or an unknown place.
        """
        if self._drawn is None:
            self._drawn = np.zeros(CELLS * CELLS, np.bool_)
        whole = x[0] + x[1]
        whole += y[0]
        whole += y[1]
        if not math.isnan(float(whole.sum())):
            return self._draw(x, y)
        # What comes from an unknown place lies at least where it ends.
        lost = np.isnan(x[0] + y[0])
        x, y = (np.where(lost, x[1], x[0]), x[1]), (np.where(lost, y[1], y[0]), y[1])
        known = np.flatnonzero(~np.isnan(x[1] + y[1]))
        if len(known):
            self._draw((x[0].take(known), x[1].take(known)), (y[0].take(known), y[1].take(known)))
        return self._at(x[1], y[1])

    def _draw(self, x: tuple[Floats, Floats], y: tuple[Floats, Floats]) -> Numbers:
        column, row = ([_cells(ends) for ends in axis] for axis in (x, y))
        self._stretch(column, row)
        last = _rasterize(cast("npt.NDArray[np.bool_]", self._drawn), column, row)
        self._label()
        top, left = self._corner
        width = self._names.shape[1]
        if top or left or width != CELLS:
            last = (last // CELLS - top) * width + last % CELLS - left
        return self._names.ravel().take(last).astype(np.int64)

    def _stretch(self, column: list[Floats], row: list[Floats]) -> None:
        """Take the cells of some points into the part of the grid that is looked at."""
        for number, axis in enumerate((row, column)):
            self._first[number] = min(self._first[number], *(int(ends.min()) for ends in axis))
            self._last[number] = max(self._last[number], *(int(ends.max()) for ends in axis))

    def _label(self) -> None:
        """Give what was drawn the numbers of the islands it belongs to."""
        if self._drawn is None:
            return
        part = tuple(slice(a, b + 1) for a, b in zip(self._first, self._last, strict=True))
        drawn = self._drawn.reshape(CELLS, CELLS)[part]
        count = int(np.count_nonzero(drawn))
        if count == self._count:
            return
        self._count = count
        labels, found = connected(drawn)
        (top, left), corner = self._corner, (int(self._first[0]), int(self._first[1]))
        rows, columns = self._names.shape
        before = labels[top - corner[0] :, left - corner[1] :][:rows, :columns] if self._named else labels[:0]
        pairs = np.unique(before.ravel().astype(np.int64) << 32 | self._names.ravel()[: before.size])
        held: dict[int, list[int]] = defaultdict(list)
        for label, name in zip((pairs >> 32).tolist(), (pairs & 0xFFFFFFFF).tolist(), strict=True):
            if label and name:
                held[label].append(name)
        table = np.zeros(found + 1, np.int32)
        for label in range(1, found + 1):
            table[label] = self._roots.join(held[label]) if held[label] else self._roots.new()
        self._names, self._corner, self._named = table[labels], corner, True

    def _at(self, x: Floats, y: Floats) -> Numbers:
        """Return the island of each point, 0 for none or an unknown place."""
        known = ~np.isnan(x + y)
        column, row = (_cells(np.where(known, axis, ORIGIN_MM)).astype(np.int64) for axis in (x, y))
        row -= self._corner[0]
        column -= self._corner[1]
        known &= (row >= 0) & (column >= 0) & (row < self._names.shape[0]) & (column < self._names.shape[1])
        row[~known] = column[~known] = 0
        return np.where(known, self._names[row, column], 0).astype(np.int64)


def connected(drawn: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.int32], int]:
    """Number what hangs together in a picture: cells that touch by a side or a corner.

    Args:
        drawn: The picture, (rows, columns).

    Returns:
        Numbers from 1 on, 0 where nothing is drawn, and how many there are.
    """
    # Corners count: a diagonal wall crosses the grid by corners. Runs of cells in a row are joined to those
    # that they touch in the next one, and all runs of a number take the least of them, by halving ways.
    edges = np.diff(np.pad(drawn, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, start = np.nonzero(edges > 0)
    stop = np.nonzero(edges < 0)[1]
    width = drawn.shape[1] + 2
    begins, ends = row * width + start, row * width + stop
    first = np.searchsorted(ends, begins + width, "left")
    counts = np.maximum(np.searchsorted(begins, ends + width, "right") - first, 0)
    upper = np.repeat(np.arange(len(row)), counts)
    lower = np.repeat(first - np.cumsum(counts) + counts, counts) + np.arange(len(upper))
    root = np.arange(len(row))
    while True:
        one, other = root.take(upper), root.take(lower)
        apart = one != other
        if not apart.any():
            break
        np.minimum.at(root, np.maximum(one, other)[apart], np.minimum(one, other)[apart])
        while not np.array_equal(shorter := root.take(root), root):
            root = shorter
    roots, names = np.unique(root, return_inverse=True)
    labels = np.zeros(drawn.shape, np.int32)
    labels[drawn] = np.repeat(names + 1, stop - start)
    return labels, len(roots)


def _cells(at: Floats) -> Floats:
    """Return places in cells, kept inside the grid."""
    return np.clip((at - ORIGIN_MM) / CELL_MM, 0.0, CELLS - 1e-6)


def _rasterize(drawn: npt.NDArray[np.bool_], column: list[Floats], row: list[Floats]) -> Numbers:
    """Mark the cells along straight lines: one sample at most a cell's side from the next.

    Returns:
        The cells of their ends.
    """
    first, last = (y.astype(np.int64) * CELLS + x.astype(np.int64) for x, y in zip(column, row, strict=True))
    drawn[last] = True
    # Most lines start where the one before has ended.
    drawn[first[np.flatnonzero(np.concatenate([[True], first[1:] != last[:-1]]))]] = True
    longest = np.maximum(abs(column[1] - column[0]), abs(row[1] - row[0]))
    # Of most lines nothing lies between the ends.
    order = np.flatnonzero(longest > 1)
    if not len(order):
        return last
    steps = np.zeros(len(longest), np.int64)
    steps[order] = np.ceil(longest.take(order)).astype(np.int64)
    order = order.take(np.argsort(-steps.take(order), kind="stable"))
    steps = steps.take(order)
    x, y = column[0].take(order), row[0].take(order)
    across, along = (column[1].take(order) - x) / steps, (row[1].take(order) - y) / steps
    # The longest lines first, so that those still to be drawn stand in front: no index is needed.
    stops = np.searchsorted(-steps, -np.arange(2, int(steps[0]) + 1), "right")
    for stop in stops.tolist():
        x, y = x[:stop] + across[:stop], y[:stop] + along[:stop]
        # Sums end a hair beyond the last cell, where there is none.
        place = np.minimum(y.astype(np.int64), CELLS - 1) * CELLS + np.minimum(x.astype(np.int64), CELLS - 1)
        drawn[place] = True
    return last


def settle(tally: Tally, roots: Roots, *, keep: bool) -> None:
    """Join sums of provisional islands that are one, and set those aside that are no pieces.

    Args:
        tally: The sums.
        roots: The islands.
        keep: False where markers tell what belongs together, and no island is any piece.
    """
    names = roots.table()
    number = _numbered(tally, names) if keep else {}
    if not any(island for _, _, island in tally.cells):
        return
    tally.cells, cells = {}, tally.cells
    for (context, key, island), cell in cells.items():
        _merge(tally.cells, (context, key, number.get(int(names[island]), 0)), cell)
    rates, fastest, hulls, loops = tally.rates, tally.fastest, tally.hulls, tally.loops
    tally.rates, tally.fastest, tally.hulls, tally.loops = {}, {}, {}, {}
    for (who, island, feature), table in rates.items():
        laying = (who, number.get(int(names[island]), 0), feature)
        kept = tally.rates.setdefault(laying, defaultdict(float))
        for rate, weight in table.items():
            kept[rate] += weight
        most = fastest.get((who, island, feature), 0.0)
        tally.fastest[laying] = max(most, tally.fastest.get(laying, 0.0))
    for (who, island), points in hulls.items():
        tally.add_hull((who, number.get(int(names[island]), 0)), points)
    for (who, island), loop in loops.items():
        body = (who, number.get(int(names[island]), 0))
        tally.loops[body] = max(loop, tally.loops.get(body, loop))


def _merge(cells: dict[CellKey, Cell], key: CellKey, cell: Cell) -> None:
    have = cells.get(key)
    if have is None:
        cells[key] = cell
    else:
        have.merge(cell)


def _numbered(tally: Tally, names: Numbers) -> Mapping[int, int]:
    """Return numbers from 1 on for the islands that are pieces, in the order in which they were begun."""
    contexts = tally.state.contexts.values
    deposited = {key: cell for key, cell in tally.cells.items() if key[2] and cell.moving > 0}
    begun = {key: cell for key, cell in deposited.items() if contexts[key[0]].begun}
    heights: dict[int, set[int]] = defaultdict(set)
    starts: dict[int, float] = {}
    # What lies before the first layer mark counts only in a file without such marks.
    for (context, key, island), cell in (begun or deposited).items():
        root = int(names[island])
        if not contexts[context].auxiliary:
            # A ramp has a height of its own at every point: it is never a single layer.
            heights[root].update((key, key + 1) if is_ramp(key) else (key,))
            starts[root] = min(starts.get(root, cell.t0), cell.t0)
    pieces = [root for root, keys in heights.items() if len(keys) > 1] or list(heights)
    return {root: number for number, root in enumerate(sorted(pieces, key=starts.__getitem__), 1)}
