"""Pendulum impact: energy from how high the pendulum swings on, losses taken off.

E = M_H·(cos β − cos α) with M_H = m·g·L (or measured), α the angle of fall, β of rise, both from the
rest position. Losses, by the swept angle: W = W_free·(α + β)/(α + β_free); read off a dial: the
form of ASTM D6110 with windage. a_c = E·10³/(h·b), b being what the notch leaves (ISO 179-1).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal

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
from tracker.api.maths import STANDARD_GRAVITY, section_remarks, umath

_USED = (0.1, 0.8)
Angle = Annotated[float | None, Field(ge=0, le=180)]
Positive = Annotated[float | None, Field(gt=0)]


class ImpactReadings(Readings):
    """What is read at the pendulum."""

    arm_length: Annotated[
        float | None, Reading("m", "from the axis to the centre of gravity", resolution=0.001), Field(gt=0)
    ] = None
    mass: Annotated[float | None, Reading("kg", "mass of the pendulum", resolution=0.001), Field(gt=0)] = None
    moment: Annotated[
        float | None,
        Reading("N·m", "or: moment M_H, weighed with the arm held level", ask=False),
        Field(gt=0),
    ] = None
    fall_angle: Annotated[Angle, Reading("deg", "angle of fall, from rest", resolution=0.5)] = None
    rise_angle: Annotated[
        Angle, Reading("deg", "angle of rise, from rest, after the blow", resolution=0.5)
    ] = None
    free_angle: Annotated[
        Angle, Reading("deg", "angle of rise of a free swing, no piece", resolution=0.5)
    ] = None
    fall_distance: Annotated[
        Positive, Reading("mm", "or: level distance from rest before the fall", resolution=1.0, ask=False)
    ] = None
    rise_distance: Annotated[
        float | None,
        Reading("mm", "level distance from rest after the blow", resolution=1.0, ask=False),
        Field(ge=0),
    ] = None
    free_distance: Annotated[
        float | None,
        Reading("mm", "level distance from rest of a free swing", resolution=1.0, ask=False),
        Field(ge=0),
    ] = None
    width: Annotated[Positive, Reading("mm", "width b, across which a notch is cut", resolution=0.01)] = None
    thickness: Annotated[Positive, Reading("mm", "thickness h", resolution=0.01)] = None
    notch: Annotated[
        float | None, Reading("mm", "depth of the notch, 0 without", resolution=0.01, ask=False), Field(ge=0)
    ] = None
    break_type: Annotated[
        Literal["C", "H", "P", "N"] | None, Reading(help="complete, hinge, partial, not broken")
    ] = None
    dial_energy: Annotated[Positive, Reading("J", "energy read off a dial, losses included", ask=False)] = (
        None
    )
    pendulum_energy: Annotated[Positive, Reading("J", "energy of the pendulum, for the dial", ask=False)] = (
        None
    )
    free_loss: Annotated[
        float | None, Reading("J", "dial after a free swing (friction and windage)", ask=False), Field(ge=0)
    ] = None
    windage_loss: Annotated[
        float | None, Reading("J", "dial after a repeated free swing (windage alone)", ask=False), Field(ge=0)
    ] = None
    striking_radius: Annotated[
        Positive, Reading("m", "from the axis to where it strikes the piece", resolution=0.001, ask=False)
    ] = None
    period: Annotated[
        Positive, Reading("s", "of a full small swing, to and fro", resolution=0.01, ask=False)
    ] = None
    local_g: Annotated[
        float,
        Reading("m/s^2", "local acceleration of free fall", exact=True, ask=False),
        Field(gt=9.7, lt=9.9),
    ] = STANDARD_GRAVITY


@dataclass(frozen=True)
class Swing:
    """One blow.

    Attributes:
        energy: J, losses taken off as far as they were read.
        stored: Energy of the pendulum, J, or None.
        remarks: How losses were taken off.
    """

    energy: Any
    stored: Any
    remarks: tuple[str, ...]


class Impact(Method):
    """Charpy-like blow with a pendulum."""

    id = "impact"
    title = "Pendulum impact"
    version = "2.0"
    key = "impact.strength"
    standard = (
        "ISO 179-1:2023 with a machine after ISO 13802; dial losses as in ASTM D6110. Departures: home-made "
        "pendulum whose speed, striking edge and frame are not to ISO 13802; printed pieces, printed "
        "notches; angles read by eye or camera."
    )
    cautions = (
        "A raised pendulum stores energy: hands and head out of its path, release with a cord.",
        "Fragments fly: eye protection, and guards on both sides.",
    )
    destructive = True
    Readings = ImpactReadings
    quantities = (
        Quantity("impact.energy", "J", True, "energy to break"),
        Quantity("impact.strength", "kJ/m^2", True, "impact strength"),
    )
    formulas = (
        Formula(
            "E = m g L (cos β − cos α)",
            "E energy, J; m mass, kg; L distance of its centre from the axis, m; α angle of fall, β of rise",
            "ISO 13802:2015 (from memory)",
        ),
        Formula(
            "W = W₀ (α + β)/(α + β₀)",
            "W loss of the swing, J; W₀ loss and β₀ rise of a free swing",
            "by the angle swept; common practice, no source",
        ),
        Formula(
            "a = 10³ (E − W)/(h b)",
            "a impact strength, kJ/m²; h thickness, b width (what the notch leaves), mm",
            "ISO 179-1:2023 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the energy taken from the pendulum, and that over the broken section."""
        # Energy was taken, but by bending: averaged with breaks it would flatter the material.
        if readings.break_type == "N":
            why = "type N: it did not break, so the energy is not one of breaking"
            return [Outcome(f"impact.{name}", refused=why, group="N") for name in ("energy", "strength")]
        swing = swing_of(readings)
        if isinstance(swing, str):
            return [Outcome("impact.energy", refused=swing)]
        # Below nothing is noise of the angles: refused with the reason, as a zero would be averaged.
        if nominal(swing.energy) <= 0:
            why = "the pendulum rose as high as in a free swing: no energy was taken"
            return [Outcome("impact.energy", refused=why, remarks=swing.remarks)]
        remarks = (*swing.remarks, *_range(swing), *_type(readings), *section_remarks(readings, piece))
        # By break type, as ISO 179-1 has it: a hinge takes energy that a clean break does not, and their
        # mean is the strength of neither.
        group = readings.break_type or ""
        return [
            Outcome("impact.energy", swing.energy, remarks=remarks, group=group),
            _strength(readings, swing.energy, remarks, group),
        ]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Pendulum impact, energy / J", outcomes, "impact.energy")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        pendulum = {"arm_length": 0.23, "mass": 0.9, "width": 10.0, "thickness": 4.0}
        return [
            {**pendulum, "fall_angle": 150, "rise_angle": 118, "free_angle": 149.2, "break_type": "C"},
            {**pendulum, "fall_distance": 200, "rise_distance": 120, "notch": 2.0, "break_type": "H"},
            {**pendulum, "fall_angle": 150, "rise_angle": 40, "break_type": "N"},
        ]


