"""Raw readings as an invented rig would have given them: always the same for the same piece."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Mapping
from typing import Final

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
