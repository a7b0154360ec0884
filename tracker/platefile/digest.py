"""From the sums of a plate to its facts."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from itertools import pairwise

from tracker.platefile import settings_block
from tracker.platefile.facts import (
    COMMANDED,
    ESTIMATED,
    GIVEN,
    NOT_STATED,
    STATED,
    WITH_FLOW_FACTOR,
    Flow,
    Layer,
    Pause,
    Plate,
    PlateObject,
    Retractions,
    SetPoints,
    Stated,
    ToolUse,
)
from tracker.platefile.layering import Layering, Part, reading, set_points
from tracker.platefile.orientation import contour_of, smallest_rectangle, tilt_of
from tracker.platefile.state import COLD_C, DIALECTS
from tracker.platefile.tally import NO_LAYER, Objects, Point, Tally, Weights, bin_rate, hull, is_ramp
from tracker.platetext.source import NoExtrusion

_CLOSING_DIALECTS = frozenset({0, 1, 2})


def problems_of(tally: Tally, dialect: int, stated: Stated) -> tuple[tuple[str, ...], bool]:
    """Return everything worth saying, and whether the file seems complete.

    Args:
        tally: The sums.
        dialect: Number of the dialect in use.
        stated: The slicer's own totals.
    """
    cut = list(_signs_of_a_cut(tally, dialect, stated))
    notes = [*tally.problems, *(_counted(text, n) for text, n in tally.state.troubles.items())]
    if not tally.state.mode.e_stated:
        kind = "relative" if tally.state.mode.relative_e else "absolute"
        notes.append(f"neither M82 nor M83: E was taken as {kind} (guessed)")
    return tuple(f"incomplete: {text}" for text in cut) + tuple(notes), not cut


def _counted(text: str, count: int) -> str:
    return f"{text} ({count} times)" if count > 1 else text


def _signs_of_a_cut(tally: Tally, dialect: int, stated: Stated) -> list[str]:
    state = tally.state
    found = list(tally.cuts)
    # The other dialects have no closing marker: their last object is always open at the end.
    if dialect in _CLOSING_DIALECTS and state.context.objects[dialect]:
        found.append("the last object is still open at the end")
    marks = max(state.mark_counts.values(), default=0)
    if stated.layers and 0 < marks < stated.layers:
        found.append(f"{marks} layers of {stated.layers} stated")
    if state.in_thumbnail or any(open_ > 0 for open_ in state.brackets.values()):
        found.append("a block of settings or a picture is still open at the end")
    # Heaters may be left on and steppers held: anything but more moves will do for an end code, and so does
    # a total that has been reached.
    length = sum(cell.filament for cell in tally.cells.values())
    reached = stated.filament_mm is not None and abs(length - stated.filament_mm) < _REACHED * length
    if not (tally.ended or reached or (stated.layers and marks >= stated.layers)):
        found.append("nothing comes after the last move that deposits")
    return found


PerTool = float | Sequence[float | None] | None
"""One value for all tools, or one for each; None where nothing is known."""

_REACHED = 0.005
_LONGEST_CHANGE_S = 300.0
"""What is left of a stated time is heating or pauses where it makes changes longer. Our choice."""
USUAL_DIAMETER_MM = 1.75
_ISLANDS = len(DIALECTS) - 1
_ALONE = "piece"
_PART = "\0"
"""Between the key of a marked object and the number of a part of it that stands apart."""


class Digest:
    """Makes a `Plate` of a `Tally`.

    Args:
        tally: The sums.
        separate: Whether parts of one marked object that nowhere touch are objects of their own.
        filament_diameter_mm: As measured; None takes it from the file. Several are those of the tools that
            lay, in their order.
        density_g_cm3: As known for the spool; None takes it from the file. Several as above.
    """

    def __init__(
        self,
        tally: Tally,
        filament_diameter_mm: PerTool = None,
        density_g_cm3: PerTool = None,
        *,
        separate: bool = False,
    ) -> None:
        self._tally = tally
        self._separate = separate
        self._state = tally.state
        self._settings = settings_block.with_chunks(self._state.settings, self._state.joined_chunks())
        self._parts = [
            Part(self._state.contexts.values[number], key, island, cell)
            for (number, key, island), cell in tally.cells.items()
        ]
        self._dialect = self._choose()
        self._index()
        self._find_filament(filament_diameter_mm, density_g_cm3)
        self._stated = settings_block.stated(self._settings)
        self._change_s = self._take_time_for_changes()

    def _choose(self) -> int:
        """Return the first dialect, by precedence, inside whose markers anything was deposited."""
        # Markers that hold no deposit (a definition pass, decoys) must not hide a dialect that is in use.
        for dialect in range(_ISLANDS):
            if any(context.objects[dialect] and cell.moving > 0 for context, _, _, cell in self._parts):
                return dialect
        return _ISLANDS

    def _index(self) -> None:
        """Sort what is kept by object, once: a plate may hold fifty thousand of them."""
        tally = self._tally
        self._rates: dict[str, list[tuple[str, Weights, float]]] = defaultdict(list)
        for (objects, island, feature), table in tally.rates.items():
            most = tally.fastest.get((objects, island, feature), 0.0)
            self._rates[self._who(objects, island)].append((feature, table, most))
        self._hulls: dict[str, list[Point]] = {}
        for (objects, island), points in tally.hulls.items():
            have = self._hulls.get(body := self._who(objects, island))
            self._hulls[body] = hull(have + points) if have else points
        self._loops: dict[str, tuple[float, list[Point]]] = {}
        for (objects, island), loop in tally.loops.items():
            body = self._who(objects, island)
            self._loops[body] = max(loop, self._loops.get(body, loop))
        self._widths: dict[str, dict[float, float]] = defaultdict(lambda: defaultdict(float))
        for (objects, width), length in tally.widths.items():
            self._widths[self._marked(objects)][width] += length
        self._apart = {self._marked(objects): count for objects, count in tally.apart.items()}
        self._pulled: dict[str, Counter[tuple[int, float]]] = defaultdict(Counter)
        for objects, counted in tally.retractions.items():
            self._pulled[self._marked(objects)].update(counted)
        self._by_firmware: Counter[str] = Counter()
        for objects, count in self._state.firmware_retracts.items():
            self._by_firmware[self._marked(objects)] += count

    def _marked(self, objects: Objects) -> str:
        """Return the object of sums that know no islands: its marker, or all of an unmarked plate."""
        return "" if self._dialect == _ISLANDS else objects[self._dialect]

    def _take_time_for_changes(self) -> float:
        """Return the seconds that each change of tool takes by the file's own total, and put them in place.

        No move says how long a change takes, and the layers below cool meanwhile.
        """
        changes, stated = self._tally.changes_s, self._stated.time_s
        if not changes or not stated:
            return 0.0
        each = (stated - self._tally.time) / len(changes)
        if not 0 < each <= _LONGEST_CHANGE_S:
            return 0.0
        for _, _, _, cell in self._parts:
            # What begins right at a change comes after it, and what ends there before it.
            cell.t0 += each * bisect_right(changes, cell.t0)
            cell.t1 += each * bisect_left(changes, cell.t1)
        return each

    def _find_filament(self, diameter: PerTool, density: PerTool) -> None:
        """Find out what each tool lays: the spool's own record first, then the file.

        A settings block holds whatever profile was chosen, right or not.
        """
        deposited: dict[int, float] = defaultdict(float)
        for context, _, _, cell in self._parts:
            deposited[context.tool] += cell.filament
        self._diameters: dict[int, float] = {}
        self._densities: dict[int, float | None] = {}
        tools = sorted(tool for tool, length in deposited.items() if length > 0)
        diameters, densities = _of_tools(diameter, tools), _of_tools(density, tools)
        for tool in deposited:
            stated = settings_block.diameter(self._settings, tool)
            self._diameters[tool] = diameters.get(tool) or stated or USUAL_DIAMETER_MM
            self._densities[tool] = densities.get(tool) or settings_block.density(self._settings, tool)
        self._areas = {tool: math.pi / 4 * each**2 for tool, each in self._diameters.items()}
        # The tool that laid most stands for the plate: pseudo tools of start code lay nothing.
        main = max(deposited, key=deposited.__getitem__, default=0)
        self._diameter = self._diameters.get(main, USUAL_DIAMETER_MM)
        named = settings_block.diameter(self._settings, main)
        self._diameter_basis = GIVEN if diameters.get(main) else STATED if named else ESTIMATED
        self._density = self._densities.get(main)
        self._mass_basis = GIVEN if densities.get(main) else STATED if self._density else NOT_STATED

    def _tools(self, parts: Iterable[Part]) -> tuple[ToolUse, ...]:
        """Return what each tool laid of some parts."""
        lengths: dict[int, float] = {}
        bodies: dict[int, float] = defaultdict(float)
        nozzles: dict[int, dict[float | None, float]] = defaultdict(lambda: defaultdict(float))
        for context, _, _, cell in parts:
            if cell.filament > 0:
                tool, nozzle = context.tool, context.nozzle
                lengths[tool] = lengths.get(tool, 0.0) + cell.filament * context.flow
                nozzles[tool][None if nozzle is None or nozzle < COLD_C else nozzle] += cell.moving
                if not context.auxiliary:
                    bodies[tool] += cell.moving * context.flow
        found = []
        for tool, length in sorted(lengths.items()):
            density = self._densities[tool]
            grams = length * self._areas[tool] * density / 1000 if density else None
            nozzle_c = reading(list(nozzles[tool].items()))
            use = ToolUse(tool, length, grams, self._diameters[tool], density, nozzle_c, bodies[tool])
            found.append(use)
        return tuple(found)

    def _who(self, objects: Objects, island: int) -> str:
        """Return the key of the object that a deposit belongs to; empty for none."""
        if self._dialect == _ISLANDS:
            return f"{_ALONE} {island}" if island else ""
        marked = objects[self._dialect]
        if not self._separate or not marked:
            return marked
        return f"{marked}{_PART}{island}" if island else ""

    def plate(self) -> Plate:
        """Return the facts.

        Raises:
            NoExtrusion: Nothing is deposited along any move.
        """
        if not any(cell.moving > 0 for _, _, _, cell in self._parts):
            raise NoExtrusion(self._instead())
        objects = self._objects()
        tools = self._tools(self._parts)
        total = self._length()
        # Kept beside the length with M221: totals stated in a file leave that factor out.
        commanded = sum(cell.filament for _, _, _, cell in self._parts)
        stated = self._stated
        problems, complete = problems_of(self._tally, self._dialect, stated)
        return Plate(
            objects=objects,
            filament_mm=total,
            filament_basis=self._length_basis(total, commanded),
            commanded_mm=commanded,
            filament_g=_grams(tools),
            unassigned_mm=total - sum(one.filament_mm for one in objects),
            aux_mm=self._length(auxiliary=True),
            in_layers_mm=self._length(begun=True) if self._state.marks else None,
            time_s=self._tally.time + self._change_s * len(self._tally.changes_s),
            time_basis=self._time_basis(),
            layers=len({round(z, 3) for one in objects for z in one.layer_z_mm}),
            dialect=DIALECTS[self._dialect],
            objects_guessed=self._dialect == _ISLANDS,
            filament_diameter_mm=self._diameter,
            filament_diameter_basis=self._diameter_basis,
            density_g_cm3=self._density,
            settings=tuple(self._settings.items()),
            stated=stated,
            hints=settings_block.hints(self._settings, self._state.macros),
            set_points=set_points(s for o in objects for layer in o.layer_facts for s in layer.stretches),
            complete=complete,
            problems=problems,
            unknown_commands=dict(self._state.unknown.most_common()),
            pauses=tuple(self._state.pauses),
            tools=tools,
            tool_changes=len(self._tally.changes_s),
            tool_change_s=self._change_s,
            relative_e=self._state.mode.relative_e,
            volumetric=self._state.mode.e_scale != self._state.mode.unit,
            bed_mm=settings_block.bed(self._settings),
        )

    def _length(self, *, auxiliary: bool = False, begun: bool = False) -> float:
        """Return the filament of all cells, of auxiliary ones, or of those behind the first layer mark."""
        return sum(
            cell.filament * context.flow
            for context, _, _, cell in self._parts
            if context.auxiliary >= auxiliary and context.begun >= begun
        )

    def _instead(self) -> str:
        if any(context.begun for context, _, _, _ in self._parts) or self._state.marks:
            return "its layers hold travel only"
        unit = "inch" if any(mode.unit != 1 for mode in self._state.modes.values) else "mm"
        return (
            f"{len(self._parts)} group(s) of moves without E, in {unit}"
            if self._parts
            else "it holds no moves"
        )

    def _time_basis(self) -> str:
        known = self._state.stated_plan & {"M204", "SET_VELOCITY_LIMIT"}
        basis = f"{ESTIMATED}, with {'the' if known else 'assumed'} accelerations "
        basis += "in the file" if known else "(the file states none)"
        if self._change_s:
            count = len(self._tally.changes_s)
            basis += f", and {self._change_s:.3g} s for each of {count} tool changes by the file's total"
        return basis

    @staticmethod
    def _length_basis(total: float, commanded: float) -> str:
        return COMMANDED if math.isclose(total, commanded, rel_tol=1e-12) else WITH_FLOW_FACTOR

    def _objects(self) -> tuple[PlateObject, ...]:
        groups: dict[str, list[Part]] = defaultdict(list)
        begun: dict[str, float] = {}
        for part in self._parts:
            who = self._who(part.context.objects, part.island)
            if who:
                groups[who].append(part)
                if part.cell.moving > 0 and part.key != NO_LAYER:
                    begun[who] = min(begun.get(who, math.inf), part.cell.t0)
        # In the order in which they were begun, which is how they are in the file's own list; names alone
        # would put 10 before 2.
        ordered = sorted(begun, key=begun.__getitem__)
        names = self._names(ordered)
        scale = 100.0 if self._state.fraction_fans else 100.0 / 255.0
        layering = Layering(scale, [mark[1] for mark in self._state.marks], self._areas)
        return tuple([self._object(who, names[who], groups[who], layering) for who in ordered])

    def _names(self, ordered: list[str]) -> dict[str, str]:
        if self._dialect == _ISLANDS:
            return {who: f"{_ALONE} {number}" for number, who in enumerate(ordered, 1)}
        others = self._other_names() if self._dialect == 0 else {}
        plain = {}
        for who in ordered:
            marked = who.partition(_PART)[0]
            name = self._state.names.get((self._dialect, marked), "")
            plain[who] = name or others.get(marked) or (f"object {marked}" if self._dialect == 0 else marked)
        shared = Counter(plain.values())
        seen: Counter[str] = Counter()
        names = {}
        for who, name in plain.items():
            seen[name] += 1
            # Six bars from one model share its name; merged they would be one piece with six gauge
            # sections.
            names[who] = f"{name} #{seen[name]}" if shared[name] > 1 else name
        return names

    def _other_names(self) -> dict[str, str]:
        """Return what another dialect calls objects that their own markers only number."""
        found: dict[str, str] = {}
        for context, _, _, cell in self._parts:
            if context.objects[0] and context.objects[0] not in found and cell.moving > 0:
                for dialect in range(1, _ISLANDS):
                    name = self._state.names.get((dialect, context.objects[dialect]))
                    if name:
                        found[context.objects[0]] = name
                        break
        return found

    def _object(self, who: str, name: str, parts: list[Part], layering: Layering) -> PlateObject:
        own, layers = layering.layers(parts)
        length = commanded = volume = aux = 0.0
        for context, _, _, cell in parts:
            deposited = cell.filament * context.flow
            length += deposited
            commanded += cell.filament
            volume += deposited * self._areas[context.tool]
            aux += deposited if context.auxiliary else 0.0
        tools = self._tools(parts)
        per_mm = volume / commanded
        height = _typical_height(layers)
        width, width_basis = self._width(who, own, height)
        rates = self._rates.get(who, ())
        body, below = (own, 0) if any(feature for feature, _, _ in rates) else _body(own)
        box = _box(body, layers[below if below > 1 else 0 :], width)
        # Around a brim or a raft that nothing names, the hull is that of the brim.
        outline = self._outline(_NOBODY if below else who, box, width)
        long, short, angle = smallest_rectangle(outline)
        return PlateObject(
            key=who.replace("\n", " id ").replace(_PART, " part "),
            name=name,
            box_mm=box,
            centre_mm=((box[0] + box[3]) / 2, (box[1] + box[4]) / 2),
            size_mm=(box[3] - box[0], box[4] - box[1], box[5] - box[2]),
            rect_mm=(long + width, short + width),
            angle_deg=angle,
            outline_mm=tuple(outline),
            line_width_mm=width,
            line_width_basis=width_basis,
            layer_height_mm=height,
            filament_mm=length,
            filament_basis=self._length_basis(length, commanded),
            aux_mm=aux,
            filament_g=_grams(tools),
            filament_g_basis=self._mass_basis,
            layer_facts=layers,
            flow_mm3_s=_flow(rates, per_mm, most=max([part.cell.fastest for part in own])),
            flow_by_feature=_flow_by_feature(rates, per_mm),
            speed_mm_s=reading([(s.speed_mm_s, s.filament_mm) for layer in layers for s in layer.stretches]),
            retractions=self._retractions(who),
            set_points=_in_force(layers),
            tools=tools,
            pauses=_pauses(layers, self._state.pauses),
            contour_mm=contour_of(self._loops[who][1], width / 2) if who in self._loops else (),
            tilt=tilt_of(layers, short + width, width),
            parts=1 if self._separate else self._apart.get(who, 1),
        )

    def _width(self, who: str, parts: list[Part], height: float) -> tuple[float, str]:
        widths = self._widths.get("" if self._dialect == _ISLANDS else who.partition(_PART)[0])
        if widths:
            return max(widths, key=widths.__getitem__), STATED
        path = volume = 0.0
        for context, _, _, cell in parts:
            path += cell.path
            volume += cell.moving * self._areas[context.tool]
        section = volume / path if path else 0.0
        # A bead is taken as a rectangle with half-round ends, which is how slicers turn width into flow.
        return section / height + height * (1 - math.pi / 4), ESTIMATED

    def _outline(self, who: str, box: tuple[float, ...], width: float) -> list[Point]:
        points = self._hulls.get(who, [])
        if len(points) > 1:
            return points
        # Half a line inside the box, as a hull is made of centre lines.
        x0, y0, x1, y1 = (box[0] + width / 2, box[1] + width / 2, box[3] - width / 2, box[4] - width / 2)
        return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]

    def _retractions(self, who: str) -> Retractions:
        marked = "" if self._dialect == _ISLANDS else who.partition(_PART)[0]
        found, firmware = self._pulled.get(marked), self._by_firmware.get(marked, 0)
        if not found:
            return Retractions(by_firmware=firmware, basis=COMMANDED) if firmware else _NO_RETRACTIONS
        lengths: Counter[int] = Counter()
        for (length, _), count in found.items():
            lengths[length] += count
        # The commonest and not the mean: wipes and last moves retract otherwise, and nobody dials in a
        # mean.
        length = lengths.most_common(1)[0][0]
        feed = max((count, speed) for (one, speed), count in found.items() if one == length)[1]
        return Retractions(found.total(), length / 100, feed / 60 if feed else None, firmware, COMMANDED)


def _of_tools(given: PerTool, tools: list[int]) -> dict[int, float | None]:
    """Return what is given for each tool: one value for all, or one for each of those that lay.

    Where more are given than tools lay, they are counted as the tools are.
    """
    if given is None or isinstance(given, int | float):
        return dict.fromkeys(tools, given)
    values = list(given)
    return dict(enumerate(values)) if len(values) > len(tools) else dict(zip(tools, values, strict=False))


def _grams(tools: tuple[ToolUse, ...]) -> float | None:
    """Return the mass of what some tools laid, None where the density of one of them is not known."""
    masses = [each.filament_g for each in tools if each.filament_g is not None]
    return sum(masses) if masses and len(masses) == len(tools) else None


_Rates = Sequence[tuple[str, Weights, float]]
"""Of an object: feature, mm deposited per bin of rate, and the greatest rate in mm/s."""


def _flow_by_feature(rates: _Rates, scale: float) -> tuple[tuple[str, Flow], ...]:
    """Return the flow of each feature that the file names, in the order they were laid in."""
    tables: dict[str, list[tuple[str, Weights, float]]] = defaultdict(list)
    for each in rates:
        if each[0]:
            tables[each[0]].append(each)
    return tuple([(name, _flow(some, scale)) for name, some in tables.items()])


def _flow(rates: _Rates, scale: float, most: float | None = None) -> Flow:
    """Return the flow of an object, or of one of its features.

    Args:
        rates: What is known of it.
        scale: mm³ for each mm of filament.
        most: The greatest rate, mm/s; None takes it from the rates.
    """
    if not rates:
        return Flow()
    fastest = max([one for _, _, one in rates]) if most is None else most
    table = rates[0][1]
    if len(rates) > 1:
        table = defaultdict(float)
        for _, one, _ in rates:
            for number, length in one.items():
                table[number] += length
    if not table:
        return Flow()
    middle, high = _quantiles(table)
    return Flow(middle * scale, high * scale, fastest * scale, ESTIMATED)


def _quantiles(rates: Weights) -> tuple[float, float]:
    """Return the rates below which half and nineteen of twenty parts of the filament were laid."""
    if len(rates) == 1:
        (number,) = rates
        return bin_rate(number), bin_rate(number)
    found, passed, total = [], 0.0, sum(rates.values())
    wanted = [0.5 * total, 0.95 * total]
    for number in sorted(rates):
        passed += rates[number]
        while wanted and passed >= wanted[0]:
            found.append(number)
            wanted.pop(0)
    # The sum of all may fall short of the total by its rounding.
    found += [max(rates)] * len(wanted)
    return bin_rate(found[0]), bin_rate(found[1])


_NO_RETRACTIONS = Retractions()


def _pauses(layers: tuple[Layer, ...], codes: list[tuple[str, int]]) -> tuple[Pause, ...]:
    """Return where in a piece the printer waited for a person."""
    if not codes:
        return ()
    passed = [(stretch.pauses, number) for number, layer in enumerate(layers) for stretch in layer.stretches]
    counts = sorted({count for count, _ in passed})
    found = []
    for count, following in pairwise(counts):
        last = max(number for one, number in passed if one <= count)
        inside = last >= min(number for one, number in passed if one >= following)
        found += [
            Pause(codes[n][0], last + 1, layers[last].z_mm, inside)
            for n in range(count, min(following, len(codes)))
        ]
    return tuple(found)


def _body(parts: list[Part]) -> tuple[list[Part], int]:
    """Return the parts above a brim or a raft that no comment names, and how many layers that takes.

    It is wider than all that is on it, on every side.
    """
    levels = sorted({part.key for part in parts if not is_ramp(part.key)})
    for count in range(1, min(_MOST_RAFT, len(levels) // 2) + 1):
        upper = [part for part in parts if part.key > levels[count - 1]]
        wide = _rectangle(part for part in parts if part.key <= levels[count - 1])
        slim = _rectangle(upper)
        beyond = (slim[0] - wide[0], slim[1] - wide[1], wide[2] - slim[2], wide[3] - slim[3])
        if min(beyond) > _BRIM_MM:
            return upper, count
    return parts, 0


def _rectangle(parts: Iterable[Part]) -> tuple[float, float, float, float]:
    """Return the rectangle around parts seen from above: least X and Y, greatest X and Y, mm."""
    corners = [(part.cell.x0, part.cell.y0, part.cell.x1, part.cell.y1) for part in parts]
    x0, y0, x1, y1 = zip(*corners, strict=True)
    return min(x0), min(y0), max(x1), max(y1)


_NOBODY = "\0"
_MOST_RAFT = 6
_BRIM_MM = 1.2
"""Three line widths on every side: no foot of a specimen is spread so evenly. Common practice, no source."""


def _in_force(layers: tuple[Layer, ...]) -> SetPoints:
    first = layers[0].set_points
    if all(layer.set_points is first for layer in layers):
        return first
    return set_points(stretch for layer in layers for stretch in layer.stretches)


def _typical_height(layers: tuple[Layer, ...]) -> float:
    if len(layers) == 1:
        return round(layers[0].height_mm, 3)
    weights: dict[float, float] = defaultdict(float)
    for layer in layers:
        # By filament, as a first layer of another height is one of few in a tall piece and half of a flat
        # one.
        weights[round(layer.height_mm, 3)] += layer.filament_mm
    return max(weights, key=weights.__getitem__)


def _box(
    parts: list[Part], layers: tuple[Layer, ...], width: float
) -> tuple[float, float, float, float, float, float]:
    half = width / 2
    # The nozzle's height is the top of what it lays; the bottom is a layer below.
    bottom = round(layers[0].z_mm - layers[0].height_mm, 4)
    return (
        min([part.cell.x0 for part in parts]) - half,
        min([part.cell.y0 for part in parts]) - half,
        bottom,
        max([part.cell.x1 for part in parts]) + half,
        max([part.cell.y1 for part in parts]) + half,
        layers[-1].z_mm,
    )
