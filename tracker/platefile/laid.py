"""The rows that deposit while they move in XY, in runs of one cell each, and the space they take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracker.platefile.path import Path
from tracker.platefile.tally import Tally

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]


@dataclass(slots=True)
class Laid:
    """Rows that deposit along XY, and the runs of one context, layer and island among them.

    Attributes:
        rows: The rows.
        lines: Their lines.
        deposit: mm of filament of each.
        begins: Where among them each run begins.
        contexts: Number of the context of each run.
        keys: Layer key of each run.
        islands: Island of each run.
        marks: Layer marks passed at the end of each run.
    """

    rows: Numbers
    lines: Numbers
    deposit: Floats
    begins: Numbers
    contexts: Numbers
    keys: Numbers
    islands: Numbers
    marks: Numbers

    @property
    def last(self) -> Numbers:
        """Where among the rows each run ends, its last row included."""
        return np.append(self.begins[1:], len(self.rows)) - 1


def runs(first: Numbers, *others: Numbers) -> Numbers:
    """Return where runs begin in which every column stays the same; at least one row must be given."""
    changes = first[1:] != first[:-1]
    for column in others:
        changes |= column[1:] != column[:-1]
    return np.concatenate([[0], np.flatnonzero(changes) + 1])


def note_extents(tally: Tally, path: Path, laid: Laid) -> None:
    """Add to each cell which box its deposits take, and the layer mark they stand under."""
    low, high = _ends(path, laid)
    if path.bends:
        _widen(low, high, path, laid)
    top = np.fmax.reduceat(path.at[2].take(laid.rows), laid.begins)
    columns = [laid.contexts, laid.keys, laid.islands, *low, *high, top, laid.marks]
    for context, key, island, x0, y0, x1, y1, z1, mark in zip(*(c.tolist() for c in columns), strict=True):
        tally.cell((context, key, island)).widen((x0, x1, y0, y1), z1, mark)


def _ends(path: Path, laid: Laid) -> tuple[list[Floats], list[Floats]]:
    """Return least and greatest X and Y of the ends of each run's rows."""
    # Where one deposit follows another, the one starts where the other ends: only the first of each
    # unbroken series has a start of its own.
    broken = np.concatenate([[0], np.flatnonzero(laid.rows[1:] != laid.rows[:-1] + 1) + 1, laid.begins])
    broken.sort()
    ends, starts = _points(path.at, laid.rows, path), _points(path.was, laid.rows.take(broken), path)
    firsts = np.searchsorted(broken, laid.begins)
    low = [
        np.fmin(np.fmin.reduceat(end, laid.begins), np.fmin.reduceat(start, firsts))
        for end, start in zip(ends, starts, strict=True)
    ]
    high = [
        np.fmax(np.fmax.reduceat(end, laid.begins), np.fmax.reduceat(start, firsts))
        for end, start in zip(ends, starts, strict=True)
    ]
    return low, high


def _points(place: list[Floats], rows: Numbers, path: Path) -> tuple[Floats, Floats]:
    x, y = place[0].take(rows), place[1].take(rows)
    # A point of which half is unknown does not count.
    return (x + 0 * y, y + 0 * x) if path.unknown else (x, y)


def _widen(low: list[Floats], high: list[Floats], path: Path, laid: Laid) -> None:
    """Take in what arcs reach beyond their ends."""
    if path.bends is None:
        return
    arcs = path.bends.among(laid.rows)
    run = np.searchsorted(laid.begins, arcs.rows, "right") - 1
    for axis in (0, 1):
        np.fmin.at(low[axis], run, arcs.extent[2 * axis])
        np.fmax.at(high[axis], run, arcs.extent[2 * axis + 1])
