"""Rows on their way from text to sums, as columns of equal length."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from tracker.platefile.path import Bends

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


@dataclass(slots=True)
class Moves:
    """Rows before their speeds are known; every column has one value per row.

    Attributes:
        way: mm to go: the path, or E where nothing else moves; 0 for a standstill.
        length: mm of path.
        into: Direction at the start times the length, X, Y, Z.
        bends: The arcs among the rows, if there are any.
        feed: mm/min as written.
        e: mm of filament moved.
        plan: Number of the limits in force.
        dwell: s of standstill.
        deposit: mm of filament that the row adds.
        lays: True where it deposits while moving in XY.
        owner: Number of the context and the feature.
        visit: Number of the visit to an object's markers.
        key: Layer key of the deposits; 0 elsewhere.
        island: Number of the island where there are no markers, else 0.
    """

    way: Floats
    length: Floats
    into: list[Floats]
    bends: Bends | None
    feed: Floats
    e: Floats
    plan: Numbers
    dwell: Floats
    deposit: Floats
    lays: Flags
    owner: Numbers
    visit: Numbers
    key: Numbers
    island: Numbers

    def __len__(self) -> int:
        return len(self.way)

    def at(self, rows: Numbers) -> Moves:
        """Return some of the rows."""
        columns = {
            field.name: getattr(self, field.name).take(rows)
            for field in fields(self)
            if field.name not in ("into", "bends")
        }
        bends = self.bends.among(rows) if self.bends else None
        return Moves(into=[one.take(rows) for one in self.into], bends=bends, **columns)


@dataclass(slots=True)
class Rows:
    """Rows with their speeds; the columns that `Moves` has too mean the same.

    Attributes:
        speed: Nominal speed in mm/s.
        acceleration: mm/s².
        limit: Square of the speed at which the row may follow the one before it.
    """

    way: Floats
    speed: Floats
    acceleration: Floats
    limit: Floats
    dwell: Floats
    deposit: Floats
    lays: Flags
    owner: Numbers
    visit: Numbers
    key: Numbers
    island: Numbers

    def __len__(self) -> int:
        return len(self.way)

    def cut(self, start: int, stop: int) -> Rows:
        """Return the rows from ``start`` to ``stop``, sharing memory."""
        return Rows(*(getattr(self, field.name)[start:stop] for field in fields(self)))

    def kept(self, start: int) -> Rows:
        """Return the rows from ``start`` on, in memory of their own."""
        return Rows(*(getattr(self, field.name)[start:].copy() for field in fields(self)))


def joined(parts: list[Rows]) -> Rows:
    """Return the rows of all parts in one."""
    if len(parts) == 1:
        return parts[0]
    return Rows(*(np.concatenate([getattr(p, field.name) for p in parts]) for field in fields(Rows)))
