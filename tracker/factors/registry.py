"""Every factor the book can read by itself: its unit, what counts as a difference, what is a usual span.

A span is the change that is typical between plates on purpose; it is what the prior of an effect refers
to. Spans and resolutions are common practice of the bench, no source, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

MOISTURE: Final = "moisture"
"""The cause that water content and hours in the air measure together."""


@dataclass(frozen=True)
class Factor:
    """One factor of the registry.

    Attributes:
        name: Lower-case word with its unit as ending.
        words: What it is, for people.
        unit: Unit of its numbers; empty for a category.
        resolution: Differences up to this are none; same unit.
        span: Typical change between plates; same unit, positive.
        kind: ``"number"`` or ``"category"``.
        same_cause: Factors that share this word measure one cause; the earlier in the registry is preferred.
        settable: Whether it can be dialled in for a next plate.
        of_test: True for what belongs to the measurement and not to the piece.
    """

    name: str
    words: str
    unit: str = ""
    resolution: float = 0.0
    span: float = 1.0
    kind: Literal["number", "category"] = "number"
    same_cause: str = ""
    settable: bool = True
    of_test: bool = False


FILAMENT: Final = "filament"
"""The cause that lot and spool stand for together: a spool is of one lot."""


def _category(
    name: str, words: str, same_cause: str = "", *, settable: bool = True, of_test: bool = False
) -> Factor:
    return Factor(name, words, kind="category", same_cause=same_cause, settable=settable, of_test=of_test)


REGISTRY: Final[tuple[Factor, ...]] = (
    Factor("nozzle_c", "nozzle temperature", "degC", 1.0, 30.0),
    Factor("bed_c", "bed temperature", "degC", 1.0, 20.0),
    Factor("chamber_c", "chamber temperature", "degC", 1.0, 20.0),
    Factor("fan_pct", "part fan", "percent", 2.0, 40.0),
    Factor("layer_height_mm", "layer height", "mm", 0.005, 0.1),
    Factor("line_width_mm", "line width", "mm", 0.01, 0.2),
    Factor("layer_time_s", "layer time of the gauge section", "s", 0.5, 15.0),
    Factor("flow_mm3_s", "volume flow", "mm^3/s", 0.2, 5.0),
    Factor("flow_factor_pct", "flow factor in force", "percent", 0.5, 10.0),
    Factor("pauses", "pauses while the gauge section was printed", "", 0.5, 1.0),
    Factor("print_speed_mm_s", "print speed", "mm/s", 1.0, 40.0),
    Factor("water_pct", "water in the filament when printed", "percent", 0.02, 0.3, same_cause=MOISTURE),
    Factor(
        "open_air_rh_h", "hours in open air since the last drying, weighted by humidity", "h", 0.5, 24.0,
        same_cause=MOISTURE,
    ),
    Factor("open_air_h", "hours in open air since the last drying", "h", 0.5, 48.0, same_cause=MOISTURE),
    Factor("drying_c", "temperature of the last drying", "degC", 1.0, 20.0),
    Factor("drying_h", "hours of the last drying", "h", 0.25, 6.0),
    Factor("print_room_c", "room temperature while printed", "degC", 0.5, 5.0, settable=False),
    Factor("print_room_rh", "room humidity while printed", "percent", 2.0, 20.0, settable=False),
    Factor("x_mm", "place on the plate, X", "mm", 1.0, 100.0),
    Factor("y_mm", "place on the plate, Y", "mm", 1.0, 100.0),
    Factor("height_mm", "height of the gauge section's middle above the bed", "mm", 0.2, 50.0),
    Factor("filament_g", "filament in the piece", "g", 0.02, 1.0, settable=False),
    Factor("attempt", "attempt at the plate", "", 0.5, 1.0, settable=False),
    _category("orientation", "orientation"),
    _category("lot", "lot", FILAMENT),
    _category("spool", "spool", FILAMENT),
    _category("printer", "printer"),
    _category("nozzle", "nozzle"),
    _category("surface", "bed surface"),
    _category("geometry", "geometry"),
    _category("printed_by", "who printed it"),
    _category("operator", "who tested it", of_test=True),
    _category("rig", "rig", of_test=True),
    _category("method_version", "version of the method", settable=False, of_test=True),
    Factor("age_h", "age when tested", "h", 1.0, 168.0, of_test=True),
    Factor("room_c", "room temperature when tested", "degC", 0.5, 5.0, settable=False, of_test=True),
    Factor("room_rh", "room humidity when tested", "percent", 2.0, 20.0, settable=False, of_test=True),
)  # fmt: skip

_BY_NAME: Final = {factor.name: factor for factor in REGISTRY}

_ENDINGS: Final = (
    ("_mm3_s", "mm^3/s"), ("_mm_s", "mm/s"), ("_mm", "mm"), ("_pct", "percent"), ("_rh", "percent"),
    ("_c", "degC"), ("_h", "h"), ("_s", "s"), ("_g", "g"), ("_mpa", "MPa"),
)  # fmt: skip
"""What the ending of a name says of its unit, the longer endings first."""

_UNKNOWN_RESOLUTION: Final = 1e-9
"""Of a factor nobody declared: any difference beyond rounding is one."""


def factor_named(name: str, values: Iterable[object] = ()) -> Factor:
    """Return the factor of a name; one that nobody declared is made from its values.

    Args:
        name: Of the factor.
        values: Recorded ones, for a factor given by import or by hand: all numbers make it a number, whose
            span is their range; anything else makes it a category.
    """
    known = _BY_NAME.get(name)
    if known is not None:
        return known
    seen = [value for value in values if value is not None]
    numbers = [float(value) for value in seen if isinstance(value, (int, float))]
    if not seen or len(numbers) < len(seen):
        return _category(name, name.replace("_", " "))
    spread = max(numbers) - min(numbers)
    return Factor(name, name.replace("_", " "), unit_of(name), _UNKNOWN_RESOLUTION, spread or 1.0)


def unit_of(name: str) -> str:
    """Return the unit that the ending of a factor's name says; empty where it says none."""
    known = _BY_NAME.get(name)
    if known is not None:
        return known.unit
    return next((unit for ending, unit in _ENDINGS if name.endswith(ending)), "")
