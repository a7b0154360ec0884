"""The lowest layers of each object: the hull of what it stands on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tracker.platefile.laid import Laid
from tracker.platefile.path import Path
from tracker.platefile.state import Context
from tracker.platefile.tally import FOOT_UM, LOWEST_LEVEL, Point, Tally

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

_FEW = 64
_DIRECTIONS = 24
_NONE = np.iinfo(np.int64).max >> 1


def note_feet(tally: Tally, contexts: list[Context], path: Path, laid: Laid) -> None:
    """Keep the hull of each object's lowest level layers.

    Args:
        tally: Takes the hulls.
        contexts: All contexts seen so far.
        path: Where the rows lead.
        laid: Which of them deposit, and what they belong to.
    """
    level = np.where((laid.keys > LOWEST_LEVEL) & _somewhere(path, laid), laid.keys, _NONE)
    changes = (laid.contexts[1:] != laid.contexts[:-1]) | (laid.islands[1:] != laid.islands[:-1])
    begins = np.concatenate([[0], np.flatnonzero(changes) + 1])
    lowest = np.minimum.reduceat(level, begins)
    stops = np.append(laid.begins, len(laid.rows))
    for first, last, low in zip(
        begins.tolist(), [*begins[1:].tolist(), len(level)], lowest.tolist(), strict=True
    ):
        at = contexts[int(laid.contexts[first])]
        who = (at.objects, int(laid.islands[first]))
        have = tally.feet.get(who)
        top = (min(low, have[0]) if have else low) + FOOT_UM
        if low != _NONE and not at.auxiliary and low <= top:
            runs = [n for n in range(first, last) if level[n] <= top]
            rows = np.concatenate([laid.rows[stops[n] : stops[n + 1]] for n in runs])
            tally.add_foot(who, low, _points(path, rows))


def _somewhere(path: Path, laid: Laid) -> Flags:
    """Tell of which runs any point is known."""
    if not path.unknown:
        return np.ones(len(laid.begins), np.bool_)
    ends = [(place[0] + place[1]).take(laid.rows) for place in (path.was, path.at)]
    found: Flags = np.logical_or.reduceat(~np.isnan(np.fmax(*ends)), laid.begins)
    return found


def _points(path: Path, rows: Numbers) -> list[Point]:
    """Return the ends of some rows, quadrant points of arcs included."""
    xs = [path.was[0].take(rows), path.at[0].take(rows)]
    ys = [path.was[1].take(rows), path.at[1].take(rows)]
    if path.bends:
        quarters = path.bends.among(rows).quarters
        xs.append(quarters[0].ravel())
        ys.append(quarters[1].ravel())
    x, y = np.concatenate(xs), np.concatenate(ys)
    known = ~np.isnan(x + y)
    return _outermost(x[known], y[known])


def _outermost(x: Floats, y: Floats) -> list[Point]:
    """Return points among which every corner of the hull is, few enough for plain Python."""
    if len(x) > _FEW:
        angles = np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS)
        far = np.argmax(np.outer(np.cos(angles), x) + np.outer(np.sin(angles), y), axis=1)
        far = far[np.diff(far, append=far[0]) != 0]
        inside = np.ones(len(x), np.bool_)
        for a, b in zip(far.tolist(), np.roll(far, -1).tolist(), strict=True):
            inside &= (x[b] - x[a]) * (y - y[a]) - (y[b] - y[a]) * (x - x[a]) > 0
        x, y = x[~inside], y[~inside]
    return list(zip(x.tolist(), y.tolist(), strict=True))
