"""What is known of effects: which factor follows from which, and which way published work says they go.

The first says what is adjusted for; the second is noted beside a share and never evidence for it.

The effect of a changed factor is the effect of all that follows from it. Adjusting for something on the way
(the water that an hour in open air leaves, the layer time that a speed gives) would take that effect away;
not adjusting for something before it (the lot a spool is of) would add a foreign one. So, by the back-door
criterion (J. Pearl, Causality, 2nd ed., 2009, section 3.3): columns of the model are the changed factors
that follow from no other changed factor, and of the factors that did not change those that do not follow
from one of these.

Two kinds of arrow are told apart. Hours in open air, humidity and drying act on a piece *through* the water
in the filament and hardly otherwise: where the water is known to differ it stands for all of them, and any
plate that was wet for another reason teaches something; where it is not, they stand for themselves. Speed,
layer height and line width act in many ways, of which flow and layer time are two.

The arrows are common practice of the trade, no source.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, Final

FOLLOWS: Final[Mapping[str, tuple[str, ...]]] = {
    "lot": ("material",),
    "spool": ("lot", "material"),
    "open_air_rh_h": ("open_air_h",),
    "water_pct": ("open_air_rh_h", "open_air_h", "drying_c", "drying_h", "spool", "lot"),
    "flow_mm3_s": ("print_speed_mm_s", "layer_height_mm", "line_width_mm"),
    "layer_time_s": ("print_speed_mm_s", "layer_height_mm", "line_width_mm", "flow_mm3_s"),
    "filament_g": ("layer_height_mm", "line_width_mm"),
    "height_mm": ("orientation",),
    "print_room_rh": (),
}
"""Factor to the factors it follows from."""

THROUGH: Final[Mapping[str, tuple[str, ...]]] = {
    "water_pct": ("open_air_rh_h", "open_air_h", "drying_c", "drying_h"),
    "open_air_rh_h": ("open_air_h",),
}
"""Factor to those that act through it."""

_UNLIKE: Final[frozenset[tuple[str, str]]] = frozenset({("water_pct", "spool"), ("water_pct", "lot")})
"""Arrows that are drawn but fold nothing: another spool is far more than its water."""

STATIONS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("filament", ("material", "lot", "spool")),
    ("keeping", ("open_air_h", "open_air_rh_h", "drying_c", "drying_h", "water_pct")),
    (
        "printing",
        (
            "printer", "nozzle", "surface", "nozzle_c", "bed_c", "chamber_c", "fan_pct", "print_speed_mm_s",
            "layer_height_mm", "line_width_mm", "flow_mm3_s", "layer_time_s", "print_room_c", "print_room_rh",
            "attempt", "printed_by", "printed_on",
        ),
    ),
    ("place", ("orientation", "x_mm", "y_mm", "height_mm", "filament_g", "section")),
    ("testing", ("rig", "operator", "method_version", "age_h", "room_c", "room_rh", "tested_on")),
)  # fmt: skip
"""The stations a piece passes, and what is recorded at each; what is named nowhere belongs to printing."""


@dataclass(frozen=True)
class Roles:
    """What each factor is to the question.

    Attributes:
        causes: Changed factors that are offered as causes.
        dependent: Changed factors that follow from a changed one: to that one.
        through: Changed factors that act through a changed one: to that one.
        adjusted: Unchanged factors that are adjusted for.
        dropped: Unchanged factors that follow from a cause, so that adjusting would hide its effect: to it.
    """

    causes: tuple[str, ...]
    dependent: Mapping[str, str] = field(default_factory=dict)
    through: Mapping[str, str] = field(default_factory=dict)
    adjusted: tuple[str, ...] = ()
    dropped: Mapping[str, str] = field(default_factory=dict)

    def represents(self, name: str) -> tuple[str, ...]:
        """Return the other changed factors that a cause represents."""
        folded = {**self.dependent, **self.through}
        return tuple(other for other, cause in folded.items() if cause == name)


def roles(changed: Iterable[str], others: Iterable[str]) -> Roles:
    """Return which factors are causes, which follow, and which are adjusted for.

    Args:
        changed: Names of the factors that differ between A and B, in the order they were declared.
        others: Names of the recorded factors that do not.
    """
    names = list(changed)
    through: dict[str, str] = {}
    for carrier, parts in THROUGH.items():
        for part in parts if carrier in names else ():
            if part in names:
                through.setdefault(part, carrier)
    left = [name for name in names if name not in through]
    dependent = {name: first for name in left if (first := _changed_ancestor(name, left)) is not None}
    causes = tuple(name for name in left if name not in dependent)
    # A chain ends at a cause: what follows from a dependent factor follows from the cause behind it.
    ends = {**dependent, **through}
    behind = {name: _changed_ancestor(name, causes) or _carrier_of(name, causes) for name in others}
    return Roles(
        causes,
        {name: _end(name, ends) for name in dependent},
        {name: _end(name, ends) for name in through},
        tuple(name for name, cause in behind.items() if cause is None),
        {name: cause for name, cause in behind.items() if cause is not None},
    )


def _carrier_of(name: str, changed: Iterable[str]) -> str | None:
    """Return the first changed factor through which another acts; None for none."""
    held = set(changed)
    return next((carrier for carrier, parts in THROUGH.items() if carrier in held and name in parts), None)


def _changed_ancestor(name: str, changed: Iterable[str]) -> str | None:
    """Return the first changed factor that ``name`` follows from, nearest first; None where there is none."""
    wanted = set(changed)
    todo = [(name, parent) for parent in FOLLOWS.get(name, ())]
    seen: set[str] = set()
    while todo:
        child, parent = todo.pop(0)
        if (child, parent) in _UNLIKE or parent in seen:
            continue
        if parent in wanted and parent != name:
            return parent
        seen.add(parent)
        todo += [(parent, further) for further in FOLLOWS.get(parent, ())]
    return None


def _end(name: str, folded: Mapping[str, str]) -> str:
    seen = {name}
    while name in folded and folded[name] not in seen:
        name = folded[name]
        seen.add(name)
    return name


def station_of(name: str) -> str:
    """Return the station at which a factor is recorded."""
    return next((title for title, members in STATIONS if name in members), "printing")


def arrows(names: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Return the arrows (cause, effect) among the named factors."""
    known = set(names)
    return tuple(
        (cause, name) for name in FOLLOWS if name in known for cause in FOLLOWS[name] if cause in known
    )


