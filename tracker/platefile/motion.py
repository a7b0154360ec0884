"""From scanned lines to rows of motion: paths, deposits, layers, extents."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from tracker.platefile import planning, scan
from tracker.platefile.filament import Filament
from tracker.platefile.islands import Shadow
from tracker.platefile.lines import Channels, Held
from tracker.platefile.meaning import CLOCKWISE, COUNTER, PAUSE, SET_E
from tracker.platefile.path import Bends, Path, Reading, Walker, followed, held, shifted, straight
from tracker.platefile.state import Context, State
from tracker.platefile.tally import FOOT_UM, LOWEST_LEVEL, NO_LAYER, Point, Tally, ramp_key

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
    ends, starts = (
        _ends_of(path.at, laid.rows, path),
        _ends_of(path.was, laid.rows.take(broken), path),
    )
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


def _ends_of(place: list[Floats], rows: Numbers, path: Path) -> tuple[Floats, Floats]:
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


Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

_FEW = 64
_DIRECTIONS = 24
_NONE = np.iinfo(np.int64).max >> 1


def note_feet(tally: Tally, contexts: list[Context], path: Path, laid: Laid) -> None:
    """Keep the hull of each object's lowest level layers.

    Args:
        tally: Takes the hulls.
        contexts: All contexts seen so far.
        path: Where the rows lead.
        laid: Which of them deposit, and what they belong to.
    """
    level = np.where((laid.keys > LOWEST_LEVEL) & _somewhere(path, laid), laid.keys, _NONE)
    changes = (laid.contexts[1:] != laid.contexts[:-1]) | (laid.islands[1:] != laid.islands[:-1])
    begins = np.concatenate([[0], np.flatnonzero(changes) + 1])
    lowest = np.minimum.reduceat(level, begins)
    stops = np.append(laid.begins, len(laid.rows))
    for first, last, low in zip(
        begins.tolist(), [*begins[1:].tolist(), len(level)], lowest.tolist(), strict=True
    ):
        at = contexts[int(laid.contexts[first])]
        who = (at.objects, int(laid.islands[first]))
        have = tally.feet.get(who)
        top = (min(low, have[0]) if have else low) + FOOT_UM
        if low != _NONE and not at.auxiliary and low <= top:
            runs = [n for n in range(first, last) if level[n] <= top]
            rows = np.concatenate([laid.rows[stops[n] : stops[n + 1]] for n in runs])
            tally.add_foot(who, low, _points(path, rows))


def _somewhere(path: Path, laid: Laid) -> Flags:
    """Tell of which runs any point is known."""
    if not path.unknown:
        return np.ones(len(laid.begins), np.bool_)
    ends = [(place[0] + place[1]).take(laid.rows) for place in (path.was, path.at)]
    found: Flags = np.logical_or.reduceat(~np.isnan(np.fmax(*ends)), laid.begins)
    return found


def _points(path: Path, rows: Numbers) -> list[Point]:
    """Return the ends of some rows, quadrant points of arcs included."""
    xs = [path.was[0].take(rows), path.at[0].take(rows)]
    ys = [path.was[1].take(rows), path.at[1].take(rows)]
    if path.bends:
        quarters = path.bends.among(rows).quarters
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


Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
Kinds = npt.NDArray[np.uint8]
Locate = Callable[[Floats, Floats], Numbers]
"""Gives the island of points X and Y; 0 for none."""


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


class Follower:
    """Follows position, E and feed through the spans of a plate.

    Args:
        tally: Takes what needs no times: widths, retractions, lowest layers.
        widths: Line widths by number, mm; it grows while the plate is read.
        locate: Finds islands where the file has no markers.
        shadow: Is drawn what belongs to no marked object, until a marker turns up.
    """

    def __init__(
        self, tally: Tally, widths: list[float], locate: Locate | None = None, shadow: Shadow | None = None
    ) -> None:
        self.walker = Walker()
        self._tally = tally
        self._state: State = tally.state
        self._widths = widths
        self._locate = locate
        self._shadow = shadow
        self._counter = 0.0
        self._feed = math.nan
        self._filament = Filament(self._count_retractions)
        self._pace = planning.Pace()

    def finish(self) -> None:
        """Count what is still open at the end."""
        self._filament.close()
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
        laid = self._laid(span, channels, deposit)
        moves = self._moves(span, channels, deposit)
        if laid is not None:
            self._note(span, channels, laid)
            counts = np.diff(laid.begins, append=len(laid.rows))
            moves.lays[laid.rows] = True
            moves.key[laid.rows] = np.repeat(laid.keys, counts)
            moves.island[laid.rows] = np.repeat(laid.islands, counts)
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
        names = ("relative", "relative_e", "unit", "e_scale", "flat", "tool")
        return Reading(*(self._alike(begins, modes, name, len(lines)) for name in names))

    def _alike(self, begins: Numbers, modes: Numbers, name: str, count: int) -> Any:
        """Return one field of the modes: as it is if all rows share it, else for each row."""
        fields = [getattr(self._state.modes.values[number], name) for number in modes.tolist()]
        if all(field == fields[0] for field in fields):
            return fields[0]
        return np.repeat(np.array(fields), np.diff(begins, append=count))

    def _e_steps(self, values: Floats, sets: Flags, how: Reading) -> Floats:
        """Return how far each line moves the filament, in mm, and keep the counter."""
        given = ~np.isnan(values)
        scaled = values * how.e_scale
        relative = how.relative_e
        if relative is True:
            steps = np.where(given & ~sets, scaled, 0.0)
            self._counter += float(steps.sum())
            return steps
        increments = given & relative & ~sets
        mixed = bool(increments.any())
        counter = followed(scaled, given, increments if mixed else False, self._counter)
        steps = counter - shifted(counter, self._counter)
        self._counter = float(counter[-1])
        steps[sets] = 0.0
        return np.where(increments, scaled, steps) if mixed else steps

    def _count_retractions(self, context: int, feed: float, length: int, count: int) -> None:
        objects = self._state.contexts.values[context].objects
        self._tally.retractions[objects][length, feed] += count

    def _laid(self, span: _Span, channels: Channels, deposit: Floats) -> Laid | None:
        """Return the rows that deposit while they move in XY, in runs; None if there are none."""
        path = span.path
        lays = (path.step[0] != 0) | (path.step[1] != 0)
        if path.bends:
            lays[path.bends.rows] = True
        # A deposit without a move in XY is a prime or a blob, not a layer.
        lays &= deposit > 0
        rows = np.flatnonzero(lays)
        if not len(rows):
            return None
        lines = span.lines.take(rows)
        key, island = self._layers(path, rows, lines, channels.mark)
        context = span.context.take(rows)
        begins = runs(context, key, island)
        ends = np.append(begins[1:], len(rows)) - 1
        return Laid(
            rows=rows,
            lines=lines,
            deposit=deposit.take(rows),
            begins=begins,
            contexts=context.take(begins),
            keys=key.take(begins),
            islands=island.take(begins),
            marks=channels.mark.at(lines.take(ends)),
        )

    def _note(self, span: _Span, channels: Channels, laid: Laid) -> None:
        """Note of deposits what needs no times."""
        contexts = self._state.contexts.values
        self._count_widths(channels, span, laid)
        note_extents(self._tally, span.path, laid)
        note_feet(self._tally, contexts, span.path, laid)
        # Once a marker has named an object nobody will ask for islands.
        if self._shadow and not self._state.names:
            self._draw(span, laid)

    def _count_widths(self, channels: Channels, span: _Span, laid: Laid) -> None:
        """Add up what outer walls of each stated width hold, for each object."""
        outer, width = channels.outer.runs(laid.lines), channels.width.runs(laid.lines)
        begins = np.sort(np.concatenate([outer[0], width[0]]))
        begins = begins[np.diff(begins, prepend=-1) > 0]
        walls = outer[1].take(np.searchsorted(outer[0], begins, "right") - 1) == 1
        numbers = width[1].take(np.searchsorted(width[0], begins, "right") - 1)
        kept = np.flatnonzero(walls & (numbers > 0))
        sums = np.add.reduceat(laid.deposit, begins).take(kept).tolist()
        contexts = span.context.take(laid.rows.take(begins.take(kept))).tolist()
        for context, number, length in zip(contexts, numbers.take(kept).tolist(), sums, strict=True):
            who = self._state.contexts.values[context].objects
            self._tally.widths[who, self._widths[number]] += length

    def _layers(self, path: Path, laid: Numbers, lines: Numbers, marks: Held) -> tuple[Numbers, Numbers]:
        """Return the layer key and the island of each row that lays."""
        z = path.at[2].take(laid)
        # In whole µm: heights come as sums of decimals, and 0.6000000001 is the same layer.
        scaled = z * 1000
        unknown = np.isnan(scaled)
        lost = bool(unknown.any())
        if lost:
            scaled[unknown] = 0.0
        key = np.rint(scaled, out=scaled).astype(np.int64)
        if lost:
            key[unknown] = NO_LAYER
        if path.climbs:
            climbing = np.flatnonzero(path.step[2].take(laid))
            mark = marks.at(lines.take(climbing)).tolist()
            for number, passed in zip(climbing.tolist(), mark, strict=True):
                key[number] = ramp_key(float(z[number]), passed)
        if self._locate is None:
            return key, np.zeros(len(laid), np.int64)
        # The end of a move was drawn, whatever its shape; its middle may not have been.
        return key, self._locate(path.at[0].take(laid), path.at[1].take(laid))

    def _draw(self, span: _Span, laid: Laid) -> None:
        contexts = self._state.contexts.values
        counts = np.diff(laid.begins, append=len(laid.rows))
        context, key = np.repeat(laid.contexts, counts), np.repeat(laid.keys, counts)
        for begun in (False, True):
            numbers = [n for n, c in enumerate(contexts) if c.begun is begun and not c.auxiliary]
            drawn = np.flatnonzero(np.isin(context, numbers) & (key != NO_LAYER))
            if len(drawn) and self._shadow:
                rows = laid.rows.take(drawn)
                ends = [column.take(rows) for column in (*span.path.was[:2], *span.path.at[:2])]
                self._shadow.draw((ends[0], ends[1]), (ends[2], ends[3]), key.take(drawn), begun)

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
            lays=np.zeros(count, np.bool_),
            owner=span.owner,
            visit=channels.visit.spread(span.lines),
            key=np.zeros(count, np.int64),
            island=np.zeros(count, np.int64),
        )
