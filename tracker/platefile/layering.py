"""From cells to the layers of one object."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from tracker.platefile.facts import COMMANDED, Layer, Reading, SetPoints, Stretch
from tracker.platefile.state import COLD_C, Context
from tracker.platefile.tally import NO_LAYER, Cell, is_ramp

_STANDS_ON_BED_BELOW_MM = 1.2
_USUAL_HEIGHT_MM = 0.2

Fans = tuple[tuple[int, float], ...]
Force = tuple[float | None, float | None, float | None, Fans]
"""Set-points of a stretch: nozzle, bed, chamber in °C, and the fans' duties in %."""
Weighted = Sequence[tuple[float | None, float]]


class Part(NamedTuple):
    """One cell with what it belongs to.

    Attributes:
        context: Object, set-points.
        key: Layer key.
        island: Number of the island; 0 for none.
        cell: The sums.
    """

    context: Context
    key: int
    island: int
    cell: Cell


def reading(values: Weighted, basis: str = COMMANDED) -> Reading:
    """Return the weighted mean and range of values; None among them is unknown.

    Args:
        values: Pairs of value and weight, all values in one unit and all weights in one; what weighs
            nothing does not count.
        basis: What to call it where anything is known.
    """
    if len(values) == 1:
        # Nearly every layer is laid under one set of set-points.
        ((value, weight),) = values
        return Reading(value, value, value, basis, 1.0) if value is not None and weight > 0 else Reading()
    known = [(value, weight) for value, weight in values if value is not None and weight > 0]
    total = sum(weight for _, weight in known)
    if total <= 0:
        return Reading()
    plain = [value for value, _ in known]
    low, high = min(plain), max(plain)
    # One value throughout is that value, whatever rounding a weighted mean would add.
    mean = low if low == high else sum(value * weight for value, weight in known) / total
    return Reading(mean, low, high, basis, total / sum(weight for _, weight in values))


def set_points(stretches: Iterable[Stretch], weights: Iterable[float] | None = None) -> SetPoints:
    """Return the set-points in force over some stretches, weighted by filament or by ``weights``."""
    # A piece of a thousand layers is laid under a handful of set-points.
    weighed: dict[Force, float] = defaultdict(float)
    for stretch, weight in _weighed(stretches, weights):
        weighed[stretch.nozzle_c, stretch.bed_c, stretch.chamber_c, stretch.fans_pct] += weight
    return _set_points(weighed)


def _set_points(weighed: Mapping[Force, float]) -> SetPoints:
    """Return the facts of set-points, each with the filament laid under it."""
    return SetPoints(
        reading([(nozzle, weight) for (nozzle, _, _, _), weight in weighed.items()]),
        reading([(bed, weight) for (_, bed, _, _), weight in weighed.items()]),
        reading([(chamber, weight) for (_, _, chamber, _), weight in weighed.items()]),
        _fans([(dict(fans), weight) for (_, _, _, fans), weight in weighed.items()]),
    )


def _weighed(
    stretches: Iterable[Stretch], weights: Iterable[float] | None
) -> Iterable[tuple[Stretch, float]]:
    if weights is None:
        return ((stretch, stretch.filament_mm) for stretch in stretches)
    return zip(stretches, weights, strict=True)


def _fans(duties: list[tuple[dict[int, float], float]]) -> tuple[tuple[int, Reading], ...]:
    indices = sorted({index for duty, _ in duties for index in duty})
    return tuple(
        (index, reading([(duty.get(index), weight) for duty, weight in duties])) for index in indices
    )


class _Level(NamedTuple):
    """What belongs to one layer of an object: its top in mm, all parts, and those that lay it."""

    z: float
    parts: list[Part]
    deposited: list[Part]


