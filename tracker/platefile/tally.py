"""What is kept of a plate while it streams past: sums per object, layer and set-points.

A *cell* is all that was deposited for one context (object and set-points) in one
layer. Everything said later about pieces and layers is made from cells, so
memory grows with layers and objects, not with the length of the file.
"""

from __future__ import annotations

import struct
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import cache

from tracker.platefile.state import State

NO_LAYER = -(1 << 40)
"""Layer key of rows that belong to no layer: nothing was deposited in their visit."""
_RAMP_BY_MARK = -(1 << 34)
_RAMP_BY_HEIGHT = -(1 << 36)
_RAMP_STEPS_PER_MM = 20
_INFINITE = float("inf")

Objects = tuple[str, ...]
Point = tuple[float, float]
Weights = dict[int, float]
LOWEST_LEVEL = _RAMP_BY_MARK // 2
"""Layer keys above it are heights in µm."""
Laying = tuple[Objects, int, str]
"""Object tuple, island number, and what is laid, as the file calls it."""
Body = tuple[Objects, int]
"""Object tuple and island number."""
CellKey = tuple[int, int, int]
"""Context number, layer key, island number (0 = none)."""

_HAIR_MM = 0.02
"""A body is not looked at again for less."""
LEAST_FLOW_LENGTH_MM = 1.0
LEAST_FLOW_TIME_S = 0.01
"""Shorter moves say nothing about flow: their rounded E gives spikes."""


HIGHEST_LEVEL = 1 << 33
"""Heights beyond this many µm are not told apart."""


def layer_key(z_mm: float) -> int:
    """Return the key of a level layer: its height in µm."""
    return max(LOWEST_LEVEL + 1, min(HIGHEST_LEVEL, round(z_mm * 1000)))


def ramp_key(z_mm: float, mark: int) -> int:
    """Return the key of a deposit that climbs: by layer mark where the file has marks, else by height."""
    return _RAMP_BY_MARK - mark if mark else _RAMP_BY_HEIGHT + int(z_mm * _RAMP_STEPS_PER_MM)


def is_ramp(key: int) -> bool:
    """Tell whether a layer key stands for deposits that climb."""
    return NO_LAYER < key < LOWEST_LEVEL


def rate_bin(rate: float) -> int:
    """Return the bin of a positive rate: 256 per doubling, so that a bin is at most 0.4 % wide."""
    bits: int = struct.unpack("<q", struct.pack("<d", rate))[0]
    return bits >> 44


@cache
def bin_rate(number: int) -> float:
    """Return the rate in the middle of a bin, in the unit in which `rate_bin` was given it."""
    rate: float = struct.unpack("<d", struct.pack("<q", (number << 44) + (1 << 43)))[0]
    return rate


@dataclass(slots=True)
class Cell:
    """Sums over the rows of one context in one layer.

    Attributes:
        filament: mm deposited, standing or moving.
        moving: mm deposited along XY moves.
        own: s of all rows, travel included.
        busy: s of the depositing XY moves.
        path: mm of those moves.
        speed: Sum of deposit times commanded speed, mm · mm/s.
        x0: Least X of the centre lines in mm; likewise the next three.
        x1: Greatest X.
        y0: Least Y.
        y1: Greatest Y.
        z1: Greatest Z.
        t0: Start of the first depositing move, s since the start of the file.
        t1: End of the last one.
        fastest: Greatest rate of filament, mm/s, over moves long enough to tell.
        mark: Layer marks passed when last deposited.
    """

    filament: float = 0.0
    moving: float = 0.0
    own: float = 0.0
    busy: float = 0.0
    path: float = 0.0
    speed: float = 0.0
    x0: float = _INFINITE
    x1: float = -_INFINITE
    y0: float = _INFINITE
    y1: float = -_INFINITE
    z1: float = -_INFINITE
    t0: float = _INFINITE
    t1: float = -_INFINITE
    fastest: float = 0.0
    mark: int = 0

    def add(
        self,
        filament: float,
        moving: float,
        own: float,
        busy: float,
        path: float,
        speed: float,
        t0: float,
        t1: float,
        fastest: float,
    ) -> None:
        """Add sums over more rows of the same context and layer, later in time or not."""
        self.filament += filament
        self.moving += moving
        self.own += own
        self.busy += busy
        self.path += path
        self.speed += speed
        self.t0, self.t1 = min(self.t0, t0), max(self.t1, t1)
        self.fastest = max(self.fastest, fastest)

    def merge(self, other: Cell) -> None:
        """Add the sums of another cell."""
        self.add(
            other.filament, other.moving, other.own, other.busy, other.path,
            other.speed, other.t0, other.t1, other.fastest,
        )  # fmt: skip
        self.widen((other.x0, other.x1, other.y0, other.y1), other.z1, other.mark)

    def widen(self, box: tuple[float, float, float, float], top: float, mark: int) -> None:
        """Take in more deposits: least and greatest X, least and greatest Y; their top; their layer mark.

        What is unknown is NaN and changes nothing.
        """
        x0, x1, y0, y1 = box
        # The known one first: a comparison with NaN is false, and the first of two then stays.
        self.x0, self.x1 = min(self.x0, x0), max(self.x1, x1)
        self.y0, self.y1 = min(self.y0, y0), max(self.y1, y1)
        self.z1 = max(self.z1, top)
        self.mark = max(self.mark, mark)


