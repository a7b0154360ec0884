"""The law of propagation of uncertainty: budgets, degrees of freedom, coverage (JCGM 100:2008)."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Self

_NO_SHARE = 1e-12
Shape = Literal["normal", "rectangular", "triangular", "arcsine", "t"]


class Source(str):  # noqa: SLOT000 - it has an attribute of its own
    """Name of an uncertain variable, with how well its standard uncertainty is known.

    ``ufloat(0.0, u, tag=Source("curve: scatter about the line", dof=41))`` makes a contribution whose
    degrees of freedom reach the result.

    Attributes:
        dof: Degrees of freedom; infinite for what is taken as known (a rounding, a certificate).
    """

    dof: float

    def __new__(cls, name: str, dof: float = math.inf) -> Self:
        """Make a name that carries degrees of freedom."""
        made = super().__new__(cls, name)
        made.dof = dof
        return made


@dataclass(frozen=True)
class Contribution:
    """What one source adds to a standard uncertainty.

    Attributes:
        source: ``max_force: resolution``, ``R0002-T: calibration``.
        u: Standard uncertainty of the result from this source alone, in the result's unit.
        share: Part of the variance, 0 to 1.
        dof: Degrees of freedom of ``u``; None for infinite.
    """

    source: str
    u: float
    share: float
    dof: float | None = None


@dataclass(frozen=True)
class Spread:
    """An input quantity: estimate, standard uncertainty, and how much is known about both.

    Attributes:
        value: Estimate.
        u: Standard uncertainty (already divided: half-width/√3 for a rectangle, /√6 for a triangle,
            /√2 for an arcsine).
        dof: Degrees of freedom of ``u``; infinite where it is taken as known.
        shape: Distribution that draws are taken from.
    """

    value: float
    u: float = 0.0
    dof: float = math.inf
    shape: Shape = "normal"


@dataclass(frozen=True)
class Combined:
    """Outcome of ``combine``.

    Attributes:
        value: Function at the estimates.
        u: Combined standard uncertainty.
        dof: Effective degrees of freedom (Welch–Satterthwaite), not truncated.
        contributions: First-order contributions by input, largest first.
        second_order: Standard uncertainty of the second-order terms alone; 0 where not asked for.
    """

    value: float
    u: float
    dof: float
    contributions: tuple[Contribution, ...]
    second_order: float = 0.0


def budget(value: Any) -> tuple[Contribution, ...]:
    """Return what a number's uncertainty is made of, largest first.

    Contributions of one name (the roundings of all rows of a series) are added in quadrature. A
    plain number has none.
    """
    if not hasattr(value, "error_components"):
        return ()
    # Variables of one name are independent of each other (roundings), so squares add.
    by_name: dict[str, list[tuple[float, float]]] = {}
    for variable, part in value.error_components().items():
        source = variable.tag or "other"
        by_name.setdefault(str(source), []).append((float(part), getattr(source, "dof", math.inf)))
    return shares(
        {source: math.hypot(*(u for u, _ in parts)) for source, parts in by_name.items()},
        {source: welch_satterthwaite(parts) for source, parts in by_name.items()},
    )


def dof_of(parts: Iterable[Contribution]) -> float | None:
    """Return the effective degrees of freedom of a budget (Welch–Satterthwaite); None for infinite."""
    found = welch_satterthwaite((part.u, math.inf if part.dof is None else part.dof) for part in parts)
    return found if math.isfinite(found) else None


def shares(parts: Mapping[str, float], dofs: Mapping[str, float] | None = None) -> tuple[Contribution, ...]:
    """Return contributions, largest first, from standard uncertainties by source.

    Args:
        parts: Name of the source to its standard uncertainty, all in the result's unit.
        dofs: Degrees of freedom by source, where they are not infinite.
    """
    total = math.fsum(u * u for u in parts.values())
    known = {source: dof for source, dof in (dofs or {}).items() if math.isfinite(dof)}
    made = [
        Contribution(source, abs(u), u * u / total if total else 0.0, known.get(source))
        for source, u in parts.items()
    ]
    # What cancels leaves a trace of rounding behind, which is no contribution.
    made = [part for part in made if part.share > _NO_SHARE]
    return tuple(sorted(made, key=lambda part: -part.u))


def welch_satterthwaite(parts: Iterable[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom, ν = u⁴ / Σ (uᵢ⁴/νᵢ)  (JCGM 100, G.4.1).

    Args:
        parts: (uᵢ, νᵢ): contribution in the result's unit (or all relative), degrees of freedom.
    """
    pairs = list(parts)
    total = math.fsum(u * u for u, _ in pairs)
    below = math.fsum(u**4 / dof for u, dof in pairs if math.isfinite(dof))
    return total * total / below if below else math.inf


