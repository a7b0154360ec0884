"""The plain reader: one line after another, one number after another.

It is the fallback where the fast reader fails, and its oracle in the tests. It shares with it what a
line *means* (`tracker.platefile.meaning`, `tracker.platefile.state`) and nothing of how rows are found,
positions followed, arcs measured, motion planned, islands found or sums made.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Any

from tracker.platefile import meaning as m
from tracker.platefile.islands import CELL_MM, CELLS, ORIGIN_MM, Roots, settle
from tracker.platefile.path import COMPASS
from tracker.platefile.state import Context, Mode, Plan, State
from tracker.platefile.tally import (
    LEAST_FLOW_LENGTH_MM,
    LEAST_FLOW_TIME_S,
    NO_LAYER,
    Body,
    Cell,
    Tally,
    layer_key,
    ramp_key,
    rate_bin,
)

Vector = tuple[float, float, float]
DEFAULT_FEED = 1500.0
EPSILON = 1e-6
STRAIGHT = 0.999999
ROUNDING = 1e-7


@dataclass
class Block:
    """One row that takes time or filament."""

    context: Context
    plan: Plan
    visit: int
    mark: int
    feature: str
    end: Vector = (math.nan, math.nan, math.nan)
    box: tuple[float, float, float, float] = (math.inf, -math.inf, math.inf, -math.inf)
    points: list[tuple[float, float]] = field(default_factory=list)
    bulge: list[tuple[float, float]] = field(default_factory=list)
    length: float = 0.0
    de: float = 0.0
    deposit: float = 0.0
    moves_xy: bool = False
    climbs: bool = False
    feed: float = 0.0
    into: Vector = (0.0, 0.0, 0.0)
    out: Vector = (0.0, 0.0, 0.0)
    dwell: float = 0.0
    stops: bool = False
    start_s: float = 0.0
    time_s: float = 0.0
    key: int = NO_LAYER
    island: int = 0
    line: tuple[float, float, float, float] = (math.nan,) * 4
    placed: bool = False
    speed: float = 0.0
    acceleration: float = 1.0

    @property
    def deposits(self) -> bool:
        """Whether the row deposits while it moves in XY."""
        return self.deposit > 0 and self.moves_xy


class Plain:
    """Reads a whole plate held in memory.

    Args:
        relative_e: How E is read before the file says so.
        g90_sets_e: Whether G90 and G91 set E too.
        separate: Whether parts of one marked object that nowhere touch are told apart.
        volumetric_mm: Diameter of the filament where E is a volume from the start; 0 where it is a length.
    """

    def __init__(
        self,
        *,
        relative_e: bool = False,
        g90_sets_e: bool = False,
        separate: bool = False,
        volumetric_mm: float = 0.0,
    ) -> None:
        self._separate = separate
        self.state = State(relative_e=relative_e, g90_sets_e=g90_sets_e, volumetric_mm=volumetric_mm)
        self.tally = Tally(self.state)
        self.at = [math.nan] * 3
        self.offset = [0.0] * 3
        self.counter = self.other_counter = 0.0
        self.depth: dict[int, float] = defaultdict(float)
        self.other_depth: dict[int, float] = defaultdict(float)
        self.other = 0.0
        self.apart = False
        self.feed = math.nan
        self.blocks: list[Block] = []
        self.episode: tuple[tuple[str, ...], float, float] | None = None

    def read(self, data: bytes) -> Tally:
        """Read all of it and return the sums."""
        data = data.removeprefix(b"\xef\xbb\xbf")
        for raw in data.replace(b"\r", b"\n").split(b"\n"):
            if self.state.in_thumbnail and raw.lstrip()[:1] == b";" and b"end" not in raw:
                continue
            for meaning in m.of_line(raw):
                self.tally.ended |= self.state.ends(meaning)
                self.one(meaning)
        self.close_episode()
        self.tally.other_mm = self.other if self.apart else None
        look_ahead(self.blocks)
        roots = self.islands()
        self.layers()
        self.sums()
        settle(self.tally, roots, keep=True)
        return self.tally

    def one(self, meaning: m.Meaning) -> None:
        """Do one operation."""
        name, *rest = meaning
        if name == "move":
            self.move(rest[0], dict(rest[1]))
        elif name == "set_e":
            self.counter = self.other_counter = rest[0] * self.state.mode.e_scale
        elif name == "dwell":
            self.blocks.append(self.block(dwell=rest[0], stops=True, end=self.place()))
        elif name == "home":
            for axis in rest[0]:
                self.at["XYZ".index(axis)] = math.nan
                self.offset["XYZ".index(axis)] = 0.0
        elif name == "position":
            for axis, value in rest[0]:
                i = "XYZ".index(axis)
                self.offset[i] = (
                    0.0 if math.isnan(self.at[i]) else self.at[i]
                ) - value * self.state.mode.unit
                if math.isnan(self.at[i]):
                    self.at[i] = 0.0
        else:
            self.state.apply(meaning)
            if name == "object":
                self.state.begin_visit()

    def place(self) -> Vector:
        """Return the present position."""
        return self.at[0], self.at[1], self.at[2]

    def block(self, **given: Any) -> Block:
        """Return a row in the present state."""
        state = self.state
        return Block(state.context, state.plan, state.visit, len(state.marks), state.feature, **given)

    def move(self, kind: int, words: dict[str, float]) -> None:
        """Do one move."""
        mode = self.state.mode
        before = self.place()
        if words.get("F", 0.0) > 0:
            self.feed = words["F"] * mode.unit
        for i, axis in enumerate("XYZ"):
            if axis in words:
                step = words[axis] * mode.unit
                self.at[i] = self.at[i] + step if mode.relative else step + self.offset[i]
        de = self.e_step(words, mode)
        delta = [0.0 if math.isnan(b - a) else b - a for a, b in zip(before, self.at, strict=True)]
        block = self.block(de=de, end=self.place(), feed=self.feed)
        block.line = (before[0], before[1], self.at[0], self.at[1])
        block.moves_xy = bool(delta[0] or delta[1])
        block.climbs = delta[2] != 0
        if kind == m.LINEAR or not mode.flat or not self.arc(block, kind, words, before, delta):
            straight(block, delta)
        self.extrude(block, before)
        if block.length > 0 or block.de != 0:
            self.blocks.append(block)

    def e_step(self, words: dict[str, float], mode: Mode) -> float:
        """Return what the E word moves, in mm of filament."""
        if "E" not in words:
            return 0.0
        given = words["E"] * mode.e_scale
        other = given if mode.other_e else given - self.other_counter
        self.other_counter = self.other_counter + given if mode.other_e else given
        depth = self.other_depth[mode.tool] - other
        self.other += -depth if -depth >= ROUNDING else 0.0
        self.other_depth[mode.tool] = max(0.0, depth)
        self.apart |= mode.other_e is not mode.relative_e
        if mode.relative_e:
            self.counter += given
            return given
        step = given - self.counter
        self.counter = given
        return step

    def arc(
        self, block: Block, kind: int, words: dict[str, float], before: Vector, delta: list[float]
    ) -> bool:
        """Fill in an arc; False if it cannot be one."""
        if math.isnan(before[0] + before[1] + block.end[0] + block.end[1]):
            return False
        unit = self.state.mode.unit
        x0, y0, x1, y1 = before[0], before[1], block.end[0], block.end[1]
        if "I" in words or "J" in words:
            cx, cy = x0 + words.get("I", 0.0) * unit, y0 + words.get("J", 0.0) * unit
        elif words.get("R") and (x0, y0) != (x1, y1):
            cx, cy = centre(x0, y0, x1, y1, words["R"] * unit, kind)
        else:
            self.state.apply(("trouble", "an arc without a centre is taken as a straight line"))
            return False
        radius = math.hypot(x0 - cx, y0 - cy)
        if radius == 0:
            return False
        sign = 1.0 if kind == m.COUNTER else -1.0
        begin, end = math.atan2(y0 - cy, x0 - cx), math.atan2(y1 - cy, x1 - cx)
        sweep = (sign * (end - begin)) % (2 * math.pi)
        if (x0, y0) == (x1, y1) or sweep == 0.0:
            sweep = 2 * math.pi
        sweep += 2 * math.pi * max(0.0, words.get("P", 0.0) - (1.0 if (x0, y0) == (x1, y1) else 0.0))
        flat = radius * sweep
        block.length = math.hypot(flat, delta[2])
        block.moves_xy = flat > 0
        share, rise = flat / block.length, delta[2] / block.length
        block.into = (-sign * math.sin(begin) * share, sign * math.cos(begin) * share, rise)
        last = begin + sign * sweep
        block.out = (-sign * math.sin(last) * share, sign * math.cos(last) * share, rise)
        compass = {
            q: (
                cx + radius * math.cos(q * math.tau / COMPASS),
                cy + radius * math.sin(q * math.tau / COMPASS),
            )
            for q in range(COMPASS)
            if (sign * (q * math.tau / COMPASS - begin)) % (2 * math.pi) < sweep
        }
        block.points = [(x0, y0), (x1, y1), *(at for q, at in compass.items() if q % (COMPASS // 4) == 0)]
        block.bulge = list(compass.values())
        return True

    def extrude(self, block: Block, before: Vector) -> None:
        """Follow the high-water mark of E."""
        tool = self.state.mode.tool
        depth = self.depth[tool] - block.de
        block.deposit = -depth if -depth >= ROUNDING else 0.0
        was = self.depth[tool]
        now = self.depth[tool] = max(0.0, depth)
        if was <= EPSILON < now:
            self.close_episode()
            self.episode = (block.context.objects, now, self.feed)
        elif now > EPSILON and self.episode:
            self.episode = (self.episode[0], max(self.episode[1], now), self.episode[2])
        if block.deposits:
            self.tally.ended = False
            points = block.points or [(before[0], before[1]), (block.end[0], block.end[1])]
            block.points = [p for p in points if not math.isnan(p[0] + p[1])]
            if self.state.outer and self.state.width:
                self.tally.widths[block.context.objects, self.state.width] += block.deposit

    def close_episode(self) -> None:
        """Count the retraction that has just ended."""
        if self.episode:
            who, length, feed = self.episode
            kept = self.tally.retractions.setdefault(who, Counter())
            kept[math.floor(length * 100 + 0.500001), 0.0 if math.isnan(feed) else feed] += 1
        self.episode = None

    def islands(self) -> Roots:
        """Give each deposit the connected island it lies on, where no marker names an object."""
        roots = Roots()
        if not self._separate and any(block.deposits and any(block.context.objects) for block in self.blocks):
            return roots
        for begun in (False, True):
            own = [
                block
                for block in self.blocks
                if block.deposits
                and block.context.begun is begun
                and not block.context.auxiliary
                and not math.isnan(block.end[2])
            ]
            cells = {cell for block in own for cell in cells_of(block.line)}
            names = connected(cells, roots)
            for block in own:
                block.island = names.get(cell_at(block.line[2], block.line[3]), 0)
        return roots

    def layers(self) -> None:
        """Give each row layer and island of the next deposit of its visit, else of the last one."""
        for order in (range(len(self.blocks) - 1, -1, -1), range(len(self.blocks))):
            near: Block | None = None
            for i in order:
                block = self.blocks[i]
                if block.deposits:
                    block.key = own_key(block)
                    near = block
                elif not block.placed and near and near.visit == block.visit:
                    block.key, block.island, block.placed = near.key, near.island, True

    def sums(self) -> None:
        """Add every row to its cell."""
        now = 0.0
        for block in self.blocks:
            block.start_s = now
            now += block.time_s
        self.tally.time = now
        hulls: dict[Body, list[tuple[float, float]]] = defaultdict(list)
        for block in self.blocks:
            number = self.state.contexts(block.context)
            self.tally.cell((number, block.key, block.island)).merge(cell_of(block))
            if block.deposits:
                self.tally.use_tool(block.context.tool, block.start_s)
                self.rate(block)
                if not block.context.auxiliary:
                    hulls[block.context.objects, block.island] += block.points + block.bulge
        for body, points in hulls.items():
            self.tally.add_hull(body, points)

    def rate(self, block: Block) -> None:
        """Put a row into the distribution of rates of its object and feature."""
        if block.length >= LEAST_FLOW_LENGTH_MM and block.time_s >= LEAST_FLOW_TIME_S:
            laying = (block.context.objects, block.island, block.feature)
            rate = block.deposit / block.time_s
            self.tally.rates.setdefault(laying, defaultdict(float))[rate_bin(rate)] += block.deposit
            self.tally.fastest[laying] = max(rate, self.tally.fastest.get(laying, 0.0))


def own_key(block: Block) -> int:
    """Return the layer of a deposit."""
    if math.isnan(block.end[2]):
        return NO_LAYER
    return ramp_key(block.end[2], block.mark) if block.climbs else layer_key(block.end[2])


def cell_at(x: float, y: float) -> tuple[int, int] | None:
    """Return the cell of the grid of islands in which a point lies; None if it is unknown."""
    if math.isnan(x + y):
        return None
    column, row = (min(max((at - ORIGIN_MM) / CELL_MM, 0.0), CELLS - 1e-6) for at in (x, y))
    return int(row), int(column)


def cells_of(line: tuple[float, float, float, float]) -> set[tuple[int, int]]:
    """Return the cells along a straight line, that of its end where its start is unknown, else none."""
    if math.isnan(line[2] + line[3]):
        return set()
    line = (*line[2:], *line[2:]) if math.isnan(line[0] + line[1]) else line
    x0, y0, x1, y1 = (min(max((at - ORIGIN_MM) / CELL_MM, 0.0), CELLS - 1e-6) for at in line)
    steps = max(1, math.ceil(max(abs(x1 - x0), abs(y1 - y0))))
    return {
        (int(y0 + (y1 - y0) * step / steps), int(x0 + (x1 - x0) * step / steps)) for step in range(steps + 1)
    }


def connected(cells: set[tuple[int, int]], roots: Roots) -> dict[tuple[int, int] | None, int]:
    """Return the island of each cell: cells that touch by a side or a corner are of one island."""
    names: dict[tuple[int, int] | None, int] = {}
    for first in sorted(cells):
        if first in names:
            continue
        name, waiting = roots.new(), [first]
        names[first] = name
        while waiting:
            row, column = waiting.pop()
            for near in ((row + a, column + b) for a in (-1, 0, 1) for b in (-1, 0, 1)):
                if near in cells and near not in names:
                    names[near] = name
                    waiting.append(near)
    return names


def cell_of(block: Block) -> Cell:
    """Return one row as a cell."""
    cell = Cell(filament=block.deposit, own=block.time_s)
    if not block.deposits:
        return cell
    cell.moving, cell.busy, cell.path = block.deposit, block.time_s, block.length
    cell.speed = block.deposit * block.speed
    xs, ys = [p[0] for p in block.points], [p[1] for p in block.points]
    if xs:
        cell.x0, cell.x1, cell.y0, cell.y1 = min(xs), max(xs), min(ys), max(ys)
    if not math.isnan(block.end[2]):
        cell.z1 = block.end[2]
    cell.t0, cell.t1 = block.start_s, block.start_s + block.time_s
    if block.length >= LEAST_FLOW_LENGTH_MM and block.time_s >= LEAST_FLOW_TIME_S:
        cell.fastest = block.deposit / block.time_s
    cell.mark = block.mark
    return cell


def straight(block: Block, delta: list[float]) -> None:
    """Fill in a straight move."""
    block.length = math.sqrt(sum(d * d for d in delta))
    if block.length > 0:
        block.into = block.out = (delta[0] / block.length, delta[1] / block.length, delta[2] / block.length)


def centre(x0: float, y0: float, x1: float, y1: float, radius: float, kind: int) -> tuple[float, float]:
    """Return the centre of an arc given by radius: the shorter way round for a positive one."""
    half = math.hypot(x1 - x0, y1 - y0) / 2
    height = math.sqrt(max(0.0, radius * radius - half * half))
    left = (kind == m.COUNTER) == (radius > 0)
    side = 1.0 if left else -1.0
    return (
        (x0 + x1) / 2 - side * height * (y1 - y0) / (2 * half),
        (y0 + y1) / 2 + side * height * (x1 - x0) / (2 * half),
    )


def look_ahead(blocks: list[Block]) -> None:
    """Plan trapezoids over all rows: limits at the junctions, one pass back, one forward."""
    for block in blocks:
        limit_row(block)
    moving = [block for block in blocks if not block.stops]
    squares = [0.0] * (len(moving) + 1)
    previous: Block | None = None
    k = 0
    for block in blocks:
        if block.stops:
            previous = None
            block.time_s = block.dwell
            continue
        squares[k] = junction(previous, block) ** 2 if previous else 0.0
        previous = block
        k += 1
    for i in range(len(moving) - 1, -1, -1):
        squares[i] = min(squares[i], squares[i + 1] + 2 * moving[i].acceleration * way(moving[i]))
    for i, block in enumerate(moving):
        squares[i + 1] = min(squares[i + 1], squares[i] + 2 * block.acceleration * way(block))
        block.time_s = trapezoid(block, squares[i], squares[i + 1])


def way(block: Block) -> float:
    """Return the length that is planned: the path, or of E alone."""
    return block.length or abs(block.de)


def limit_row(block: Block) -> None:
    """Find the nominal speed and the acceleration of a row."""
    plan = block.plan
    feed = DEFAULT_FEED if math.isnan(block.feed) or block.feed <= 0 else block.feed
    speed = min(feed / 60 * plan.factor, plan.speed)
    if block.length == 0:
        block.speed = min(speed, plan.speed_e)
        block.acceleration = min(plan.retract, plan.limit_e)
        return
    acceleration = min(plan.printing if block.de else plan.travel, plan.limit_xy)
    for share, most in zip(block.into, (plan.speed_x, plan.speed_y, plan.speed_z), strict=True):
        if share:
            speed = min(speed, most / abs(share))
    if block.de:
        speed = min(speed, plan.speed_e * block.length / abs(block.de))
    if block.into[2]:
        acceleration = min(acceleration, plan.limit_z / abs(block.into[2]))
    block.speed, block.acceleration = speed, acceleration


def junction(a: Block, b: Block) -> float:
    """Return the greatest speed at which b may follow a."""
    plan = b.plan
    most = min(a.speed, b.speed)
    if plan.corner or plan.deviation:
        if a.length == 0 or b.length == 0:
            return 0.0
        cosine = -sum(p * q for p, q in zip(a.out, b.into, strict=True))
        half = math.sqrt(max(0.0, (1 - cosine) / 2))
        if half > STRAIGHT:
            return most
        push = plan.corner**2 * (math.sqrt(2) - 1) if plan.corner else plan.deviation * b.acceleration
        return min(most, math.sqrt(push * half / (1 - half)))
    jump = [abs(p - q) for p, q in zip(a.out, b.into, strict=True)]
    sideways = max(jump[0], jump[1])
    if sideways > 0:
        most = min(most, plan.jerk_xy / sideways)
    if jump[2] > 0:
        most = min(most, plan.jerk_z / jump[2])
    return most


def trapezoid(block: Block, first: float, last: float) -> float:
    """Return the time of one row from the squares of its speeds at either end."""
    a, v = block.acceleration, block.speed
    top = min(v, math.sqrt((first + last) / 2 + a * way(block)))
    v0, v1 = math.sqrt(first), math.sqrt(last)
    cruise = max(0.0, way(block) - (2 * top * top - first - last) / (2 * a))
    return (top - v0) / a + (top - v1) / a + cruise / top
