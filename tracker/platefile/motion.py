"""From scanned lines to rows of motion: paths, deposits, layers, extents."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, fields
from functools import partial
from itertools import pairwise
from typing import Any

import numpy.typing as npt

from tracker.lazy_modules import np
from tracker.platefile import planning, scan
from tracker.platefile.filament import ECounter, Filament, OtherReading
from tracker.platefile.islands import Islands, Roots
from tracker.platefile.lines import Channels, Held
from tracker.platefile.meaning import CLOCKWISE, COUNTER, PAUSE, SET_E
from tracker.platefile.path import Path, Reading, Walker, held, points_passed, straight
from tracker.platefile.planning import Moves, Rows
from tracker.platefile.state import Context, State
from tracker.platefile.tally import (
    HIGHEST_LEVEL,
    LOWEST_LEVEL,
    NO_LAYER,
    Body,
    Objects,
    Point,
    Tally,
    ramp_key,
)

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
Kinds = npt.NDArray[np.uint8]


def joined(parts: list[Rows]) -> Rows:
    """Return the rows of all parts in one."""
    if len(parts) == 1:
        return parts[0]
    return Rows(*(np.concatenate([getattr(p, field.name) for p in parts]) for field in fields(Rows)))


@dataclass(slots=True)
class Deposits:
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


def runs(first: Numbers, *others: Numbers) -> Numbers:
    """Return where runs begin in which every column stays the same; at least one row must be given."""
    changes = first[1:] != first[:-1]
    for column in others:
        changes |= column[1:] != column[:-1]
    return np.concatenate([[0], np.flatnonzero(changes) + 1])


def note_extents(tally: Tally, contexts: list[Context], path: Path, deposited: Deposits) -> None:
    """Add to each cell which box its deposits take and under which layer mark, and to each body its hull."""
    low, high = _ends(path, deposited)
    if path.bends:
        _widen(low, high, path, deposited)
    z = path.at[2].take(deposited.rows)
    top = (np.fmax if np.isnan(z[0]) else np.maximum).reduceat(z, deposited.begins)
    columns = [deposited.contexts, deposited.keys, deposited.islands, top, deposited.marks, *low, *high]
    for number, (context, key, island, z1, mark, *box) in enumerate(
        zip(*(c.tolist() for c in columns), strict=True)
    ):
        tally.cell((context, key, island)).widen((box[0], box[4], box[1], box[5]), z1, mark)
        at = contexts[context]
        if not at.auxiliary and tally.widens((at.objects, island), box):
            stop = deposited.begins[number + 1] if number + 1 < len(deposited.begins) else len(deposited.rows)
            rows = deposited.rows[deposited.begins[number] : stop]
            tally.add_hull((at.objects, island), _points(path, rows))
            _note_loops(tally, (at.objects, island), path, rows)


def _ends(path: Path, deposited: Deposits) -> tuple[list[Floats], list[Floats]]:
    """Return least and greatest X, Y, X + Y and X - Y of the ends of each run's rows."""
    # Where one deposit follows another, the one starts where the other ends: only the first of each
    # unbroken series has a start of its own.
    broken = np.concatenate(
        [[0], np.flatnonzero(deposited.rows[1:] != deposited.rows[:-1] + 1) + 1, deposited.begins]
    )
    broken.sort()
    ends, starts = (
        _ends_of(path.at, deposited.rows, path),
        _ends_of(path.was, deposited.rows.take(broken), path),
    )
    firsts = np.searchsorted(broken, deposited.begins)
    low, high = (
        [
            both(both.reduceat(end, deposited.begins), both.reduceat(start, firsts))
            for end, start in zip(ends, starts, strict=True)
        ]
        # What is unknown must not count, which takes three times as long to see to.
        for both in ((np.fmin, np.fmax) if path.unknown else (np.minimum, np.maximum))
    )
    return low, high


def _ends_of(place: list[Floats], rows: Numbers, path: Path) -> tuple[Floats, ...]:
    x, y = place[0].take(rows), place[1].take(rows)
    if path.unknown:
        # A point of which half is unknown does not count.
        x, y = x + 0 * y, y + 0 * x
    return x, y, x + y, x - y


def _widen(low: list[Floats], high: list[Floats], path: Path, deposited: Deposits) -> None:
    """Take in what arcs reach beyond their ends along X and Y."""
    if path.bends is None:
        return
    arcs = path.bends.among(deposited.rows)
    run = np.searchsorted(deposited.begins, arcs.rows, "right") - 1
    for axis in (0, 1):
        np.fmin.at(low[axis], run, arcs.extent[2 * axis])
        np.fmax.at(high[axis], run, arcs.extent[2 * axis + 1])


