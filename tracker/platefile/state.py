"""The modal state of the machine: what holds until it is changed.

Three groups are numbered as they arise, so that a row of moves needs to carry
only three small numbers: the *context* (which object, which set-points), the
*plan* (accelerations and limits) and the *mode* (how numbers are to be read).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Hashable
from typing import Final, Generic, NamedTuple, TypeVar

import numpy.typing as npt

from tracker.lazy_modules import np
from tracker.platefile.meaning import Meaning

Key = TypeVar("Key", bound=Hashable)


class Numbering(Generic[Key]):
    """Numbers for values in the order they first appear."""

    def __init__(self) -> None:
        self.values: list[Key] = []
        self._numbers: dict[Key, int] = {}

    def __call__(self, value: Key) -> int:
        """Return the value's number, giving it one if it is new."""
        number = self._numbers.get(value)
        if number is None:
            number = self._numbers[value] = len(self.values)
            self.values.append(value)
        return number


DEFAULT_ACCELERATION = 1500.0
"""mm/s²; assumed where the file states none. Fitted, with the jerks, to the layer times of one real plate."""
DEFAULT_RETRACT_ACCELERATION = 10_000.0
"""mm/s² of E alone; assumed likewise."""
DEFAULT_JERK = 5.0
"""mm/s in X and Y; assumed likewise."""
DEFAULT_JERK_Z = 0.2
"""mm/s in Z; assumed likewise."""
_INFINITE = float("inf")
_PER_MINUTE_ABOVE = 2000.0


class Plan(NamedTuple):
    """Limits of motion in force; mm and s.

    Attributes:
        printing: Acceleration of depositing moves.
        travel: Acceleration of moves without E.
        retract: Acceleration of moves of E alone.
        jerk_xy: Speed jump allowed in X and Y.
        jerk_z: Speed jump allowed in Z.
        corner: Square corner velocity; 0 where the classic rule holds.
        deviation: Junction deviation in mm; 0 where the classic rule holds.
        speed_x: Greatest speed in X; likewise the next three.
        speed_y: See ``speed_x``.
        speed_z: See ``speed_x``.
        speed_e: See ``speed_x``.
        speed: Greatest speed along the path.
        factor: Speed factor, 1 = 100 %.
        limit_xy: Greatest acceleration of X and Y, whatever is asked for.
        limit_z: The same of Z.
        limit_e: The same of E.
    """

    printing: float = DEFAULT_ACCELERATION
    travel: float = DEFAULT_ACCELERATION
    retract: float = DEFAULT_RETRACT_ACCELERATION
    jerk_xy: float = DEFAULT_JERK
    jerk_z: float = DEFAULT_JERK_Z
    corner: float = 0.0
    deviation: float = 0.0
    speed_x: float = _INFINITE
    speed_y: float = _INFINITE
    speed_z: float = _INFINITE
    speed_e: float = _INFINITE
    speed: float = _INFINITE
    factor: float = 1.0
    limit_xy: float = _INFINITE
    limit_z: float = _INFINITE
    limit_e: float = _INFINITE


def changed_by(code: str, words: dict[str, float]) -> dict[str, float]:
    """Return the fields of `Plan` that a command changes, with their new values.

    Args:
        code: ``M201``, ``M203``, ``M204``, ``M205``, ``M566`` or ``SET_VELOCITY_LIMIT``.
        words: Its words with their numbers as written.

    Returns:
        Field to value, in the field's unit: mm/s for speeds, jerk and corners, mm/s² for accelerations, mm
        for a junction deviation.

    Raises:
        KeyError: ``code`` is none of these.
    """
    # Firmware knows no negative limit; such a word is passed over.
    return _LIMITS[code]({word: value for word, value in words.items() if value >= 0})


def _acceleration(words: dict[str, float]) -> dict[str, float]:
    # The old form sets both; what is named beside it wins.
    both = words.get("S")
    named = {"printing": words.get("P", both), "travel": words.get("T", both), "retract": words.get("R")}
    return {name: value for name, value in named.items() if value}


