"""From cells to the layers of one object."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from tracker.platefile.facts import COMMANDED, NOT_STATED, Layer, Reading, SetPoints, Stretch
from tracker.platefile.state import COLD_C, Context
from tracker.platefile.tally import NO_LAYER, Cell, is_ramp

_STANDS_ON_BED_BELOW_MM = 1.2
_USUAL_HEIGHT_MM = 0.2
# Layer marks carry the height as text; two of them are one layer within this.
_SAME_Z_MM = 0.0006

Fans = tuple[tuple[int, float], ...]
Force = tuple[float | None, float | None, float | None, Fans]
"""Set-points of a stretch: nozzle, bed, chamber in °C, and the fans' duties in %."""
Weighted = Sequence[tuple[float | None, float]]


@dataclass(frozen=True, slots=True)
class Part:
    """One cell with what it belongs to.

    Attributes:
        context: Object, set-points.
        key: Layer key.
        cell: The sums.
    """

    context: Context
    key: int
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


class Layering:
    """The layers of one object.

    Args:
        parts: Its cells.
        fan_scale: Percent per unit of fan speed as written.
        mark_heights: Height stated with each layer mark, None where none is.
        areas_mm2: Cross-section of the filament of each tool.
    """

    def __init__(
        self,
        parts: list[Part],
        fan_scale: float,
        mark_heights: list[float | None],
        areas_mm2: Mapping[int, float],
    ) -> None:
        self._fan_scale = fan_scale
        self._heights = mark_heights
        self._areas = areas_mm2
        self._shared: dict[tuple[object, ...], SetPoints] = {}
        # By identity: the contexts outlive this, and their values take long to compare.
        self._forces: dict[int, Force] = {}
        # With layer marks in the file, what lies before the first one is start code, not a layer.
        marked = any(part.context.begun for part in parts)
        laid = [
            p for p in parts if p.cell.moving > 0 and p.key != NO_LAYER and (p.context.begun or not marked)
        ]
        # Skirt and brim would widen the box; a piece marked as nothing but auxiliary is still a piece.
        self.own = [p for p in laid if not p.context.auxiliary] or laid
        # By identity: looking parts up by their values makes the work grow with the square of the layers.
        self._laying = {id(part) for part in self.own}
        self._by_key = self._group(parts)

    def _group(self, parts: list[Part]) -> dict[int, list[Part]]:
        """Sort the parts by layer; climbing deposits join the level layer of their mark."""
        # A ramp inside a marked layer (a seam) is part of it; a mark with ramps alone is a turn of a spiral.
        level = {p.cell.mark: p.key for p in self.own if not is_ramp(p.key) and p.cell.mark}
        kept = {p.key for p in self.own}
        groups: dict[int, list[Part]] = defaultdict(list)
        for part in parts:
            if part.key in kept or is_ramp(part.key):
                key = level.get(part.cell.mark, part.key) if is_ramp(part.key) else part.key
                groups[key].append(part)
        return {key: group for key, group in groups.items() if self._laid(group)}

    def layers(self) -> tuple[Layer, ...]:
        """Return the layers, lowest first."""
        ordered = sorted(self._merged(), key=self._z)
        tops = [self._z(group) for group in ordered]
        typical = self._typical(tops)
        laying = [self._laid(group) for group in ordered]
        starts = [min([p.cell.t0 for p in laid]) for laid in laying]
        found = []
        for i, (group, laid) in enumerate(zip(ordered, laying, strict=True)):
            end = max([p.cell.t1 for p in laid])
            # Until its own next layer begins, with everything the nozzle does elsewhere: that is how long
            # the surface cools before it is welded to.
            until = starts[i + 1] if i + 1 < len(starts) else end
            height = tops[i] - tops[i - 1] if i else self._first_height(laid, tops[0], typical)
            times = (starts[i], end, abs(until - starts[i]))
            found.append(self._layer(group, laid, (tops[i], height), times))
        return tuple(found)

    def _merged(self) -> list[list[Part]]:
        """Join climbing groups without marks into layers of the usual height."""
        by_height = {key: group for key, group in self._by_key.items() if is_ramp(key) and not _marked(group)}
        rest = [group for key, group in self._by_key.items() if key not in by_height]
        # Nothing in the file says where a turn ends: bands of the usual height stand in for layers.
        bands: dict[int, list[Part]] = defaultdict(list)
        for group in by_height.values():
            bands[math.ceil(self._z(group) / _USUAL_HEIGHT_MM - 0.5)].extend(group)
        return rest + list(bands.values())

    def _laid(self, group: list[Part]) -> list[Part]:
        return [part for part in group if id(part) in self._laying]

    def _z(self, group: list[Part]) -> float:
        flat = [part.key / 1000 for part in group if not is_ramp(part.key)]
        # Height from the depositing moves themselves; a travel's hop never counts.
        return flat[0] if flat else max(part.cell.z1 for part in self._laid(group))

    def _typical(self, tops: list[float]) -> float:
        steps = sorted(b - a for a, b in pairwise(tops))
        typical = steps[len(steps) // 2] if steps else min(tops[0], _USUAL_HEIGHT_MM)
        # A plate whose only layer is at a height of nought has been drawn, not printed.
        return typical if typical > 0 else _USUAL_HEIGHT_MM

    def _first_height(self, laid: list[Part], top: float, typical: float) -> float:
        mark = min(part.cell.mark for part in laid)
        said = self._heights[mark - 1] if 0 < mark <= len(self._heights) else None
        if said and said > 0:
            return said
        # Higher up the piece stands on a raft or on support, and its first layer is as high as the others.
        return top if 0 < top <= _STANDS_ON_BED_BELOW_MM else typical

    def _layer(
        self,
        group: list[Part],
        laid: list[Part],
        level: tuple[float, float],
        times: tuple[float, float, float],
    ) -> Layer:
        ordered = laid if len(laid) == 1 else sorted(laid, key=lambda p: p.cell.t0)
        stretches = tuple(self._stretch(part) for part in ordered)
        moving = busy = speed = commanded = own = filament = 0.0
        # In two plain loops: six sums over one or two parts each take three times as long.
        for part in laid:
            cell = part.cell
            moving += cell.moving * part.context.flow * self._areas[part.context.tool]
            busy += cell.busy
            speed += cell.speed
            commanded += cell.moving
        for part in group:
            own += part.cell.own
            filament += part.cell.filament * part.context.flow
        return Layer(
            z_mm=round(level[0], 4),
            height_mm=round(level[1], 4),
            start_s=times[0],
            end_s=times[1],
            time_s=times[2],
            own_time_s=own,
            filament_mm=filament,
            flow_mm3_s=moving / busy if busy > 0 else None,
            speed_mm_s=speed / commanded,
            set_points=self._in_force(stretches),
            stretches=stretches,
        )

    def _in_force(self, stretches: tuple[Stretch, ...]) -> SetPoints:
        """Return the set-points of a layer; layers of one stretch that are alike share them."""
        if len(stretches) != 1:
            return set_points(stretches)
        one = stretches[0]
        key = (one.nozzle_c, one.bed_c, one.chamber_c, one.fans_pct)
        if key not in self._shared:
            self._shared[key] = set_points(stretches)
        return self._shared[key]

    def _stretch(self, part: Part) -> Stretch:
        cell, context = part.cell, part.context
        force = self._forces.get(id(context))
        if force is None:
            force = self._forces[id(context)] = self._force(context)
        return Stretch(
            box_mm=(cell.x0, cell.y0, cell.x1, cell.y1),
            start_s=cell.t0,
            end_s=cell.t1,
            busy_s=cell.busy,
            filament_mm=cell.moving * context.flow,
            nozzle_c=force[0],
            bed_c=force[1],
            chamber_c=force[2],
            fans_pct=force[3],
            speed_mm_s=cell.speed / cell.moving,
            tool=context.tool,
            flow_factor=context.flow,
            pauses=context.pauses,
        )

    def _force(self, context: Context) -> Force:
        # No polymer is laid below 100 °C: the command behind such a set-point stands in a macro of the
        # printer.
        hidden = context.nozzle is None or context.nozzle < COLD_C
        # A bed of 0 beside a hidden nozzle is as little a statement as the nozzle.
        bed_hidden = hidden and not context.bed
        return (
            None if hidden else context.nozzle,
            None if bed_hidden else context.bed,
            context.chamber,
            tuple((i, round(min(raw * self._fan_scale, 100.0), 4)) for i, raw in context.fans),
        )


def _marked(group: list[Part]) -> bool:
    return any(part.cell.mark for part in group)


__all__ = ["NOT_STATED", "Layering", "Part", "reading", "set_points"]
