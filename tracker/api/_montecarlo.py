"""Propagation of distributions by drawing from them (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tracker.api._gum import Contribution, Spread, shares
from tracker.api._uncertainty import nominal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Draws = NDArray[np.float64]

_SEED = 20_080_901
# A rounding is as likely at either end of its step as in the middle.
_ROUNDING = ": resolution"


@dataclass(frozen=True)
class Simulated:
    """What the draws say.

    Attributes:
        mean: Of the draws that gave a finite value.
        u: Their standard deviation.
        low: Lower end of the probabilistically symmetric interval.
        high: Upper end.
        level: Its probability.
        draws: How many draws were finite.
        lost: How many were not (a function undefined there); they are left out, so say so.
        values: The draws, shape (draws,).
    """

    mean: float
    u: float
    low: float
    high: float
    level: float
    draws: int
    lost: int
    values: Any = field(repr=False, compare=False)


def monte_carlo(
    function: Callable[..., Any],
    inputs: Mapping[str, Any],
    draws: int = 100_000,
    seed: int = _SEED,
    level: float = 0.95,
) -> Simulated:
    """Propagate distributions through a function by drawing from them.

    Args:
        function: Called once, with an array of shape (draws,) for each input by keyword; gives an
            array of that shape.
        inputs: By name: ``Spread``; numbers that carry uncertainty (what two of them share, such as
            one instrument's calibration, is drawn once for both; roundings are drawn
            rectangular, calibrations normal); plain numbers.
        draws: 10⁵ give the standard uncertainty to about 0.3 %.
        seed: The same seed gives the same digits.
        level: Probability of the interval.

    Raises:
        ValueError: Fewer than half of the draws gave a finite value.
    """
    import numpy as np  # noqa: PLC0415 - heavy to load

    random = np.random.default_rng(seed)
    # Keyed by the variable itself: what two inputs share is drawn for both at once.
    shared: dict[Any, Draws] = {}
    arrays = {name: _draw(given, draws, random, shared) for name, given in inputs.items()}
    with np.errstate(all="ignore"):
        # A function that ignores its inputs gives one number; it stands for every draw.
        values = np.broadcast_to(np.asarray(function(**arrays), dtype=float), (draws,))
    finite = values[np.isfinite(values)]
    # With most draws lost the interval would describe the survivors, not the quantity.
    if 2 * finite.size < draws:
        raise ValueError(f"{draws - finite.size} of {draws} draws gave no finite value")
    low, high = np.quantile(finite, [(1 - level) / 2, (1 + level) / 2])
    return Simulated(
        mean=float(finite.mean()),
        u=float(finite.std(ddof=1)),
        low=float(low),
        high=float(high),
        level=level,
        draws=int(finite.size),
        lost=int(draws - finite.size),
        values=finite,
    )


def simulated_budget(
    function: Callable[..., Any], inputs: Mapping[str, Any], draws: int = 20_000, seed: int = _SEED
) -> tuple[Contribution, ...]:
    """Return what each input alone adds, the others held at their estimates (JCGM 101, B.1).

    Arguments as for :func:`monte_carlo`, drawn once for each input that is uncertain.

    Raises:
        ValueError: With one of them drawn, fewer than half of the draws gave a finite value.
    """
    still = {
        name: given.value if isinstance(given, Spread) else nominal(given) for name, given in inputs.items()
    }
    parts = {
        name: monte_carlo(function, {**still, name: given}, draws, seed).u
        for name, given in inputs.items()
        if given is not still[name]
    }
    return shares(parts)


def _draw(given: Any, draws: int, random: np.random.Generator, shared: dict[Any, Draws]) -> Any:
    if isinstance(given, Spread):
        return given.value + given.u * _standard(given.shape, given.dof, draws, random)
    if not hasattr(given, "error_components"):
        return float(given)
    total = given.nominal_value
    # A number with uncertainty is linear in its variables by construction, so this is exact.
    for variable, slope in given.derivatives.items():
        if variable not in shared:
            shape = "rectangular" if (variable.tag or "").endswith(_ROUNDING) else "normal"
            shared[variable] = variable.std_dev * _standard(shape, math.inf, draws, random)
        total = total + slope * shared[variable]
    return total


def _standard(shape: str, dof: float, draws: int, random: np.random.Generator) -> Draws:
    """Return draws of mean 0 and standard deviation 1 (a scaled t keeps its own wider tails)."""
    import numpy as np  # noqa: PLC0415 - heavy to load

    if shape == "rectangular":
        return random.uniform(-math.sqrt(3), math.sqrt(3), draws)
    if shape == "triangular":
        return random.triangular(-math.sqrt(6), 0.0, math.sqrt(6), draws)
    if shape == "arcsine":
        return math.sqrt(2) * np.sin(random.uniform(-math.pi / 2, math.pi / 2, draws))
    # Not scaled to unit deviation: JCGM 101, 6.4.9 draws the t as it is.
    if shape == "t" and math.isfinite(dof):
        return random.standard_t(dof, draws)
    return random.standard_normal(draws)
