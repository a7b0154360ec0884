"""Raw readings of every bundled method, as the rigs of an invented bench would have given them.

Each function turns what a piece really is (:class:`Truth`) into what is read of it, by the method's own
formula backwards, with the scatter of the readings: always the same for the same piece. Nothing here knows
a book.
"""

from __future__ import annotations

import csv
import io
import math
import random
import wave
from array import array
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from tracker.api import Recording

GAUGE_MM: Final = 50.0
NOMINAL_MM: Final = (("X", 80.0), ("X", 40.0), ("Y", 40.0), ("Y", 20.0), ("Z", 20.0), ("Z", 10.0))
_SHRINKAGE: Final = {"X": 0.0046, "Y": 0.0051, "Z": 0.0021}
_LINE_EXCESS_MM: Final = 0.06
"""A bead wider than meant makes every length in the plane longer by the same amount."""

_POINTS: Final = 240
_AFTER_BREAK: Final = 5
_RATE_MM_S: Final = 0.09


def section_of(piece: str) -> tuple[float, float]:
    """Return width and thickness of a bar in mm, as a caliper of 0.01 mm shows them."""
    chance = random.Random(f"section {piece}")  # noqa: S311 - repeatable, not secret
    return round(10.0 + chance.gauss(0.03, 0.02), 2), round(4.0 + chance.gauss(0.02, 0.015), 2)


def pull_of(piece: str, truth: Mapping[str, float], section: tuple[float, float] | None = None) -> Recording:
    """Return the force-extension curve of one pull, as CSV.

    The strain follows the stress by a straight line and a bend (Ramberg and Osgood's form); the rig
    adds noise of 0.4 N.
    """
    chance = random.Random(f"pull {piece}")  # noqa: S311 - repeatable, not secret
    strength = chance.gauss(truth["strength"], truth["scatter"])
    modulus = chance.gauss(truth["modulus"], 0.015 * truth["modulus"])
    width, thickness = section or section_of(piece)
    text = io.StringIO()
    lines = csv.writer(text, lineterminator="\n")
    lines.writerow(["time_s", "extension_mm", "force_N"])
    for step in range(_POINTS + 1):
        stress = strength * step / _POINTS
        extension = GAUGE_MM * (stress / modulus + _bend(truth, strength, modulus) * (stress / strength) ** 7)
        # The last reading is the break itself; noise on it would change the maximum.
        force = stress * width * thickness + (chance.gauss(0.0, 0.4) if 0 < step < _POINTS - 2 else 0.0)
        lines.writerow([f"{extension / _RATE_MM_S:.3f}", f"{extension:.5f}", f"{max(force, 0.0):.1f}"])
    # The rig goes on recording for half a second: a record that ended at the maximum would be a limit.
    for _ in range(_AFTER_BREAK):
        extension += 0.1 * _RATE_MM_S
        force = abs(chance.gauss(0.0, 0.4))
        lines.writerow([f"{extension / _RATE_MM_S:.3f}", f"{extension:.5f}", f"{force:.1f}"])
    return Recording(f"{piece}.csv", text.getvalue().encode())


def _bend(truth: Mapping[str, float], strength: float, modulus: float) -> float:
    return max(0.001, truth["strain"] - strength / modulus)


def sizes_of(piece: str) -> str:
    """Return the lengths of a step block as ``axis:nominal:measured`` triples in mm."""
    chance = random.Random(f"sizes {piece}")  # noqa: S311 - repeatable, not secret
    return " ".join(
        f"{axis}:{nominal:g}:{_measured(axis, nominal, chance):.2f}" for axis, nominal in NOMINAL_MM
    )


def _measured(axis: str, nominal: float, chance: random.Random) -> float:
    excess = 0.0 if axis == "Z" else _LINE_EXCESS_MM
    return nominal * (1 - _SHRINKAGE[axis]) + excess + chance.gauss(0.0, 0.008)


Taken = tuple[dict[str, Any], dict[str, Recording]]
"""Readings as typed, and recordings, by field."""


@dataclass(frozen=True)
class Truth:
    """What a piece really is.

    Attributes:
        piece: Its ID, which the scatter is drawn from.
        strength: Tensile, MPa.
        modulus: Tensile, MPa.
        strain: At break.
        impact: kJ/m².
        shore: Shore D.
        softens: °C.
        shrink: Part of a length in the plane.
        density: g/cm³.
        grade: How little it strings, 0 to 4.
        pointer_deg: How much too far the pendulum's pointer is read.
    """

    piece: str
    strength: float
    modulus: float
    strain: float
    impact: float
    shore: float
    softens: float
    shrink: float
    density: float
    grade: int = 3
    pointer_deg: float = 0.0


