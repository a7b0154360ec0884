"""Lines that are no plain moves: what each of them does to the modal state and to the table of rows.

Such lines are a tenth to a third of a plate and most of them recur thousands of
times, so what a line means is remembered, and for lines that only change the modal
state, also which state follows from which.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy.typing as npt

from tracker.lazy_modules import np
from tracker.platefile import meaning as m
from tracker.platefile import scan
from tracker.platefile.meaning import Meaning
from tracker.platefile.state import PURE, Modal, Numbering, State

Numbers = npt.NDArray[np.intp]


class Channel:
    """A whole number that changes at lines of a chunk.

    Args:
        value: What holds from the chunk's first line.
    """

    def __init__(self, value: int) -> None:
        self.lines = [0]
        self.values = [value]

    def change(self, line: int, value: int) -> None:
        """Let another value hold from ``line`` on."""
        self.lines.append(line)
        self.values.append(value)

    def fixed(self) -> Held:
        """Return the channel as arrays, when no more changes are to come."""
        return Held(np.array(self.lines), np.array(self.values))


class Held:
    """A channel as arrays.

    Args:
        lines: Where each value begins to hold; the first one at line 0.
        values: The values.
    """

    def __init__(self, lines: Numbers, values: Numbers) -> None:
        # Numbers are never negative, so the first value always counts as a change.
        changes = np.flatnonzero(np.diff(values, prepend=-1))
        self._lines, self._values = lines.take(changes), values.take(changes)

    def through(self, table: Numbers) -> Held:
        """Return the channel of what each value stands for in a table."""
        return Held(self._lines, table.take(self._values))

    def runs(self, lines: Numbers) -> tuple[Numbers, Numbers]:
        """Return where among the rows each run begins, and its value; runs without rows are left out.

        Args:
            lines: The line of each row, rising; at least one.
        """
        if len(self._lines) == 1:
            return np.zeros(1, np.intp), self._values
        begins = np.searchsorted(lines, self._lines)
        filled = np.flatnonzero(np.diff(begins, append=len(lines)))
        return begins.take(filled), self._values.take(filled)

    def at(self, lines: Numbers) -> Numbers:
        """Return what holds at each of a few lines."""
        return self._values.take(np.searchsorted(self._lines, lines, "right") - 1)

    def spread(self, lines: Numbers) -> Numbers:
        """Return the value of each row."""
        begins, values = self.runs(lines)
        if len(values) == 1:
            return np.full(len(lines), values[0])
        return np.repeat(values, np.diff(begins, append=len(lines)))


@dataclass(slots=True)
class Channels:
    """What holds from which line of a chunk on.

    Attributes:
        owner: Numbers of contexts with their features (`State.owners`).
        plan: Numbers of plans.
        mode: Numbers of modes.
        outer: 1 inside outer walls.
        width: Numbers of line widths.
        visit: Visits to objects' markers.
        mark: Layer marks passed.
    """

    owner: Held
    plan: Held
    mode: Held
    outer: Held
    width: Held
    visit: Held
    mark: Held


_REMEMBERED_LINES = 1 << 15
_REMEMBERED_LENGTH = 96


class Remembered:
    """What a line does.

    Args:
        meanings: Its operations.
        numbers: Gives line widths their numbers.
    """

    __slots__ = ("follows", "meanings", "sets_e", "visits", "width")

    def __init__(self, meanings: tuple[Meaning, ...], numbers: Numbering[float]) -> None:
        self.meanings = meanings
        pure = all(one[0] in PURE for one in meanings)
        self.follows: dict[int, int] | None = {} if pure else None
        self.visits = any(one[0] == "object" for one in meanings)
        self.sets_e = len(meanings) == 1 and meanings[0][0] == "set_e"
        only_width = len(meanings) == 1 and meanings[0][0] == "width"
        self.width = numbers(float(meanings[0][1])) if only_width else -1


class Changes:
    """What changes at which lines of a chunk.

    Args:
        modal: Number of the modal state at the start; likewise the next three.
        width: Number of the line width.
        visit: Visits to objects' markers so far.
        mark: Layer marks passed so far.
    """

    __slots__ = ("mark", "modal", "visit", "width")

    def __init__(self, modal: int, width: int, visit: int, mark: int) -> None:
        self.modal, self.width = Channel(modal), Channel(width)
        self.visit, self.mark = Channel(visit), Channel(mark)

    def note(self, line: int, modal: int, visit: int, mark: int) -> None:
        """Note what holds from a line on, as far as it is new."""
        for channel, value in ((self.modal, modal), (self.visit, visit), (self.mark, mark)):
            if value != channel.values[-1]:
                channel.change(line, value)


class OtherLines:
    """Applies the lines of a plate that are no plain moves, chunk by chunk.

    Args:
        state: The machine's state.
        read: Tells what a line means.

    Attributes:
        modals: Modal states seen, by number.
        widths: Line widths seen, by number; number 0 is "not stated".
        dwells: Seconds of standstill by line of the chunk.
        cuts: Lines of the chunk behind which positions mean something else, with the operation.
        end_line: The last line of the chunk that may belong to the end code; -1 for none.
    """

    def __init__(self, state: State, read: Callable[[bytes], tuple[Meaning, ...]] = m.of_line) -> None:
        self.modals: Numbering[Modal] = Numbering()
        self.widths: Numbering[float] = Numbering()
        self.widths(0.0)
        self.dwells: dict[int, float] = {}
        self.cuts: list[tuple[int, Meaning]] = []
        self.end_line = -1
        self._state = state
        self._read = read
        self._remembered: dict[bytes, Remembered] = {}
        self._counters: list[tuple[int, Any]] = []
        self._now = self._loaded = self.modals(state.modal)
        self._width = 0

    def apply(self, chunk: bytes, found: scan.Scan) -> Changes:
        """Let every such line of a chunk have its effect, in order.

        Returns:
            What changes at which line.
        """
        self.dwells, self.cuts, self._counters = {}, [], []
        self.end_line = -1
        changes = Changes(self._now, self._width, self._state.visit, len(self._state.marks))
        now = self._walk(chunk, found, changes)
        _set_counters(found, self._counters)
        self._load(now)
        self._now, self._width = now, changes.width.values[-1]
        return changes

    def _walk(self, chunk: bytes, found: scan.Scan, changes: Changes) -> int:
        """Go through the lines in order; return the modal state that holds at the end."""
        remembered = self._remembered
        others = found.others
        starts, ends = found.starts.take(others).tolist(), found.ends.take(others).tolist()
        now = self._now
        # Bound here, because a call for each of a hundred thousand changes costs as much as finding them.
        widths, modals = changes.width, changes.modal
        width_line, width_value = widths.lines.append, widths.values.append
        modal_line, modal_value = modals.lines.append, modals.values.append
        # What a line sets holds from the next one on: a line that waits belongs to what was before.
        for line, start, end in zip((others + 1).tolist(), starts, ends, strict=True):
            text = chunk[start:end]
            known = remembered.get(text) or self._look_up(text)
            if known.follows is None:
                if known.width >= 0:
                    width_line(line)
                    width_value(known.width)
                elif known.sets_e:
                    self._counters.append((line - 1, known.meanings[0][1]))
                else:
                    now = self._act(known, line - 1, found, changes, now)
                continue
            after = known.follows.get(now)
            if after is None:
                after = known.follows[now] = self._transition(now, known.meanings)
            if after != now:
                now = after
                modal_line(line)
                modal_value(now)
            if known.visits:
                self._state.begin_visit()
                changes.visit.change(line, self._state.visit)
        return now

    def _look_up(self, text: bytes) -> Remembered:
        # Picture data in letters may look like key: value; it is passed over until its end mark.
        if self._state.in_thumbnail and text.lstrip()[:1] == b";" and b"end" not in text:
            return _NOTHING
        known = Remembered(self._read(text), self.widths)
        # Long lines are settings and pictures, which do not come again.
        if len(text) <= _REMEMBERED_LENGTH:
            # Forgetting everything is crude, but costs nothing per line; what recurs is back at once.
            if len(self._remembered) >= _REMEMBERED_LINES:
                self._remembered.clear()
            self._remembered[text] = known
        return known

    def _load(self, number: int) -> None:
        if number != self._loaded:
            self._state.load(self.modals.values[number])
            self._loaded = number

    def _transition(self, number: int, meanings: tuple[Meaning, ...]) -> int:
        self._load(number)
        for meaning in meanings:
            self._state.apply(meaning)
        self._loaded = self.modals(self._state.modal)
        return self._loaded

    def _act(self, known: Remembered, line: int, found: scan.Scan, changes: Changes, number: int) -> int:
        """Do what does more than change the modal state; return the modal state that follows."""
        after = self._perform(known.meanings, line, found, number)
        changes.note(line + 1, after, self._state.visit, len(self._state.marks))
        return after

    def _perform(self, meanings: tuple[Meaning, ...], line: int, found: scan.Scan, number: int) -> int:
        """Do operations of which some leave more behind than a modal state; return the one that follows."""
        self._load(number)
        state = self._state
        before = (state.context, state.plan, state.mode)
        for meaning in meanings:
            if state.ends(meaning):
                self.end_line = line
            if not self._row(meaning, line, found):
                state.apply(meaning)
                if meaning[0] == "object":
                    state.begin_visit()
        if state.context is before[0] and state.plan is before[1] and state.mode is before[2]:
            return number
        self._loaded = self.modals(state.modal)
        return self._loaded

    def _row(self, meaning: Meaning, line: int, found: scan.Scan) -> bool:
        """Put a line into the table of rows if it is one; False if it is not."""
        name = meaning[0]
        # Numbers of a line read by the grammar go into the same table as those read at once: from here on
        # nobody can tell the two apart.
        if name == "set_e":
            found.values[scan.E, line] = meaning[1]
            found.kinds[line] = m.SET_E
        elif name == "move":
            found.values[:, line] = np.nan
            for letter, value in meaning[2]:
                if letter in scan.COLUMNS:
                    found.values[scan.COLUMNS.index(letter), line] = value
            found.kinds[line] = meaning[1]
        elif name == "dwell":
            self.dwells[line] = meaning[1]
            found.kinds[line] = m.PAUSE
        elif name == "home":
            self.cuts.append((line + 1, meaning))
        elif name == "position":
            self.cuts.append((line + 1, (*meaning, self._state.mode.unit)))
        else:
            return False
        return True


def _set_counters(found: scan.Scan, counters: list[tuple[int, Any]]) -> None:
    if counters:
        lines = [line for line, _ in counters]
        found.values[scan.E, lines] = [value for _, value in counters]
        found.kinds[lines] = m.SET_E


_NOTHING = Remembered((), Numbering())
