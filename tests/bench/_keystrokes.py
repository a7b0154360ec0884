"""How long a person takes over a task, by the keystroke-level model.

Operators and times: Card, Moran, Newell, "The keystroke-level model for user performance time with
interactive systems", CACM 23 (1980) 396–410, table I; figures from memory. K 0.28 s is the average typist.
Their rule 1 puts an M before what selects a command and none before figures that are read off.
"""

from __future__ import annotations

from typing import Final

SECONDS: Final = {"K": 0.28, "P": 1.10, "B": 0.10, "H": 0.40, "M": 1.35}
"""Key, pointing, press of a button or of the glass, hand from one thing to another, thought."""

SCAN: Final = "HPBM"
"""The scanner is taken up, aimed, pressed; the person sees that it is the right specimen."""

CAMERA: Final = "PM"
"""The camera is open since the specimen before; the phone is aimed, the specimen seen to be right."""


def keys(text: str) -> str:
    """Return the operators of a text that is typed."""
    return "K" * len(text)


TASKS: Final[dict[str, tuple[str, str, float]]] = {
    # The recording is there by itself; Enter stores it.
    "pull with its curve": (f"{SCAN}HK", f"{CAMERA}PB", 8.0),
    "three numbers": (
        f"{SCAN}H{keys('1830')}K{keys('10.02')}K{keys('4.01')}K",
        f"{CAMERA}PB{keys('1830')}K{keys('10.02')}K{keys('4.01')}PB",
        10.0,
    ),
    # Six grades of one digit, Tab between them, Enter behind the last.
    "appearance": (f"{SCAN}H{'KK' * 6}", f"{CAMERA}PB{'KK' * 5}KPB", 12.0),
}
"""Operators at the rig's screen with a scanner, on a phone with its camera, and the longest that may be."""


def seconds(operators: str) -> float:
    """Return how long a person takes over some operators, in seconds."""
    return sum(SECONDS[each] for each in operators)
