"""The smallest rectangle around a hull, and which way it points."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tracker.platefile.facts import Point

_SQUARE = 1.02
_FULL_TURN = 180.0


def smallest_rectangle(outline: Sequence[Point]) -> tuple[float, float, float]:
    """Return length, width and angle of the smallest rectangle around a convex outline.

    One side of it lies along a side of the outline (Freeman and Shapira 1975), so it
    is enough to try each.

    Args:
        outline: The hull, in order, mm.

    Returns:
        Length >= width in mm, and the angle of the long side from X in degrees,
        -90 < angle <= 90; 0 for a square lying straight.
    """
    best = (math.inf, 0.0, 0.0, 0.0)
    for a, b in zip(outline, [*outline[1:], *outline[:1]], strict=True):
        if a == b:
            continue
        angle = math.atan2(b[1] - a[1], b[0] - a[0])
        along, across = _extents(outline, angle)
        # The straight one wins a tie that is one only by rounding.
        if along * across < best[0] * (1 - 1e-9):
            best = (along * across, along, across, math.degrees(angle))
    _, along, across, angle = best
    return _turned(along, across, angle)


def _turned(along: float, across: float, angle: float) -> tuple[float, float, float]:
    if across > along:
        along, across, angle = across, along, angle + 90
    angle = 90 - (90 - angle) % _FULL_TURN
    if along <= across * _SQUARE:
        angle = (angle + 45) % 90 - 45
    return along, across, round(angle, 6) + 0.0


def _extents(outline: Sequence[Point], angle: float) -> tuple[float, float]:
    c, s = math.cos(angle), math.sin(angle)
    along = [x * c + y * s for x, y in outline]
    across = [y * c - x * s for x, y in outline]
    return max(along) - min(along), max(across) - min(across)
