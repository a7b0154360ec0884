"""Why two runs differ, asked of the book: the rows become the problem that ``tracker.why`` answers.

``asking`` finds the results that A and B name and puts everything comparable beside them, ``survey`` reads a
whole book by its plates, ``answers`` gives answer, overview, follow-up and watch, ``usual`` what of one
specimen is unlike other plates of its material.
"""

from __future__ import annotations

from tracker.comparing.answers import PlateToEnter, Why, follow_up, plan_text, plates_to_enter, watched, why
from tracker.comparing.asking import Scope, problems
from tracker.comparing.usual import Unusual, unusual
from tracker.why import draw_watch

__all__ = [
    "PlateToEnter",
    "Scope",
    "Unusual",
    "Why",
    "draw_watch",
    "follow_up",
    "plan_text",
    "plates_to_enter",
    "problems",
    "unusual",
    "watched",
    "why",
]