@dataclass(slots=True)
class Tally:
    """All that is kept of a plate.

    Attributes:
        state: The machine's state at the end, with what the file says about itself.
        cells: Per context number, layer key and island.
        rates: Per object tuple, island and feature: mm deposited per bin of rate.
        fastest: For the same: the greatest rate in mm/s.
        retractions: Per object tuple: count of (length in 0.01 mm, speed in mm/min).
        hulls: Per object tuple and island: the convex hull of its deposits seen from above, mm.
        loops: Per body: the closed loop of deposits that holds the largest area, with that area, mm and mm².
        apart: Objects whose lowest layers are not connected: per object tuple, how many parts stand there.
        widths: Per (object tuple, width in mm): mm deposited in outer walls of that width.
        time: s of motion and dwell.
        problems: What was found wrong, in words.
        cuts: Signs that the file was cut off, in words.
        ended: Whether anything that belongs to an end code is behind the last deposit.
        changes_s: When another tool began to lay than before, s since the start of the file.
        other_mm: mm of filament in the other reading of G90 and G91, None where it is the same by all means.
    """

    state: State
    cells: dict[CellKey, Cell] = field(default_factory=dict)
    rates: dict[Laying, Weights] = field(default_factory=dict)
    fastest: dict[Laying, float] = field(default_factory=dict)
    retractions: dict[Objects, Counter[tuple[int, float]]] = field(
        default_factory=lambda: defaultdict(Counter)
    )
    hulls: dict[Body, list[Point]] = field(default_factory=dict)
    loops: dict[Body, tuple[float, list[Point]]] = field(default_factory=dict)
    apart: dict[Objects, int] = field(default_factory=dict)
    widths: dict[tuple[Objects, float], float] = field(default_factory=lambda: defaultdict(float))
    time: float = 0.0
    problems: list[str] = field(default_factory=list)
    cuts: list[str] = field(default_factory=list)
    ended: bool = False
    changes_s: list[float] = field(default_factory=list)
    other_mm: float | None = None
    tool: int | None = None
    _reaches: dict[Body, list[float]] = field(default_factory=dict)

    def cell(self, key: CellKey) -> Cell:
        """Return the cell of a key, made if it is new."""
        found = self.cells.get(key)
        if found is None:
            found = self.cells[key] = Cell()
        return found

    def use_tool(self, tool: int, at_s: float) -> None:
        """Note which tool lays from a moment on."""
        if self.tool not in (None, tool):
            self.changes_s.append(at_s)
        self.tool = tool

    def widens(self, body: Body, reach: list[float]) -> bool:
        """Tell whether some deposits reach noticeably beyond those known of a body, and remember how far.

        Args:
            body: What they belong to.
            reach: Their least X, Y, X + Y, X - Y and their greatest, mm; NaN where unknown.
        """
        have = self._reaches.get(body)
        if have is None:
            have = self._reaches[body] = [_INFINITE] * 4 + [-_INFINITE] * 4
        beyond = False
        for number, value in enumerate(reach):
            if value < have[number] - _HAIR_MM if number < 4 else value > have[number] + _HAIR_MM:  # noqa: PLR2004
                have[number], beyond = value, True
        return beyond

    def add_hull(self, body: Body, points: list[Point]) -> None:
        """Take more points into the hull of an object."""
        if points:
            self.hulls[body] = hull(self.hulls.get(body, []) + points)


def hull(points: list[Point]) -> list[Point]:
    """Return the convex hull, counter-clockwise (monotone chain; Andrew 1979)."""
    ordered = sorted(set(points))
    if len(ordered) < 3:  # noqa: PLR2004 - two points have no inside
        return ordered
    lower, upper = _chain(ordered), _chain(ordered[::-1])
    return lower[:-1] + upper[:-1]


def _chain(points: list[Point]) -> list[Point]:
    chain: list[Point] = []
    for point in points:
        x, y = point
        # Points on a straight side are dropped as well: a bar has four corners, not a thousand.
        while len(chain) > 1:
            (x0, y0), (x1, y1) = chain[-2:]
            if (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) > 0:
                break
            chain.pop()
        chain.append(point)
    return chain
