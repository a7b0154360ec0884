"""Arithmetic of loaded pieces: section, modulus, proof stress, yield and break, heating, creep, families.

Strains are pure numbers, stresses MPa, arrays of shape (n,) in the order they were recorded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from tracker.api.method import Piece
from tracker.api.uncertainty import Source, nominal
from tracker.lazy_modules import np, uncertainties

# ISO 527-1 and ISO 178 (clauses from memory): chord between 0.05 % and 0.25 % strain.
CHORD = (0.0005, 0.0025)
ENOUGH_POINTS = 5
_STRAIGHT = 0.02


@dataclass(frozen=True)
class Slope:
    """A straight line through part of a curve.

    Attributes:
        modulus: Slope in MPa.
        points: Readings inside the interval.
        foot: Strain at which the line meets zero stress.
        u: Standard uncertainty of a fitted slope from its residuals, MPa; 0 for a chord.
    """

    modulus: float
    points: int
    foot: float
    u: float = 0.0


def rising(strain: Any, stress: Any) -> tuple[Any, Any]:
    """Return the part of a curve up to its greatest stress, with strictly rising strain.

    Interpolating needs one stress for each strain; a reading whose strain is not beyond all earlier
    ones (noise, a pause) is left out.

    Args:
        strain: Pure numbers, shape (n,), in the order recorded.
        stress: In MPa, shape (n,).

    Returns:
        Strain and stress of what is kept, shape (m,), m ≤ n.
    """
    top = int(np.argmax(stress)) + 1
    strain, stress = np.asarray(strain)[:top], np.asarray(stress)[:top]
    # Everything seen before each reading; the first has nothing before it.
    before = np.maximum.accumulate(np.concatenate(([-np.inf], strain[:-1])))
    kept = strain > before
    return strain[kept], stress[kept]


def chord_modulus(strain: Any, stress: Any, interval: tuple[float, float] = CHORD) -> Slope:
    """Return E = (σ₂ − σ₁) / (ε₂ − ε₁) in MPa, stresses interpolated linearly between readings.

    Args:
        strain: Pure numbers, shape (n,), in the order recorded.
        stress: In MPa, shape (n,).
        interval: The two strains of the chord.

    Raises:
        ValueError: The curve does not reach over the interval.
    """
    strain, stress = rising(strain, stress)
    _covers(strain, interval)
    first, second = np.interp(interval, strain, stress)
    modulus = float((second - first) / (interval[1] - interval[0]))
    return Slope(modulus, _inside(strain, interval), _foot(interval[0], float(first), modulus))


def fitted_modulus(strain: Any, stress: Any, interval: tuple[float, float] = CHORD) -> Slope:
    """Return the least-squares slope, in MPa, of the readings inside the strain interval.

    Args:
        strain: Pure numbers, shape (n,), in the order recorded.
        stress: In MPa, shape (n,).
        interval: Least and greatest strain that count.

    Raises:
        ValueError: Fewer than three readings lie inside it, or the curve does not reach over it.
    """
    strain, stress = rising(strain, stress)
    _covers(strain, interval)
    # The ends belong to the interval; a step of rounding must not decide whether they count.
    room = 1e-9 * interval[1]
    inside = (strain >= interval[0] - room) & (strain <= interval[1] + room)
    x, y = strain[inside], stress[inside]
    if len(x) < 3:  # noqa: PLR2004 - two points fit any line
        raise ValueError(f"only {len(x)} readings lie between {_percent(interval)}")
    # Centred first: sums of large squares would cancel the digits that matter.
    dx, dy = x - x.mean(), y - y.mean()
    spread = float(dx @ dx)
    modulus = float(dx @ dy) / spread
    rest = dy - modulus * dx
    u = float(np.sqrt((rest @ rest) / (len(x) - 2) / spread))
    return Slope(modulus, len(x), _foot(float(x.mean()), float(y.mean()), modulus), u)


def slope_of(strain: Any, stress: Any, rule: str) -> Slope | str:
    """Return the straight part by a named rule, or why there is none."""
    try:
        return chord_modulus(strain, stress) if rule == "chord" else fitted_modulus(strain, stress)
    except ValueError as error:
        return str(error)


def straight_part(strain: Any, stress: Any) -> tuple[int, int] | None:
    """Return first and last index of the straight part of a rising curve, found by its curvature.

    Toe compensation of ISO 527-1 and ASTM D638 (annex) lays a line through the linear region, wherever a
    toe has moved it to. Windows of a tenth of the greatest stress are slid up the curve to three fifths of
    it; the steepest is where a toe has ended and yielding not begun. It is widened to both sides while its
    slope stays within 2 % of the steepest.

    Args:
        strain: Pure numbers, shape (n,), strictly rising (see :func:`rising`).
        stress: In MPa, shape (n,).

    Returns:
        Indices into the arrays; None where fewer than five readings are there.
    """
    top = float(stress.max()) if len(stress) else 0.0
    levels = np.linspace(0.0, 0.6, 25) * top
    windows = []
    for low in levels:
        inside = np.flatnonzero((stress >= low) & (stress <= low + 0.1 * top))
        # Neighbours in the order recorded; noise may bring a later reading back into the window.
        if len(inside) >= 5 and np.ptp(strain[inside]) > 0:  # noqa: PLR2004 - a slope and its scatter
            windows.append((_slope(strain[inside], stress[inside])[0], int(inside[0]), int(inside[-1])))
    if not windows:
        return None
    steepest, first, last = max(windows)
    step = max(1, (last - first) // 10)

    def fits(low: int, high: int, new: slice) -> bool:
        whole, _ = _slope(strain[low : high + 1], stress[low : high + 1])
        part, start = _slope(strain[new], stress[new])
        rest = stress[new] - part * strain[new] - start
        width = np.sqrt(len(rest)) * float(np.std(strain[new]))
        noise = np.sqrt(rest @ rest / max(1, len(rest) - 2)) / width
        # What is added must run along as well: a corner would hardly bend the whole.
        added = abs(part - steepest) <= 2.5 * _STRAIGHT * steepest + 3 * noise
        return bool(added and abs(whole / steepest - 1) <= _STRAIGHT)

    while last + step < len(stress) and fits(first, last + step, slice(last, last + step + 1)):
        last += step
    while first >= step and fits(first - step, last, slice(first - step, first + 1)):
        first -= step
    return first, last


def _slope(x: Any, y: Any) -> tuple[float, float]:
    dx = x - x.mean()
    slope = float(dx @ (y - y.mean()) / (dx @ dx))
    return slope, float(y.mean() - slope * x.mean())


def from_foot(strain: Any, stress: Any, rule: str) -> tuple[Any, Slope | str]:
    """Return strain counted from the foot of the straight part, the interval moved along with it.

    Args:
        strain: Pure numbers, shape (n,), in the order recorded.
        stress: In MPa, shape (n,).
        rule: ``"chord"``, or any other word for the least-squares slope.
    """
    along, up = rising(strain, stress)
    part = straight_part(along, up)
    if part is None:
        return _foot_in_turn(strain, stress, rule)
    first, last = part
    modulus, start = _slope(along[first : last + 1], up[first : last + 1])
    foot = -start / modulus if modulus else 0.0
    # Before the straight part lies the toe: there the line stands for the curve.
    straight = np.where(along < along[first], modulus * along + start, up)
    slope: Slope | str = ""
    for _ in range(20):
        kept = along >= foot
        slope = slope_of(along[kept] - foot, straight[kept], rule)
        # The foot is that of the line of the modulus, whose interval moves along with it.
        if not isinstance(slope, Slope) or abs(slope.foot) < 1e-9:  # noqa: PLR2004 - no strain gauge sees that
            break
        foot += slope.foot
    if isinstance(slope, Slope):
        # Rows on the line itself have no scatter about it: that of the straight part stands for them.
        x, y = along[first : last + 1], up[first : last + 1]
        rest = y - modulus * x - start
        u = float(np.sqrt(rest @ rest / max(1, len(x) - 2) / ((x - x.mean()) @ (x - x.mean()))))
        slope = replace(slope, u=max(slope.u, u))
    return strain - foot, slope


def _foot_in_turn(strain: Any, stress: Any, rule: str) -> tuple[Any, Slope | str]:
    """Find foot and interval in turn until the foot stays, where too few readings show a straight part."""
    slope = slope_of(strain, stress, rule)
    for _ in range(20):
        if not isinstance(slope, Slope) or abs(slope.foot) < 1e-9:  # noqa: PLR2004 - no strain gauge sees that
            break
        strain = strain - slope.foot
        slope = slope_of(strain, stress, rule)
    return strain, slope


def proof_stress(strain: Any, stress: Any, slope: Slope, offset: float = 0.002) -> float | None:
    """Return the stress, in MPa, at which the curve leaves the line of the modulus by ``offset`` of strain.

    The line σ = E·(ε − foot − offset) is followed until the curve passes below it; between the two
    readings around that point the curve is straight. None if it never does before its maximum.

    Args:
        strain: Pure numbers, shape (n,), in the order recorded.
        stress: In MPa, shape (n,).
        slope: The straight part; its foot counts in the same strain.
        offset: A strain, as a pure number (0.002 is 0.2 %).
    """
    strain, stress = rising(strain, stress)
    # Positive while the curve lies above the offset line, that is to its left.
    gap = stress - slope.modulus * (strain - slope.foot - offset)
    beyond = (gap <= 0).nonzero()[0]
    if not len(beyond) or beyond[0] == 0:
        return None
    i = int(beyond[0])
    part = float(gap[i - 1] / (gap[i - 1] - gap[i]))
    return float(stress[i - 1] + part * (stress[i] - stress[i - 1]))


def break_index(force: Any, left: float = 0.2) -> int:
    """Return the last reading before the force first fell below ``left`` of its maximum, after it.

    Args:
        force: In newtons, shape (n,), in time order.
        left: Part of the maximum, 0 to 1.
    """
    top = int(np.argmax(force))
    # After the maximum only: a slow start may also lie below the fraction.
    fallen = (force[top:] < left * force[top]).nonzero()[0]
    return top + int(fallen[0]) - 1 if len(fallen) else len(force) - 1


def yield_index(travel: Any, force: Any, fall: float = 0.01, beyond: float = 0.02) -> int | None:
    """Return the first maximum after which the piece went on stretching under less force.

    It counts as one where the force falls by ``fall`` of the greatest force while the travel grows by
    at least ``beyond`` of the travel up to it, over three readings or more, before the break.

    Args:
        travel: Extension, deflection or strain, any unit, shape (n,), in time order.
        force: Any unit, shape (n,).
        fall: Part of the greatest force, 0 to 1.
        beyond: Part of the travel from the first reading to the maximum.
    """
    # What happens after the break is the rig springing back, not the piece stretching.
    end = break_index(force)
    force, travel = np.asarray(force)[: end + 1], np.asarray(travel)[: end + 1]
    highest = np.maximum.accumulate(force)
    fallen = (highest - force > fall * highest[-1]).nonzero()[0]
    if not len(fallen):
        return None
    # The first maximum, not the greatest: hardening may lift the force above it later.
    top = int(np.argmax(force[: fallen[0] + 1]))
    stretched = travel[end] - travel[top]
    return top if end - top >= 3 and stretched >= beyond * (travel[top] - travel[0]) else None  # noqa: PLR2004


def _covers(strain: Any, interval: tuple[float, float]) -> None:
    if not len(strain) or strain[0] > interval[0] or strain[-1] < interval[1]:
        reach = f"{100 * strain[0]:.3g} to {100 * strain[-1]:.3g} %" if len(strain) else "nothing"
        raise ValueError(f"the curve covers {reach} of strain and not all of {_percent(interval)}")


def _percent(interval: tuple[float, float]) -> str:
    return f"{100 * interval[0]:g} and {100 * interval[1]:g} %"


def _inside(strain: Any, interval: tuple[float, float]) -> int:
    room = 1e-9 * interval[1]
    return int(((strain >= interval[0] - room) & (strain <= interval[1] + room)).sum())


def _foot(strain: float, stress: float, modulus: float) -> float:
    return strain - stress / modulus if modulus else strain


# Conventional value, 3rd CGPM 1901; local values differ from it by up to 0.3 %.
STANDARD_GRAVITY = 9.80665


def straight_line(pairs: Sequence[tuple[Any, Any]]) -> tuple[Any, Any]:
    """Return slope and intercept of y = slope·x + intercept by least squares.

    The coefficients are linear in y, so y (and x) may carry their uncertainty. From three readings on the
    scatter about the line is known too: where it says more than the roundings of the readings do, what is
    missing is added, with n − 2 degrees of freedom.

    Args:
        pairs: (x, y); at least two different x.

    Raises:
        ValueError: All x are the same.
    """
    middle = sum(x for x, _ in pairs) / len(pairs)
    spread = sum((x - middle) ** 2 for x, _ in pairs)
    if spread == 0:
        raise ValueError("a line needs two readings apart")
    # Plain sums and no library: they carry uncertainty from reading to slope, which an array routine would
    # drop.
    slope = sum((x - middle) * y for x, y in pairs) / spread
    height = sum(y for _, y in pairs) / len(pairs)
    if len(pairs) > 2:  # noqa: PLR2004 - two readings lie on any line
        plain = [(nominal(x) - nominal(middle), nominal(y) - nominal(height)) for x, y in pairs]
        squares = math.fsum((y - nominal(slope) * x) ** 2 for x, y in plain)
        scatter = math.sqrt(squares / (len(pairs) - 2))
        slope = _with_scatter(slope, scatter / math.sqrt(nominal(spread)), len(pairs) - 2)
        height = _with_scatter(height, scatter / math.sqrt(len(pairs)), len(pairs) - 2)
    return slope, height - slope * middle


_NOTHING: Final = 1e-9


def _with_scatter(value: Any, u: float, dof: int) -> Any:
    """Return a coefficient with what its scatter says beyond the roundings that it carries already."""
    parts = value.error_components().items() if hasattr(value, "error_components") else ()
    rounded = math.fsum(part**2 for source, part in parts if str(source.tag or "").endswith(": resolution"))
    beyond = math.sqrt(max(0.0, u * u - rounded))
    if beyond <= _NOTHING * abs(nominal(value)):
        return value
    return value + uncertainties.ufloat(0.0, beyond, tag=Source("scatter about the line", dof))


_APART = 0.05


def section_area(readings: Any) -> Any | None:
    """Return the area in mm²: as read, else width × thickness, else π d²/4; None if nothing was read.

    An area that was given carries the standard uncertainty ``area_u`` that was given with it.
    """
    area = getattr(readings, "area", None)
    # Somebody who gives an area knows of a section that is no rectangle.
    if area is not None:
        u = getattr(readings, "area_u", None)
        return area + uncertainties.ufloat(0.0, u, tag="area: as given") if u else area
    width, thickness = getattr(readings, "width", None), getattr(readings, "thickness", None)
    if width is not None and thickness is not None:
        return width * thickness
    diameter = getattr(readings, "diameter", None)
    return None if diameter is None else math.pi * diameter**2 / 4


def section_remarks(readings: Any, piece: Piece) -> tuple[str, ...]:
    """Return a remark for each dimension that differs from the geometry template by more than 5 %."""
    remarks = []
    for name, meant in piece.nominal_mm.items():
        read = getattr(readings, name, None)
        if (
            isinstance(meant, int | float)
            and meant > 0
            and hasattr(read, "__float__") | hasattr(read, "nominal_value")
        ):
            apart = nominal(read) / meant - 1
            # A slip of the caliper (40 for 4.0) or the wrong piece under the label: told beside the result,
            # and not corrected.
            if abs(apart) > _APART:
                remarks.append(
                    f"{name} {nominal(read):g} mm differs by {100 * apart:+.1f} % from the {meant:g} mm "
                    f"of {piece.geometry or 'its template'}."
                )
    return tuple(remarks)


_BASELINE = 0.25
LEAST_BASELINE = 6


def crossing(celsius: Any, mm: Any, target: float, run: int = 2) -> int | None:
    """Return the index of the first reading at or beyond a deflection that stays beyond it.

    Args:
        celsius: Temperatures in °C, shape (n,).
        mm: Deflections in mm, shape (n,).
        target: Deflection sought in mm.
        run: Readings in a row that must lie beyond it (fewer only at the end of the log).
    """
    beyond = mm >= target
    for i in range(len(celsius)):
        # Fewer readings at the end of the log count: the oven was switched off because the piece gave.
        if bool(beyond[i : i + run].all()):
            return i
    return None


def between(celsius: Any, mm: Any, index: int, target: Any) -> Any:
    """Return the temperature (°C) at a deflection in mm, straight between a reading and the one before it.

    Args:
        celsius: Temperatures in °C, shape (n,).
        mm: Deflections in mm, shape (n,).
        index: The later of the two readings; 0 gives the first temperature as it stands.
        target: Deflection sought in mm.
    """
    if index == 0:
        return celsius[0]
    rise = mm[index] - mm[index - 1]
    if rise == 0:
        return celsius[index]
    return celsius[index - 1] + (target - mm[index - 1]) / rise * (celsius[index] - celsius[index - 1])


def baseline(celsius: Any, mm: Any) -> tuple[float, float, float] | None:
    """Return slope (mm/K), intercept and scatter (sd), both in mm, of the line through the coolest quarter.

    None where fewer than six readings lie in it.

    Args:
        celsius: Temperatures in °C, shape (n,), in time order.
        mm: Deflections in mm, shape (n,).
    """
    reach = celsius[0] + _BASELINE * (celsius.max() - celsius[0])
    # Up to the first reading beyond, in time: an oven that cools again does not come back in.
    inside = np.arange(len(celsius)) < int(np.argmax(celsius > reach))
    if inside.sum() < LEAST_BASELINE or np.ptp(celsius[inside]) == 0:
        return None
    slope, start = np.polyfit(celsius[inside], mm[inside], 1)
    off = mm[inside] - (slope * celsius[inside] + start)
    return float(slope), float(start), float(np.sqrt((off @ off) / (inside.sum() - 2)))


# Farther than one decade of time beyond the readings nothing is said.
DECADE = 10.0
_LEAST_POINTS = 5
_LEAST_DECADES = 2.0
_BOUNDS = (0.01, 1.5)
_ROUNDING = ": resolution"


@dataclass(frozen=True)
class Findley:
    """ε = ε₀ + A·tⁿ, t in hours, strains as pure numbers.

    Attributes:
        e0: ε₀, with its uncertainty.
        a: A, with its uncertainty (correlated with ε₀ and n).
        n: Exponent, the same.
        correlations: e0–A, e0–n, A–n, from the scatter about the law.
        points: Readings used.
        first: Earliest of them, h.
        last: Latest, h.
        residual: Standard deviation about the law, a strain.
    """

    e0: Any
    a: Any
    n: Any
    correlations: tuple[float, float, float]
    points: int
    first: float
    last: float
    residual: float

    def strain(self, hours: float) -> Any:
        """Return the strain at a time, with its uncertainty."""
        return self.e0 + self.a * hours**self.n

    def plain(self, hours: float) -> float:
        """Return the strain at a time as a plain number."""
        return nominal(self.e0) + nominal(self.a) * float(hours ** nominal(self.n))


@dataclass(frozen=True)
class LeastSquares:
    """The bare fit.

    Attributes:
        constants: ε₀, A, n (ε₀ = 0 where the law begins at nothing).
        covariance: Of the constants fitted, s²(JᵀJ)⁻¹.
        residual: Standard deviation about the law.
        jacobian: Derivatives by the constants fitted, shape (k, 3 or 2).
    """

    constants: tuple[float, float, float]
    covariance: Any
    residual: float
    jacobian: Any


def least_squares(
    hours: Any, strain: Any, *, offset: bool = True, exponents: tuple[float, float] = _BOUNDS
) -> LeastSquares:
    """Fit ε = ε₀ + A·tⁿ by least squares.

    For a given n the law is a straight line in tⁿ, so n alone is searched for: no start values, no
    local minimum in ε₀ and A. Gauss–Newton steps then give the last digits.

    Args:
        hours: Shape (k,), positive, k ≥ 4.
        strain: Shape (k,).
        offset: Whether there is an ε₀; False fits the bare power law.
        exponents: Where n is searched.

    Raises:
        ValueError: The best n lies at the edge of what was searched.
    """
    t, e = np.asarray(hours, dtype=float), np.asarray(strain, dtype=float)

    def rest(n: float) -> float:
        start, slope = _line(t**n, e, offset)
        return float(((e - start - slope * t**n) ** 2).sum())

    # Three rounds narrow n to a ten-thousandth, from where Gauss–Newton does not go astray.
    low, high = exponents
    for _ in range(3):
        grid = np.linspace(low, high, 60)
        best = int(np.argmin([rest(float(n)) for n in grid]))
        # A minimum at the edge is none: the law would be fitted to something else.
        if best in {0, len(grid) - 1}:
            raise ValueError(
                f"no exponent between {exponents[0]:g} and {exponents[1]:g} fits: "
                "the curve does not bend as the law does"
            )
        low, high = float(grid[best - 1]), float(grid[best + 1])
    return _polished(t, e, float(grid[best]), offset)


def _polished(t: Any, e: Any, n: float, offset: bool) -> LeastSquares:
    """Take Gauss–Newton steps until the constants stay, and give the covariance there."""
    constants = np.array([*_line(t**n, e, offset), n])
    for _ in range(20):
        jacobian, off = _linearised(t, e, constants, offset)
        step = np.linalg.lstsq(jacobian, off, rcond=None)[0]
        constants[3 - len(step) :] += step
        if (np.abs(step) <= 1e-14 * np.abs(constants[3 - len(step) :])).all():
            break
    jacobian, off = _linearised(t, e, constants, offset)
    residual = math.sqrt(float(off @ off) / (len(t) - jacobian.shape[1]))
    covariance = residual**2 * np.linalg.pinv(jacobian.T @ jacobian)
    e0, a, n = (float(constant) for constant in constants)
    return LeastSquares((e0, a, n), covariance, residual, jacobian)


def _linearised(t: Any, e: Any, constants: Any, offset: bool) -> tuple[Any, Any]:
    """Return the derivatives by the constants, and how far the law is off."""
    power = t ** constants[2]
    columns = [np.ones_like(t), power, constants[1] * power * np.log(t)]
    return np.column_stack(columns if offset else columns[1:]), e - constants[0] - constants[1] * power


def _line(x: Any, y: Any, offset: bool) -> tuple[float, float]:
    """Return start and slope of y against x; start 0 without an offset."""
    if not offset:
        return 0.0, float((x @ y) / (x @ x))
    dx = x - x.mean()
    slope = float(dx @ (y - y.mean()) / (dx @ dx))
    return float(y.mean() - slope * x.mean()), slope


def findley_fit(strains: list[tuple[float, Any]]) -> Findley | str:
    """Return Findley's law for (hours, strain), or why it does not show in these readings.

    The scatter about the law (at least the rounding of the readings) goes into the constants through
    the covariance; what all strains share (calibration, reference length) goes through the
    linearised fit.

    Args:
        strains: Hours under load, positive, and strain as a pure number, which may carry an uncertainty.
    """
    times = sorted({t for t, _ in strains})
    if len(times) < _LEAST_POINTS:
        return (
            f"Findley's law wants {_LEAST_POINTS} readings or more at different times; there are {len(times)}"
        )
    decades = math.log10(times[-1] / times[0])
    if decades < _LEAST_DECADES:
        return f"the readings span {decades:.1f} decades of time; below two, e0, A and n cannot be told apart"
    try:
        found = least_squares([t for t, _ in strains], [nominal(e) for _, e in strains])
    except ValueError as error:
        return str(error)
    return _carried(strains, found)


def _carried(strains: list[tuple[float, Any]], found: LeastSquares) -> Findley | str:
    e0, a, n = found.constants
    # A run that happens to lie on the curve is still rounded.
    scatter = max(found.residual, _rounding(strains), 1e-12)
    covariance = scatter**2 * np.linalg.pinv(found.jacobian.T @ found.jacobian)
    sd = np.sqrt(np.diag(covariance))
    if a <= 0:
        return "strain does not grow with time: there is no creep to fit"
    # Then n is known to less than a factor of two, and any extrapolation is a guess.
    if sd[2] > n / 2 or sd[1] > a:
        shown = f"n = {n:.3f} ± {sd[2]:.3f}, A = {100 * a:.3g} ± {100 * sd[1]:.3g} %"
        return f"the constants are hidden by scatter: {shown}"
    # Correlated, so that a strain from the law is as sure as the readings around it.
    around = uncertainties.correlated_values(
        [e0, a, n], covariance, tags=["series: scatter about the law"] * 3
    )
    shared = _shared(strains, found.jacobian)
    times = [t for t, _ in strains]
    matrix = covariance / np.outer(sd, sd)
    return Findley(
        e0=around[0] + shared[0],
        a=around[1] + shared[1],
        n=around[2] + shared[2],
        correlations=(float(matrix[0, 1]), float(matrix[0, 2]), float(matrix[1, 2])),
        points=len(times),
        first=min(times),
        last=max(times),
        residual=found.residual,
    )


def _rounding(strains: list[tuple[float, Any]]) -> float:
    """Return the standard uncertainty that rounding alone gives one strain (root mean square)."""
    parts = [
        float(u) ** 2
        for _, strain in strains
        for variable, u in getattr(strain, "error_components", dict)().items()
        if (variable.tag or "").startswith("series") and (variable.tag or "").endswith(_ROUNDING)
    ]
    return math.sqrt(sum(parts) / len(strains)) if parts else 0.0


def _shared(strains: list[tuple[float, Any]], jacobian: Any) -> list[Any]:
    """Return what everything but the readings' own rounding does to each constant, zero in itself."""
    # How the constants move when each strain moves: the linearised fit.
    gain = np.linalg.pinv(jacobian)
    moved: list[Any] = [0.0, 0.0, 0.0]
    slopes: dict[Any, Any] = {}
    for row, (_, strain) in enumerate(strains):
        for variable, slope in getattr(strain, "derivatives", {}).items():
            if not ((variable.tag or "").startswith("series") and (variable.tag or "").endswith(_ROUNDING)):
                slopes.setdefault(variable, np.zeros(len(strains)))[row] = slope
    for variable, column in slopes.items():
        # Zero in itself: it carries uncertainty into the constant and leaves its value alone.
        centred = variable - variable.nominal_value
        moved = [value + float(part) * centred for value, part in zip(moved, gain @ column, strict=True)]
    return moved


