"""Water in moist air, and its diffusion into and out of a round filament.

Two formulas for the saturation vapour pressure over liquid water:

* ``"wmo"``: the Magnus form of the WMO guide to instruments and methods of observation
  (WMO-No. 8, Annex 4.B), stated for -45 to 60 °C.
* ``"hyland-wexler"``: Hyland and Wexler 1983 with the coefficients ASHRAE prints, 0 to 200 °C.
  Better above 60 °C, where the Magnus form runs high by 0.25 % (60 °C) to 3 % (110 °C).

The enhancement factor of moist air (about 1.004) is left out: it cancels in every ratio.

A filament is a long cylinder of radius a, with diffusion coefficient D(T) and surface concentration Cs that
is constant in steps. In the dimensionless time τ = ∫ D dt / a² the problem does not depend on temperature any
more. Expanded in J0(αn r/a), with J0(αn) = 0, a uniform start c0 is the state y[n] = c0 and each step of
length Δτ is, without any error from its length,

    y[n] ← Cs + (y[n] - Cs) exp(-αn² Δτ),          mean = Σ wn y[n],   wn = 4/αn²,   Σ wn = 1.

200 modes are kept; what is left of the weight (0.002) is one more entry that follows the surface at once.
Dropping it would bias every wet step by 0.2 % of Cs, and would never show after a drying to zero.
See J. Crank, The Mathematics of Diffusion, 2nd ed., section 5.3.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal

from numpy.typing import NDArray

from tracker.errors import Refused
from tracker.lazy_modules import lazy, np

if TYPE_CHECKING:
    from scipy import special
else:
    special = lazy("scipy.special")


Formula = Literal["wmo", "hyland-wexler"]

KELVIN = 273.15
"""0 °C in kelvin."""

_MAGNUS_HPA, _MAGNUS_A, _MAGNUS_B = 6.112, 17.62, 243.12
_COLDEST_C, _HOTTEST_C = -80.0, 250.0
# Hyland-Wexler over liquid water, pressure in Pa, temperature in K, as printed by ASHRAE (from memory,
# compared with the WMO form in the tests).
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


Array = NDArray[np.float64]

MODES: Final = 200
"""Modes kept; enough for 4e-6 of the surface value after a step of τ = 1e-5 (seconds to a minute)."""

SEALED_RATE: Final = 14.681970642123893
"""Decay rate in τ of an uneven profile between sealed walls: the square of the first zero of J1."""

# The first zeros of J0; McMahon's expansion is good to 1e-13 from the eleventh on.
_FIRST_ZEROS = (
    2.404825557695773,
    5.520078110286311,
    8.653727912911013,
    11.791534439014281,
    14.930917708487787,
    18.071063967910924,
    21.21163662987926,
    24.352471530749302,
    27.493479132040253,
    30.634606468431976,
)


def bessel_zeros(count: int) -> Array:
    """Return the first ``count`` zeros of J0, shape (count,).

    The first ten are tabulated, the rest follow McMahon's expansion (Abramowitz and Stegun 9.5.12).
    """
    # SciPy knows them too, but importing it costs more than everything else a first answer needs.
    b8 = 8.0 * (np.arange(1, count + 1) - 0.25) * math.pi
    series = 1 / b8 - 124 / (3 * b8**3) + 120928 / (15 * b8**5) - 401743168 / (105 * b8**7)
    zeros: Array = b8 / 8.0 + series + 1071187749376 / (315 * b8**9)
    known = min(count, len(_FIRST_ZEROS))
    zeros[:known] = _FIRST_ZEROS[:known]
    return zeros


ZEROS: Final[Array] = bessel_zeros(MODES)
"""The zeros αn of J0 in use, shape (200,)."""

RATES: Final[Array] = ZEROS**2
"""Decay rates αn² of the modes per unit τ, shape (200,)."""

WEIGHTS: Final[Array] = np.append(4.0 / RATES, 1.0 - float(np.sum(4.0 / RATES)))
"""Weights of the modes in the mean, the last one for the tail that follows the surface; shape (201,)."""


def uniform(pct: float) -> Array:
    """Return the state of a strand that holds ``pct`` throughout, shape (201,)."""
    return np.full(MODES + 1, pct)


def exposed(state: Array, surface_pct: float, tau: float) -> Array:
    """Return the state after the surface was held at ``surface_pct`` for ``tau`` = D t / a².

    Args:
        state: Shape (201,), as given by :func:`uniform` or an earlier step.
        surface_pct: Concentration at the surface, in the unit of the state.
        tau: Dimensionless length of the step, not negative.
    """
    if tau <= 0.0:
        return state.copy()
    # The tail's modes decay within seconds: they are at the surface value by the end of any step.
    kept = np.append(np.exp(-RATES * tau), 0.0)
    return np.asarray(surface_pct + (state - surface_pct) * kept)


def sealed(state: Array, tau: float) -> Array:
    """Return the state after a time between sealed walls: the mean stays, the profile evens out.

    The slowest decay of the exact solution is used for every mode; 1 % is left at τ = 0.31. The exact
    profile evens out somewhat sooner near the surface: just after a short time in a bag, what the next
    step takes out is too low by up to an eighth; beyond τ = 0.3 by less than 0.3 %.

    Args:
        state: Shape (201,), as given by :func:`uniform` or an earlier step.
        tau: Dimensionless length of the time, D t / a².
    """
    mean = mean_pct(state)
    return np.asarray(mean + (state - mean) * math.exp(-SEALED_RATE * tau))


def mean_pct(state: Array) -> float:
    """Return the mean concentration over the cross-section of a state of shape (201,), in its unit."""
    return float(WEIGHTS @ state)


def profile(state: Array, radii: Array) -> Array:
    """Return the concentration at ``radii`` (r/a, 0 to below 1; shape (m,)), shape (m,).

    c(r) = Cs + Σ 2 (yn - Cs) J0(αn r/a) / (αn J1(αn)), with Cs the value the tail follows.
    """
    surface = state[-1]
    shape = 2.0 * special.j0(np.outer(radii, ZEROS)) / (ZEROS * special.j1(ZEROS))
    return np.asarray(surface + shape @ (state[:-1] - surface))


def short_time_uptake(tau: float) -> float:
    """Return the fractional uptake for small ``tau`` by the series in √τ, good to 1e-11 below τ = 1e-4.

    Derived from the Laplace image 2 I1(√s) / (s^(3/2) I0(√s)); its first three terms are Crank's 5.25.
    """
    root = math.sqrt(tau)
    rpi = math.sqrt(math.pi)
    return 4 / rpi * root - tau - tau * root / (3 * rpi) - tau**2 / 8 - 5 / (24 * rpi) * tau**2 * root


def uptake(tau: float) -> float:
    """Return Mt/M∞ of a strand that starts even and keeps one surface value: 1 - Σ 4/αn² exp(-αn² τ).

    Raises:
        Refused: ``tau`` is negative or no number.
    """
    if not tau >= 0.0:
        raise Refused(f"dimensionless time {tau:g}", why="a step cannot have a negative length")
    # Where 200 modes no longer reach, the series in √τ is already exact to rounding.
    if tau < 1e-4:  # noqa: PLR2004
        return short_time_uptake(tau)
    return 1.0 - float(WEIGHTS[:-1] @ np.exp(-RATES * tau))