def _speeds(words: dict[str, float]) -> dict[str, float]:
    # One firmware family writes mm/min here; no printer moves at 2 m/s.
    scale = 60.0 if max(words.values(), default=0.0) > _PER_MINUTE_ABOVE else 1.0
    return {f"speed_{axis.lower()}": words[axis] / scale for axis in "XYZE" if words.get(axis)}


def _jerk(words: dict[str, float]) -> dict[str, float]:
    changed: dict[str, float] = {}
    if words.get("J"):
        changed["deviation"] = words["J"]
    sideways = [words[axis] for axis in "XY" if words.get(axis)]
    if sideways:
        # Classic jerk in the file says that the other rule is not in use.
        changed.update(jerk_xy=min(sideways), deviation=0.0, corner=0.0)
    if words.get("Z"):
        changed["jerk_z"] = words["Z"]
    return changed


def _jerk_per_minute(words: dict[str, float]) -> dict[str, float]:
    return _jerk({axis: value / 60 for axis, value in words.items() if axis in "XYZE"})


def _velocity_limit(words: dict[str, float]) -> dict[str, float]:
    changed: dict[str, float] = {}
    if words.get("ACCEL"):
        # This form knows one acceleration for everything.
        changed.update(printing=words["ACCEL"], travel=words["ACCEL"])
    if words.get("SQUARE_CORNER_VELOCITY"):
        changed["corner"] = words["SQUARE_CORNER_VELOCITY"]
    if words.get("VELOCITY"):
        changed["speed"] = words["VELOCITY"]
    return changed


def _axis_accelerations(words: dict[str, float]) -> dict[str, float]:
    sideways = [words[axis] for axis in "XY" if words.get(axis)]
    changed = {"limit_xy": min(sideways)} if sideways else {}
    return changed | {f"limit_{axis.lower()}": words[axis] for axis in "ZE" if words.get(axis)}


_LIMITS: dict[str, Callable[[dict[str, float]], dict[str, float]]] = {
    "M204": _acceleration,
    "M203": _speeds,
    "M205": _jerk,
    "M566": _jerk_per_minute,
    "M201": _axis_accelerations,
    "SET_VELOCITY_LIMIT": _velocity_limit,
}


COLD_C = 100.0
"""No polymer is laid below: a nozzle set lower is heated by a macro of the printer."""

DIALECTS = ("M486", "EXCLUDE_OBJECT", "printing object", "MESH", "PRINTING", "islands")
"""Ways of marking objects, by precedence; the last is no marker at all."""


class Context(NamedTuple):
    """What a deposit belongs to and the set-points it is made under.

    Attributes:
        objects: The object per dialect (five texts; empty means none).
        auxiliary: True inside skirt, brim, support and the like.
        tool: The tool's number.
        nozzle: °C of that tool as commanded, None before any command.
        bed: °C, None before any command.
        chamber: °C, None before any command.
        fans: Pairs of fan index and the S value as written.
        flow: Flow factor, 1 = 100 %.
        begun: True once the first layer mark has passed.
        pauses: How often the printer has been told to wait for a person.
    """

    objects: tuple[str, ...] = ("",) * 5
    auxiliary: bool = False
    tool: int = 0
    nozzle: float | None = None
    bed: float | None = None
    chamber: float | None = None
    fans: tuple[tuple[int, float], ...] = ()
    flow: float = 1.0
    begun: bool = False
    pauses: int = 0


class Mode(NamedTuple):
    """How the numbers of a move are read.

    Attributes:
        relative: X, Y, Z are increments.
        relative_e: E is an increment.
        unit: mm per unit of length.
        e_scale: mm of filament per unit of E (volumetric E, inches).
        flat: Arcs lie in XY.
        tool: The tool that E moves.
        e_stated: M82 or M83 has been met.
        other_e: E is an increment in the other reading of G90 and G91, which in some firmware set E too.
    """

    relative: bool = False
    relative_e: bool = False
    unit: float = 1.0
    e_scale: float = 1.0
    flat: bool = True
    tool: int = 0
    e_stated: bool = False
    other_e: bool = False


