"""The smallest rectangle around a hull, and which way it points."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tracker.platefile.facts import Point

_SQUARE = 1.02
_NO_SMALLER = 1.005
_ROUNDISH = 1.2
_FILLED = 0.9
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
    straight = _extents(outline, 0.0)
    tried = [(straight[0] * straight[1], straight[0], straight[1], 0.0)]
    for a, b in zip(outline, [*outline[1:], *outline[:1]], strict=True):
        if a != b:
            angle = math.atan2(b[1] - a[1], b[0] - a[0])
            along, across = _extents(outline, angle)
            tried.append((along * across, along, across, math.degrees(angle)))
    enough = min(area for area, *_ in tried) * _NO_SMALLER
    # Round and three-sided pieces have many rectangles all but equal: the straightest of them is no surprise.
    _, along, across, angle = min(
        (one for one in tried if one[0] <= enough), key=lambda one: (_off_axis(one[3]), one[0])
    )
    if max(along, across) < _ROUNDISH * min(along, across) and _area(outline) < _FILLED * along * across:
        # A round piece, or one of odd shape, has no sides to be askew.
        _, along, across, angle = tried[0]
    return _turned(along, across, angle)


def _area(outline: Sequence[Point]) -> float:
    pairs = zip(outline, [*outline[1:], *outline[:1]], strict=True)
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs)) / 2


def _off_axis(angle: float) -> float:
    """Return how far a direction is from the nearest axis, in whole degrees."""
    return round(abs((angle + 45) % 90 - 45))


def _turned(along: float, across: float, angle: float) -> tuple[float, float, float]:
    if across > along:
        along, across, angle = across, along, angle + 90
    angle = 90 - (90 - angle) % _FULL_TURN
    if along <= across * _SQUARE:
        angle = (angle + 45) % 90 - 45
    # Adding zero turns a minus nought into a plain one.
    return along, across, round(angle, 6) + 0.0


def _extents(outline: Sequence[Point], angle: float) -> tuple[float, float]:
    c, s = math.cos(angle), math.sin(angle)
    along = [x * c + y * s for x, y in outline]
    across = [y * c - x * s for x, y in outline]
    return max(along) - min(along), max(across) - min(across)
