"""Moist air: how much water the air holds, and what one vapour pressure means elsewhere.

Two formulas for the saturation vapour pressure over liquid water:

* ``"wmo"``: the Magnus form of the WMO guide to instruments and methods of observation
  (WMO-No. 8, Annex 4.B), stated for -45 to 60 °C.
* ``"hyland-wexler"``: Hyland and Wexler 1983 with the coefficients ASHRAE prints, 0 to 200 °C.
  Better above 60 °C, where the Magnus form runs high by 0.25 % (60 °C) to 3 % (110 °C).

The enhancement factor of moist air (about 1.004) is left out: it cancels in every ratio.
"""

from __future__ import annotations

import math
from typing import Literal

from tracker.errors import Refused

Formula = Literal["wmo", "hyland-wexler"]

KELVIN = 273.15
"""0 °C in kelvin."""

_MAGNUS_HPA, _MAGNUS_A, _MAGNUS_B = 6.112, 17.62, 243.12
_VAPOUR_J_KG_K = 461.5
_COLDEST_C, _HOTTEST_C = -80.0, 250.0
# Hyland-Wexler over liquid water, pressure in Pa, temperature in K, as printed by ASHRAE (from memory,
# held against the WMO form in the tests).
_HW = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)


def saturation_hpa(t_c: float, formula: Formula = "wmo") -> float:
    """Return the saturation vapour pressure over liquid water in hPa.

    Args:
        t_c: Air temperature in °C.
        formula: ``"wmo"`` is 6.112 exp(17.62 t / (243.12 + t)); ``"hyland-wexler"`` is better above 60 °C.

    Raises:
        Refused: ``t_c`` is below -80 °C or above 250 °C, or no number.
    """
    if not _COLDEST_C <= t_c <= _HOTTEST_C:
        raise Refused(
            f"air temperature {t_c:g} °C",
            why="outside -80 to 250 °C",
            do="Check the unit and the decimal point.",
        )
    if formula == "wmo":
        return _MAGNUS_HPA * math.exp(_MAGNUS_A * t_c / (_MAGNUS_B + t_c))
    t = t_c + KELVIN
    c8, c9, c10, c11, c12, c13 = _HW
    return math.exp(c8 / t + c9 + t * (c10 + t * (c11 + t * c12)) + c13 * math.log(t)) / 100.0


def vapour_hpa(rh_pct: float, t_c: float, formula: Formula = "wmo") -> float:
    """Return the vapour pressure in hPa of air at ``rh_pct`` % relative humidity and ``t_c`` °C.

    RH · es(T), the relative humidity being over liquid water at any temperature. More than 100 % is
    taken as it stands.

    Raises:
        Refused: The humidity is negative or no number, or the temperature is out of range.
    """
    # Written so that NaN is refused too: it fails every comparison.
    if not rh_pct >= 0.0:
        raise Refused(f"relative humidity {rh_pct:g} %", why="it cannot be negative")
    return rh_pct / 100.0 * saturation_hpa(t_c, formula)


def dew_point_c(rh_pct: float, t_c: float) -> float:
    """Return the dew point over water in °C by the WMO form: 243.12 γ / (17.62 - γ), γ = ln(e / 6.112 hPa).

    Raises:
        Refused: The humidity is not above zero (dry air has no dew point), or a temperature out of range.
    """
    if not rh_pct > 0.0:
        raise Refused(f"dew point at {rh_pct:g} %RH", why="air without water has none")
    gamma = math.log(vapour_hpa(rh_pct, t_c) / _MAGNUS_HPA)
    return _MAGNUS_B * gamma / (_MAGNUS_A - gamma)


def absolute_humidity_g_m3(rh_pct: float, t_c: float, formula: Formula = "wmo") -> float:
    """Return the water in the air in g/m³: e / (461.5 J/(kg K) · T), an ideal gas.

    Args:
        rh_pct: Relative humidity over liquid water, %.
        t_c: Air temperature, °C.
        formula: Which saturation pressure, see :func:`saturation_hpa`.

    Raises:
        Refused: The humidity is negative or no number, or the temperature is out of range.
    """
    return vapour_hpa(rh_pct, t_c, formula) * 100.0 / (_VAPOUR_J_KG_K * (t_c + KELVIN)) * 1000.0


def rh_elsewhere(rh_pct: float, t_from_c: float, t_to_c: float, formula: Formula = "wmo") -> float:
    """Return the relative humidity in % of the same vapour pressure at another temperature.

    Air of a room drawn into a vented dryer keeps its vapour pressure: RH · es(from) / es(to). Inside a
    dryer that is not vented this is a lower bound, since the drying filament adds its own water. The
    result exceeds 100 where the water would condense.

    Args:
        rh_pct: Relative humidity where the air comes from, %.
        t_from_c: Temperature there, °C.
        t_to_c: Temperature it is brought to, °C.
        formula: Which saturation pressure, see :func:`saturation_hpa`.

    Raises:
        Refused: The humidity is negative, or a temperature is out of range.
    """
    return vapour_hpa(rh_pct, t_from_c, formula) / saturation_hpa(t_to_c, formula) * 100.0


def rh_sealed_rigid(rh_pct: float, t_from_c: float, t_to_c: float, formula: Formula = "wmo") -> float:
    """Return the relative humidity in % of a sealed, rigid, empty box taken to another temperature.

    The density of the vapour stays, so its pressure rises with the absolute temperature.

    Args:
        rh_pct: Relative humidity when the box was closed, %.
        t_from_c: Temperature then, °C.
        t_to_c: Temperature it is brought to, °C.
        formula: Which saturation pressure, see :func:`saturation_hpa`.

    Raises:
        Refused: The humidity is negative, or a temperature is out of range.
    """
    warmer = (t_to_c + KELVIN) / (t_from_c + KELVIN)
    return rh_elsewhere(rh_pct, t_from_c, t_to_c, formula) * warmer
