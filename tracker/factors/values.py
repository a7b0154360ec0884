"""Factor values made from the registry, and which of two values of one factor is kept."""

from __future__ import annotations

from typing import Any, Final

from tracker.api import FactorValue
from tracker.factors.registry import factor_named, unit_of

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
    if value is None:
        return
    known = factor_named(name)
    number = not isinstance(value, str)
    into[name] = FactorValue(
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
