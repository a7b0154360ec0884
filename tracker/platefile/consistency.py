"""The file against itself: totals and bed that it states, beside what was read from its moves.

A lost decimal point sends a piece off the bed or pushes metres of filament; a factor of M200
nobody wrote makes every length wrong. Each disagreement names the first line it may come from.
"""

from __future__ import annotations

import math
from typing import BinaryIO, Final

from tracker.lazy_modules import np
from tracker.platefile import scan, settings_block
from tracker.platefile.facts import Contradiction, Plate
from tracker.platetext.source import chunks

_SAME: Final = 0.02
_SAME_TIME: Final = 0.15
_ABSURD_MM: Final = 2000.0
"""No bed that prints test pieces is wider. Common practice, no source."""
_BEYOND_MM: Final = 0.5
_PUSHED_MM: Final = 60.0
"""No single move of a plate lays as much filament. Our choice."""
_LEAST_MM: Final = 20.0
_CHUNK: Final = 1 << 20


def contradictions(plate: Plate, stream: BinaryIO, start: int) -> tuple[Contradiction, ...]:
    """Return in what a file contradicts itself.

    Args:
        plate: What was read from it.
        stream: Its text, to find the lines.
        start: Where it begins.
    """
    found = [each for each in (_length(plate), _mass(plate), _time(plate), _bed(plate)) if each is not None]
    placed = []
    for each in found:
        line = None
        if each.what in ("filament", "bed"):
            stream.seek(start)
            line = _first_line(plate, stream, by_place=each.what == "bed")
        placed.append(each.at(*line) if line else each)
    return tuple(placed)


def _apart(stated: float, read: float) -> float:
    return abs(read - stated) / stated


def _length(plate: Plate) -> Contradiction | None:
    """Compare the length. Some totals leave start code, skirt or flow factor out: the nearest sum counts."""
    stated, volume = plate.stated.filament_mm, plate.stated.filament_mm3
    if not stated and not volume:
        return None
    objects = sum(one.filament_mm for one in plate.objects)
    sums = {plate.commanded_mm, plate.filament_mm, objects, plate.filament_mm - plate.aux_mm}
    sums |= {objects - sum(one.aux_mm for one in plate.objects)}
    sums |= {plate.in_layers_mm} if plate.in_layers_mm else set()
    if stated and stated >= _LEAST_MM:
        read = min(sums, key=lambda each: _apart(stated, each))
        if _apart(stated, read) > _SAME:
            return Contradiction("filament", stated, plate.filament_mm, "mm", _apart(stated, read))
    elif volume:
        area = math.pi / 4 * plate.filament_diameter_mm**2
        read = min(sums, key=lambda each: _apart(volume, each * area))
        if _apart(volume, read * area) > _SAME:
            return Contradiction(
                "filament", volume, plate.filament_mm * area, "mm³", _apart(volume, read * area)
            )
    return None


def _mass(plate: Plate) -> Contradiction | None:
    """Compare the mass by the file's own density: the spool's is another matter."""
    stated, length = plate.stated.filament_g, plate.stated.filament_mm
    if not stated or not plate.tools:
        return None
    settings, grams = dict(plate.settings), 0.0
    # The length itself is compared above; here its shares among the tools count.
    part = length / plate.filament_mm if length and plate.filament_mm else 1.0
    for use in plate.tools:
        density = settings_block.density(settings, use.tool)
        if not density:
            return None
        diameter = settings_block.diameter(settings, use.tool) or use.diameter_mm
        grams += math.pi / 4 * diameter**2 * use.filament_mm * part * density / 1000
    if _apart(stated, grams) > max(_SAME, 0.006 / stated):
        return Contradiction("mass", stated, grams, "g", _apart(stated, grams))
    return None


def _time(plate: Plate) -> Contradiction | None:
    stated = plate.stated.time_s
    if not stated or _apart(stated, plate.time_s) <= _SAME_TIME:
        return None
    return Contradiction("time", stated, plate.time_s, "s", _apart(stated, plate.time_s))


def _bed(plate: Plate) -> Contradiction | None:
    """Compare where pieces lie with the bed the file states, or with what any bed could be."""
    if not plate.objects:
        return None
    low = [min(one.box_mm[axis] + one.line_width_mm / 2 for one in plate.objects) for axis in (0, 1)]
    high = [max(one.box_mm[axis + 3] - one.line_width_mm / 2 for one in plate.objects) for axis in (0, 1)]
    limits = bed_limits(plate)
    over = max(
        *(limit - have for limit, have in zip(limits[:2], low, strict=True)),
        *(have - limit for limit, have in zip(limits[2:], high, strict=True)),
    )
    if over <= _BEYOND_MM:
        return None
    size = max(limits[2] - limits[0], limits[3] - limits[1])
    return Contradiction("bed", size, size + over, "mm", over / size)


def bed_limits(plate: Plate) -> tuple[float, float, float, float]:
    """Return xmin, ymin, xmax, ymax of the bed that a file states, or of any bed."""
    if not plate.bed_mm:
        return (-_ABSURD_MM, -_ABSURD_MM, _ABSURD_MM, _ABSURD_MM)
    x, y = [point[0] for point in plate.bed_mm], [point[1] for point in plate.bed_mm]
    return min(x), min(y), max(x), max(y)


def _first_line(plate: Plate, stream: BinaryIO, *, by_place: bool) -> tuple[int, str] | None:
    """Return number and text of the first line that leaves the bed, or pushes filament as no move does."""
    x0, y0, x1, y1 = bed_limits(plate)
    passed, counter = 0, 0.0
    for chunk in chunks(stream, _CHUNK):
        whole = chunk if chunk.endswith(b"\n") else chunk + b"\n"
        found = scan.scan(whole)
        x, y, e = (found.values[column] for column in (scan.X, scan.Y, scan.E))
        if by_place:
            odd = (
                (x < x0 - _BEYOND_MM) | (x > x1 + _BEYOND_MM) | (y < y0 - _BEYOND_MM) | (y > y1 + _BEYOND_MM)
            )
            odd &= ~np.isnan(e)
        else:
            given = np.flatnonzero(~np.isnan(e))
            values = e.take(given)
            steps = np.diff(values, prepend=counter) if not plate.relative_e else values
            counter = float(values[-1]) if len(values) else counter
            odd = np.zeros(len(e), np.bool_)
            odd[given[steps > _PUSHED_MM]] = True
        lines = np.flatnonzero(odd)
        if len(lines):
            line = int(lines[0])
            text = whole[found.starts[line] : found.ends[line]].decode("utf-8", "replace")
            return passed + line + 1, text.strip()
        passed += len(found.kinds)
    return None