class Layering:
    """Makes the layers of the objects of a plate.

    Args:
        fan_scale: Percent per unit of fan speed as written.
        mark_heights: Height stated with each layer mark, None where none is.
        areas_mm2: Cross-section of the filament of each tool.
    """

    def __init__(
        self, fan_scale: float, mark_heights: list[float | None], areas_mm2: Mapping[int, float]
    ) -> None:
        self._fan_scale = fan_scale
        self._heights = mark_heights
        self._areas = areas_mm2
        self._shared: dict[Force, SetPoints] = {}
        # By identity: the contexts outlive this, and their values take long to compare.
        self._forces: dict[int, tuple[Force, SetPoints]] = {}

    def layers(self, parts: list[Part]) -> tuple[list[Part], tuple[Layer, ...]]:
        """Return the parts of an object that make up its body, and its layers, lowest first."""
        own = _own(parts)
        levels = _levels(parts, own)
        typical = _typical([level.z for level in levels])
        starts = [min([part.cell.t0 for part in level.deposited]) for level in levels]
        found, below = [], None
        for number, level in enumerate(levels, 1):
            end = max([part.cell.t1 for part in level.deposited])
            # Until its own next layer begins, with everything the nozzle does elsewhere: that is how long
            # the surface cools before it is welded to.
            until = starts[number] if number < len(levels) else end
            height = self._first_height(level, typical) if below is None else level.z - below
            start, below = starts[number - 1], level.z
            found.append(self._layer(level, height, (start, end, abs(until - start))))
        return own, tuple(found)

    def _first_height(self, first: _Level, typical: float) -> float:
        mark = min([part.cell.mark for part in first.deposited])
        height = self._heights[mark - 1] if 0 < mark <= len(self._heights) else None
        if height and height > 0:
            return height
        # Higher up the piece stands on a raft or on support, and its first layer is as high as the others.
        return first.z if 0 < first.z <= _STANDS_ON_BED_BELOW_MM else typical

    def _layer(self, level: _Level, height: float, times: tuple[float, float, float]) -> Layer:
        deposited = level.deposited
        if len(deposited) == 1:
            stretches: tuple[Stretch, ...] = (self._stretch(deposited[0]),)
            in_force = self._in_force(deposited[0].context)[1]
        else:
            stretches = tuple(
                [self._stretch(part) for part in sorted(deposited, key=lambda part: part.cell.t0)]
            )
            in_force = set_points(stretches)
        moving = busy = speed = commanded = own = filament = 0.0
        # In two plain loops: six sums over one or two parts each take three times as long.
        for context, _, _, cell in deposited:
            moving += cell.moving * context.flow * self._areas[context.tool]
            busy += cell.busy
            speed += cell.speed
            commanded += cell.moving
        for context, _, _, cell in level.parts:
            own += cell.own
            filament += cell.filament * context.flow
        return Layer(
            z_mm=round(level.z, 4),
            height_mm=round(height, 4),
            start_s=times[0],
            end_s=times[1],
            time_s=times[2],
            own_time_s=own,
            filament_mm=filament,
            flow_mm3_s=moving / busy if busy > 0 else None,
            speed_mm_s=speed / commanded,
            set_points=in_force,
            stretches=stretches,
        )

    def _stretch(self, part: Part) -> Stretch:
        cell, context = part.cell, part.context
        nozzle, bed, chamber, fans = self._in_force(context)[0]
        return Stretch(
            box_mm=(cell.x0, cell.y0, cell.x1, cell.y1),
            start_s=cell.t0,
            end_s=cell.t1,
            filament_mm=cell.moving * context.flow,
            nozzle_c=nozzle,
            bed_c=bed,
            chamber_c=chamber,
            fans_pct=fans,
            speed_mm_s=cell.speed / cell.moving,
            tool=context.tool,
            flow_factor=context.flow,
            pauses=context.pauses,
        )

    def _in_force(self, context: Context) -> tuple[Force, SetPoints]:
        """Return the set-points of a context, as values and as facts; contexts that are alike share these."""
        found = self._forces.get(id(context))
        if found is None:
            force = self._force(context)
            shared = self._shared.get(force)
            if shared is None:
                shared = self._shared[force] = _set_points({force: 1.0})
            found = self._forces[id(context)] = (force, shared)
        return found

    def _force(self, context: Context) -> Force:
        # No polymer is laid below 100 °C: the command behind such a set-point is in a macro of the
        # printer.
        hidden = context.nozzle is None or context.nozzle < COLD_C
        # A bed of 0 beside a hidden nozzle is as little a statement as the nozzle.
        bed_hidden = hidden and not context.bed
        return (
            None if hidden else context.nozzle,
            None if bed_hidden else context.bed,
            context.chamber,
            tuple([(i, round(min(raw * self._fan_scale, 100.0), 4)) for i, raw in context.fans]),
        )


def _own(parts: list[Part]) -> list[Part]:
    """Return the parts that make up an object's body."""
    # With layer marks in the file, what lies before the first one is start code, not a layer.
    marked = any(part.context.begun for part in parts)
    deposited = [
        p for p in parts if p.cell.moving > 0 and p.key != NO_LAYER and (p.context.begun or not marked)
    ]
    # Skirt and brim would widen the box; a piece marked as nothing but auxiliary is still a piece.
    return [part for part in deposited if not part.context.auxiliary] or deposited


def _levels(parts: list[Part], own: list[Part]) -> list[_Level]:
    """Sort the parts of an object by layer, lowest first; what climbs joins the level layer of its mark."""
    # By identity: looking parts up by their values makes the work grow with the square of the layers.
    keys, laying = {part.key for part in own}, {id(part) for part in own}
    # A ramp inside a marked layer (a seam) is part of it; a mark with ramps alone is a turn of a spiral.
    level = {part.cell.mark: part.key for part in own if not is_ramp(part.key)}
    level.pop(0, None)
    groups: dict[int, list[Part]] = defaultdict(list)
    for part in parts:
        if is_ramp(part.key):
            groups[level.get(part.cell.mark, part.key)].append(part)
        elif part.key in keys:
            groups[part.key].append(part)
    found: list[_Level] = []
    # Nothing in the file says where a turn without marks ends: bands of the usual height stand in for layers.
    bands: dict[int, list[Part]] = defaultdict(list)
    for key, group in groups.items():
        deposited = [part for part in group if id(part) in laying]
        if not deposited:
            continue
        # Height from the depositing moves themselves; a travel's hop never counts.
        z = max([part.cell.z1 for part in deposited]) if is_ramp(key) else key / 1000
        if is_ramp(key) and not any(part.cell.mark for part in group):
            bands[math.ceil(z / _USUAL_HEIGHT_MM - 0.5)] += group
        else:
            found.append(_Level(z, group, deposited))
    for group in bands.values():
        deposited = [part for part in group if id(part) in laying]
        found.append(_Level(max([part.cell.z1 for part in deposited]), group, deposited))
    return sorted(found, key=lambda level: level.z)


def _typical(tops: list[float]) -> float:
    """Return the middle distance of layers; the usual one for a single layer that lies higher."""
    steps = sorted([b - a for a, b in pairwise(tops)])
    typical = steps[len(steps) // 2] if steps else min(tops[0], _USUAL_HEIGHT_MM)
    # A plate whose only layer is at a height of zero has been drawn, not printed.
    return typical if typical > 0 else _USUAL_HEIGHT_MM
