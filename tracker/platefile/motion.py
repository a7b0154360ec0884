"""From scanned lines to rows of motion: positions, lengths, directions, deposits."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracker.platefile import junctions, scan
from tracker.platefile.arcs import Arcs, measure
from tracker.platefile.channels import Channel
from tracker.platefile.filament import Filament
from tracker.platefile.islands import Shadow
from tracker.platefile.meaning import CLOCKWISE, COUNTER, PAUSE, SET_E
from tracker.platefile.positions import followed, held, shifted
from tracker.platefile.rows import Rows
from tracker.platefile.state import Context, Mode, State
from tracker.platefile.tally import NO_LAYER, Point, Tally, is_ramp, ramp_key

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
Locate = Callable[[Floats, Floats], Numbers]
"""Gives the island of points X and Y; 0 for none."""


@dataclass(slots=True)
class Channels:
    """What holds from which line of a chunk on.

    Attributes:
        context: Numbers of contexts.
        plan: Numbers of plans.
        mode: Numbers of modes.
        visit: Visits to objects' markers.
        mark: Layer marks passed.
        width: Numbers of (objects, width) in outer walls, 0 elsewhere.
    """

    context: Channel
    plan: Channel
    mode: Channel
    visit: Channel
    mark: Channel
    width: Channel


@dataclass(slots=True)
class Path:
    """Where the lines of a span lead; arrays over its lines.

    Attributes:
        at: X, Y, Z after each line.
        was: X, Y, Z before it.
        step: The difference, 0 where unknown.
        length: mm.
        into: Direction at the start, not yet divided by the length's sign; zero without motion.
        out: Direction at the end.
        extent: Least X, greatest X, least Y, greatest Y.
        arcs: The lines that are arcs, with their quadrant points.
    """

    at: list[Floats]
    was: list[Floats]
    step: list[Floats]
    length: Floats
    into: Floats
    out: Floats
    extent: list[Floats]
    arcs: tuple[Numbers, Floats] | None


class Follower:
    """Follows position, E and feed through the spans of a plate.

    Args:
        tally: Takes what needs no times: widths, retractions, lowest layers.
        locate: Finds islands where the file has no markers.
        shadow: Is drawn what belongs to no marked object, until a marker turns up.
    """

    def __init__(self, tally: Tally, locate: Locate | None = None, shadow: Shadow | None = None) -> None:
        self._tally = tally
        self._state: State = tally.state
        self._locate = locate
        self._shadow = shadow
        self._at = [math.nan] * 3
        self._offset = [0.0] * 3
        self._counter = 0.0
        self._feed = math.nan
        self._filament = Filament(self._count_retraction)
        self._last = (np.zeros(3), 0.0, True)
        self._halted = True

    def home(self, axes: str) -> None:
        """Forget where some axes are."""
        for axis in axes:
            self._at["XYZ".index(axis)] = math.nan
            self._offset["XYZ".index(axis)] = 0.0

    def call_position(self, axes: tuple[tuple[str, float], ...], unit: float) -> None:
        """Give the present position other coordinates (G92); an unknown position counts as 0."""
        for axis, value in axes:
            i = "XYZ".index(axis)
            if math.isnan(self._at[i]):
                self._at[i] = 0.0
            self._offset[i] = self._at[i] - value * unit

    def finish(self) -> None:
        """Count what is still open at the end."""
        self._filament.close()

    def span(
        self, found: scan.Scan, dwells: dict[int, float], channels: Channels, start: int, stop: int
    ) -> Rows | None:
        """Follow the lines from ``start`` to ``stop``, between which no position is redefined.

        Returns:
            The rows that take time or filament, None if there are none.
        """
        modes = channels.mode.runs(start, stop)
        kinds = found.kinds[start:stop]
        values = found.values[:, start:stop]
        path = self._path(kinds, values, modes)
        feeds = self._feeds(values[scan.F], modes)
        steps = self._e_steps(kinds, values[scan.E], modes)
        context = channels.context.spread(start, stop)
        deposit = self._filament.follow(
            steps, self._tools(modes, stop - start), lambda row: (self._objects(context[row]), float(feeds[row]))
        )
        sideways = (path.step[0] != 0) | (path.step[1] != 0)
        if path.arcs:
            sideways[path.arcs[0]] = True
        lays = (deposit > 0) & sideways
        self._count_widths(channels.width, start, stop, lays, deposit)
        self._start_from(path)
        way = np.where(path.length > 0, path.length, np.abs(steps))
        takes = np.flatnonzero((way > 0) | (kinds == PAUSE))
        if not len(takes):
            return None
        key, island = self._keys(path, lays, channels.mark.spread(start, stop))
        self._feet(path, lays, key, island, context)
        if self._shadow and not self._state.names:
            self._draw(path, lays, key, context)
        rows = Rows(
            way=way.take(takes),
            speed=feeds.take(takes),
            acceleration=steps.take(takes),
            limit=np.empty(0),
            dwell=np.zeros(len(takes)),
            deposit=deposit.take(takes),
            lays=lays.take(takes),
            context=context.take(takes),
            visit=channels.visit.spread(start, stop).take(takes),
            mark=channels.mark.spread(start, stop).take(takes),
            key=key.take(takes),
            island=island.take(takes),
            x0=path.extent[0].take(takes),
            x1=path.extent[1].take(takes),
            y0=path.extent[2].take(takes),
            y1=path.extent[3].take(takes),
            z=path.at[2].take(takes),
        )
        for line, seconds in dwells.items():
            if start <= line < stop:
                rows.dwell[np.searchsorted(takes, line - start)] = seconds
        standing = (path.length == 0).take(takes)
        self._speeds(rows, path, takes, standing, channels.plan.spread(start, stop).take(takes))
        return rows

    def _path(self, kinds: npt.NDArray[np.uint8], values: Floats, modes: tuple[Numbers, Numbers]) -> Path:
        at, was, step = [], [], []
        for axis in range(3):
            given = ~np.isnan(values[axis])
            scaled = values[axis] * self._spread(modes, len(kinds), "unit") + self._absolute_offset(
                modes, len(kinds), axis
            )
            after = followed(scaled, given, self._spread(modes, len(kinds), "relative"), self._at[axis])
            before = shifted(after, self._at[axis])
            at.append(after)
            was.append(before)
            step.append(np.nan_to_num(after - before))
        length = np.sqrt(step[0] * step[0] + step[1] * step[1] + step[2] * step[2])
        into = np.stack(step)
        extent = [np.fmin(was[0], at[0]), np.fmax(was[0], at[0]), np.fmin(was[1], at[1]), np.fmax(was[1], at[1])]
        path = Path(at, was, step, length, into, into, extent, None)
        curved = np.flatnonzero((kinds == CLOCKWISE) | (kinds == COUNTER))
        if len(curved):
            self._bend(path, kinds, values, curved, modes)
        return path

    def _absolute_offset(self, modes: tuple[Numbers, Numbers], count: int, axis: int) -> Floats | float:
        if self._offset[axis] == 0:
            return 0.0
        relative = self._spread(modes, count, "relative")
        return np.where(relative, 0.0, self._offset[axis])

    def _spread(self, modes: tuple[Numbers, Numbers], count: int, name: str) -> Flags | Floats | bool | float:
        """Return one field of the modes: as it is if all lines share it, else for each line."""
        fields = [getattr(self._state.modes.values[number], name) for number in modes[1]]
        if all(field == fields[0] for field in fields):
            return fields[0]  # type: ignore[no-any-return]
        return np.repeat(np.array(fields), np.diff(modes[0], append=count))

    def _tools(self, modes: tuple[Numbers, Numbers], count: int) -> Numbers | int:
        return self._spread(modes, count, "tool")  # type: ignore[return-value]

    def _bend(
        self,
        path: Path,
        kinds: npt.NDArray[np.uint8],
        values: Floats,
        curved: Numbers,
        modes: tuple[Numbers, Numbers],
    ) -> None:
        """Replace straight moves by the arcs they are."""
        flat = self._spread(modes, len(kinds), "flat")
        if flat is not True:
            curved = curved[np.broadcast_to(flat, len(kinds))[curved]]
        unit = self._spread(modes, len(kinds), "unit")
        offsets = values[scan.I : scan.R + 1].take(curved, axis=1)
        offsets = offsets * (unit if isinstance(unit, float) else np.asarray(unit)[curved])
        start = np.stack([path.was[0].take(curved), path.was[1].take(curved)])
        end = np.stack([path.at[0].take(curved), path.at[1].take(curved)])
        arcs = measure(start, end, offsets, values[scan.P].take(curved), kinds.take(curved) == COUNTER)
        missing = int((~arcs.good).sum())
        if missing:
            self._state.troubles["an arc without a centre is taken as a straight line"] += missing
        self._put(path, curved, arcs)

    @staticmethod
    def _put(path: Path, curved: Numbers, arcs: Arcs) -> None:
        good = arcs.good
        lines, flat = curved[good], arcs.flat[good]
        if not len(lines):
            return
        rise = path.step[2].take(lines)
        path.length[lines] = np.hypot(flat, rise)
        path.out = path.into.copy()
        path.into[:2, lines] = arcs.into[:, good] * flat
        path.out[:2, lines] = arcs.out[:, good] * flat
        for side in range(4):
            path.extent[side][lines] = arcs.extent[side][good]
        path.arcs = (lines, arcs.quarters[:, :, good])

    def _feeds(self, values: Floats, modes: tuple[Numbers, Numbers]) -> Floats:
        feeds = held(values * self._spread(modes, len(values), "unit"), values > 0, self._feed)
        self._feed = float(feeds[-1])
        return feeds

    def _e_steps(self, kinds: npt.NDArray[np.uint8], values: Floats, modes: tuple[Numbers, Numbers]) -> Floats:
        """Return how far each line moves the filament, in mm, and keep the counter."""
        given = ~np.isnan(values)
        scaled = values * self._spread(modes, len(values), "e_scale")
        sets = kinds == SET_E
        relative = self._spread(modes, len(values), "relative_e")
        increments = given & relative & ~sets
        counter = followed(scaled, given, increments if increments.any() else False, self._counter)
        steps = counter - shifted(counter, self._counter)
        self._counter = float(counter[-1])
        if relative is True:
            return np.where(increments, scaled, 0.0)
        steps[sets] = 0.0
        return np.where(increments, scaled, steps) if increments.any() else steps

    def _objects(self, context: int) -> tuple[str, ...]:
        return self._state.contexts.values[context].objects

    def _count_retraction(self, who: tuple[object, float], length: int) -> None:
        objects, feed = who
        kept = self._tally.retractions.setdefault(objects, Counter())  # type: ignore[arg-type]
        kept[length, feed] += 1

    def _count_widths(self, width: Channel, start: int, stop: int, lays: Flags, deposit: Floats) -> None:
        begins, numbers = width.runs(start, stop)
        if not numbers.any():
            return
        sums = np.bincount(numbers, np.add.reduceat(np.where(lays, deposit, 0.0), begins))
        for number in np.flatnonzero(sums).tolist():
            known = self._state.widths.values[number]
            if known is not None:
                self._tally.widths[known] += float(sums[number])  # type: ignore[assignment]

    def _start_from(self, path: Path) -> None:
        self._at = [float(after[-1]) for after in path.at]

    def _keys(self, path: Path, lays: Flags, mark: Numbers) -> tuple[Numbers, Numbers]:
        """Return the layer key and the island of each line that lays."""
        z = path.at[2]
        known = ~np.isnan(z)
        key = np.where(known, np.rint(np.where(known, z, 0.0) * 1000), NO_LAYER).astype(np.int64)
        for line in np.flatnonzero(lays & (path.step[2] != 0)).tolist():
            key[line] = ramp_key(float(z[line]), int(mark[line]))
        island = np.zeros(len(z), np.int64)
        if self._locate:
            laid = np.flatnonzero(lays)
            # The end of a move was drawn, whatever its shape; its middle may not have been.
            island[laid] = self._locate(path.at[0].take(laid), path.at[1].take(laid))
        return key, island

    def _feet(self, path: Path, lays: Flags, key: Numbers, island: Numbers, context: Numbers) -> None:
        """Keep the lowest level layer of each object."""
        changes = (context[1:] != context[:-1]) | (island[1:] != island[:-1])
        begins = np.concatenate([[0], np.flatnonzero(changes) + 1])
        level = np.where(lays & (key > NO_LAYER // (1 << 8)), key, np.iinfo(np.int64).max)
        lowest = np.minimum.reduceat(level, begins)
        stops = np.append(begins[1:], len(key))
        for start, stop, low in zip(begins.tolist(), stops.tolist(), lowest.tolist(), strict=True):
            at: Context = self._state.contexts.values[int(context[start])]
            who = (at.objects, int(island[start]))
            have = self._tally.feet.get(who)
            if low == np.iinfo(np.int64).max or at.auxiliary or (have and have[0] < low):
                continue
            self._tally.add_foot(who, low, _points(path, np.flatnonzero(level[start:stop] == low) + start))

    def _draw(self, path: Path, lays: Flags, key: Numbers, context: Numbers) -> None:
        contexts = self._state.contexts.values
        for begun in (False, True):
            numbers = [n for n, c in enumerate(contexts) if c.begun is begun and not c.auxiliary]
            laid = np.flatnonzero(lays & np.isin(context, numbers) & (key != NO_LAYER))
            if len(laid):
                ends = [column.take(laid) for column in (*path.was[:2], *path.at[:2])]
                self._shadow.draw((ends[0], ends[1]), (ends[2], ends[3]), key.take(laid), begun)  # type: ignore[union-attr]

    def _speeds(self, rows: Rows, path: Path, takes: Numbers, standing: Flags, plans: Numbers) -> None:
        """Fill in speed, acceleration and the limits at the junctions."""
        limits = junctions.Limits(self._state.plans.values, plans)
        length = np.where(standing, 1.0, path.length.take(takes))
        into = path.into.take(takes, axis=1) / length
        out = into if path.out is path.into else path.out.take(takes, axis=1) / length
        halts = rows.way == 0
        way = np.where(halts, 1.0, rows.way)
        rows.speed, rows.acceleration = junctions.nominal(
            limits, rows.speed, way, into, rows.acceleration, standing
        )
        before_out = np.concatenate([self._last[0][:, None], out[:, :-1]], axis=1)
        before_speed = shifted(rows.speed, self._last[1])
        alone = standing | np.concatenate([[self._last[2]], standing[:-1]])
        rows.limit = junctions.following(
            limits, (before_speed, rows.speed), before_out, into, rows.acceleration, alone
        )
        rows.limit[halts | np.concatenate([[self._halted], halts[:-1]])] = 0.0
        self._last = (out[:, -1].copy(), float(rows.speed[-1]), bool(standing[-1]))
        self._halted = bool(halts[-1])


def _points(path: Path, lines: Numbers) -> list[Point]:
    """Return the ends of some lines, quadrant points of arcs included."""
    xs = [path.was[0].take(lines), path.at[0].take(lines)]
    ys = [path.was[1].take(lines), path.at[1].take(lines)]
    if path.arcs:
        arcs = np.isin(path.arcs[0], lines)
        xs.append(path.arcs[1][0][:, arcs].ravel())
        ys.append(path.arcs[1][1][:, arcs].ravel())
    x, y = np.concatenate(xs), np.concatenate(ys)
    known = ~np.isnan(x + y)
    return _outermost(x[known], y[known])


def _outermost(x: Floats, y: Floats) -> list[Point]:
    """Return points among which every corner of the hull is, few enough for plain Python."""
    if len(x) > _FEW:
        inside = np.ones(len(x), np.bool_)
        for angle in np.arange(8) * (np.pi / 4):
            c, s = np.cos(angle), np.sin(angle)
            far = int(np.argmax(x * c + y * s))
            following = int(np.argmax(x * np.cos(angle + np.pi / 4) + y * np.sin(angle + np.pi / 4)))
            ax, ay, bx, by = x[far], y[far], x[following], y[following]
            inside &= (bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0
        x, y = x[~inside], y[~inside]
    return list(zip(x.tolist(), y.tolist(), strict=True))


_FEW = 64
__all__ = ["Channels", "Follower", "Mode", "Sequence", "is_ramp"]
