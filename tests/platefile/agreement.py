"""Holds the fast reader against the plain one."""

from __future__ import annotations

import io
import math
from dataclasses import fields

from tests.platefile.plain import Plain
from tracker.platefile.reader import Reader
from tracker.platefile.tally import Cell, Laying, Tally

NAMES = tuple(field.name for field in fields(Cell))


def differences(data: bytes, size: int = 1 << 18, *, relative_e: bool = False) -> list[str]:
    """Return everything in which the two readers disagree over a file."""
    plain = Plain(relative_e=relative_e).read(data)
    fast = Reader(relative_e=relative_e).read(io.BytesIO(data), size)
    return [*_cells(plain, fast), *_rest(plain, fast)]


def _named(tally: Tally) -> dict[tuple[object, int], Cell]:
    contexts = tally.state.contexts.values
    return {
        (contexts[number], key): cell
        for (number, key, _), cell in tally.cells.items()
        if cell.own > 1e-9 or cell.filament > 1e-12
    }


def _cells(plain: Tally, fast: Tally) -> list[str]:
    a, b = _named(plain), _named(fast)
    found = [f"only one has {key}" for key in a.keys() ^ b.keys()]
    for key in a.keys() & b.keys():
        found += [
            f"{key} {name}: {getattr(a[key], name)} and {getattr(b[key], name)}"
            for name in NAMES
            if not math.isclose(getattr(a[key], name), getattr(b[key], name), rel_tol=1e-8, abs_tol=1e-6)
        ]
    return found


def _rest(plain: Tally, fast: Tally) -> list[str]:
    found = []
    if not math.isclose(plain.time, fast.time, rel_tol=1e-9, abs_tol=1e-6):
        found.append(f"time {plain.time} and {fast.time}")
    if plain.retractions != fast.retractions:
        found.append(f"retractions {plain.retractions} and {fast.retractions}")
    for who in plain.widths.keys() | fast.widths.keys():
        a, b = plain.widths.get(who, 0.0), fast.widths.get(who, 0.0)
        found += [] if math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9) else [f"width {who}: {a} and {b}"]
    for laying in plain.rates.keys() | fast.rates.keys():
        one, two = _flow(plain, laying), _flow(fast, laying)
        alike = all(math.isclose(p, q, rel_tol=1e-6, abs_tol=1e-9) for p, q in zip(one, two, strict=True))
        found += [] if alike else [f"flow {laying}: {one} and {two}"]
    for place in plain.feet.keys() | fast.feet.keys():
        ours, theirs = fast.feet.get(place), plain.feet.get(place)
        found += [] if _same_hull(ours, theirs) else [f"foot {place}: {theirs} and {ours}"]
    return found


def _flow(tally: Tally, laying: Laying) -> tuple[float, float]:
    """Return the filament whose rate is told and the greatest rate; single bins differ by rounding."""
    return sum(tally.rates.get(laying, {}).values()), tally.fastest.get(laying, 0.0)


Foot = tuple[int, list[tuple[float, float]]]


def _same_hull(a: Foot | None, b: Foot | None) -> bool:
    """Compare hulls by their extents: rounding may keep or drop a corner on a straight side."""
    if a is None or b is None:
        return a is b
    return a[0] == b[0] and all(
        math.isclose(_reach(a[1], angle), _reach(b[1], angle), abs_tol=1e-6) for angle in range(0, 360, 15)
    )


def _reach(points: list[tuple[float, float]], angle: float) -> float:
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return max(x * c + y * s for x, y in points)
