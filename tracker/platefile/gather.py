"""Planned rows to sums per context, layer and island."""

from __future__ import annotations

from collections import Counter

import numpy as np
import numpy.typing as npt

from tracker.platefile import lookahead
from tracker.platefile.rows import Rows, joined
from tracker.platefile.tally import (
    LEAST_FLOW_LENGTH_MM,
    LEAST_FLOW_TIME_S,
    NO_LAYER,
    Cell,
    Tally,
)

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]

_MOST_WAITING = 200_000
"""Rows held back at most; a file whose rows never come to a settled speed is planned as if it stopped there."""
_LOWEST_RATE_EXPONENT = -14
_RATE_BINS = 24 << 8
_BIN_SHIFT = 44
_BIAS = (1023 + _LOWEST_RATE_EXPONENT) << 8


class Gatherer:
    """Takes rows, plans them and adds them up; holds back those that the future may still change.

    Args:
        tally: Takes the sums.
    """

    def __init__(self, tally: Tally) -> None:
        self._tally = tally
        self._waiting: list[Rows] = []
        self._entry = 0.0
        self._key_before = (-1, NO_LAYER)

    def take(self, rows: Rows) -> None:
        """Take rows that follow those before."""
        self._waiting.append(rows)

    def settle(self, *, last: bool = False) -> None:
        """Add up all rows that nothing to come can change; at the end, all of them."""
        if not self._waiting:
            return
        rows = joined(self._waiting)
        limits = rows.limit.copy()
        limits[0] = min(limits[0], self._entry)
        gains = 2 * rows.acceleration * rows.way
        before, count = lookahead.settled(limits, gains)
        if last or len(rows) > _MOST_WAITING:
            count = len(rows)
        else:
            count = self._whole_visits(rows, count)
        squares = lookahead.forward(np.append(before[:count], before[count] if count < len(rows) else 0.0), gains[:count])
        self._waiting = [rows.kept(count)] if count < len(rows) else []
        if count:
            self._entry = float(squares[-1])
            self._add(rows.cut(0, count), squares)

    @staticmethod
    def _whole_visits(rows: Rows, count: int) -> int:
        """Stop behind a deposit, so that what follows it knows the next one."""
        laid = np.flatnonzero(rows.lays[:count])
        return int(laid[-1]) + 1 if len(laid) else 0

    def _add(self, rows: Rows, squares: Floats) -> None:
        way = np.where(rows.way > 0, rows.way, 1.0)
        seconds = lookahead.times(squares, way, rows.speed, rows.acceleration)
        seconds = np.where(rows.way > 0, seconds, rows.dwell)
        ends = np.cumsum(seconds) + self._tally.time
        keys, islands = self._keys(rows)
        changes = (np.diff(rows.context) != 0) | (np.diff(keys) != 0) | (np.diff(islands) != 0)
        begins = np.concatenate([[0], np.flatnonzero(changes) + 1])
        cells = _cells(rows, begins, seconds, ends)
        names = zip(rows.context[begins].tolist(), keys[begins].tolist(), islands[begins].tolist(), strict=True)
        for name, cell in zip(names, cells, strict=True):
            self._tally.cell(name).add(cell)
        self._count_rates(rows, seconds)
        self._tally.time = float(ends[-1])

    def _keys(self, rows: Rows) -> tuple[Numbers, Numbers]:
        """Give each row the layer and island of the next deposit of its visit, else of the last one."""
        count = len(rows)
        laid = np.flatnonzero(rows.lays)
        if not len(laid):
            same = rows.visit == self._key_before[0]
            return np.where(same, self._key_before[1], NO_LAYER), np.zeros(count, np.int64)
        following = np.searchsorted(laid, np.arange(count))
        after = laid.take(np.minimum(following, len(laid) - 1))
        before = laid.take(np.maximum(following - 1, 0))
        next_fits = (rows.visit.take(after) == rows.visit) & (following < len(laid))
        back_fits = (rows.visit.take(before) == rows.visit) & (following > 0)
        nearest = np.where(next_fits, after, before)
        fits = next_fits | back_fits
        keys = np.where(fits, rows.key.take(nearest), NO_LAYER)
        ahead = ~fits & (rows.visit == self._key_before[0]) & (following == 0)
        keys[ahead] = self._key_before[1]
        self._key_before = (int(rows.visit[laid[-1]]), int(rows.key[laid[-1]]))
        return keys, np.where(fits, rows.island.take(nearest), 0)

    def _count_rates(self, rows: Rows, seconds: Floats) -> None:
        told = np.flatnonzero(rows.lays & (rows.way >= LEAST_FLOW_LENGTH_MM) & (seconds >= LEAST_FLOW_TIME_S))
        if not len(told):
            return
        deposit = rows.deposit.take(told)
        rates = deposit / seconds.take(told)
        bins = np.clip((rates.view(np.int64) >> _BIN_SHIFT) - _BIAS, 0, _RATE_BINS - 1)
        contexts = self._tally.state.contexts.values
        who = rows.context.take(told) * _ISLANDS + rows.island.take(told)
        present, place = np.unique(who, return_inverse=True)
        sums = np.bincount(place * _RATE_BINS + bins, deposit, len(present) * _RATE_BINS)
        for number, table in zip(present.tolist(), sums.reshape(len(present), _RATE_BINS), strict=True):
            key = (contexts[number // _ISLANDS].objects, number % _ISLANDS)
            counted = self._tally.rates.setdefault(key, Counter())
            filled = np.flatnonzero(table)
            for one, weight in zip((filled + _BIAS).tolist(), table[filled].tolist(), strict=True):
                counted[one] += weight


_ISLANDS = 1 << 12


def _cells(rows: Rows, begins: Numbers, seconds: Floats, ends: Floats) -> list[Cell]:
    """Return the sums of runs of rows."""
    lays = rows.lays
    moving = np.where(lays, rows.deposit, 0.0)
    busy = np.where(lays, seconds, 0.0)
    told = lays & (rows.way >= LEAST_FLOW_LENGTH_MM) & (seconds >= LEAST_FLOW_TIME_S)
    columns = [
        np.add.reduceat(rows.deposit, begins),
        np.add.reduceat(moving, begins),
        np.add.reduceat(seconds, begins),
        np.add.reduceat(busy, begins),
        np.add.reduceat(np.where(lays, rows.way, 0.0), begins),
        np.add.reduceat(moving * rows.speed, begins),
        np.fmin.reduceat(np.where(lays, rows.x0, np.inf), begins),
        np.fmax.reduceat(np.where(lays, rows.x1, -np.inf), begins),
        np.fmin.reduceat(np.where(lays, rows.y0, np.inf), begins),
        np.fmax.reduceat(np.where(lays, rows.y1, -np.inf), begins),
        np.fmax.reduceat(np.where(lays, rows.z, -np.inf), begins),
        np.minimum.reduceat(np.where(lays, ends - seconds, np.inf), begins),
        np.maximum.reduceat(np.where(lays, ends, -np.inf), begins),
        np.maximum.reduceat(np.divide(moving, seconds, out=np.zeros(len(rows)), where=told), begins),
        np.maximum.reduceat(np.where(lays, rows.mark, 0), begins),
    ]
    return [Cell(*values) for values in zip(*(column.tolist() for column in columns), strict=True)]