def pendulum_energy(moment: Any, high: Any, low: Any) -> Any:
    """Return E = M_H·(cos β − cos α) in the unit of the moment.

    Args:
        moment: M_H = m·g·L (or weight × arm).
        high: α, degrees from rest.
        low: β, degrees from rest.
    """
    return moment * (_cos(low) - _cos(high))


def height(arm: Any, distance: Any) -> Any:
    """Return the height over rest from a level distance, arm below level:  h = L − √(L² − x²).

    Args:
        arm: L from the axis, any unit of length; the height is in the same.
        distance: x from the plumb line through the axis, same unit, not beyond L.
    """
    return arm - (arm * arm - distance * distance) ** 0.5


def swept_loss(free: Any, fall: Any, rise: Any, free_rise: Any) -> Any:
    """Return the loss of a swing shared by swept angle:  W = W_free·(α + β)/(α + β_free).

    Args:
        free: W_free, loss of the free swing; the answer is in its unit.
        fall: α, degrees from rest.
        rise: β after the blow, degrees from rest.
        free_rise: β_free of the free swing, degrees from rest.
    """
    # Friction and air act along the way swung, and a blow that breaks the piece swings less of it than the
    # free swing did.
    return free * (fall + rise) / (fall + free_rise)


def dial_loss(shown: Any, stored: Any, free_loss: Any, windage: Any, drop: Any) -> Any:
    """Return E_TC of the dial form of ASTM D6110 (from memory), J.

    E_TC = (E_A − E_B/2)·(β/β_max) + E_B/2, β = arccos{1 − (h/L)(1 − E_S/E_M)}, β_max the same with E_A.

    Args:
        shown: E_S, dial reading of the blow in J.
        stored: E_M, energy of the pendulum, J.
        free_loss: E_A, dial reading of a free swing, J.
        windage: E_B, of a repeated free swing, J.
        drop: h/L = 1 − cos α.
    """
    ratio = _acos(1 - drop * (1 - shown / stored)) / _acos(1 - drop * (1 - free_loss / stored))
    return (free_loss - windage / 2) * ratio + windage / 2


def swing_of(readings: Any) -> Swing | str:
    """Return what the readings say of one blow, or why they say nothing."""
    if readings.dial_energy is not None:
        return _dial(readings)
    moment = _moment(readings)
    if moment is None:
        return "the pendulum is not known: give moment, or mass and arm_length"
    fall, rise, free = (_angle(readings, name) for name in ("fall", "rise", "free"))
    return _doubt(fall, rise, free) or _swung(readings, moment, fall, rise, free)


def _doubt(fall: Any, rise: Any, free: Any) -> str:
    """Return why three angles make no swing; empty text where they do."""
    wrong = next((angle for angle in (fall, rise, free) if isinstance(angle, str)), "")
    if wrong:
        return wrong
    if fall is None or rise is None:
        return "the swing is not known: give fall_angle and rise_angle, or fall_distance and rise_distance"
    if nominal(fall) <= 0:
        return "the pendulum did not fall: its angle of fall is zero"
    # A free swing cannot gain height; angles swapped or read from another zero would give a negative loss.
    if free is not None and nominal(free) > nominal(fall):
        return "the free swing rose higher than it fell: check fall and free swing"
    return ""