def _note_loops(tally: Tally, body: Body, path: Path, rows: Numbers) -> None:
    """Keep the closed loop of deposits that holds the largest area: the outline of a body, dents and all."""
    if len(rows) < _LEAST_CORNERS:
        return
    begins = [0, *(np.flatnonzero(np.diff(rows) != 1) + 1).tolist(), len(rows)]
    for start, stop in pairwise(begins):
        if stop - start < _LEAST_CORNERS:
            continue
        chain = rows[start:stop]
        x = np.append(path.was[0][chain[0]], path.at[0].take(chain))
        y = np.append(path.was[1][chain[0]], path.at[1].take(chain))
        if not math.hypot(x[-1] - x[0], y[-1] - y[0]) < _CLOSED_MM:
            continue
        area = abs(float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))) / 2
        if area > tally.loops.get(body, (0.0, []))[0]:
            tally.loops[body] = (area, list(zip(x[:-1].tolist(), y[:-1].tolist(), strict=True)))


_LEAST_CORNERS = 3
_CLOSED_MM = 1.0
"""A loop ends a line width before its start at most."""
_FEW = 64
_DIRECTIONS = 24


def _points(path: Path, rows: Numbers) -> list[Point]:
    """Return the ends of some rows, quadrant points of arcs included."""
    if len(rows) < _LEAST_CORNERS and path.bends is None and not path.unknown:
        # Of fifty thousand dots each costs what is done for it, not what is done for its points.
        numbers = rows.tolist()
        return [(float(at[0][n]), float(at[1][n])) for at in (path.was, path.at) for n in numbers]
    xs = [path.was[0].take(rows), path.at[0].take(rows)]
    ys = [path.was[1].take(rows), path.at[1].take(rows)]
    if path.bends:
        quarters = points_passed(path.bends.among(rows).circles)
        xs.append(quarters[0].ravel())
        ys.append(quarters[1].ravel())
    x, y = np.concatenate(xs), np.concatenate(ys)
    known = ~np.isnan(x + y)
    return _outermost(x[known], y[known])


def _outermost(x: Floats, y: Floats) -> list[Point]:
    """Return points among which every corner of the hull is, few enough for plain Python."""
    if len(x) > _FEW:
        angles = np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS)
        far = np.argmax(np.outer(np.cos(angles), x) + np.outer(np.sin(angles), y), axis=1)
        far = far[np.diff(far, append=far[0]) != 0]
        inside = np.ones(len(x), np.bool_)
        for a, b in zip(far.tolist(), np.roll(far, -1).tolist(), strict=True):
            inside &= (x[b] - x[a]) * (y - y[a]) - (y[b] - y[a]) * (x - x[a]) > 0
        x, y = x[~inside], y[~inside]
    return list(zip(x.tolist(), y.tolist(), strict=True))


@dataclass(slots=True)
class _Span:
    """Rows between two redefinitions of position; every array has one value per row.

    Attributes:
        lines: The line of each row.
        kinds: As in `tracker.platefile.scan.Scan`.
        path: Where the rows lead, all of them as if straight.
        steps: mm of filament moved.
        feeds: Feed rate in force, mm/min.
        how: How numbers are read.
        owner: Number of the context and the feature.
        context: Number of the context.
    """

    lines: Numbers
    kinds: Kinds
    path: Path
    steps: Floats
    feeds: Floats
    how: Reading
    owner: Numbers
    context: Numbers


def _layers(path: Path, deposited: Numbers, lines: Numbers, marks: Held) -> Numbers:
    """Return the layer key of each row that lays; of those that climb by the layer marks passed."""
    z = path.at[2].take(deposited)
    # In whole µm: heights come as sums of decimals, and 0.6000000001 is the same layer.
    scaled = np.clip(z * 1000, LOWEST_LEVEL + 1, HIGHEST_LEVEL)
    unknown = np.isnan(scaled)
    lost = bool(unknown.any())
    if lost:
        scaled[unknown] = 0.0
    key = np.rint(scaled, out=scaled).astype(np.int64)
    if lost:
        key[unknown] = NO_LAYER
    if path.climbs:
        climbing = np.flatnonzero(path.step[2].take(deposited))
        mark = marks.at(lines.take(climbing)).tolist()
        for number, passed in zip(climbing.tolist(), mark, strict=True):
            key[number] = ramp_key(float(z[number]), passed)
    return key


