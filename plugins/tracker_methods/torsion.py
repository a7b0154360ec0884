"""Torsion of a bar by a force on an arm.

Round: τ = 16T/(πd³), G = 32TL/(πd⁴θ). Rectangle b ≥ t: τ = T/(αbt²), G = TL/(βbt³θ), with Saint-Venant's
series for α and β. T = F·l·sin φ, φ being the angle between arm and force.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Annotated, Any

from pydantic import Field

from tracker.api import (
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    budget_picture,
    hookimpl,
    nominal,
)
from tracker.api.maths import STANDARD_GRAVITY, section_remarks, uncertainties

_TERMS = 200
_LARGE_STRAIN = 0.02
_NO_ARM = "no arm: give arm, the distance from the axis of twist to the line of the force"
_NO_SECTION = "no section: give width and thickness, or diameter"


class TorsionReadings(Readings):
    """What is read when a bar is twisted by an arm."""

    width: Annotated[
        float | None, Reading("mm", "wider side of the section", resolution=0.01), Field(gt=0)
    ] = None
    thickness: Annotated[
        float | None, Reading("mm", "narrower side of the section", resolution=0.01), Field(gt=0)
    ] = None
    diameter: Annotated[
        float | None, Reading("mm", "diameter, of a round bar", resolution=0.01, ask=False), Field(gt=0)
    ] = None
    free_length: Annotated[
        float | None, Reading("mm", "length free to twist, between the grips", resolution=0.1), Field(gt=0)
    ] = None
    arm: Annotated[
        float | None,
        Reading("mm", "from the axis of twist to the line of the force", resolution=0.5),
        Field(gt=0),
    ] = None
    force_at_90: Annotated[
        float | None, Reading("N", "force on the arm, at 90° to it", resolution=0.1), Field(gt=0)
    ] = None
    mass_at_90: Annotated[
        float | None,
        Reading("kg", "or: mass hung on the arm, at 90° to it", resolution=0.001, ask=False),
        Field(gt=0),
    ] = None
    max_force: Annotated[
        float | None, Reading("N", "greatest force on the arm until it broke", resolution=0.1), Field(gt=0)
    ] = None
    angle_deg: Annotated[
        float | None,
        Reading("deg", "twist while force_at_90 or mass_at_90 acts", resolution=1.0),
        Field(gt=0),
    ] = None
    arm_angle_deg: Annotated[
        float,
        Reading(
            "deg", "angle between arm and force, where it is not 90°", resolution=1.0, exact=True, ask=False
        ),
        Field(gt=0, lt=180),
    ] = 90.0
    local_g: Annotated[
        float,
        Reading("m/s^2", "local acceleration of free fall", exact=True, ask=False),
        Field(gt=9.7, lt=9.9),
    ] = STANDARD_GRAVITY


class Torsion(Method):
    """Torque, apparent shear stress and apparent shear modulus."""

    id = "torsion"
    title = "Torsion"
    version = "1.0"
    standard = (
        "Saint-Venant torsion of prismatic bars; no product standard is followed. Departures: elastic, "
        "isotropic and free to warp by assumption, while a printed bar is layered and held at its ends; so "
        "stress and modulus are called apparent. Twist read at the grips."
    )
    cautions = (
        "A twisted bar and a loaded arm store energy: stand clear of the arm's path; eye protection.",
        "Hung masses fall when the bar breaks; nothing and nobody underneath.",
    )
    destructive = True
    Readings = TorsionReadings
    quantities = (
        Quantity("torsion.torque_at_90", "N·m", True, "torque at 90°"),
        Quantity("torsion.torque_max", "N·m", True, "greatest torque"),
        Quantity("torsion.stress_max", "MPa", True, "apparent shear stress at the greatest torque"),
        Quantity("torsion.modulus", "MPa", None, "apparent shear modulus"),
    )
    formulas = (
        Formula(
            "T = F l sin φ",
            "T torque, N·mm; F force, N; l arm, mm; φ angle between arm and force",
            "statics",
        ),
        Formula(
            "round: τ = 16 T/(π d³), G = 32 T L/(π d⁴ θ)",
            "τ shear stress, G shear modulus, MPa; d diameter, L length, mm; θ twist, rad",
            "Saint-Venant torsion (textbook)",
        ),
        Formula(
            "rectangle b ≥ t: τ = T/(α b t²), G = T L/(β b t³ θ)",
            "b width, t thickness, mm; β = (1/3)[1 − (192/(π⁵r)) Σ tanh(kπr/2)/k⁵], α = β/[1 − "
            "(8/π²) Σ 1/(k² cosh(kπr/2))], odd k, r = b/t",
            "Saint-Venant's series (Timoshenko; from memory, reproduced)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer torques from force and arm, stress and modulus with the section."""
        at_90, greatest = _at_90(readings), _greatest(readings)
        remarks = tuple(_remarks(readings, piece))
        # A force without an arm is answered with the reason; no force at all was simply not this part of
        # the test.
        if at_90 is not None or readings.force_at_90 or readings.mass_at_90:
            yield _outcome("torque_at_90", at_90, _NO_ARM, remarks)
        if readings.max_force is not None:
            yield _outcome("torque_max", greatest, _NO_ARM, remarks)
            yield _stress(readings, greatest, remarks)
        if readings.angle_deg is not None:
            yield _modulus(readings, at_90, remarks)
        if readings.max_force is None and at_90 is None:
            yield Outcome("torsion.torque_max", refused="no force: give max_force, force_at_90 or mass_at_90")

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty of the greatest torque, or else of the one at 90°, comes from."""
        del readings, piece
        kept = tuple(outcomes)
        return budget_picture("Torsion, greatest torque / N·m", kept, "torsion.torque_max") or budget_picture(
            "Torsion, torque at 90° / N·m", kept, "torsion.torque_at_90"
        )

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        section = {"width": 10.0, "thickness": 4.0, "free_length": 60.0, "arm": 150.0}
        return [
            {**section, "mass_at_90": 0.4, "max_force": 21.3, "angle_deg": 12.0},
            {"diameter": 8.0, "free_length": 80.0, "arm": 100.0, "force_at_90": 10.0, "angle_deg": 9.0},
        ]


def torque(force: Any, arm: Any, angle_deg: float = 90.0) -> Any:
    """Return the torque in N·m:  T = F·l·sin φ.

    Args:
        force: F, N.
        arm: l from the axis, mm.
        angle_deg: φ between arm and force, degrees.
    """
    # An arm that is not square to its force turns by the sine only: at 60° more than an eighth
    # of the torque would be made up.
    return force * arm / 1000 * math.sin(math.radians(angle_deg))


def twist_factor(ratio: float) -> float:
    """Return β of θ = TL/(βbt³G):  β = ⅓[1 − (192/(π⁵r)) Σ tanh(kπr/2)/k⁵], k odd; dimensionless.

    Args:
        ratio: r = b/t, the wider side ÷ the thinner one, 1 or more.
    """
    total = math.fsum(math.tanh(k * math.pi * ratio / 2) / k**5 for k in range(1, 2 * _TERMS, 2))
    return (1 - 192 / (math.pi**5 * ratio) * total) / 3


def stress_factor(ratio: float) -> float:
    """Return α of τ = T/(αbt²), in the middle of the long side:  α = β/[1 − (8/π²) Σ 1/(k² cosh(kπr/2))].

    Dimensionless; k odd, β as :func:`twist_factor`.

    Args:
        ratio: r = b/t, the wider side ÷ the thinner one, 1 or more.
    """
    # Beyond 700 cosh leaves the range of a double, and the term is nothing long before.
    arguments = ((k, k * math.pi * ratio / 2) for k in range(1, 2 * _TERMS, 2))
    total = math.fsum(1 / (k * k * math.cosh(x)) for k, x in arguments if x < 700)  # noqa: PLR2004 - as said
    return twist_factor(ratio) / (1 - 8 / math.pi**2 * total)


def resistance(readings: Any) -> tuple[Any, Any] | None:
    """Return αbt² (mm³) and βbt³ (mm⁴), or πd³/16 and πd⁴/32; None if no section was read."""
    if readings.diameter is not None:
        return math.pi * readings.diameter**3 / 16, math.pi * readings.diameter**4 / 32
    if readings.width is None or readings.thickness is None:
        return None
    # Saint-Venant's table wants the wider side first, the person need not.
    thin, wide = sorted((readings.width, readings.thickness), key=nominal)
    ratio = wide / thin
    return _wrapped(stress_factor, ratio) * wide * thin**2, _wrapped(twist_factor, ratio) * wide * thin**3


def _wrapped(function: Any, value: Any) -> Any:
    """Call a function of a plain number with one that carries uncertainty."""
    return uncertainties.wrap(function)(value)


def _at_90(readings: Any) -> Any | None:
    force = readings.force_at_90
    if force is None and readings.mass_at_90 is not None:
        force = readings.mass_at_90 * readings.local_g
    if force is None or readings.arm is None:
        return None
    return torque(force, readings.arm, readings.arm_angle_deg)


def _greatest(readings: Any) -> Any | None:
    if readings.max_force is None or readings.arm is None:
        return None
    return torque(readings.max_force, readings.arm, readings.arm_angle_deg)


def _outcome(name: str, value: Any, why: str, remarks: tuple[str, ...]) -> Outcome:
    if value is None:
        return Outcome(f"torsion.{name}", refused=why, remarks=remarks)
    return Outcome(f"torsion.{name}", value, remarks=remarks)


def _stress(readings: Any, greatest: Any, remarks: tuple[str, ...]) -> Outcome:
    section = resistance(readings)
    if section is None or greatest is None:
        return _outcome("stress_max", None, _NO_SECTION if section is None else _NO_ARM, remarks)
    rule = "Apparent: elastic formula at the greatest torque; it overstates where the bar has yielded."
    return _outcome("stress_max", 1000 * greatest / section[0], "", (rule, *remarks))


def _modulus(readings: Any, at_90: Any, remarks: tuple[str, ...]) -> Outcome:
    section = resistance(readings)
    if section is None:
        return _outcome("modulus", None, _NO_SECTION, remarks)
    if at_90 is None:
        return _outcome("modulus", None, "no torque belongs to angle_deg: give arm and force_at_90", remarks)
    if readings.free_length is None:
        return _outcome("modulus", None, "no free_length: give the length between the grips", remarks)
    angle = readings.angle_deg * math.pi / 180
    modulus = 1000 * at_90 * readings.free_length / (section[1] * angle)
    # Surface strain τ/G tells whether the elastic formula still means anything.
    strain = nominal(1000 * at_90 / section[0]) / nominal(modulus)
    rule = "Apparent: elastic and isotropic by assumption; twist read at the grips."
    far = f"Surface strain {100 * strain:.1f} %: hardly elastic any more." if strain > _LARGE_STRAIN else ""
    return _outcome("modulus", modulus, "", tuple(filter(None, (rule, far, *remarks))))


def _remarks(readings: Any, piece: Piece) -> Iterator[str]:
    yield from section_remarks(readings, piece)
    if readings.force_at_90 is not None and readings.mass_at_90 is not None:
        yield "force_at_90 was used; mass_at_90 was given as well."
    elif readings.mass_at_90 is not None:
        yield f"Mass taken as force with g = {readings.local_g:g} m/s²."
    if readings.arm_angle_deg != 90:  # noqa: PLR2004 - square is the rule
        yield f"Arm at {readings.arm_angle_deg:g}° to the force: torque is force × arm × sine."


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Torsion()]
