"""Findley's law fitted to a creep curve, with what is not known of its constants."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from tracker.api._uncertainty import nominal

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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
    import numpy as np  # noqa: PLC0415 - heavy to load
    from uncertainties import correlated_values  # noqa: PLC0415 - loads numpy

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
    around = correlated_values([e0, a, n], covariance, tags=["series: scatter about the law"] * 3)
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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
