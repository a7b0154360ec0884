"""What is known of a plate, its objects and their layers, each figure with its basis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise
from typing import Any

COMMANDED = "commanded"
WITH_FLOW_FACTOR = "with flow factor"
STATED = "stated by slicer"
ESTIMATED = "estimated"
NOT_STATED = "not stated"
GIVEN = "given"

Point = tuple[float, float]
Box = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Reading:
    """One quantity over some deposits, weighted by the filament deposited.

    Attributes:
        value: Mean; None where nothing is known.
        low: Least value in force.
        high: Greatest value in force.
        basis: Where it comes from.
        share: Part of the filament (0 to 1) for which it is known.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    basis: str = NOT_STATED
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class SetPoints:
    """Set-points in force while something was deposited.

    Attributes:
        nozzle_c: Nozzle, °C; a command below 100 °C counts as not stated (it hides in a macro).
        bed_c: Bed, °C.
        chamber_c: Chamber, °C.
        fans_pct: Pairs of fan index and duty in percent; an index's meaning is the machine's.
    """

    nozzle_c: Reading = Reading()
    bed_c: Reading = Reading()
    chamber_c: Reading = Reading()
    fans_pct: tuple[tuple[int, Reading], ...] = ()


@dataclass(frozen=True, slots=True)
class Flow:
    """Volume flow along the moves of at least 1 mm and 10 ms.

    Attributes:
        median: mm³/s; half of the filament was deposited more slowly.
        p95: mm³/s; 95 % of the filament was deposited more slowly.
        most: Greatest in mm³/s.
        basis: ``estimated``: it rests on planned times and the filament's diameter.
    """

    median: float | None = None
    p95: float | None = None
    most: float | None = None
    basis: str = NOT_STATED


@dataclass(frozen=True, slots=True)
class Retractions:
    """Times that the filament was pulled back.

    Attributes:
        count: By E.
        length_mm: Most frequent length in mm.
        speed_mm_s: Most frequent speed.
        by_firmware: Further ones by G10; their length is set in the printer.
        basis: ``commanded``, or ``not stated`` if there are none.
    """

    count: int = 0
    length_mm: float | None = None
    speed_mm_s: float | None = None
    by_firmware: int = 0
    basis: str = NOT_STATED


@dataclass(frozen=True, slots=True)
class Stretch:
    """The part of a layer that was deposited under one set of set-points.

    Attributes:
        box_mm: xmin, ymin, xmax, ymax of its centre lines.
        start_s: Start of its first deposit, s since the start of the file.
        end_s: End of its last deposit.
        filament_mm: Deposited.
        nozzle_c: °C, None if not stated.
        bed_c: °C, None if not stated.
        chamber_c: °C, None if not stated.
        fans_pct: Pairs of fan index and duty in percent.
        speed_mm_s: Mean commanded speed, weighted by filament.
        tool: The tool that laid it.
        flow_factor: 1 = 100 %.
        pauses: How often the printer had been told to wait for a person by then.
    """

    box_mm: tuple[float, float, float, float]
    start_s: float
    end_s: float
    filament_mm: float
    nozzle_c: float | None
    bed_c: float | None
    chamber_c: float | None
    fans_pct: tuple[tuple[int, float], ...]
    speed_mm_s: float
    tool: int = 0
    flow_factor: float = 1.0
    pauses: int = 0


@dataclass(frozen=True, slots=True)
class Pause:
    """A command that waits for a person, after a part of a piece was laid and before more of it.

    Attributes:
        code: The command.
        layer: The last layer laid before it, from 1.
        z_mm: Its top.
        inside: True where more of that same layer follows.
    """

    code: str
    layer: int
    z_mm: float
    inside: bool

    @property
    def text(self) -> str:
        """The pause in words: ``M600 after layer 12 (2.4 mm)``."""
        return f"{self.code} {'within' if self.inside else 'after'} layer {self.layer} ({self.z_mm:g} mm)"


