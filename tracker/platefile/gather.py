"""Planned rows to sums per context, layer and island."""

from __future__ import annotations

from collections import defaultdict

import numpy.typing as npt

from tracker.lazy_modules import np
from tracker.platefile import planning
from tracker.platefile.motion import joined, runs
from tracker.platefile.planning import Rows
from tracker.platefile.state import Numbering
from tracker.platefile.tally import (
    LEAST_FLOW_LENGTH_MM,
    LEAST_FLOW_TIME_S,
    NO_LAYER,
    Laying,
    Objects,
    Tally,
)

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]

_MOST_WAITING = 200_000
"""Rows held back at most; rows that never come to a settled speed are planned as if they stopped there."""
_LOWEST_RATE_EXPONENT = -14
_RATE_BINS = 24 << 8
_BIN_SHIFT = 44
_MOST_BINNED = 1 << 20
_ISLANDS = 1 << 32
"""More than there are island numbers."""
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
        self._before = (-1, NO_LAYER, 0)
        self._layings: Numbering[tuple[Objects, str]] = Numbering()
        self._of_owners: Numbers = np.zeros(0, np.intp)
        # mm deposited per object with feature and island, and bin of rate. Only what is filled is kept: each
        # of fifty thousand objects fills a few bins.
        self._bodies: Numbering[int] = Numbering()
        self._rates: list[tuple[Numbers, Floats]] = []
        self._binned_count = 0
        self._tools: list[int] = []

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
        gains = 2 * rows.acceleration
        gains *= rows.way
        travelled = planning.sums(gains)
        # The first row's speed was settled with the rows before it and is no longer open.
        before, count = planning.settled(limits, gains, travelled)
        everything = last or len(rows) > _MOST_WAITING
        count = len(rows) if everything else self._whole_visits(rows, count)
        stops = before[count] if count < len(rows) else 0.0
        squares = planning.forward(np.append(before[:count], stops), travelled[: count + 1])
        self._waiting = [rows.kept(count)] if count < len(rows) else []
        if count:
            self._entry = float(squares[-1])
            self._add(rows.cut(0, count), squares)

    @staticmethod
    def _whole_visits(rows: Rows, count: int) -> int:
        """Stop behind a deposit, so that what follows it knows the next one."""
        deposited = np.flatnonzero(rows.deposits[:count])
        return int(deposited[-1]) + 1 if len(deposited) else 0

    def _add(self, rows: Rows, squares: Floats) -> None:
        seconds = _seconds(rows, squares)
        keys, islands = self._keys(rows)
        context = self._tally.state.contexts_of_owners().take(rows.owner)
        begins = runs(context, keys, islands)
        measurable = np.flatnonzero(
            rows.deposits & (rows.way >= LEAST_FLOW_LENGTH_MM) & (seconds >= LEAST_FLOW_TIME_S)
        )
        rates = rows.deposit.take(measurable)
        rates /= seconds.take(measurable)
        names = zip(*(column.take(begins).tolist() for column in (context, keys, islands)), strict=True)
        columns = [*_sums(rows, begins, seconds), *_spans(rows, begins, seconds, self._tally.time)]
        columns.append(_greatest(rates, measurable, begins, len(rows)))
        for name, *sums in zip(names, *(column.tolist() for column in columns), strict=True):
            self._tally.cell(name).add(*sums)
        if len(measurable):
            self._count_rates(rows, measurable, rates)
        self._note_tools(rows, context, seconds)
        self._tally.time += float(seconds.sum())

    def _note_tools(self, rows: Rows, context: Numbers, seconds: Floats) -> None:
        """Note when another tool begins to lay."""
        contexts = self._tally.state.contexts.values
        self._tools += [one.tool for one in contexts[len(self._tools) :]]
        deposited = np.flatnonzero(rows.deposits)
        if not len(deposited) or (self._tally.tool is not None and len(set(self._tools)) == 1):
            return
        tools = np.array(self._tools).take(context.take(deposited))
        starts = self._tally.time + np.cumsum(seconds) - seconds
        first = np.flatnonzero(np.diff(tools, prepend=tools[0] - 1))
        for tool, at in zip(
            tools.take(first).tolist(), starts.take(deposited.take(first)).tolist(), strict=True
        ):
            self._tally.use_tool(tool, at)

    def _keys(self, rows: Rows) -> tuple[Numbers, Numbers]:
        """Give each row the layer and island of the next deposit of its visit, else of the last one."""
        keys, islands = rows.key.copy(), rows.island.copy()
        deposited, idle = np.flatnonzero(rows.deposits), np.flatnonzero(~rows.deposits)
        visit = rows.visit.take(idle)
        if not len(deposited):
            same = visit == self._before[0]
            keys[:], islands[:] = (
                np.where(same, self._before[1], NO_LAYER),
                np.where(same, self._before[2], 0),
            )
            return keys, islands
        # Each idle row is behind as many deposits as there are rows above it that are not idle.
        above = idle - np.arange(len(idle))
        after = deposited.take(np.minimum(above, len(deposited) - 1))
        before = deposited.take(np.maximum(above - 1, 0))
        next_fits = (rows.visit.take(after) == visit) & (above < len(deposited))
        back_fits = (rows.visit.take(before) == visit) & (above > 0)
        nearest = np.where(next_fits, after, before)
        fits = next_fits | back_fits
        earlier = (visit == self._before[0]) & (above == 0)
        keys[idle] = np.where(fits, rows.key.take(nearest), np.where(earlier, self._before[1], NO_LAYER))
        islands[idle] = np.where(fits, rows.island.take(nearest), np.where(earlier, self._before[2], 0))
        last = deposited[-1]
        self._before = (int(rows.visit[last]), int(rows.key[last]), int(rows.island[last]))
        return keys, islands

    def _count_rates(self, rows: Rows, measurable: Numbers, rates: Floats) -> None:
        owner, island = rows.owner.take(measurable), rows.island.take(measurable)
        begins = runs(owner, island)
        who = self._laying_of_owners().take(owner.take(begins)) * _ISLANDS + island.take(begins)
        present, place = np.unique(who, return_inverse=True)
        greatest = np.zeros(len(present))
        np.maximum.at(greatest, place, np.maximum.reduceat(rates, begins))
        sums, low = self._binned(
            rates, rows.deposit.take(measurable), np.repeat(place, np.diff(begins, append=len(measurable)))
        )
        for number, most in zip(present.tolist(), greatest.tolist(), strict=True):
            laying = self._laying(number)
            self._tally.fastest[laying] = max(most, self._tally.fastest.get(laying, 0.0))
        bodies = np.array([self._bodies(number) for number in present.tolist()])
        row, column = np.nonzero(sums)
        self._rates.append((bodies.take(row) * _RATE_BINS + column + low, sums[row, column]))
        self._binned_count += len(row)
        if self._binned_count > _MOST_BINNED:
            self._consolidate()

    def _consolidate(self) -> None:
        """Add up what is kept of equal bins."""
        codes, weights = (np.concatenate(columns) for columns in zip(*self._rates, strict=True))
        codes, place = np.unique(codes, return_inverse=True)
        self._rates = [(codes, np.bincount(place, weights).astype(np.float64, copy=False))]
        self._binned_count = len(codes) // 2

    def _laying_of_owners(self) -> Numbers:
        """Return for each owner the number of its objects and feature, without its set-points."""
        state = self._tally.state
        contexts = state.contexts.values
        new = state.owners.values[len(self._of_owners) :]
        if new:
            numbers = [self._layings((contexts[c].objects, feature)) for c, feature in new]
            self._of_owners = np.concatenate([self._of_owners, np.array(numbers, np.intp)])
        return self._of_owners

    def _laying(self, number: int) -> Laying:
        objects, feature = self._layings.values[number // _ISLANDS]
        return objects, number % _ISLANDS, feature

    @staticmethod
    def _binned(rates: Floats, deposit: Floats, place: Numbers) -> tuple[Floats, int]:
        """Return the deposits per place and bin of rate, and the bin of the first column."""
        # The leading bits of a float are its logarithm in steps: binned without taking one, a million times
        # over.
        bins = np.clip((rates.view(np.int64) >> _BIN_SHIFT) - _BIAS, 0, _RATE_BINS - 1)
        # The rates of a chunk lie close together: a table of their range is a tenth of one of all bins.
        low = int(bins.min())
        width = int(bins.max()) - low + 1
        count = int(place.max()) + 1
        bins += place * width - low
        sums: Floats = np.bincount(bins, deposit, count * width).astype(np.float64, copy=False)
        return sums.reshape(count, width), low

    def _hand_over_rates(self) -> None:
        if not self._rates:
            return
        self._consolidate()
        codes, weights = self._rates[0]
        for code, weight in zip(codes.tolist(), weights.tolist(), strict=True):
            laying = self._laying(self._bodies.values[code // _RATE_BINS])
            self._tally.rates.setdefault(laying, defaultdict(float))[code % _RATE_BINS + _BIAS] += weight


def _seconds(rows: Rows, squares: Floats) -> Floats:
    """Return the time of each row."""
    halts = np.flatnonzero(rows.way == 0)
    if not len(halts):
        return planning.times(squares, rows.way, rows.speed, rows.acceleration)
    # A row without a way is a dwell; its planned time is meaningless, and its way is 1 only to divide by.
    way = rows.way.copy()
    way[halts] = 1.0
    seconds = planning.times(squares, way, rows.speed, rows.acceleration)
    seconds[halts] = rows.dwell.take(halts)
    return seconds


def _sums(rows: Rows, begins: Numbers, seconds: Floats) -> list[Floats]:
    """Return per run: filament, moving, own, busy, path, speed, as in `Cell`."""
    # Weighed by 1 or 0 and added up, which takes less than picking the rows that lay.
    deposits = rows.deposits.astype(np.float64)
    moving = rows.deposit * deposits
    columns = (rows.deposit, moving, seconds, seconds * deposits, rows.way * deposits, moving * rows.speed)
    return [np.add.reduceat(column, begins) for column in columns]


def _spans(rows: Rows, begins: Numbers, seconds: Floats, start: float) -> tuple[Floats, Floats]:
    """Return when the first deposit of each run begins and the last one ends."""
    deposited = np.flatnonzero(rows.deposits)
    stops = np.searchsorted(deposited, np.append(begins, len(rows)))
    # Runs without a deposit keep neutral values: reduceat cannot say "nothing".
    filled = np.flatnonzero(np.diff(stops))
    first, last = deposited.take(stops.take(filled)), deposited.take(stops.take(filled + 1) - 1) + 1
    # Sums of runs and not of all rows: a long plate must not lose the digits of short moves.
    own = np.add.reduceat(seconds, begins)
    begun = (start + np.cumsum(own) - own).take(filled)
    t0, t1 = np.full(len(begins), np.inf), np.full(len(begins), -np.inf)
    t0[filled] = begun + _between(seconds, begins.take(filled), first)
    t1[filled] = begun + _between(seconds, begins.take(filled), last)
    return t0, t1


def _between(values: Floats, start: Numbers, stop: Numbers) -> Floats:
    """Return the sums from each start to before each stop; they may touch but not overlap."""
    bounds = np.stack([start, stop], axis=1).ravel()
    if len(bounds) and bounds[-1] == len(values):
        bounds = bounds[:-1]
    if not len(bounds):
        return np.zeros(0)
    # Of nothing reduceat makes the value where it begins.
    return np.where(stop > start, np.add.reduceat(values, bounds)[::2], 0.0)


def _greatest(rates: Floats, measurable: Numbers, begins: Numbers, count: int) -> Floats:
    """Return the greatest rate of each run, 0 where no row tells one."""
    stops = np.searchsorted(measurable, np.append(begins, count))
    filled = np.flatnonzero(np.diff(stops))
    greatest = np.zeros(len(begins))
    if len(filled):
        greatest[filled] = np.maximum.reduceat(rates, stops.take(filled))
    return greatest
