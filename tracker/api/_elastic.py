"""Stress-strain arithmetic on bare arrays: modulus rules, foot, proof stress, yield and break.

Strains are pure numbers, stresses MPa, arrays of shape (n,) in the order they were recorded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

# ISO 527-1 and ISO 178 (clauses from memory): chord between 0.05 % and 0.25 % strain.
CHORD = (0.0005, 0.0025)
ENOUGH_POINTS = 5


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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
    import numpy as np  # noqa: PLC0415 - heavy to load

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


def from_foot(strain: Any, stress: Any, rule: str) -> tuple[Any, Slope | str]:
    """Return strain counted from the foot of the straight part, the interval moved along with it.

    The interval and the foot depend on each other: they are found in turn until the foot stays.

    Args:
        strain: Pure numbers, shape (n,), in the order recorded.
        stress: In MPa, shape (n,).
        rule: ``"chord"``, or any other word for the least-squares slope.
    """
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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
    import numpy as np  # noqa: PLC0415 - heavy to load

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