# Modulus in MPa, strength in MPa, density of the solid in g/cm³.
_SPANS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "PLA": {"modulus": (1500, 4200), "strength": (10, 75), "density": (1.17, 1.30)},
    "PETG": {"modulus": (900, 2500), "strength": (8, 60), "density": (1.20, 1.33)},
    "ABS": {"modulus": (900, 2800), "strength": (6, 55), "density": (1.00, 1.12)},
    "ASA": {"modulus": (900, 2800), "strength": (6, 60), "density": (1.03, 1.12)},
    "PC": {"modulus": (1200, 2800), "strength": (10, 75), "density": (1.15, 1.25)},
    "PA": {"modulus": (300, 3800), "strength": (8, 90), "density": (0.98, 1.18)},
    "PPS": {"modulus": (1800, 4500), "strength": (15, 95), "density": (1.28, 1.40)},
    "PPA": {"modulus": (1500, 4500), "strength": (15, 100), "density": (1.08, 1.22)},
    "TPU": {"modulus": (3, 600), "strength": (4, 65), "density": (1.05, 1.27)},
    "PVA": {"modulus": (500, 4500), "strength": (8, 80), "density": (1.17, 1.32)},
    "PEI": {"modulus": (1800, 3600), "strength": (20, 110), "density": (1.24, 1.32)},
    "PEEK": {"modulus": (2000, 4300), "strength": (25, 105), "density": (1.24, 1.34)},
    "PP": {"modulus": (400, 1900), "strength": (5, 40), "density": (0.86, 0.93)},
}
# Fibres and minerals stiffen up to sixfold, and glass weighs; foamed, porous and sparse pieces are lighter.
_FILLED: Final = {"modulus": 6.0, "strength": 2.5, "density": 1.4}
_ANY: Final = {"modulus": (3.0, 30_000.0), "strength": (1.0, 250.0), "density": (0.4, 2.5)}
_MARKS: Final = ("CF", "GF", "FILLED", "FIBRE", "FIBER")


def family_span(family: str | None, kind: str) -> tuple[float, float] | None:
    """Return what a property of a polymer family usually lies between; any polymer's for an unknown family.

    Args:
        family: As recorded: ``PLA``, ``PA6-CF``; None for not recorded.
        kind: ``modulus`` (MPa), ``strength`` (MPa) or ``density`` (g/cm³, of the solid); others have none.

    >>> family_span("PETG", "modulus")
    (900, 2500)
    >>> family_span("unheard of", "modulus")
    (3.0, 30000.0)
    """
    if kind not in _ANY:
        return None
    name = (family or "").upper().replace(" ", "").replace("_", "-")
    filled = any(mark in name for mark in _MARKS)
    # "PA6-CF" is a PA: the longest family that its name begins with counts.
    known = max((each for each in _SPANS if name.startswith(each)), key=len, default="")
    if not known and name.startswith(("NYLON", "TPE")):
        known = "PA" if name.startswith("NYLON") else "TPU"
    if name.startswith("PET") and not name.startswith("PETG"):
        known = "PETG"
    if not known:
        return _ANY[kind]
    low, high = _SPANS[known][kind]
    return (low, high * _FILLED[kind]) if filled else (low, high)