def _chance(truth: Truth, what: str) -> random.Random:
    return random.Random(f"{what} {truth.piece}")  # noqa: S311 - repeatable, not secret


def _section(truth: Truth) -> tuple[float, float]:
    """Return width and thickness in mm, to 0.01 mm."""
    chance = _chance(truth, "section")
    return round(chance.gauss(10.03, 0.02), 2), round(chance.gauss(4.02, 0.015), 2)


def _sized(truth: Truth) -> dict[str, Any]:
    width, thickness = _section(truth)
    return {"width": width, "thickness": thickness}


def _csv(heading: str, rows: list[str], name: str) -> Recording:
    return Recording(name, "\n".join([heading, *rows, ""]).encode())


def tensile(truth: Truth) -> Taken:
    """Return the largest force of a pull, read off a display of 1 N."""
    width, thickness = _section(truth)
    return {**_sized(truth), "max_force": round(truth.strength * width * thickness)}, {}


def tensile_recorded(truth: Truth) -> Taken:
    """Return a pull as the rig recorded it."""
    wanted = {"strength": truth.strength, "scatter": 0.0, "modulus": truth.modulus, "strain": truth.strain}
    curve = pull_of(truth.piece, wanted, _section(truth))
    return {**_sized(truth), "gauge_length": GAUGE_MM}, {"curve": curve}


_ARM_M, _HEAD_KG, _FALL_DEG, _FREE_DEG = 0.23, 0.9, 150.0, 149.2


def impact(truth: Truth) -> Taken:
    """Return the angles of a pendulum, read to half a degree."""
    width, thickness = _section(truth)
    full = _HEAD_KG * 9.80665 * _ARM_M
    taken = truth.impact * width * thickness * 1e-3
    # The swing without a piece stops short of the fall by friction; nearly all of that is lost here too.
    rise = math.degrees(math.acos(min(1.0, math.cos(math.radians(_FREE_DEG)) + taken / full)))
    read = round(2 * (rise + truth.pointer_deg)) / 2
    typed = {
        **_sized(truth), "arm_length": _ARM_M, "mass": _HEAD_KG, "fall_angle": _FALL_DEG,
        "free_angle": _FREE_DEG, "rise_angle": min(read, 149.0), "break_type": "C",
    }  # fmt: skip
    return typed, {}


def notched(truth: Truth) -> Taken:
    """Return the energies of a notched bar, read off a dial of 0.005 J."""
    _, thickness = _section(truth)
    energy = 0.25 * truth.impact * 8.0 * thickness * 1e-3 + 0.01
    return {
        "thickness": thickness, "left_width": 8.0, "energy": round(energy / 0.005) * 0.005,
        "pendulum_energy": 1.0, "loss": 0.01, "break_type": "C",
    }, {}  # fmt: skip


def bending(truth: Truth) -> Taken:
    """Return deflections under three weights after 1, 30 and 60 s, and the force at the break."""
    chance, (width, thickness), span = _chance(truth, "bending"), _section(truth), 64.0
    stiff = truth.modulus * 1.05 * 4 * width * thickness**3 / span**3
    rows = []
    for force in (2.0, 5.0, 8.0):
        first = force / stiff
        later = (first * factor + chance.gauss(0.0, 0.004) for factor in (1.0, 1.05, 1.07))
        rows.append(f"{force:g}: " + " ".join(f"{each:.2f}" for each in later))
    largest = 1.5 * truth.strength * 2 * width * thickness**2 / (3 * span)
    return {"span": span, **_sized(truth), "rows": "; ".join(rows), "max_force": round(largest, 1),
            "broke": "yes"}, {}  # fmt: skip


def creep(truth: Truth) -> Taken:
    """Return the length of a loaded bar over a week, by Findley's law."""
    chance, stress = _chance(truth, "creep"), 7.0
    start, grown = stress / truth.modulus, 0.12 * stress / truth.modulus
    series = [
        [hours, round(80.0 * (1 + start + grown * hours**0.25) + chance.gauss(0.0, 0.002), 3)]
        for hours in (0.05, 0.1, 0.5, 1, 4, 24, 48, 96, 168)
    ]
    return {**_sized(truth), "stress": stress, "reference_length": 80.0, "series": series}, {}


