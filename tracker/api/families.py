"""What polymer families can be: spans of modulus, strength and density, for noticing slips.

From general knowledge of data sheets, no single source ("common practice, no source"): wide enough for
printed pieces of any orientation and fill of 20 to 100 %. They never correct a number; they only raise a
question.
"""

from __future__ import annotations

from typing import Final

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
