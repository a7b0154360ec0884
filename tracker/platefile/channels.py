"""Values that hold from one line on until the next change, spread over rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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