def density(truth: Truth) -> Taken:
    """Return weighings in air and in water at 22 °C (0.9978 g/cm³)."""
    chance = _chance(truth, "density")
    air = chance.gauss(3.6, 0.1)
    apparent = truth.density * chance.gauss(0.978, 0.004)
    typed = {"mass_air": round(air, 4), "liquid_c": 22.0, "reference_density": truth.density}
    below = air * (1 - 0.9978 / apparent)
    if below > 0:
        return {**typed, "mass_liquid": round(below, 4)}, {}
    # What floats is weighed with a sinker, whose own mass under water is known.
    return {**typed, "sinker": 10.0, "mass_liquid": round(10.0 + below, 4)}, {}


def taptone(truth: Truth) -> Taken:
    """Return a sound that dies away: the bar's first tone and the room's hiss."""
    chance, (width, thickness) = _chance(truth, "tap"), _section(truth)
    length, mass = 80.0, 80.0 * width * thickness * truth.density * 0.98e-3
    correction = 1 + 6.585 * (thickness / length) ** 2
    modulus = truth.modulus * 1.08 * 1e6
    tone = math.sqrt(
        modulus * (width * 1e-3) * (thickness / length) ** 3 / (0.9465 * mass * 1e-3 * correction)
    )
    rate, loss = 16_000, 0.02
    samples = array(
        "h",
        (
            round(
                9000 * math.exp(-math.pi * loss * tone * n / rate) * math.sin(2 * math.pi * tone * n / rate)
                + chance.gauss(0.0, 12.0)
            )
            for n in range(6_400)
        ),
    )
    made = io.BytesIO()
    with wave.open(made, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes(samples.tobytes())
    typed = {"length": length, **_sized(truth), "mass": round(mass, 3)}
    return typed, {"recording": Recording(f"{truth.piece}.wav", made.getvalue())}


def dimensions(truth: Truth) -> Taken:
    """Return six lengths of a step block, and how far its corners stand off the plate."""
    chance = _chance(truth, "sizes")
    parts = {"X": truth.shrink, "Y": truth.shrink * 1.08, "Z": truth.shrink * 0.5}
    sizes = []
    for axis, nominal in (("X", 80), ("X", 40), ("Y", 40), ("Y", 20), ("Z", 20), ("Z", 10)):
        excess = 0.0 if axis == "Z" else 0.06
        sizes.append(f"{axis}:{nominal}:{nominal * (1 - parts[axis]) + excess + chance.gauss(0, 0.008):.2f}")
    lift = max(0.02, 40 * truth.shrink + chance.gauss(0, 0.03))
    return {"sizes": " ".join(sizes), "chord": 80.0, "lift": round(lift, 2)}, {}


def hardness(truth: Truth) -> Taken:
    """Return five points, read to half a degree."""
    chance = _chance(truth, "shore")
    points = " ".join(f"{round(2 * chance.gauss(truth.shore, 0.8)) / 2:g}" for _ in range(5))
    return {"points": points, "thickness": 6.0}, {}


def appearance(truth: Truth) -> Taken:
    """Return the grades that somebody gave."""
    chance = _chance(truth, "looks")
    names = ("stringing", "overhang", "bridging", "gaps", "warping", "seam")
    grades = {name: min(4, max(0, 3 + chance.choice((-1, 0, 0, 1)))) for name in names}
    return {**grades, "stringing": truth.grade}, {}


def flatness(truth: Truth) -> Taken:
    """Return heights of five points, and how far bridges sag."""
    chance = _chance(truth, "flat")
    corner = 25 * truth.shrink
    points = " ".join(
        f"{x}:{y}:{max(0.0, height + chance.gauss(0, 0.02)):.2f}"
        for x, y, height in (
            (0, 0, corner),
            (80, 0, corner),
            (80, 40, corner),
            (0, 40, corner),
            (40, 20, 0.05),
        )
    )
    bridges = " ".join(f"{span}:{span**2 * chance.gauss(6e-4, 6e-5):.2f}" for span in (10, 20, 40))
    return {"points": points, "bridges": bridges}, {}


def shear(truth: Truth) -> Taken:
    """Return the largest force of a double shear, two sections of which give way."""
    width, thickness = _section(truth)
    return {**_sized(truth), "max_force": round(0.62 * truth.strength * 2 * width * thickness)}, {}


def adhesion(truth: Truth) -> Taken:
    """Return the force at which an upright bar, notched halfway, parts between two layers."""
    chance = _chance(truth, "layers")
    force = truth.strength * chance.gauss(0.85, 0.03)
    return {**_sized(truth), "max_force": round(force, 1), "notch": 5.0, "span": 40.0}, {}


def torsion(truth: Truth) -> Taken:
    """Return the twist under a weight on an arm, and the force at the break."""
    width, thickness, arm, free = *_section(truth), 150.0, 60.0
    shear_modulus = truth.modulus / 2.7
    stiff = shear_modulus * width * thickness**3 / 3 * (1 - 0.63 * thickness / width) / free
    mass = 0.4
    angle = math.degrees(mass * 9.80665 * arm / stiff)
    largest = 0.55 * truth.strength * width * thickness**2 / (3 + 1.8 * thickness / width) / arm
    return {
        **_sized(truth), "free_length": free, "arm": arm, "mass_at_90": mass, "angle_deg": round(angle, 1),
        "max_force": round(largest, 1),
    }, {}  # fmt: skip


def compression(truth: Truth) -> Taken:
    """Return the record of a press on a block 10 mm square and 20 mm high."""
    chance = _chance(truth, "press")
    yields = 1.25 * truth.strength * 100.0
    rows = []
    for step in range(121):
        travel = 0.02 * step
        elastic = truth.modulus * 100.0 * travel / 20.0
        force = yields * math.tanh(elastic / yields) + (chance.gauss(0.0, 2.0) if step else 0.0)
        rows.append(f"{travel:.2f},{max(force, 0.0):.1f}")
    rows += [f"{0.02 * 120:.2f},20.0"] * 6
    curve = _csv("travel_mm,force_N", rows, f"{truth.piece} press.csv")
    return {"width": 10.0, "thickness": 10.0, "height": 20.0}, {"curve": curve}


def _heated(truth: Truth) -> Taken:
    """Return an oven's record of a loaded bar: nearly stiff at first, then it gives."""
    chance = _chance(truth, "oven")
    rows = []
    for step in range(int((truth.softens + 22 - 25) * 2)):
        celsius = 25 + step / 2
        gives = 0.0006 * (celsius - 25) + 0.34 * math.exp((celsius - truth.softens) / 5)
        rows.append(f"{15 * step},{celsius:.2f},{gives + chance.gauss(0, 0.002):.4f}")
    log = _csv("time_s,temperature_c,deflection_mm", rows, f"{truth.piece} oven.csv")
    return {"force": 0.75, "span": 64.0, **_sized(truth)}, {"log": log}


def diameter(truth: Truth) -> Taken:
    """Return a gauge's record of forty places of a spool, two readings each."""
    chance = _chance(truth, "strand")
    rows = [f"{chance.gauss(1.748, 0.009):.3f},{chance.gauss(1.742, 0.009):.3f}" for _ in range(40)]
    log = replace(_csv("d1_mm,d2_mm", rows, "strand.csv"), read_as={"decimal": "point"})
    return {"nominal": 1.75}, {"log": log}


def bendcheck(truth: Truth) -> Taken:
    """Return round which mandrels the strand could be bent."""
    breaks = 8.0 + 0.25 / truth.strain
    outcomes = (
        f"{mandrel}:{'broke' if mandrel < breaks else 'whitened' if mandrel < 1.5 * breaks else 'whole'}"
        for mandrel in (50, 40, 30, 20, 15, 10, 6)
    )
    return {"bends": " ".join(outcomes)}, {}


TAKEN: Final[Mapping[str, Callable[[Truth], Taken]]] = {
    "adhesion": adhesion, "appearance": appearance, "bendcheck": bendcheck, "bending": bending,
    "compression": compression, "creep": creep, "density": density, "diameter": diameter,
    "dimensions": dimensions, "flatness": flatness, "hardness": hardness, "heatdeflection": _heated,
    "impact": impact, "notchedimpact": notched, "shear": shear, "softening": _heated, "taptone": taptone,
    "tensile": tensile, "torsion": torsion,
}  # fmt: skip
"""By method; each bundled method has one."""
