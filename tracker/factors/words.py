"""Factors in words and as JSON."""

from __future__ import annotations

from typing import Any, Final

from tracker.api import FactorValue
from tracker.units import compact, shown

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
