"""Planned time of rows: speeds, accelerations, junctions, and trapezoids with look-ahead.

The squares of the speeds at the junctions obey ``u[i] <= c[i]`` (the junction's
own limit) and ``|u[i+1] - u[i]| <= d[i] = 2 a L``. Going back and forth once is
a running minimum once the sum of ``d`` is taken off, so whole arrays are planned
at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy.typing as npt

from tracker.lazy_modules import np
from tracker.platefile.path import Bends, shifted
from tracker.platefile.state import Plan

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


_TAIL = 512


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
        deposits: True where it deposits while moving in XY.
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
    deposits: Flags
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
    deposits: Flags
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


def sums(gains: Floats) -> Floats:
    """Return the sum of the gains before each row, and of all of them: (n + 1,), mm²/s².

    Args:
        gains: 2 a L of each row, (n,), mm²/s².
    """
    travelled = np.empty(len(gains) + 1)
    travelled[0] = 0.0
    np.cumsum(gains, out=travelled[1:])
    return travelled


def backward(limits: Floats, gains: Floats, travelled: Floats, last: float) -> Floats:
    """Return the squares of speed from which every row can still slow down in time.

    Args:
        limits: Square of each junction's limit, (n,), mm²/s².
        gains: 2 a L of each row, (n,), mm²/s².
        travelled: Their `sums`.
        last: Square of the speed allowed after the last row, mm²/s².
    """
    # Distances still to go: small where it matters, next to the end of the rows.
    ahead = travelled[-1] - travelled[1:]
    ahead += gains
    capped: Floats = limits - ahead
    np.minimum(capped, last, out=capped)
    np.minimum.accumulate(capped[::-1], out=capped[::-1])
    capped += ahead
    return capped


def forward(limits: Floats, travelled: Floats) -> Floats:
    """Return the squares of speed that can be reached, given those from which one can slow down.

    Args:
        limits: (n + 1,), mm²/s²: before each row and after the last; the first one is reached as it stands.
        travelled: `sums` of the rows' gains 2 a L.
    """
    squares: Floats = limits - travelled
    np.minimum.accumulate(squares, out=squares)
    squares += travelled
    return squares


def settled(limits: Floats, gains: Floats, travelled: Floats) -> tuple[Floats, int]:
    """Plan backward without knowing what follows.

    Args:
        limits: Square of each junction's limit, (n,), mm²/s².
        gains: 2 a L of each row, (n,), mm²/s².
        travelled: Their `sums`.

    Returns:
        The squares of speed before each row, (n,), and the number of rows that nothing to come can change.
    """
    stopping = backward(limits, gains, travelled, 0.0)
    # The row up to which the future does not matter is nearly always close to the end.
    for tail in (_TAIL, len(limits)):
        near = (limits[-tail:], gains[-tail:], sums(gains[-tail:]))
        agreed = np.flatnonzero(backward(*near, 0.0) == backward(*near, np.inf))
        if len(agreed):
            return stopping, max(len(limits) - tail, 0) + int(agreed[-1])
    return stopping, 0


def times(squares: Floats, ways: Floats, speeds: Floats, accelerations: Floats) -> Floats:
    """Return the time of each row in s, (n,).

    Args:
        squares: Squares of speed at the junctions, (n + 1,), mm²/s².
        ways: Lengths in mm, (n,).
        speeds: Nominal speeds in mm/s, (n,).
        accelerations: mm/s², (n,).
    """
    ends = np.sqrt(np.maximum(squares, 0.0))
    mean = squares[:-1] + squares[1:]
    mean /= 2
    top = accelerations * ways
    top += mean
    np.maximum(top, 0.0, out=top)
    np.minimum(speeds, np.sqrt(top, out=top), out=top)
    cruise = top * top
    cruise -= mean
    cruise /= accelerations
    np.subtract(ways, cruise, out=cruise)
    np.maximum(cruise, 0.0, out=cruise)
    cruise /= top
    ramps = 2 * top
    ramps -= ends[:-1]
    ramps -= ends[1:]
    ramps /= accelerations
    ramps += cruise
    return ramps


USUAL_FEED_MM_MIN = 1500.0
"""Taken before the file states any feed rate."""
_STRAIGHT = 0.999999
_CORNER = math.sqrt(2) - 1


class Limits:
    """The plans in force over some rows, as arrays, or as plain numbers where all rows share one.

    Args:
        plans: All plans seen so far.
        numbers: The plan of each row.
    """

    def __init__(self, plans: Sequence[Plan], numbers: Numbers) -> None:
        self._numbers = numbers
        # Mostly there is one plan, which is seen at a tenth of the cost of counting.
        alone = numbers.min() == numbers.max()
        present = [int(numbers[0])] if alone else np.flatnonzero(np.bincount(numbers)).tolist()
        self._plans = [plans[number] for number in present]
        self._table = plans

    def of(self, name: str) -> Floats | float:
        """Return one limit for each row."""
        values = {getattr(plan, name) for plan in self._plans}
        if len(values) == 1:
            return float(values.pop())
        return np.array([getattr(plan, name) for plan in self._table]).take(self._numbers)

    def most(self, name: str) -> float:
        """Return the greatest value of one limit."""
        return float(max(getattr(plan, name) for plan in self._plans))

    def least(self, name: str) -> float:
        """Return the least value of one limit."""
        return float(min(getattr(plan, name) for plan in self._plans))


class Pace:
    """Sets the speeds of rows; knows the row before the first one of each span."""

    def __init__(self) -> None:
        self._out = [0.0, 0.0, 0.0]
        self._speed = 0.0
        self._standing = self._halted = True

    def plan(self, moves: Moves, plans: Sequence[Plan]) -> Rows:
        """Return the rows with nominal speeds, accelerations and the limits where rows meet.

        Args:
            moves: The rows; at least one.
            plans: All plans seen so far.
        """
        limits = Limits(plans, moves.plan)
        standing = moves.length == 0
        length = moves.length + standing
        into = [axis / length for axis in moves.into]
        out = _turned(into, moves, length)
        speed = _speed(limits, moves, into)
        acceleration = _acceleration(limits, moves, into, standing)
        before = [shifted(axis, last) for axis, last in zip(out, self._out, strict=True)]
        slower = np.minimum(shifted(speed, self._speed), speed)
        limit = self._limit(limits, slower, before, into, acceleration, standing)
        # Whatever waits empties the planner: the rows before and after it stand still there.
        halts = moves.way == 0
        if halts.any():
            limit[halts] = 0.0
            limit[1:][halts[:-1]] = 0.0
        if self._halted:
            limit[0] = 0.0
        self._out = [float(axis[-1]) for axis in out]
        self._speed, self._standing, self._halted = float(speed[-1]), bool(standing[-1]), bool(halts[-1])
        return Rows(
            way=moves.way,
            speed=speed,
            acceleration=acceleration,
            limit=limit,
            dwell=moves.dwell,
            deposit=moves.deposit,
            deposits=moves.deposits,
            owner=moves.owner,
            visit=moves.visit,
            key=moves.key,
            island=moves.island,
        )

    def _limit(
        self,
        limits: Limits,
        slower: Floats,
        before: list[Floats],
        into: list[Floats],
        acceleration: Floats,
        standing: Flags,
    ) -> Floats:
        """Return the square of the speed at which each row may follow the one before it.

        Classic rule: no axis may jump by more than its jerk. With a corner velocity or
        a junction deviation: the speed on a circle that touches both rows.
        """
        corner, deviation = limits.of("corner"), limits.of("deviation")
        if limits.most("corner") == 0 and limits.most("deviation") == 0:
            return _classic(limits, slower, before, into)
        alone = standing | np.concatenate([[self._standing], standing[:-1]])
        rounded = np.where(alone, 0.0, _by_circle(corner, deviation, slower, before, into, acceleration))
        curved = np.maximum(corner, deviation) > 0
        if np.all(curved):
            return rounded
        return np.where(curved, rounded, _classic(limits, slower, before, into))


def _turned(into: list[Floats], moves: Moves, length: Floats) -> list[Floats]:
    """Return the directions in which the rows end."""
    if moves.bends is None:
        return into
    out = [into[0].copy(), into[1].copy(), into[2]]
    for axis in (0, 1):
        out[axis][moves.bends.rows] = moves.bends.out[axis] / length.take(moves.bends.rows)
    return out


def _speed(limits: Limits, moves: Moves, into: list[Floats]) -> Floats:
    # F0 is ignored by firmware, and a file may begin without any.
    feed = moves.feed
    if not feed.min() > 0:
        feed = np.where(feed > 0, feed, USUAL_FEED_MM_MIN)
    speed = feed * (limits.of("factor") if limits.most("factor") == 1 else np.array(limits.of("factor"))) / 60
    if limits.least("speed") < math.inf:
        speed = np.minimum(speed, limits.of("speed"))
    fastest = float(speed.max())
    for axis, share in zip("xyz", into, strict=True):
        if limits.least(f"speed_{axis}") < fastest:
            speed = np.minimum(speed, _per(limits.of(f"speed_{axis}"), share))
    if limits.least("speed_e") < math.inf:
        way = np.where(moves.way > 0, moves.way, 1.0)
        speed = np.minimum(speed, _per(limits.of("speed_e"), moves.e / way))
    return speed


def _acceleration(limits: Limits, moves: Moves, into: list[Floats], standing: Flags) -> Floats:
    # By E and not by G0 or G1, which firmware takes for the same.
    printing, travel = limits.of("printing"), limits.of("travel")
    alike = isinstance(printing, float) and isinstance(travel, float) and printing == travel
    moving = np.full(len(standing), printing) if alike else np.where(moves.e != 0, printing, travel)
    if limits.least("limit_xy") < math.inf:
        moving = np.minimum(moving, limits.of("limit_xy"))
    if limits.least("limit_z") < math.inf and into[2].any():
        moving = np.minimum(moving, _per(limits.of("limit_z"), into[2]))
    alone = np.minimum(limits.of("retract"), limits.of("limit_e"))
    return np.where(standing, alone, moving)


def _per(most: Floats | float, share: Floats) -> Floats:
    """Return the rate along the path at which an axis with this share of it reaches its limit."""
    with np.errstate(divide="ignore"):
        return most / np.abs(share)


def _classic(limits: Limits, slower: Floats, before: list[Floats], into: list[Floats]) -> Floats:
    sideways = np.maximum(np.abs(before[0] - into[0]), np.abs(before[1] - into[1]))
    with np.errstate(divide="ignore"):
        most = np.divide(limits.of("jerk_xy"), sideways, out=sideways)
    np.minimum(most, slower, out=most)
    # Few rows climb, or follow one that does.
    upwards = np.flatnonzero(before[2] != into[2])
    if len(upwards):
        jerk = limits.of("jerk_z")
        jump = np.abs(before[2].take(upwards) - into[2].take(upwards))
        jump = np.divide(jerk if isinstance(jerk, float) else jerk.take(upwards), jump)
        most[upwards] = np.minimum(most.take(upwards), jump)
    most *= most
    return most


def _by_circle(
    corner: Floats | float,
    deviation: Floats | float,
    slower: Floats,
    before: list[Floats],
    into: list[Floats],
    acceleration: Floats,
) -> Floats:
    cosine = before[0] * into[0] + before[1] * into[1] + before[2] * into[2]
    half = np.sqrt(np.maximum(0.0, (1 + cosine) / 2))
    push = np.where(np.greater(corner, 0), np.square(corner) * _CORNER, deviation * acceleration)
    with np.errstate(divide="ignore", invalid="ignore"):
        square = push * half / (1 - half)
    # Straight on: the circle's radius is beyond all bounds.
    straight = half > _STRAIGHT
    square[straight] = np.inf
    limit: Floats = np.minimum(slower * slower, square)
    return limit