@dataclass(frozen=True, slots=True)
class ToolUse:
    """What one tool laid.

    Attributes:
        tool: Its number.
        filament_mm: Length, with the flow factor.
        filament_g: Mass; None where no density is known.
        diameter_mm: Of its filament.
        density_g_cm3: Of its filament; None where not known.
        nozzle_c: Set-point while it laid, °C.
        body_mm: The part of the length laid along moves, skirt, support and the like left out.
    """

    tool: int
    filament_mm: float
    filament_g: float | None
    diameter_mm: float
    density_g_cm3: float | None
    nozzle_c: Reading
    body_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of one object.

    Attributes:
        z_mm: Its top: height of the nozzle while it was deposited.
        height_mm: Distance to the object's layer below, or to the bed.
        start_s: Start of its first deposit, s of planned motion since the start of the file.
        end_s: End of its last deposit.
        time_s: Until the object's next layer begins; of the last layer until its own end.
        own_time_s: Time inside the object's markers, travel included.
        filament_mm: Deposited, with the flow factor.
        flow_mm3_s: Mean volume flow of the depositing moves, None if no time passed.
        speed_mm_s: Mean commanded speed, weighted by filament.
        set_points: In force while it was deposited.
        stretches: Its parts by set-points.
    """

    z_mm: float
    height_mm: float
    start_s: float
    end_s: float
    time_s: float
    own_time_s: float
    filament_mm: float
    flow_mm3_s: float | None
    speed_mm_s: float
    set_points: SetPoints
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """A set-point that changes from one layer of an object to the next; heights in mm, heat in °C.

    Attributes:
        what: ``nozzle_c``, ``bed_c``, ``chamber_c`` or ``fan<index>_pct``.
        z_mm: Top of the first layer under the new value.
        layer: Its number, from 1.
        before: Mean of the layer before; None if not stated.
        after: Mean of this layer; None if not stated.
    """

    what: str
    z_mm: float
    layer: int
    before: float | None
    after: float | None


@dataclass(frozen=True, slots=True)
class Tilt:
    """How a bar rises from the bed when it is turned about a horizontal axis.

    Attributes:
        angle_deg: Of its long side above the bed, 0 to 90.
        toward_deg: Direction in which it rises, from X, counter-clockwise.
        size_mm: Its own length, width across the slope, and thickness.
    """

    angle_deg: float
    toward_deg: float
    size_mm: tuple[float, float, float]


@dataclass(frozen=True)
class PlateObject:
    """One object of a plate.

    Attributes:
        key: Unique on its plate; made of the markers' own text.
        name: As the file has it; numbered where several share it.
        box_mm: xmin, ymin, zmin, xmax, ymax, zmax: centre lines and one line width.
        centre_mm: Middle of the box in X and Y.
        size_mm: Lengths of the box along X, Y, Z.
        rect_mm: Length and width of the smallest rectangle around the lowest layer.
        angle_deg: From X to the long side of that rectangle, counter-clockwise, -90 < angle <= 90.
        outline_mm: Hull of the lowest layer's centre lines.
        line_width_mm: Of the outer wall.
        line_width_basis: ``stated by slicer`` or ``estimated`` from E.
        layer_height_mm: The most frequent one, by filament.
        filament_mm: All deposits inside its markers, auxiliary ones included, with the flow factor.
        filament_basis: ``commanded`` or ``with flow factor``.
        aux_mm: The part of it in skirt, brim, support and the like.
        filament_g: None where no density is known.
        filament_g_basis: Where the density comes from.
        layer_facts: Every layer, lowest first.
        flow_mm3_s: Volume flow.
        speed_mm_s: Commanded speed while depositing.
        retractions: Begun inside its markers.
        set_points: In force while it was deposited.
        flow_by_feature: Volume flow of each feature, by the name that the file's comments give it; empty
            where it names none.
        tools: What each tool laid of it, auxiliary deposits included.
        pauses: Waits for a person while it was printed.
        tilt: How it rises from the bed, None where it lies, stands on edge or upright.
        contour_mm: Its outline by the outermost loop of a low layer; empty for a plain rectangle.
        gauge_mm: Corners of its gauge section seen from above, where a map is to show it; else empty.
        parts: In how many parts it stands on the plate, where these nowhere touch in its lowest layers.
    """

    key: str
    name: str
    box_mm: Box
    centre_mm: Point
    size_mm: tuple[float, float, float]
    rect_mm: tuple[float, float]
    angle_deg: float
    outline_mm: tuple[Point, ...]
    line_width_mm: float
    line_width_basis: str
    layer_height_mm: float
    filament_mm: float
    filament_basis: str
    aux_mm: float
    filament_g: float | None
    filament_g_basis: str
    layer_facts: tuple[Layer, ...]
    flow_mm3_s: Flow
    speed_mm_s: Reading
    retractions: Retractions
    set_points: SetPoints
    flow_by_feature: tuple[tuple[str, Flow], ...] = ()
    tools: tuple[ToolUse, ...] = ()
    pauses: tuple[Pause, ...] = ()
    parts: int = 1
    tilt: Tilt | None = None
    contour_mm: tuple[Point, ...] = field(default=(), compare=False)
    gauge_mm: tuple[Point, ...] = field(default=(), compare=False)

    @property
    def layers(self) -> int:
        """Number of layers: distinct heights of its own depositing moves."""
        return len(self.layer_facts)

    @property
    def layer_z_mm(self) -> tuple[float, ...]:
        """Top of every layer in mm."""
        return tuple(layer.z_mm for layer in self.layer_facts)

    @property
    def layer_time_s(self) -> tuple[float, ...]:
        """Wall time of every layer: until the next one of this object begins."""
        return tuple(layer.time_s for layer in self.layer_facts)

    @property
    def own_layer_time_s(self) -> tuple[float, ...]:
        """Time inside the object's markers, per layer."""
        return tuple(layer.own_time_s for layer in self.layer_facts)

    @property
    def layer_time_min_s(self) -> float:
        """Least wall time of a layer; the last layer, which nothing follows, does not count."""
        times = self.layer_time_s
        return min(times[:-1] or times)

    @property
    def own_layer_time_min_s(self) -> float:
        """Least time of a layer inside the object's markers."""
        return min(self.own_layer_time_s)

    @property
    def nozzle_c(self) -> Reading:
        """Nozzle set-point while depositing, °C."""
        return self.set_points.nozzle_c

    @property
    def bed_c(self) -> Reading:
        """Bed set-point while depositing, °C."""
        return self.set_points.bed_c

    @property
    def chamber_c(self) -> Reading:
        """Chamber set-point while depositing, °C."""
        return self.set_points.chamber_c

    @property
    def fans_pct(self) -> tuple[tuple[int, Reading], ...]:
        """Duty of each fan while depositing, percent."""
        return self.set_points.fans_pct

    @property
    def changes(self) -> tuple[Change, ...]:
        """Set-points that differ from one layer to the next, by height."""
        found: list[Change] = []
        for number, (below, layer) in enumerate(pairwise(self.layer_facts), 2):
            before, after = _means(below.set_points), _means(layer.set_points)
            for what in sorted(before.keys() | after.keys()):
                old, new = before.get(what), after.get(what)
                if not _alike(old, new):
                    found.append(Change(what, layer.z_mm, number, old, new))
        return tuple(found)


