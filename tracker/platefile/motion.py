"""From scanned lines to rows of motion: paths, deposits, layers, speeds."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tracker.platefile import junctions, scan
from tracker.platefile.channels import Channels, Held
from tracker.platefile.feet import note_feet
from tracker.platefile.filament import Filament
from tracker.platefile.islands import Shadow
from tracker.platefile.meaning import CLOCKWISE, COUNTER, PAUSE, SET_E
from tracker.platefile.path import Path, Reading, Walker
from tracker.platefile.positions import followed, held, shifted
from tracker.platefile.rows import Moves, Rows
from tracker.platefile.state import State
from tracker.platefile.tally import NO_LAYER, Objects, Tally, ramp_key

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
        values: Words by column; those of arcs are empty where there are none.
        given: Which rows hold X, Y, Z, E.
        feeds: Feed rate in force, mm/min.
        how: How numbers are read.
        context: Number of the context.
    """

    lines: Numbers
    kinds: Kinds
    values: list[Floats]
    given: list[Flags]
    feeds: Floats
    how: Reading
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
        self._filament = Filament(self._count_retraction)
        self._pace = junctions.Pace()

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
        path = self.walker.walk(span.kinds, span.values, span.given, span.how)
        steps = self._e_steps(span)
        deposit = self._filament.follow(steps, span.how.tool, lambda row: self._who(span, row))
        sideways = (path.step[0] != 0) | (path.step[1] != 0)
        if path.curved:
            sideways[path.curved[0]] = True
        # A deposit without a move in XY is a prime or a blob, not a layer.
        lays = (deposit > 0) & sideways
        laid = np.flatnonzero(lays)
        mark = channels.mark.spread(span.lines)
        key, island = self._layers(path, laid, mark)
        if len(laid):
            self._count_widths(channels, span, laid, deposit)
            note_feet(
                self._tally, self._state.contexts.values, path, laid, key, island, span.context.take(laid)
            )
            # Once a marker has named an object nobody will ask for islands.
            if self._shadow and not self._state.names:
                self._draw(path, laid, key, span.context.take(laid))
        moves = self._moves(span, channels, path, steps, deposit, lays, mark)
        moves.key[laid], moves.island[laid] = key, island
        for line, seconds in dwells.items():
            if start <= line < stop:
                moves.dwell[np.searchsorted(span.lines, line)] = seconds
        takes = (moves.way > 0) | (span.kinds == PAUSE)
        if not takes.all():
            moves = moves.at(np.flatnonzero(takes))
        if not len(moves):
            return None
        return self._pace.plan(moves, self._state.plans.values)

    def _select(self, found: scan.Scan, channels: Channels, start: int, stop: int) -> _Span | None:
        """Take the lines that move, set the E counter or stand still."""
        kinds = found.kinds[start:stop]
        given = [~np.isnan(found.values[column, start:stop]) for column in _POSITIONS]
        wanted = given[0] | given[1] | given[2] | given[3] | (kinds >= CLOCKWISE)
        feed = found.values[scan.F, start:stop]
        begins, modes = channels.mode.runs(np.arange(start, stop))
        feeds = held(feed * self._alike(begins, modes, "unit", stop - start), feed > 0, self._feed)
        self._feed = float(feeds[-1])
        if self._alike(begins, modes, "relative_e", stop - start) is True:
            # Relative E does not look at its counter: the rows that set it need not go any further.
            wanted &= kinds != SET_E
        chosen = np.flatnonzero(wanted)
        if not len(chosen):
            return None
        lines, kinds = chosen + start, kinds.take(chosen)
        # Columns of arcs are fetched only where there are any.
        bent = bool(((kinds == CLOCKWISE) | (kinds == COUNTER)).any())
        values = [
            column[start:stop].take(chosen) if bent or number in _POSITIONS else _NOTHING
            for number, column in enumerate(found.values)
        ]
        return _Span(
            lines,
            kinds,
            values,
            [one.take(chosen) for one in given],
            feeds.take(chosen),
            self._how(channels.mode, lines),
            channels.context.spread(lines),
        )

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

    def _e_steps(self, span: _Span) -> Floats:
        """Return how far each row moves the filament, in mm, and keep the counter."""
        sets = span.kinds == SET_E
        scaled = span.values[scan.E] * span.how.e_scale
        relative = span.how.relative_e
        if relative is True:
            steps = np.where(span.given[3] & ~sets, scaled, 0.0)
            self._counter += float(steps.sum())
            return steps
        increments = span.given[3] & relative & ~sets
        mixed = bool(increments.any())
        counter = followed(scaled, span.given[3], increments if mixed else False, self._counter)
        steps = counter - shifted(counter, self._counter)
        self._counter = float(counter[-1])
        steps[sets] = 0.0
        return np.where(increments, scaled, steps) if mixed else steps

    def _who(self, span: _Span, row: int) -> tuple[Objects, float]:
        return self._state.contexts.values[int(span.context[row])].objects, float(span.feeds[row])

    def _count_retraction(self, who: tuple[Objects, float], length: int) -> None:
        objects, feed = who
        self._tally.retractions.setdefault(objects, Counter())[length, feed] += 1

    def _count_widths(self, channels: Channels, span: _Span, laid: Numbers, deposit: Floats) -> None:
        """Add up what outer walls of each stated width hold, for each object."""
        lines = span.lines.take(laid)
        outer, width = channels.outer.runs(lines), channels.width.runs(lines)
        begins = np.sort(np.concatenate([outer[0], width[0]]))
        begins = begins[np.diff(begins, prepend=-1) > 0]
        walls = outer[1].take(np.searchsorted(outer[0], begins, "right") - 1) == 1
        numbers = width[1].take(np.searchsorted(width[0], begins, "right") - 1)
        kept = np.flatnonzero(walls & (numbers > 0))
        sums = np.add.reduceat(deposit.take(laid), begins).take(kept).tolist()
        contexts = span.context.take(laid.take(begins.take(kept))).tolist()
        for context, number, length in zip(contexts, numbers.take(kept).tolist(), sums, strict=True):
            who = self._state.contexts.values[context].objects
            self._tally.widths[who, self._widths[number]] += length

    def _layers(self, path: Path, laid: Numbers, mark: Numbers) -> tuple[Numbers, Numbers]:
        """Return the layer key and the island of each row that lays."""
        z = path.at[2].take(laid)
        unknown = np.isnan(z)
        # In whole µm: heights come as sums of decimals, and 0.6000000001 is the same layer.
        key = np.rint(np.where(unknown, 0.0, z) * 1000).astype(np.int64)
        key[unknown] = NO_LAYER
        if path.climbs:
            for number in np.flatnonzero(path.step[2].take(laid)).tolist():
                key[number] = ramp_key(float(z[number]), int(mark[laid[number]]))
        if self._locate is None:
            return key, np.zeros(len(laid), np.int64)
        # The end of a move was drawn, whatever its shape; its middle may not have been.
        return key, self._locate(path.at[0].take(laid), path.at[1].take(laid))

    def _draw(self, path: Path, laid: Numbers, key: Numbers, context: Numbers) -> None:
        contexts = self._state.contexts.values
        for begun in (False, True):
            numbers = [n for n, c in enumerate(contexts) if c.begun is begun and not c.auxiliary]
            drawn = np.flatnonzero(np.isin(context, numbers) & (key != NO_LAYER))
            if len(drawn) and self._shadow:
                rows = laid.take(drawn)
                ends = [column.take(rows) for column in (*path.was[:2], *path.at[:2])]
                self._shadow.draw((ends[0], ends[1]), (ends[2], ends[3]), key.take(drawn), begun)

    def _moves(
        self,
        span: _Span,
        channels: Channels,
        path: Path,
        steps: Floats,
        deposit: Floats,
        lays: Flags,
        mark: Numbers,
    ) -> Moves:
        count = len(span.lines)
        return Moves(
            way=np.where(path.length > 0, path.length, np.abs(steps)),
            length=path.length,
            into=path.into,
            out=path.out,
            feed=span.feeds,
            e=steps,
            plan=channels.plan.spread(span.lines),
            dwell=np.zeros(count),
            deposit=deposit,
            lays=lays,
            context=span.context,
            visit=channels.visit.spread(span.lines),
            mark=mark,
            key=np.zeros(count, np.int64),
            island=np.zeros(count, np.int64),
            x0=path.low[0],
            x1=path.high[0],
            y0=path.low[1],
            y1=path.high[1],
            z=path.at[2],
        )


_POSITIONS = (scan.X, scan.Y, scan.Z, scan.E)
_NOTHING: Floats = np.empty(0)