class Finder:
    """Tells which connected part of a plate deposits belong to, where markers do not say or not enough.

    Args:
        tally: Takes which marked objects stand apart in parts.
        separate: Whether parts of one marked object that nowhere touch are told apart.

    Attributes:
        roots: The islands found.
        marked: Whether anything was laid inside the markers of an object.
    """

    def __init__(self, tally: Tally, *, separate: bool) -> None:
        self.roots = Roots()
        self._tally = tally
        self._state = tally.state
        self._separate = separate
        self.marked = False
        # What is before the first layer mark must not join what is behind it.
        self._grids = {begun: Islands(self.roots) for begun in (False, True)}
        self._lowest: dict[Objects, int] = {}
        self._standing: dict[Objects, set[int]] = defaultdict(set)

    def islands(self, path: Path, rows: Numbers, context: Numbers, key: Numbers) -> Numbers:
        """Return the provisional island of each row that lays; 0 where markers tell.

        Args:
            path: Where all rows lead.
            rows: Those that lay.
            context: Number of the context of each of them.
            key: Layer key of each of them.
        """
        found = np.zeros(len(rows), np.int64)
        contexts = self._state.contexts.values
        if not self.marked and self._state.names:
            # A marker alone says nothing: some are passed before anything is laid.
            self.marked = any(any(contexts[number].objects) for number in np.unique(context).tolist())
        # Once something is laid inside a marker nobody will ask for islands, but for what stands apart in it.
        if self.marked and not self._separate:
            self._look_below(path, rows, context, key)
            return found
        # Brim and support are no part of a piece, and must not bridge two of them.
        kinds = [_AUXILIARY if one.auxiliary else int(one.begun) for one in contexts]
        kind = np.array(kinds).take(context)
        kind[key == NO_LAYER] = _AUXILIARY
        for begun, grid in self._grids.items():
            here = np.flatnonzero(kind == int(begun))
            if len(here):
                # The end of a move is drawn, whatever its shape; its middle may not be.
                found[here] = self._draw(grid, path, rows if len(here) == len(rows) else rows.take(here))
        return found

    @staticmethod
    def _draw(grid: Islands, path: Path, rows: Numbers) -> Numbers:
        """Draw some deposits; return the island of each."""
        x, y = ((path.was[axis].take(rows), path.at[axis].take(rows)) for axis in (0, 1))
        return grid.draw(x, y)

    def _look_below(self, path: Path, rows: Numbers, context: Numbers, key: Numbers) -> None:
        """Draw the lowest layers of marked objects, to see whether each of them is in one piece."""
        contexts = self._state.contexts.values
        begins = runs(context)
        levels = np.where(key > LOWEST_LEVEL, key, HIGHEST_LEVEL)
        low = np.minimum.reduceat(levels, begins).tolist()
        limits = []
        for number, least in zip(context.take(begins).tolist(), low, strict=True):
            who = contexts[number].objects
            if contexts[number].auxiliary or not any(who):
                limits.append(LOWEST_LEVEL)
                continue
            self._lowest[who] = min(least, self._lowest.get(who, HIGHEST_LEVEL))
            limits.append(self._lowest[who] + _STANDS_UM)
        below = np.flatnonzero(levels <= np.repeat(limits, np.diff(begins, append=len(rows))))
        if not len(below):
            return
        found = self._draw(self._grids[True], path, rows.take(below))
        pairs = np.unique(context.take(below) << 32 | found)
        for number, island in zip((pairs >> 32).tolist(), (pairs & 0xFFFFFFFF).tolist(), strict=True):
            if island:
                self._standing[contexts[number].objects].add(island)

    def finish(self) -> None:
        """Note which marked objects stand on the plate in several parts."""
        for who, numbers in self._standing.items():
            count = len({self.roots.of(number) for number in numbers})
            if count > 1:
                self._tally.apart[who] = count


_AUXILIARY = 2
_STANDS_UM = 600
"""Layers up to this far above an object's lowest one tell how it stands: the lowest is often drawn in."""