_SAME = 0.05


def _alike(a: float | None, b: float | None) -> bool:
    if a is None or b is None:
        # Stated in one layer and not in the next is a change, though nobody knows by how much.
        return a is b
    # A weighted mean over a layer may differ in its last digits; a twentieth of a degree or per cent is no
    # change of anything.
    return abs(a - b) < _SAME


def _means(points: SetPoints) -> dict[str, float | None]:
    fans = {f"fan{index}_pct": reading.value for index, reading in points.fans_pct}
    heat = {
        "nozzle_c": points.nozzle_c.value,
        "bed_c": points.bed_c.value,
        "chamber_c": points.chamber_c.value,
    }
    return heat | fans


@dataclass(frozen=True, slots=True)
class Stated:
    """What the slicer says of the whole plate; None where it says nothing.

    Attributes:
        filament_mm: Length.
        filament_g: Mass.
        time_s: Time.
        layers: Number of layers.
        filament_mm3: Volume, where that is stated and no length.
        density_g_cm3: Of the filament.
        lines: The settings lines these were read from: quantity, key, text.
    """

    filament_mm: float | None = None
    filament_g: float | None = None
    time_s: float | None = None
    layers: int | None = None
    filament_mm3: float | None = None
    density_g_cm3: float | None = None
    lines: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Something a file states of itself that its moves do not bear out.

    Attributes:
        what: ``filament``, ``mass``, ``time`` or ``bed``.
        stated: By the file; of a bed its longer side.
        read: From its moves; of a bed how long it would have to be.
        unit: Of both.
        relative: How far they are apart, as a part of what is stated.
        line: Number of the first line it may come from, None where none stands out.
        text: That line.
    """

    what: str
    stated: float
    read: float
    unit: str
    relative: float
    line: int | None = None
    text: str = ""

    def at(self, line: int, text: str) -> Contradiction:
        """Return the same with the line it may come from."""
        return replace(self, line=line, text=text)

    @property
    def words(self) -> str:
        """One sentence without its full stop."""
        where = f"; first at line {self.line}: {self.text[:60]}" if self.line else ""
        if self.what == "bed":
            return f"a piece lies {self.read - self.stated:.4g} mm outside the bed{where}"
        of = {"filament": "filament", "mass": "filament mass", "time": "time"}[self.what]
        both = f"the file states {self.stated:.6g} {self.unit} of {of}, its moves give {self.read:.6g}"
        return f"{both} {self.unit} ({100 * self.relative:.1f} % apart){where}"


@dataclass(frozen=True, slots=True)
class ReadAs:
    """How a plate file is to be read, where it allows more than one reading.

    Attributes:
        plate: Number of the plate in a container of several; None where there is one.
        separate: Whether parts of one marked object that nowhere touch are told apart; None leaves it open.
        g90_sets_e: Whether G90 and G91 set E too, as in some firmware.
        relative_e: How E is read before the file says so; None guesses.
        volumetric: Whether E is a volume in mm³ although no M200 says so; None looks at the totals.
    """

    plate: int | None = None
    separate: bool | None = None
    g90_sets_e: bool = False
    relative_e: bool | None = None
    volumetric: bool | None = None

    def as_data(self) -> dict[str, Any]:
        """Return what differs from the usual, to be kept."""
        usual = ReadAs()
        return {
            each.name: getattr(self, each.name)
            for each in fields(self)
            if getattr(self, each.name) != getattr(usual, each.name)
        }

    @classmethod
    def from_data(cls, kept: Mapping[str, Any] | None) -> ReadAs:
        """Return what was kept; names that are not known are left out."""
        names = {each.name for each in fields(cls)}
        return cls(**{name: value for name, value in (kept or {}).items() if name in names})


@dataclass(frozen=True, slots=True)
class Hint:
    """A set-point that stands somewhere else than in a command: for a person to judge.

    Attributes:
        what: ``nozzle_c``, ``bed_c`` or ``chamber_c``.
        value: °C.
        origin: The macro's argument or the settings line, as text.
    """

    what: str
    value: float
    origin: str


@dataclass(frozen=True)
class Plate:
    """All that is known of a plate file.

    Attributes:
        objects: In the order they were begun.
        filament_mm: All deposits, with the flow factor; objects and ``unassigned_mm`` add up to it.
        filament_basis: ``commanded`` or ``with flow factor``.
        commanded_mm: All deposits as commanded.
        filament_g: Mass of it; None where no density is known.
        unassigned_mm: Deposits outside every object.
        aux_mm: Deposits in skirt, brim, support and the like, wherever they are.
        in_layers_mm: Deposits after the first layer mark; None where the file marks no layers.
        time_s: Motion and dwell with accelerations and look-ahead; no heating, no macros.
        time_basis: ``estimated``, with what was assumed.
        layers: Distinct layer heights over all objects.
        dialect: How objects are marked; ``islands`` where they are not.
        objects_guessed: True where objects were told apart by islands.
        filament_diameter_mm: Used for volume and mass.
        filament_diameter_basis: ``given``, ``stated by slicer`` or ``estimated`` (the usual 1.75).
        density_g_cm3: None if unknown.
        settings: Key and value of every settings line, as they stand.
        stated: The slicer's own totals.
        hints: Set-points found in macro arguments and settings.
        set_points: In force while the objects were deposited.
        complete: False if something says that the file was cut off.
        problems: What was found wrong or had to be assumed, in words.
        unknown_commands: Commands without a known meaning, with their counts.
        pauses: Commands that wait for a person, with the number of layer marks passed.
        tools: What each tool laid of the plate.
        tool_changes: How often another tool was taken up between deposits.
        tool_change_s: What each of these takes: the file's own time less that of its moves, shared out; 0
            where it states none.
        relative_e: How E was read at the end.
        volumetric: Whether E was a volume at the end.
        bed_mm: Corners of the bed, where the file states it.
        contradictions: In what the file contradicts itself.
        read_as: How it was read, where it allows more than one reading.
    """

    objects: tuple[PlateObject, ...]
    filament_mm: float
    filament_basis: str
    commanded_mm: float
    filament_g: float | None
    unassigned_mm: float
    aux_mm: float
    in_layers_mm: float | None
    time_s: float
    time_basis: str
    layers: int
    dialect: str
    objects_guessed: bool
    filament_diameter_mm: float
    filament_diameter_basis: str
    density_g_cm3: float | None
    settings: tuple[tuple[str, str], ...]
    stated: Stated
    hints: tuple[Hint, ...]
    set_points: SetPoints
    complete: bool
    problems: tuple[str, ...]
    unknown_commands: dict[str, int]
    pauses: tuple[tuple[str, int], ...]
    tools: tuple[ToolUse, ...] = ()
    tool_changes: int = 0
    tool_change_s: float = 0.0
    relative_e: bool = False
    volumetric: bool = False
    bed_mm: tuple[Point, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    read_as: ReadAs = ReadAs()