def expanded(u: float, dof: float = math.inf, level: float = 0.95) -> float:
    """Return U = t_p(ν)·u, the half-width of the interval that holds the value with ``level``.

    Degrees of freedom are truncated to the next lower whole number (JCGM 100, G.4.1 NOTE 1).

    Args:
        u: Standard uncertainty; U is in its unit.
        dof: ν; below 1 it counts as 1, infinite takes the normal distribution.
        level: Probability, between 0 and 1.
    """
    from scipy.special import ndtri, stdtrit  # noqa: PLC0415 - heavy to load

    upper = 0.5 + level / 2
    if not math.isfinite(dof):
        return float(ndtri(upper)) * u
    # Below one degree of freedom no interval is finite; one is the widest that can be said.
    return float(stdtrit(max(1.0, math.floor(dof)), upper)) * u


def combine(
    function: Callable[..., float], inputs: Mapping[str, Spread], *, second_order: bool = False
) -> Combined:
    """Propagate independent inputs through a function by numerical derivatives.

    First order u² = Σ cᵢ²uᵢ² (JCGM 100, 5.1.2); with ``second_order`` also the next terms,
    ΣΣ [½ (∂²f/∂xᵢ∂xⱼ)² + ∂f/∂xᵢ · ∂³f/∂xᵢ∂xⱼ²] uᵢ²uⱼ² (its NOTE).

    Args:
        function: Called with one keyword argument for each input.
        inputs: By name.
        second_order: For functions that are curved within ± u, or flat at the estimates.
    """
    at = {name: spread.value for name, spread in inputs.items()}
    # Exact inputs have no step to take a derivative over, and nothing to contribute.
    steps = {name: spread.u for name, spread in inputs.items() if spread.u}

    def shifted(moves: Mapping[str, float]) -> float:
        return float(function(**{name: value + moves.get(name, 0.0) for name, value in at.items()}))

    slopes = {name: _first(shifted, name, u) for name, u in steps.items()}
    parts = {name: slope * steps[name] for name, slope in slopes.items()}
    second = _second(shifted, slopes, steps) if second_order else 0.0
    first = math.fsum(u * u for u in parts.values())
    dof = welch_satterthwaite((u, inputs[name].dof) for name, u in parts.items())
    # The third-derivative term may be negative; a variance may not.
    total = math.sqrt(max(0.0, first + second))
    dofs = {name: inputs[name].dof for name in parts}
    return Combined(shifted({}), total, dof, shares(parts, dofs), math.sqrt(max(0.0, second)))


_Shifted = Callable[[Mapping[str, float]], float]


def _first(shifted: _Shifted, name: str, u: float) -> float:
    """Derivative by a central difference over ± u, as JCGM 100, 5.1.3 NOTE 2 allows."""
    return (shifted({name: u}) - shifted({name: -u})) / (2 * u)


def _second(shifted: _Shifted, slopes: Mapping[str, float], steps: Mapping[str, float]) -> float:
    return math.fsum(
        (0.5 * _mixed(shifted, a, b, steps) ** 2 + slopes[a] * _third(shifted, a, b, steps))
        * (steps[a] * steps[b]) ** 2
        for a, b in itertools.product(steps, repeat=2)
    )


def _mixed(shifted: _Shifted, a: str, b: str, steps: Mapping[str, float]) -> float:
    """∂²f/∂a∂b by central differences."""
    if a == b:
        return (shifted({a: steps[a]}) - 2 * shifted({}) + shifted({a: -steps[a]})) / steps[a] ** 2
    # Four corners of the rectangle ± u, signed: the standard central form.
    corners = [(i, j, shifted({a: i * steps[a], b: j * steps[b]})) for i in (1, -1) for j in (1, -1)]
    return math.fsum(i * j * f for i, j, f in corners) / (4 * steps[a] * steps[b])


def _third(shifted: _Shifted, a: str, b: str, steps: Mapping[str, float]) -> float:
    """∂³f/∂a∂b² by central differences."""
    u, v = steps[a], steps[b]
    if a == b:
        outer = shifted({a: 2 * u}) - shifted({a: -2 * u})
        return (outer - 2 * (shifted({a: u}) - shifted({a: -u}))) / (2 * u**3)

    def curvature(move: float) -> float:
        return (shifted({a: move, b: v}) - 2 * shifted({a: move}) + shifted({a: move, b: -v})) / v**2

    return (curvature(u) - curvature(-u)) / (2 * u)


def mean_u(values: Sequence[float]) -> Spread:
    """Return mean, standard uncertainty of the mean and n − 1 degrees of freedom (type A).

    Raises:
        ValueError: Fewer than two values say nothing of their scatter.
    """
    n = len(values)
    if n < 2:  # noqa: PLR2004 - a scatter takes two
        raise ValueError("at least two values are needed for a type A uncertainty")
    mean = math.fsum(values) / n
    variance = math.fsum((value - mean) ** 2 for value in values) / (n - 1)
    return Spread(mean, math.sqrt(variance / n), n - 1)