class Follower:
    """Follows position, E and feed through the spans of a plate.

    Args:
        tally: Takes what needs no times: widths, retractions, extents.
        widths: Line widths by number, mm; it grows while the plate is read.
        separate: Whether parts of one marked object that nowhere touch are told apart.

    Attributes:
        last_line: The line of the last deposit along XY, counted as the lines given; -1 for none.
    """

    def __init__(self, tally: Tally, widths: list[float], *, separate: bool = False) -> None:
        self.walker = Walker()
        self.finder = Finder(tally, separate=separate)
        self.last_line = -1
        self._tally = tally
        self._state: State = tally.state
        self._widths = widths
        self._counter = ECounter()
        self._laid_mm = 0.0
        self._other: OtherReading | None = None
        self._feed = math.nan
        self._filament = Filament(partial(_count_retractions, self._state, self._tally))
        self._pace = planning.Pace()

    def finish(self) -> None:
        """Count what is still open at the end."""
        self._filament.close()
        self.finder.finish()
        if self._other:
            self._tally.other_mm = self._other.deposited_mm
        if self.walker.without_centre:
            text = "an arc without a centre is taken as a straight line"
            self._state.troubles[text] += self.walker.without_centre

    def span(
        self, found: scan.Scan, dwells: dict[int, float], channels: Channels, start: int, stop: int
    ) -> Rows | None:
        """Follow the lines from ``start`` to ``stop``, between which no position is redefined.

        Args:
            found: The lines of the chunk.
            dwells: Seconds of standstill by line.
            channels: What holds at which line.
            start: First line.
            stop: Line after the last one.

        Returns:
            The rows that take time or filament, None if there are none.
        """
        span = self._select(found, channels, start, stop)
        if span is None:
            return None
        self._bend(span, found.values)
        deposit = self._filament.follow(span.steps, span.how.tool, span.context, span.feeds)
        self._laid_mm += float(deposit.sum())
        deposited = self._deposit_runs(span, channels, deposit)
        moves = self._moves(span, channels, deposit)
        if deposited is not None:
            self._note(span, channels, deposited)
            counts = np.diff(deposited.begins, append=len(deposited.rows))
            moves.deposits[deposited.rows] = True
            moves.key[deposited.rows] = np.repeat(deposited.keys, counts)
            moves.island[deposited.rows] = np.repeat(deposited.islands, counts)
        for line, seconds in dwells.items():
            if start <= line < stop:
                moves.dwell[np.searchsorted(span.lines, line)] = seconds
        idle = moves.way == 0
        if idle.any():
            # What leads nowhere is no row, unless it waits.
            idle &= span.kinds != PAUSE
            moves = moves.at(np.flatnonzero(~idle)) if idle.any() else moves
        if not len(moves):
            return None
        return self._pace.plan(moves, self._state.plans.values)

    def _select(self, found: scan.Scan, channels: Channels, start: int, stop: int) -> _Span | None:
        """Follow the lines, and take those that move anything or stand still."""
        kinds = found.kinds[start:stop]
        everything = np.arange(start, stop)
        how = self._how(channels.mode, everything)
        feed = found.values[scan.F, start:stop] * how.unit
        feeds = held(feed, feed > 0, self._feed)
        self._feed = float(feeds[-1])
        before = self.walker.at
        at = self.walker.follow(found.values[: scan.E, start:stop], how)
        steps = self._e_steps(found.values[scan.E, start:stop], kinds == SET_E, how)
        wanted = (kinds >= CLOCKWISE) & (kinds != SET_E)
        wanted |= steps != 0
        for axis, first in zip(at, before, strict=True):
            # What is unknown differs from everything, itself among it: such lines are all taken here.
            wanted[0] |= axis[0] != first
            wanted[1:] |= axis[1:] != axis[:-1]
        chosen = np.flatnonzero(wanted)
        if not len(chosen):
            return None
        lines = chosen + start
        owner = channels.owner.spread(lines)
        return _Span(
            lines,
            kinds.take(chosen),
            straight([axis.take(chosen) for axis in at], before),
            steps.take(chosen),
            feeds.take(chosen),
            how.at(chosen),
            owner,
            self._state.contexts_of_owners().take(owner),
        )

    def _bend(self, span: _Span, values: Floats) -> None:
        rows = np.flatnonzero(((span.kinds == CLOCKWISE) | (span.kinds == COUNTER)) & span.how.flat)
        if len(rows):
            words = values[scan.I : scan.P + 1, span.lines.take(rows)]
            words[:3] *= span.how.unit if isinstance(span.how.unit, float) else span.how.unit.take(rows)
            self.walker.bend(span.path, rows, words, span.kinds.take(rows) == COUNTER)

    def _how(self, mode: Held, lines: Numbers) -> Reading:
        begins, modes = mode.runs(lines)
        names = ("relative", "relative_e", "unit", "e_scale", "flat", "tool", "other_e")
        return Reading(*(self._alike(begins, modes, name, len(lines)) for name in names))

    def _alike(self, begins: Numbers, modes: Numbers, name: str, count: int) -> Any:
        """Return one field of the modes: as it is if all rows share it, else for each row."""
        held = [getattr(one, name) for one in self._state.modes.values]
        if len({held[number] for number in set(modes.tolist())}) == 1:
            return held[int(modes[0])]
        return np.repeat(np.array(held).take(modes), np.diff(begins, append=count))

    def _e_steps(self, values: Floats, sets: Flags, how: Reading) -> Floats:
        """Return how far each line moves the filament, in mm, and keep the counter."""
        if self._other is None and how.other_e is not how.relative_e:
            apart = np.not_equal(how.other_e, how.relative_e) & ~np.isnan(values) & ~sets
            if apart.any():
                self._other = OtherReading(self._counter, self._filament, self._laid_mm)
        if self._other:
            self._other.follow(values, sets, how)
        return self._counter.steps(values, sets, how.relative_e, how.e_scale)

    def _deposit_runs(self, span: _Span, channels: Channels, deposit: Floats) -> Deposits | None:
        """Return the rows that deposit while they move in XY, in runs; None if there are none."""
        path = span.path
        deposits = (path.step[0] != 0) | (path.step[1] != 0)
        if path.bends:
            deposits[path.bends.rows] = True
        # A deposit without a move in XY is a prime or a blob, not a layer.
        deposits &= deposit > 0
        rows = np.flatnonzero(deposits)
        if not len(rows):
            return None
        lines = span.lines.take(rows)
        self.last_line = int(lines[-1])
        key = _layers(path, rows, lines, channels.mark)
        context = span.context.take(rows)
        island = self.finder.islands(path, rows, context, key)
        begins = runs(context, key, island)
        ends = np.append(begins[1:], len(rows)) - 1
        return Deposits(
            rows=rows,
            lines=lines,
            deposit=deposit.take(rows),
            begins=begins,
            contexts=context.take(begins),
            keys=key.take(begins),
            islands=island.take(begins),
            marks=channels.mark.at(lines.take(ends)),
        )

    def _note(self, span: _Span, channels: Channels, deposited: Deposits) -> None:
        """Note of deposits what needs no times."""
        self._count_widths(channels, span, deposited)
        note_extents(self._tally, self._state.contexts.values, span.path, deposited)

    def _count_widths(self, channels: Channels, span: _Span, deposited: Deposits) -> None:
        """Add up what outer walls of each stated width hold, for each object."""
        outer, width = channels.outer.runs(deposited.lines), channels.width.runs(deposited.lines)
        begins = np.sort(np.concatenate([outer[0], width[0]]))
        begins = begins[np.diff(begins, prepend=-1) > 0]
        walls = outer[1].take(np.searchsorted(outer[0], begins, "right") - 1) == 1
        numbers = width[1].take(np.searchsorted(width[0], begins, "right") - 1)
        kept = np.flatnonzero(walls & (numbers > 0))
        sums = np.add.reduceat(deposited.deposit, begins).take(kept).tolist()
        contexts = span.context.take(deposited.rows.take(begins.take(kept))).tolist()
        for context, number, length in zip(contexts, numbers.take(kept).tolist(), sums, strict=True):
            who = self._state.contexts.values[context].objects
            self._tally.widths[who, self._widths[number]] += length

    def _moves(self, span: _Span, channels: Channels, deposit: Floats) -> Moves:
        path, count = span.path, len(span.lines)
        way = path.length.copy()
        # Where nothing else moves, E sets the pace.
        alone = np.flatnonzero(way == 0)
        way[alone] = np.abs(span.steps.take(alone))
        return Moves(
            way=way,
            length=path.length,
            into=path.into,
            bends=path.bends,
            feed=span.feeds,
            e=span.steps,
            plan=channels.plan.spread(span.lines),
            dwell=np.zeros(count),
            deposit=deposit,
            deposits=np.zeros(count, np.bool_),
            owner=span.owner,
            visit=channels.visit.spread(span.lines),
            key=np.zeros(count, np.int64),
            island=np.zeros(count, np.int64),
        )


# No method: the follower would hold itself by way of the filament, and with it all rows of its plate.
def _count_retractions(
    state: State, tally: Tally, context: int, feed: float, length: int, count: int
) -> None:
    tally.retractions[state.contexts.values[context].objects][length, feed] += count
