"""Holds the fast reader against the plain one."""

from __future__ import annotations

import io
import math
from dataclasses import fields

from tracker.platefile.plain import Plain
from tracker.platefile.reader import Reader
from tracker.platefile.tally import Cell, Laying, Tally

NAMES = tuple(field.name for field in fields(Cell))


def differences(
    data: bytes,
    size: int = 1 << 18,
    *more: int,
    relative_e: bool = False,
    separate: bool = False,
    g90_sets_e: bool = False,
) -> list[str]:
    """Return everything in which the two readers disagree over a file, read in chunks of some sizes."""
    given = {"relative_e": relative_e, "separate": separate, "g90_sets_e": g90_sets_e}
    plain = Plain(**given).read(data)
    arcs = b"G2" in data or b"G3" in data or b"G02" in data
    found = []
    for each in (size, *more):
        fast = Reader(**given).read(io.BytesIO(data), each)
        found += [*_cells(plain, fast), *_rest(plain, fast), *_hulls(plain, fast, arcs=arcs)]
    return found


def _named(tally: Tally) -> dict[tuple[object, int, int], Cell]:
    contexts = tally.state.contexts.values
    return {
        (contexts[number], key, island): cell
        for (number, key, island), cell in tally.cells.items()
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
    if not math.isclose(_other(plain), _other(fast), rel_tol=1e-9, abs_tol=1e-6):
        found.append(f"by the other reading of G90 {plain.other_mm} and {fast.other_mm}")
    if plain.retractions != fast.retractions:
        found.append(f"retractions {plain.retractions} and {fast.retractions}")
    for who in plain.widths.keys() | fast.widths.keys():
        a, b = plain.widths.get(who, 0.0), fast.widths.get(who, 0.0)
        found += [] if math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9) else [f"width {who}: {a} and {b}"]
    for laying in plain.rates.keys() | fast.rates.keys():
        one, two = _flow(plain, laying), _flow(fast, laying)
        alike = all(math.isclose(p, q, rel_tol=1e-6, abs_tol=1e-9) for p, q in zip(one, two, strict=True))
        found += [] if alike else [f"flow {laying}: {one} and {two}"]
    return found


def _other(tally: Tally) -> float:
    """Return the filament by the other reading of G90 and G91, which may be the same."""
    length = sum(cell.filament for cell in tally.cells.values())
    return length if tally.other_mm is None else tally.other_mm


def _hulls(plain: Tally, fast: Tally, *, arcs: bool) -> list[str]:
    bodies = plain.hulls.keys() | fast.hulls.keys()
    pairs = [(body, fast.hulls.get(body, []), plain.hulls.get(body, [])) for body in bodies]
    return [f"hull {body}: {b} and {a}" for body, a, b in pairs if not _same_hull(a, b, arcs=arcs)]


def _flow(tally: Tally, laying: Laying) -> tuple[float, float]:
    """Return the filament whose rate is reported and the greatest rate; single bins differ by rounding."""
    return sum(tally.rates.get(laying, {}).values()), tally.fastest.get(laying, 0.0)


Hull = list[tuple[float, float]]


def _same_hull(fast: Hull, plain: Hull, *, arcs: bool) -> bool:
    """Compare hulls by their extents: the fast reader may leave out what adds less than a hair to its box.

    An arc whose centre does not fit its ends may bulge beyond its box, and is then left out as well.
    """
    if not fast or not plain:
        return fast == plain
    beyond = [_reach(fast, angle) - _reach(plain, angle) for angle in range(0, 360, 15)]
    return max(beyond) < 1e-6 and (arcs or min(beyond[::6]) > -0.021)


def _reach(points: Hull, angle: float) -> float:
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return max(x * c + y * s for x, y in points)
