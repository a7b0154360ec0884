"""Every factor the book can read by itself: its unit, what counts as a difference, what is a usual span.

A span is the change that is typical between plates on purpose; it is what the prior of an effect refers
to. Spans and resolutions are common practice of the bench, no source, unless a line says otherwise.
Values made from it, and how they are told, stand here too.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

from tracker.api import FactorValue
from tracker.stating import compact, shown

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


Factors = dict[str, FactorValue]

MEASURED: Final = "measured"
COMMANDED: Final = "commanded"
STATED: Final = "stated"
ESTIMATED: Final = "estimated"
TYPED: Final = "typed"
NOT_RECORDED: Final = "not recorded"

_BASIS_OF: Final = {
    "commanded": COMMANDED,
    "with flow factor": COMMANDED,
    "stated by slicer": STATED,
    "estimated": ESTIMATED,
    "given": TYPED,
    "not stated": NOT_RECORDED,
}
"""From the words of a plate's facts to those of a factor."""


def basis_of(word: str) -> str:
    """Return the basis of a factor for the basis of a plate's figure."""
    return _BASIS_OF.get(word, word if word == MEASURED else ESTIMATED)


def put(
    into: Factors,
    name: str,
    value: float | str | None,
    basis: str,
    source: str,
    low: float | None = None,
    high: float | None = None,
) -> None:
    """Put a value in, in the place of an earlier one; None leaves what is there.

    Args:
        into: Changed in place.
        name: Of the factor, by whose registry entry or ending the unit goes.
        value: A number in that unit, or a word.
        basis: ``measured``, ``commanded`` and the like.
        source: Where it comes from, in words.
        low: Least value, same unit; None where no interval is known.
        high: Greatest value, same unit.
    """
    if value is not None:
        into[name] = _value(name, value, basis, source, low, high)


# Plates by the thousand share most of their values: each is made once, and held once. By type too, for a
# whole number must not stand for its float.
@functools.lru_cache(maxsize=1 << 16, typed=True)
def _value(
    name: str, value: float | str, basis: str, source: str, low: float | None, high: float | None
) -> FactorValue:
    known = factor_named(name)
    number = not isinstance(value, str)
    return FactorValue(
        name=name,
        value=value,
        unit=unit_of(name) if number else "",
        basis=basis,
        source=source,
        low=low,
        high=high,
        resolution=known.resolution if number and known.kind == "number" else None,
        span=known.span if number and known.kind == "number" else None,
    )


def put_reading(into: Factors, name: str, reading: Any, source: str) -> None:
    """Put in a reading of a plate's facts: value, low, high and basis; one that is not stated is left out."""
    if isinstance(reading, dict) and reading.get("value") is not None:
        basis = basis_of(str(reading.get("basis", "")))
        put(into, name, float(reading["value"]), basis, source, reading.get("low"), reading.get("high"))


_DIGITS: Final = 4


def factor_words(value: FactorValue) -> str:
    """Return a factor's value with its interval, unit, basis and source, in one line."""
    return f"{value_words(value)}  ({value.basis}; {value.source})"


def value_words(value: FactorValue) -> str:
    """Return a factor's value with its interval and unit: ``62.4 °C (58.1 – 64)``."""
    if not isinstance(value.value, (int, float)):
        return str(value.value)
    text = f"{rounded(value.value):g} {shown(value.unit)}".rstrip()
    if value.low is None or value.high is None or rounded(value.low) == rounded(value.high):
        return text
    return f"{text} ({compact(rounded(value.low))} – {compact(rounded(value.high))})"


def rounded(number: float) -> float:
    """Return a number to four significant digits."""
    return float(f"{number:.{_DIGITS}g}")


def factor_data(value: FactorValue) -> dict[str, Any]:
    """Return a factor as JSON."""
    return {
        "name": value.name, "value": value.value, "unit": value.unit, "low": value.low, "high": value.high,
        "resolution": value.resolution, "span": value.span, "basis": value.basis, "source": value.source,
    }  # fmt: skip