@dataclass(frozen=True)
class Direction:
    """What the literature says of raising one factor.

    Attributes:
        factor: Entry in ``directions.toml``.
        of: The property it speaks of.
        sign: ``"+"``, ``"-"``, ``"0"``, or ``"mixed"``.
        strength: S several studies agree, M few or material-dependent, W contested.
        remark: Conditions, in a few words.
        source: Where it was read.
    """

    factor: str
    of: str
    sign: str
    strength: str
    remark: str
    source: str

    def agrees(self, change: float, share: float) -> bool | None:
        """Return whether a share has the published sign; None where no sign is published.

        Args:
            change: Factor in B less factor in A.
            share: The share, B less A.
        """
        if self.sign not in {"+", "-"} or change == 0 or share == 0:
            return None
        expected = (1 if self.sign == "+" else -1) * change
        # The sign alone: published sizes hold for other machines and other materials.
        return (expected > 0) == (share > 0)


def property_of(quantity: str, about: str = "") -> str:
    """Return the column of the published table that speaks of a quantity.

    Args:
        quantity: As in ``tensile.modulus``.
        about: ``"interlayer"`` or ``"in-plane"`` for strengths, where known.
    """
    for words, column in [(list(row["words"]), str(row["column"])) for row in _table()["property"]]:
        if any(word in quantity for word in words):
            # Cooling or chamber heat act on interlayer strength and hardly in the plane; unknown is taken
            # for the plane, where fewer directions are claimed.
            return about or "in-plane" if column == "strength" else column
    return ""


def published(factor: str, of: str) -> Direction | None:
    """Return the published direction of a factor on a property, or None."""
    for entry in _table()["factor"]:
        if factor in entry["names"] and of in entry:
            remark = entry.get("remark", "")
            return Direction(entry["id"], of, entry[of], entry["strength"], remark, entry["source"])
    return None


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath("directions.toml").read_text(encoding="utf-8"))
