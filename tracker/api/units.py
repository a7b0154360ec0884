"""The few units that readings come in, known without loading a unit registry.

Loading pint and its registry takes longer than a whole command should. The table below holds what
bundled methods use; tests compare every line of it with pint, and any other unit is asked of pint.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from tracker.errors import Refused
from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    import pint
else:
    pint = lazy("pint")

# unit: (dimension word, factor to the first unit of that dimension); differences, no offsets.
_TABLE: dict[str, tuple[str, float]] = {
    "N": ("force", 1.0),
    "mN": ("force", 1e-3),
    "kN": ("force", 1e3),
    "kgf": ("force", 9.80665),
    "lbf": ("force", 4.4482216152605),
    "mm": ("length", 1.0),
    "um": ("length", 1e-3),
    "µm": ("length", 1e-3),
    "cm": ("length", 10.0),
    "m": ("length", 1e3),
    "inch": ("length", 25.4),
    "mm^2": ("area", 1.0),
    "cm^2": ("area", 100.0),
    "g": ("mass", 1.0),
    "mg": ("mass", 1e-3),
    "kg": ("mass", 1e3),
    "lb": ("mass", 453.59237),
    "deg": ("angle", 1.0),
    "°": ("angle", 1.0),
    "rad": ("angle", 57.29577951308232),
    "degC": ("temperature", 1.0),
    "°C": ("temperature", 1.0),
    "K": ("temperature", 1.0),
    "s": ("time", 1.0),
    "ms": ("time", 1e-3),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "d": ("time", 86400.0),
    "MPa": ("pressure", 1.0),
    "kPa": ("pressure", 1e-3),
    "Pa": ("pressure", 1e-6),
    "GPa": ("pressure", 1e3),
    "hPa": ("pressure", 1e-4),
    "J": ("energy", 1.0),
    "mJ": ("energy", 1e-3),
    "N*m": ("energy", 1.0),
    "N·m": ("energy", 1.0),
    "kJ/m^2": ("energy per area", 1.0),
    "g/cm^3": ("density", 1.0),
    "kg/m^3": ("density", 1e-3),
    "m/s^2": ("acceleration", 1.0),
    "mm/N": ("compliance", 1.0),
    "mm/min": ("speed", 1.0),
    "m/s": ("speed", 60_000.0),
    "K/h": ("heating rate", 1.0),
    "MPa*m^0.5": ("toughness", 1.0),
    "kJ": ("energy", 1e3),
    "Hz": ("frequency", 1.0),
    "kHz": ("frequency", 1e3),
    "1": ("ratio", 1.0),
    "%": ("ratio", 0.01),
}
DIMENSIONS = ("force", "length", "mass", "angle", "temperature", "time")
_REFERENCE = {word: unit for unit, (word, factor) in reversed(_TABLE.items()) if factor == 1.0}


@cache
def _registry() -> object:
    """The unit registry, loaded at the first unit that the table does not hold."""
    return pint.UnitRegistry()


def readable(unit: str) -> bool:
    """Tell whether a unit is one that pint reads."""
    if unit in _TABLE:
        return True
    try:
        _registry().Unit(unit)  # type: ignore[attr-defined]
    except Exception:  # noqa: BLE001 - pint raises whatever its tokenizer raises
        return False
    return bool(unit)


@cache
def dimension(unit: str) -> str:
    """Return the dimension word of a unit (``force``, ``length`` …), or empty text for others."""
    if unit in _TABLE:
        return _TABLE[unit][0]
    # Only the words that an instrument may be named by are looked for; other dimensions need none.
    for word in DIMENSIONS if unit and readable(unit) else ():
        if _registry().Unit(unit).is_compatible_with(_REFERENCE[word]):  # type: ignore[attr-defined]
            return word
    return ""


@cache
def scale(unit: str, target: str) -> float:
    """Return the factor that takes a difference in ``unit`` to one in ``target``.

    Raises:
        Refused: One of them cannot be read, or they measure different things.
    """
    if unit == target:
        return 1.0
    if unit in _TABLE and target in _TABLE and _TABLE[unit][0] == _TABLE[target][0]:
        return _TABLE[unit][1] / _TABLE[target][1]
    try:
        registry = _registry()
        one = registry.Quantity(1.0, registry.Unit(unit))  # type: ignore[attr-defined]
        # Degrees have offsets: what is wanted is how a difference scales, so two points are converted.
        zero = registry.Quantity(0.0, registry.Unit(unit))  # type: ignore[attr-defined]
        return float(one.to(target).magnitude - zero.to(target).magnitude)
    except Exception as error:
        raise Refused(
            f"{unit!r} cannot be given in {target!r}", why="they measure different things"
        ) from error
