"""How numbers are written: units as people write them; results with U, coverage factor and probability.

U = k·u with k = t_p(ν), p = 95 % (JCGM 100:2008, 6.2 and G.3; ν truncated to the next lower whole number,
G.4.1 NOTE 1). U has at most two significant digits and the value ends at the same place (7.2.6). Loads no
numerical library: reading commands state results too.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from functools import partial
from typing import Any, Final

from tracker.coverage import LEVEL, coverage_factor

_SHOWN: Final = {"degC": "°C", "degree": "°", "mm^2": "mm²", "mm^3": "mm³", "g/cm^3": "g/cm³",
                 "kJ/m^2": "kJ/m²", "N*m": "N·m", "1": "", "percent": "%"}  # fmt: skip
_DIGITS = 2
_PLAIN_DIGITS = 5
# Enough for any two doubles; the usual 28 digits refuse a large value with a tiny U.
_DECIMALS = Context(prec=700)


def shown(unit: str) -> str:
    """Return a unit as people write it: ``mm²`` for ``mm^2``."""
    return _SHOWN.get(unit, unit)


@dataclass(frozen=True)
class Stated:
    """A result as a laboratory states it; numbers in ``unit``, not rounded.

    Attributes:
        value: None where there is none.
        unit: Of value, ``u``, ``low`` and ``high``.
        u: Standard uncertainty, or None where nothing is known of it.
        dof: Effective degrees of freedom of ``u``; None for infinite.
        k: Coverage factor; None without ``u``, or where the interval was drawn.
        low: Lower end of the 95 % interval, or None without ``u``.
        high: Upper end.
        relation: ``=``, or ``>`` / ``<`` where the value is a limit that the truth lies above / below.
        drawn: Whether the interval is by Monte Carlo (JCGM 101) and need not lie evenly about the value.
    """

    value: float | None
    unit: str = ""
    u: float | None = None
    dof: float | None = None
    k: float | None = None
    low: float | None = None
    high: float | None = None
    relation: str = "="
    drawn: bool = False

    @property
    def expanded(self) -> float | None:
        """U = k·u, or None where nothing is known of u or the interval is not even."""
        return None if self.k is None or self.u is None else self.k * self.u

    @property
    def how(self) -> str:
        """``U, k = 2.0, 95 %``: what the number after ± is; empty where nothing is known of it."""
        if self.drawn:
            return "95 % interval, Monte Carlo"
        return "" if self.k is None else f"U, k = {self.k:.1f}, 95 %"

    @property
    def short(self) -> str:
        """``48.3 ± 1.3 MPa``, for places that say once what ± means; ``no value`` for none."""
        if self.value is None:
            return "no value"
        return f"{self.number} {shown(self.unit)}".rstrip()

    @property
    def number(self) -> str:
        """The same without the unit: ``48.3 ± 1.3``."""
        if self.value is None:
            return "no value"
        mark = "" if self.relation == "=" else f"{self.relation} "
        if self.drawn and self.low is not None and self.high is not None:
            # One place for all three: that of the half-width.
            place = _place((self.high - self.low) / 2)
            return f"{mark}{_to(self.value, place)} ({_to(self.low, place)} to {_to(self.high, place)})"
        if not self.expanded:
            return f"{mark}{plain(self.value)}"
        place = _place(self.expanded)
        return f"{mark}{_to(self.value, place)} ± {_to(self.expanded, place)}"

    @property
    def text(self) -> str:
        """``48.3 ± 1.3 MPa (U, k = 2.0, 95 %)``: the whole statement on one line."""
        return f"{self.short} ({self.how})" if self.how and self.value is not None else self.short

    def data(self) -> dict[str, Any]:
        """Return the statement for machines: not rounded, with u, ν, U, k and the coverage probability."""
        return {
            "value": self.value, "unit": self.unit, "uncertainty": self.u, "dof": self.dof,
            "expanded_uncertainty": self.expanded, "k": self.k,
            "coverage": LEVEL if self.u is not None or self.drawn else None,
            "low": self.low, "high": self.high, "relation": self.relation, "stated": self.text,
        }  # fmt: skip


def state(
    value: float | None,
    u: float | None = None,
    unit: str = "",
    *,
    dof: float | None = None,
    relation: str = "=",
    low: float | None = None,
    high: float | None = None,
) -> Stated:
    """State a result.

    Args:
        value: In ``unit``; None for none.
        u: Standard uncertainty; None or 0 where nothing is known of it.
        unit: As the quantity declares it; shown as people write it.
        dof: Effective degrees of freedom of ``u``; None or infinite for a normal distribution.
        relation: ``=``, ``>`` or ``<``.
        low: Lower end of an interval found by Monte Carlo; with ``high`` it is stated in place of ± U.
        high: Its upper end.

    >>> state(48.312, 0.654, "MPa", dof=9).text
    '48.3 ± 1.5 MPa (U, k = 2.3, 95 %)'
    >>> state(2265.2, 11.0, "MPa").text
    '2265 ± 22 MPa (U, k = 2.0, 95 %)'
    """
    if value is None or not u or not math.isfinite(u):
        return Stated(value, unit, relation=relation)
    if low is not None and high is not None:
        return Stated(value, unit, u, dof, None, low, high, relation, drawn=True)
    dof = None if dof is None or not math.isfinite(dof) else dof
    k = coverage_factor(dof)
    return Stated(value, unit, u, dof, k, value - k * u, value + k * u, relation)


def state_row(row: Any) -> Stated:
    """State a stored or computed result: anything with its columns as attributes or keys.

    ``dof``, ``low`` and ``high`` may be absent; then nothing is known of them.
    """
    of: Callable[..., Any] = row.get if hasattr(row, "get") else partial(getattr, row)
    # A statement read back (as ``data`` gives it) holds the ends of an even interval too, and its k.
    drawn = of("k", None) is None
    return state(
        of("value", None),
        of("uncertainty", None),
        of("unit", ""),
        dof=of("dof", None),
        relation=of("relation", "="),
        low=of("low", None) if drawn else None,
        high=of("high", None) if drawn else None,
    )


def plain(value: float) -> str:
    """Return a number of which nothing more is known, to five significant digits."""
    return f"{value:.{_PLAIN_DIGITS}g}"


def rounded(value: float, half_width: float | None) -> float:
    """Return a value without the digits that U (or another half-width, in its unit) makes meaningless."""
    return float(_to(value, _place(half_width))) if half_width else value


def _place(half_width: float) -> int:
    """Return the power of ten of the last digit that a half-width of two significant digits shows."""
    # Rounded first: 0.996 becomes 1.0 and its second digit is the tenth, not the hundredth.
    return math.floor(math.log10(float(f"{abs(half_width):.{_DIGITS - 1}e}"))) - (_DIGITS - 1)


def _to(value: float, place: int) -> str:
    # As decimals, so that 2113 at U = 870 becomes 2110 and no binary half decides.
    last = Decimal(1).scaleb(place)
    made = Decimal(repr(value)).quantize(last, rounding=ROUND_HALF_EVEN, context=_DECIMALS)
    text = f"{made:f}"
    return text.removeprefix("-") if float(made) == 0 else text


def reading_text(value: Any, unit: str) -> str:
    """Return a reading as taken with its unit; the entries of a series are separated by semicolons."""
    if isinstance(value, list):
        text = "; ".join(":".join(map(str, part)) if isinstance(part, list) else str(part) for part in value)
    else:
        text = f"{value:.8g}" if isinstance(value, float) else str(value)
    unit = ":".join(map(shown, unit.split(":")))
    return f"{text} {unit}".rstrip()


def compact(value: float | None, unit: str = "", missing: str = "not recorded") -> str:
    """Return a number with at most six digits and its unit, or the word for a missing one."""
    if value is None:
        return missing
    return f"{value:.6g} {shown(unit)}".rstrip()
