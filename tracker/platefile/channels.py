"""Values that hold from one line on until the next change, spread over rows."""

from __future__ import annotations

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

    def spread(self, start: int, stop: int) -> Numbers:
        """Return the value of each line from ``start`` to ``stop``."""
        bounds = np.clip(np.array([*self.lines, stop]), start, stop)
        return np.repeat(np.array(self.values), np.diff(bounds))

    def runs(self, start: int, stop: int) -> tuple[Numbers, Numbers]:
        """Return the starts, counted from ``start``, and values of the runs that are not empty."""
        bounds = np.clip(np.array([*self.lines, stop]), start, stop)
        filled = np.flatnonzero(np.diff(bounds))
        return bounds[filled] - start, np.array(self.values)[filled]
