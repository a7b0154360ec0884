"""Planned rows to sums per context, layer and island."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

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
"""Rows held back at most; rows that never come to a settled speed are planned as if they stopped there."""
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
        # Per context and island: mm deposited per bin of rate.
        self._rates: dict[int, Floats] = {}

    def take(self, rows: Rows) -> None:
        """Take rows that follow those before."""
        self._waiting.append(rows)

    def settle(self, *, last: bool = False) -> None:
        """Add up all rows that nothing to come can change; at the end, all of them."""
        if self._waiting:
            self._settle(last=last)
        if last:
            self._hand_over_rates()

    def _settle(self, *, last: bool) -> None:
        rows = joined(self._waiting)
        limits = rows.limit.copy()
        limits[0] = min(limits[0], self._entry)
        gains = 2 * rows.acceleration * rows.way
        # The first row's speed was settled with the rows before it and is no longer open.
        before, count = lookahead.settled(limits, gains)
        everything = last or len(rows) > _MOST_WAITING
        count = len(rows) if everything else self._whole_visits(rows, count)
        squares = lookahead.forward(
            np.append(before[:count], before[count] if count < len(rows) else 0.0), gains[:count]
        )
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
        # A row without a way is a dwell; its planned time is meaningless, and the way was 1 only to divide
        # by.
        seconds = np.where(rows.way > 0, seconds, rows.dwell)
        # Summed from zero in every batch: a long plate must not lose the digits of short moves.
        ends = np.cumsum(seconds) + self._tally.time
        keys, islands = self._keys(rows)
        changes = (np.diff(rows.context) != 0) | (np.diff(keys) != 0) | (np.diff(islands) != 0)
        begins = np.concatenate([[0], np.flatnonzero(changes) + 1])
        cells = _cells(rows, begins, seconds, ends)
        names = zip(
            rows.context[begins].tolist(), keys[begins].tolist(), islands[begins].tolist(), strict=True
        )
        for name, cell in zip(names, cells, strict=True):
            self._tally.cell(name).add(cell)
        self._count_rates(rows, seconds)
        self._tally.time = float(ends[-1])

    def _keys(self, rows: Rows) -> tuple[Numbers, Numbers]:
        """Give each row the layer and island of the next deposit of its visit, else of the last one."""
        keys, islands = rows.key.copy(), rows.island.copy()
        laid, idle = np.flatnonzero(rows.lays), np.flatnonzero(~rows.lays)
        visit = rows.visit.take(idle)
        if not len(laid):
            keys[:] = np.where(visit == self._key_before[0], self._key_before[1], NO_LAYER)
            return keys, islands
        # Each idle row stands behind as many deposits as there are rows above it that are not idle.
        above = idle - np.arange(len(idle))
        after = laid.take(np.minimum(above, len(laid) - 1))
        before = laid.take(np.maximum(above - 1, 0))
        next_fits = (rows.visit.take(after) == visit) & (above < len(laid))
        back_fits = (rows.visit.take(before) == visit) & (above > 0)
        nearest = np.where(next_fits, after, before)
        fits = next_fits | back_fits
        earlier = (visit == self._key_before[0]) & (above == 0)
        keys[idle] = np.where(fits, rows.key.take(nearest), np.where(earlier, self._key_before[1], NO_LAYER))
        islands[idle] = np.where(fits, rows.island.take(nearest), 0)
        self._key_before = (int(rows.visit[laid[-1]]), int(rows.key[laid[-1]]))
        return keys, islands

    def _count_rates(self, rows: Rows, seconds: Floats) -> None:
        told = np.flatnonzero(rows.lays & (rows.way >= LEAST_FLOW_LENGTH_MM) & (seconds >= LEAST_FLOW_TIME_S))
        if not len(told):
            return
        deposit = rows.deposit.take(told)
        rates = deposit / seconds.take(told)
        # The leading bits of a float are its logarithm in steps: binned without taking one, a million times
        # over.
        bins = np.clip((rates.view(np.int64) >> _BIN_SHIFT) - _BIAS, 0, _RATE_BINS - 1)
        who = rows.context.take(told) * _ISLANDS + rows.island.take(told)
        present = np.flatnonzero(np.bincount(who))
        place = np.searchsorted(present, who) if len(present) > 1 else 0
        # The rates of a chunk lie close together: a table of their range is a tenth of one of all bins.
        low = int(bins.min())
        width = int(bins.max()) - low + 1
        sums = np.bincount(place * width + (bins - low), deposit, len(present) * width)
        for number, table in zip(present.tolist(), sums.reshape(len(present), width), strict=True):
            kept = self._rates.get(number)
            if kept is None:
                kept = self._rates[number] = np.zeros(_RATE_BINS)
            kept[low : low + width] += table

    def _hand_over_rates(self) -> None:
        contexts = self._tally.state.contexts.values
        for number, table in self._rates.items():
            key = (contexts[number // _ISLANDS].objects, number % _ISLANDS)
            counted = self._tally.rates.setdefault(key, defaultdict(float))
            filled = np.flatnonzero(table)
            for one, weight in zip((filled + _BIAS).tolist(), table[filled].tolist(), strict=True):
                counted[one] += weight


_ISLANDS = 1 << 12
_SUMS = ("filament", "moving", "own", "busy", "path", "speed", "t0", "t1", "fastest")


def _cells(rows: Rows, begins: Numbers, seconds: Floats, ends: Floats) -> list[Cell]:
    """Return the sums of runs of rows."""
    laid = np.flatnonzero(rows.lays)
    # Runs without a deposit get neutral values: reduceat cannot say "nothing".
    stops = np.searchsorted(laid, np.append(begins, len(rows)))
    filled = np.flatnonzero(np.diff(stops))
    at = stops[filled]
    took = seconds.take(laid)
    way, added = rows.way.take(laid), rows.deposit.take(laid)
    told = (way >= LEAST_FLOW_LENGTH_MM) & (took >= LEAST_FLOW_TIME_S)
    rate = np.divide(added, took, out=np.zeros(len(laid)), where=told)
    end = ends.take(laid)

    def put(reduced: npt.NDArray[Any], neutral: float) -> Any:
        spread = np.full(len(begins), neutral, reduced.dtype)
        spread[filled] = reduced
        return spread.tolist()

    if not len(filled):
        idle = zip(
            np.add.reduceat(rows.deposit, begins).tolist(),
            np.add.reduceat(seconds, begins).tolist(),
            strict=True,
        )
        return [Cell(filament=filament, own=own) for filament, own in idle]
    columns = [
        np.add.reduceat(rows.deposit, begins).tolist(),
        put(np.add.reduceat(added, at), 0.0),
        np.add.reduceat(seconds, begins).tolist(),
        put(np.add.reduceat(took, at), 0.0),
        put(np.add.reduceat(way, at), 0.0),
        put(np.add.reduceat(added * rows.speed.take(laid), at), 0.0),
        put((end - took)[at], np.inf),
        put(end[np.append(at[1:], len(laid)) - 1], -np.inf),
        put(np.maximum.reduceat(rate, at), 0.0),
    ]
    return [Cell(**dict(zip(_SUMS, values, strict=True))) for values in zip(*columns, strict=True)]