def _swung(readings: Any, moment: Any, fall: Any, rise: Any, free: Any) -> Swing:
    # From the same moment as the losses, so that an error of it scales both alike.
    gross = pendulum_energy(moment, fall, rise)
    stored = pendulum_energy(moment, fall, 0.0)
    remarks = list(_speed(readings, fall))
    if free is None:
        remarks.append("Losses not subtracted: no free swing was read.")
        return Swing(gross, stored, tuple(remarks))
    loss = swept_loss(pendulum_energy(moment, fall, free), fall, rise, free)
    remarks.append(f"Losses of {nominal(loss):.3g} J subtracted, the free swing's shared by swept angle.")
    return Swing(gross - loss, stored, tuple(remarks))


def _dial(readings: Any) -> Swing | str:
    stored, shown = readings.pendulum_energy, readings.dial_energy
    if stored is None or nominal(shown) >= nominal(stored):
        return "for a dial reading give pendulum_energy, which must exceed it"
    if readings.free_loss is None or readings.windage_loss is None or readings.fall_angle is None:
        return Swing(shown, stored, ("Losses not subtracted: give free_loss, windage_loss and fall_angle.",))
    if nominal(readings.free_loss) >= nominal(stored) or nominal(readings.fall_angle) <= 0:
        return "free_loss must be below pendulum_energy, and fall_angle above zero"
    loss = dial_loss(shown, stored, readings.free_loss, readings.windage_loss, 1 - _cos(readings.fall_angle))
    return Swing(shown - loss, stored, (f"Losses of {nominal(loss):.3g} J subtracted, dial form.",))


def _moment(readings: Any) -> Any | None:
    if readings.moment is not None:
        return readings.moment
    if readings.mass is None or readings.arm_length is None:
        return None
    return readings.mass * readings.local_g * readings.arm_length


def _angle(readings: Any, name: str) -> Any | None:
    """Return an angle in degrees as read, or from a level distance; text where it cannot be one."""
    angle = getattr(readings, f"{name}_angle")
    distance = getattr(readings, f"{name}_distance")
    if angle is not None or distance is None:
        return angle
    if readings.arm_length is None:
        return "a distance needs arm_length"
    part = distance / (1000 * readings.arm_length)
    # At or above the arm's level one distance belongs to two heights.
    if nominal(part) >= 1:
        return f"{name}_distance {nominal(distance):g} mm is not less than the arm"
    return _asin(part)


def _cos(degrees: Any) -> Any:
    return umath.cos(degrees * (math.pi / 180))


def _acos(value: Any) -> Any:
    return umath.acos(value)


def _asin(value: Any) -> Any:
    return umath.asin(value) * (180 / math.pi)


def _strength(readings: Any, energy: Any, remarks: tuple[str, ...], group: str) -> Outcome:
    if readings.width is None or readings.thickness is None:
        return Outcome("impact.strength", refused="no section: give width and thickness", group=group)
    # A notch is cut across the width; what it leaves is what breaks.
    left = readings.width if readings.notch is None else readings.width - readings.notch
    if nominal(left) <= 0:
        return Outcome("impact.strength", refused="the notch is as deep as the width", group=group)
    return Outcome(
        "impact.strength", 1000 * energy / (readings.thickness * left), remarks=remarks, group=group
    )


def _speed(readings: Any, fall: Any) -> Iterator[str]:
    """Say the speed of the striking point:  v = r·√(2g(1 − cos α)/L_P), L_P = g·T²/(4π²) of its period.

    Without the period the pendulum is taken as a point at its centre of gravity, which turns too slowly.
    """
    arm = readings.arm_length
    if readings.period is not None:
        reduced = readings.local_g * nominal(readings.period) ** 2 / (4 * math.pi**2)
    elif arm is not None:
        reduced = nominal(arm)
    else:
        return
    radius = reduced if readings.striking_radius is None else nominal(readings.striking_radius)
    turning = math.sqrt(2 * readings.local_g * (1 - math.cos(math.radians(nominal(fall)))) / reduced)
    how = "" if readings.period is not None else ", the pendulum taken as a point: its period was not read"
    where = "the striking point" if readings.striking_radius is not None else "the centre of percussion"
    yield f"Speed of {where} {radius * turning:.2f} m/s{how}."


def _range(swing: Swing) -> Iterator[str]:
    used = nominal(swing.energy) / nominal(swing.stored)
    if not _USED[0] <= used <= _USED[1]:
        yield f"{100 * used:.0f} % of the pendulum's energy was used, outside 10 to 80 %."


def _type(readings: Any) -> Iterator[str]:
    if readings.break_type is None:
        yield "Break type not recorded; results of different types must not be averaged."
    else:
        yield f"Break type {readings.break_type}; compare with the same type and pendulum."


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Impact()]
