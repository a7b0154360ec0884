"""Objects of a plate without markers: connected islands of what is deposited, seen from above.

The deposits of all layers are drawn into one coarse grid; what hangs together is
one island. An island of a single layer (a skirt, a purge line) is no piece, unless
there is no other kind.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

CELL_MM = 0.8
"""Size of the grid's cells: about two line widths, so that pieces 1.6 mm apart are two."""
_STEP_MM = 0.5
_ORIGIN_MM = -250.0
_CELLS = 1600
_UNSEEN = np.iinfo(np.int32).max


class Shadow:
    """What is deposited, seen from above, with the lowest and highest layer over each cell.

    Two grids are kept: before and after the first layer mark. The first counts only
    in a file without layer marks.
    """

    def __init__(self) -> None:
        # Made when first drawn on: plates with markers never need the memory.
        self._grids: dict[bool, tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]] = {}

    def draw(
        self, start: tuple[Floats, Floats], end: tuple[Floats, Floats], key: Numbers, begun: bool
    ) -> None:
        """Draw deposits along straight lines.

        Args:
            start: X and Y of their starts, mm; deposits from or to an unknown place are left out.
            end: X and Y of their ends.
            key: Layer keys.
            begun: Whether the first layer mark has passed.
        """
        known = np.flatnonzero(~np.isnan(start[0] + start[1] + end[0] + end[1]))
        x0, y0, x1, y1 = (column.take(known) for column in (*start, *end))
        counts = np.ceil(np.hypot(x1 - x0, y1 - y0) / _STEP_MM).astype(np.int64) + 1
        row = np.repeat(np.arange(len(known)), counts)
        place = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
        share = place / np.maximum(counts.take(row) - 1, 1)
        cell = _cell(x0.take(row) + share * (x1 - x0).take(row), y0.take(row) + share * (y1 - y0).take(row))
        layer = np.clip(key.take(known), 1 - _UNSEEN, _UNSEEN - 1).astype(np.int32).take(row)
        low, high = self._grid(begun)
        np.minimum.at(low, cell, layer)
        np.maximum.at(high, cell, layer)

    def _grid(self, begun: bool) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
        if begun not in self._grids:
            size = _CELLS * _CELLS
            self._grids[begun] = (np.full(size, _UNSEEN, np.int32), np.full(size, -_UNSEEN, np.int32))
        return self._grids[begun]

    def islands(self) -> Islands:
        """Return the islands drawn so far."""
        # Only files without markers need it, and it takes longer to import than a plate to read.
        from scipy import ndimage  # noqa: PLC0415

        low, high = self._grids.get(True) or self._grid(False)
        labels, count = ndimage.label(
            # Corners count as touching: a diagonal wall crosses the grid by corners.
            (low != _UNSEEN).reshape(_CELLS, _CELLS),
            structure=np.ones((3, 3), np.int8),
        )
        names = labels.ravel()
        drawn = np.flatnonzero(names)
        lowest = np.full(count + 1, _UNSEEN, np.int64)
        highest = np.full(count + 1, -_UNSEEN, np.int64)
        np.minimum.at(lowest, names[drawn], low[drawn])
        np.maximum.at(highest, names[drawn], high[drawn])
        # A skirt or a purge line is one layer high; a piece of a single layer is taken only where there is
        # nothing else.
        pieces = highest > lowest
        if not pieces.any():
            pieces = np.arange(count + 1) > 0
        numbers = np.where(pieces, np.cumsum(pieces), 0)
        return Islands(numbers[names].astype(np.int32))


class Islands:
    """Tells which island a point lies on.

    Args:
        numbers: Island of each cell of the grid, 0 for none.
    """

    def __init__(self, numbers: npt.NDArray[np.int32]) -> None:
        self._numbers = numbers

    def __call__(self, x: Floats, y: Floats) -> Numbers:
        """Return the island of each point, 0 for none or an unknown place."""
        known = ~np.isnan(x + y)
        cell = _cell(np.where(known, x, _ORIGIN_MM), np.where(known, y, _ORIGIN_MM))
        return np.where(known, self._numbers.take(cell), 0).astype(np.int64)


def _cell(x: Floats, y: Floats) -> Numbers:
    column = np.clip(((x - _ORIGIN_MM) / CELL_MM).astype(np.int64), 0, _CELLS - 1)
    row = np.clip(((y - _ORIGIN_MM) / CELL_MM).astype(np.int64), 0, _CELLS - 1)
    return row * _CELLS + column
