"""What people type as a quantity, turned into a number in the one unit the store keeps.

Canonical units: mm, N, MPa, °C, s, g, J, … A bare number takes the unit that was asked for;
anything else is converted by pint, which is imported only when a unit was really typed.
"""

from __future__ import annotations

import functools
import math
import re
from typing import TYPE_CHECKING, Any, Final

from tracker.errors import Refused
from tracker.lazy_modules import lazy
from tracker.stating import shown

if TYPE_CHECKING:
    import pint
else:
    pint = lazy("pint")

# Thin, narrow and no-break blanks and the apostrophe: how digits are grouped in tables people paste from.
_BLANKS: Final = "\u0020\u00a0\u2009\u202f'\u2019"
_NUMBER: Final = re.compile(
    rf"""^\s*(?P<number>[-+\u2212]?(?:\d[\d{_BLANKS}]*(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?)
    \s*(?P<unit>.*?)\s*$""",
    re.VERBOSE,
)
# 1,830 N is a thousand newtons to one reader and not two to another: a factor of 1000 is asked about, never
# guessed.
_AMBIGUOUS: Final = re.compile(r"^[-+]?[1-9]\d{0,2},\d{3}$")
# Pint reads C as coulomb and F as farad, and knows no "std"; at a bench nobody means charge.
_SPELLED: Final = {
    "°C": "degC", "° C": "degC", "C": "degC", "°F": "degF", "° F": "degF", "F": "degF",
    "%": "percent", "″": "inch", '"': "inch", "µm": "um", "μm": "um",
    "hours": "hour", "hrs": "hour", "std": "hour", "days": "day", "°": "degree",
}  # fmt: skip


class UnitError(Refused, ValueError):
    """A text is not a quantity of the kind that was asked for."""


@functools.cache
def _registry() -> pint.UnitRegistry[Any]:
    return pint.UnitRegistry(cache_folder=None)


def parse(text: str, unit: str, what: str = "value") -> float:
    """Return the number, in ``unit``, that a person meant by ``text``.

    Blanks group digits (``1 830 N``), a comma may stand for the decimal point (``4,02``).

    Args:
        text: As typed.
        unit: Canonical unit (a length in mm, a force in N, a stress in MPa, …), also that of a bare number;
            ``"1"`` or empty for a pure number.
        what: Name of the field, for the refusal.

    Raises:
        UnitError: Not a finite number, an unknown unit, a unit of another kind, or a comma that
            could be either a decimal or a thousands mark.
    """
    match = _NUMBER.match(text)
    if match is None:
        raise UnitError(
            f"{what}: {text.strip()[:60]!r} is not a number", do=f"Type it in {shown(unit) or 'digits'}"
        )
    number = _number(match["number"], what)
    typed = match["unit"]
    if not typed or typed in (unit, shown(unit)):
        return number
    return _converted(number, typed, unit, what)


def _number(text: str, what: str) -> float:
    plain = text.replace("\u2212", "-")
    for blank in _BLANKS:
        plain = plain.replace(blank, "")
    if _AMBIGUOUS.match(plain):
        point, group = plain.replace(",", "."), plain.replace(",", "")
        raise UnitError(
            f"{what}: {plain} can mean {point} or {group}", do=f"Type {point} or {group.lstrip('+')}"
        )
    number = float(plain.replace(",", "."))
    if not math.isfinite(number):
        raise UnitError(f"{what}: {text} is beyond all measure", do="Type an ordinary number")
    return number


def _converted(number: float, typed: str, unit: str, what: str) -> float:
    registry = _registry()
    pint_unit = unit if unit not in ("", "1") else "dimensionless"
    try:
        quantity = registry.Quantity(number, _SPELLED.get(typed, typed))
    except Exception as error:  # pint raises its own, tokenizer's and attribute errors alike
        raise UnitError(
            f"{what}: the unit {typed[:40]!r} is unknown", do=f"Type it in {shown(unit) or 'plain digits'}"
        ) from error
    try:
        return float(quantity.to(_SPELLED.get(pint_unit, pint_unit)).magnitude)
    except Exception as error:  # the same three kinds
        raise UnitError(
            f"{what}: {number:g} {typed} is not a quantity in {shown(unit) or 'plain digits'}",
            do=_hint(quantity, number, typed, unit),
        ) from error


def _hint(quantity: Any, number: float, typed: str, unit: str) -> str:
    if unit == "N" and quantity.check("[mass]"):
        # Kilograms typed where newtons are asked are the commonest slip at a dead-weight rig; converting
        # silently would bake one value of g into a reading.
        return f"A weight pulls with a force: type {number:g} {typed.removesuffix('f')}f for it"
    return f"Type it in {shown(unit) or 'plain digits'}"


def same_kind(unit: str, other: str) -> bool:
    """Whether two units measure the same kind of thing, as pint reads them.

    Raises:
        UnitError: One of them is no unit.
    """
    registry = _registry()
    try:
        first, second = (
            registry.Unit(_SPELLED.get(u, u) if u not in ("", "1") else "") for u in (unit, other)
        )
    except Exception as error:  # pint raises several unrelated kinds
        raise UnitError(f"{unit!r} or {other!r} is not a unit") from error
    return bool(first.dimensionality == second.dimensionality)


def factor_between(unit: str, canonical: str, what: str = "column") -> tuple[float, float]:
    """Return ``(scale, offset)`` with ``canonical value = scale * value + offset``.

    For whole columns: the conversion is found once and not per cell.

    Raises:
        UnitError: The units are of different kinds, or unknown.
    """
    if unit == canonical:
        return 1.0, 0.0
    # Two points fix the line: °F has an offset, and a bare factor would turn 32 °F into 17.8 °C.
    offset = _converted(0.0, unit, canonical, what)
    return _converted(1.0, unit, canonical, what) - offset, offset