class Modal(NamedTuple):
    """All that a row of motion depends on besides its own words and the layer it is in.

    Attributes:
        context: Object and set-points.
        plan: Limits of motion.
        mode: How numbers are read.
        outer: True inside outer walls.
        feature: What is being laid, as the file calls it; empty before any such comment.
    """

    context: Context
    plan: Plan
    mode: Mode
    outer: bool
    feature: str


PURE = frozenset(
    {"feature", "limits", "fan", "plane", "nothing", "object", "object_label", "relative", "relative_e"}
)
"""Operations that turn one modal state into another and, done twice, leave nothing else behind.

Entering or leaving an object also begins another visit, which the reader counts.
"""


class State:
    """The machine's modal state, and what the file says about itself on the way.

    Args:
        relative_e: How E is read before the file says so.
        g90_sets_e: Whether G90 and G91 set E too, as some firmwares have it.
        volumetric_mm: Diameter of the filament where E is a volume from the start; 0 where it is a length.
    """

    def __init__(
        self, *, relative_e: bool = False, g90_sets_e: bool = False, volumetric_mm: float = 0.0
    ) -> None:
        self.context = Context()
        self.plan = Plan()
        self.mode = Mode(relative_e=relative_e, other_e=relative_e)
        if volumetric_mm:
            self._do_volumetric(volumetric_mm)
        self.contexts: Numbering[Context] = Numbering()
        self.plans: Numbering[Plan] = Numbering()
        self.modes: Numbering[Mode] = Numbering()
        # A feature is no part of a context, or every layer would fall into as many cells as features.
        self.owners: Numbering[tuple[int, str]] = Numbering()
        self.outer = False
        self.feature = ""
        self.width = 0.0
        self.marks: list[list[float | None]] = []
        self.mark_counts: Counter[str] = Counter()
        self.visit = 0
        self.settings: dict[str, str] = {}
        self.macros: dict[str, tuple[tuple[str, str], ...]] = {}
        self.unknown: Counter[str] = Counter()
        self.troubles: Counter[str] = Counter()
        self.names: dict[tuple[int, str], str] = {}
        self.pauses: list[tuple[str, int]] = []
        self.firmware_retracts: Counter[tuple[str, ...]] = Counter()
        self.in_thumbnail = False
        self.brackets: Counter[str] = Counter()
        self.stated_plan: set[str] = set()
        self.fraction_fans = True
        self._g90_sets_e = g90_sets_e
        self._contexts_of_owners = np.zeros(0, np.intp)
        self._nozzles: dict[int, float] = {}
        self._flows: dict[int, float] = {}
        self._retracted = False
        self._macro_names: set[str] = set()
        self._chunks: list[str] = []
        self._saved_factors: dict[str, float] = {}

    @property
    def modal(self) -> Modal:
        """What rows need to know, without layer marks and line widths."""
        return Modal(self.context, self.plan, self.mode, self.outer, self.feature)

    def load(self, modal: Modal) -> None:
        """Let another modal state hold."""
        self.context, self.plan, self.mode, self.outer, self.feature = modal

    def apply(self, meaning: Meaning) -> None:
        """Let one operation change the state; rows (moves, E counter) are the reader's."""
        does = _DOES.get(meaning[0])
        if does is not None:
            does(self, *meaning[1:])

    def contexts_of_owners(self) -> npt.NDArray[np.intp]:
        """Return the context of each of the `owners`."""
        # Most chunks bring no owner that was not there before, and a plate may have very many.
        if len(self._contexts_of_owners) < len(self.owners.values):
            self._contexts_of_owners = np.array([context for context, _ in self.owners.values], np.intp)
        return self._contexts_of_owners

    def ends(self, meaning: Meaning) -> bool:
        """Tell whether an operation may belong to the end of a file: an end code, a new macro, or settings.

        A macro behind the last layer may well switch everything off, unseen from here; one that has come
        before belongs to every layer.
        """
        if meaning[0] == "macro":
            return meaning[1] not in self._macro_names
        return meaning[0] in ("ends", "chunk") or (meaning[0] == "setting" and meaning[-1] is True)

    def begin_visit(self) -> None:
        """Count that an object has been entered or left."""
        self.visit += 1

    def _do_object(self, dialect: int, key: str, name: str) -> None:
        objects = self.context.objects
        self.context = Context((*objects[:dialect], key, *objects[dialect + 1 :]), *self.context[1:])
        if key:
            self.names.setdefault((dialect, key), name)

    def _do_object_label(self, label: str) -> None:
        # The label may be on a line of its own and belongs to whatever object is current.
        key = self.context.objects[0]
        if key:
            self.names[0, key] = self.names.get((0, key)) or label

    def _do_object_id(self, number: str) -> None:
        name = self.context.objects[4].partition("\n")[0]
        if number.startswith("-"):
            self._do_object(4, "", "")
            self.begin_visit()
        elif name:
            self._do_object(4, f"{name}\n{number}", name)
            self.begin_visit()

    def _do_feature(self, auxiliary: bool, outer: bool, name: str) -> None:
        if auxiliary is not self.context.auxiliary:
            self.context = self.context._replace(auxiliary=auxiliary)
        self.outer, self.feature = outer, name

    def _do_width(self, width: float) -> None:
        self.width = width

    def _do_layer(self, z: float | None, kind: str = "z") -> None:
        self.mark_counts[kind] += 1
        self.marks.append([z, None])
        if not self.context.begun:
            self.context = self.context._replace(begun=True)

    def _do_layer_z(self, z: float) -> None:
        if self.marks and self.marks[-1][0] is None:
            self.marks[-1][0] = z
        elif not self.marks or self.marks[-1][0] != z:
            self._do_layer(z)

    def _do_layer_height(self, height: float) -> None:
        if self.marks and self.marks[-1][1] is None:
            self.marks[-1][1] = height

    def _do_setting(self, key: str, value: str, _assigned: object = None) -> None:
        # The first of equal keys: progress remarks repeat a header's keys with other values.
        self.settings.setdefault(key.strip(), value.strip())

    def _do_chunk(self, text: str) -> None:
        self._chunks.append(text)

    def joined_chunks(self) -> str:
        """Return settings that the file holds as numbered pieces, joined."""
        return "".join(self._chunks)

    def _do_bracket(self, name: str, step: int) -> None:
        self.brackets[name] += step

    def _do_thumbnail(self, begins: bool) -> None:
        self.in_thumbnail = begins

    def _do_macro(self, name: str, args: tuple[tuple[str, str], ...]) -> None:
        self._macro_names.add(name)
        if not self.context.bed and (self.context.nozzle or 0.0) < COLD_C:
            # A start macro that finds nozzle and bed cold heats both: from here on neither is known.
            self.context = self.context._replace(bed=None)
        self._forget_what_a_macro_sets(args)
        if args:
            self.macros.setdefault(name, args)

    def _forget_what_a_macro_sets(self, args: tuple[tuple[str, str], ...]) -> None:
        """A macro that is given another temperature than the one commanded will set it: unseen from here."""
        for key, text in args:
            what = heated_by(key)
            if what and getattr(self.context, what) not in (None, _number(text)):
                self.context = self._without(what)

    def _without(self, what: str) -> Context:
        if what == "nozzle":
            return self.context._replace(nozzle=None)
        return self.context._replace(bed=None) if what == "bed" else self.context._replace(chamber=None)

    def _do_unknown(self, code: str) -> None:
        self.unknown[code] += 1

    def _do_trouble(self, text: str) -> None:
        self.troubles[text] += 1

    def _do_nozzle(self, value: float, tool: float | None) -> None:
        number = self.context.tool if tool is None else int(tool)
        self._nozzles[number] = value
        if number == self.context.tool:
            self.context = self.context._replace(nozzle=value)

    def _do_bed(self, value: float, _index: float | None) -> None:
        self.context = self.context._replace(bed=value)

    def _do_chamber(self, value: float, _index: float | None) -> None:
        self.context = self.context._replace(chamber=value)

    def _do_fan(self, index: int, raw: float) -> None:
        # One firmware family counts 0 to 1; only the whole file can tell.
        if raw > 1:
            self.fraction_fans = False
        fans = dict(self.context.fans)
        fans[index] = raw
        self.context = self.context._replace(fans=tuple(sorted(fans.items())))

    def _do_tool(self, number: int) -> None:
        # Each tool has a temperature of its own: the last one commanded may have been another's.
        self.context = self.context._replace(
            tool=number, nozzle=self._nozzles.get(number), flow=self._flows.get(number, 1.0)
        )
        self.mode = self.mode._replace(tool=number)

    def _do_flow_factor(self, value: float | str, tool: float | None) -> None:
        if isinstance(value, str):
            return
        number = self.context.tool if tool is None else int(tool)
        self._flows[number] = value / 100
        if number == self.context.tool:
            self.context = self.context._replace(flow=value / 100)

    def _do_speed_factor(self, value: float | str, _tool: float | None) -> None:
        if value == "B":
            self._saved_factors["speed"] = self.plan.factor
        elif value == "R":
            self.plan = self.plan._replace(factor=self._saved_factors.get("speed", 1.0))
        elif isinstance(value, float) and value > 0:
            self.plan = self.plan._replace(factor=value / 100)

    def _do_relative(self, relative: bool) -> None:
        # Firmware differs here: in one family G90 and G91 set E too.
        mode = self.mode
        if self._g90_sets_e:
            self.mode = mode._replace(relative=relative, relative_e=relative)
        else:
            # Before the file says how E is read, the guess holds for either reading.
            other = relative if mode.e_stated else mode.other_e
            self.mode = mode._replace(relative=relative, other_e=other)

    def _do_relative_e(self, relative: bool) -> None:
        self.mode = self.mode._replace(relative_e=relative, e_stated=True, other_e=relative)

    def _do_unit(self, unit: float) -> None:
        # E is a length as well, and inches hold for it too; under volumetric E the scale is kept in
        # proportion.
        scale = self.mode.e_scale / self.mode.unit * unit
        self.mode = self.mode._replace(unit=unit, e_scale=scale)

    def _do_volumetric(self, diameter: float) -> None:
        area = 3.141592653589793 / 4 * diameter * diameter
        self.mode = self.mode._replace(e_scale=1 / area if diameter > 0 else self.mode.unit)

    def _do_plane(self, flat: bool) -> None:
        self.mode = self.mode._replace(flat=flat)
        if not flat:
            self.troubles["arcs outside the XY plane are taken as straight lines (G18, G19)"] += 1

    def _do_retract(self) -> None:
        # Firmware ignores a second G10 before a G11.
        if not self._retracted:
            self.firmware_retracts[self.context.objects] += 1
        self._retracted = True

    def _do_recover(self) -> None:
        self._retracted = False

    def _do_pause(self, code: str) -> None:
        self.pauses.append((code, len(self.marks)))
        self.context = self.context._replace(pauses=len(self.pauses))

    def _do_limits(self, code: str, pairs: tuple[tuple[str, float], ...]) -> None:
        changed = changed_by(code, dict(pairs))
        if changed:
            self.stated_plan.add(code)
            self.plan = self.plan._replace(**changed)


_HEATED = (
    ("chamber", re.compile(r"CHAMBER")),
    ("bed", re.compile(r"BED")),
    ("nozzle", re.compile(r"NOZZLE|EXTRUDER|HOTEND|^TEMP|TEMP$|TEMPERATURE$")),
)


def heated_by(argument: str) -> str | None:
    """Return which set-point a macro's argument names: chamber, bed, nozzle, or None."""
    return next((what for what, pattern in _HEATED if pattern.search(argument.upper())), None)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


# Functions, not methods of one state: that would hold itself, and with it all rows of its plate, until Python
# next looks for such circles.
_DOES: Final[dict[object, Callable[..., None]]] = {
    name[4:]: getattr(State, name) for name in dir(State) if name.startswith("_do_")
}
