"""What a complete material needs, what of it is there, and what falls due.

``wanted`` reads a programme, ``standing`` holds it against the book, ``due`` says what waits for whom.
"""

from __future__ import annotations

from tracker.programme.due import DueItem, due
from tracker.programme.standing import (
    Need,
    Programme,
    ProgrammeError,
    Standing,
    WantedTest,
    programme_of,
    read_programme,
    standing,
    still_wanted,
    usual,
)

__all__ = [
    "DueItem",
    "Need",
    "Programme",
    "ProgrammeError",
    "Standing",
    "WantedTest",
    "due",
    "programme_of",
    "read_programme",
    "standing",
    "still_wanted",
    "usual",
]
