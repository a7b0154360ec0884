"""How a piece lies on the plate: letters of ISO/ASTM 52921 (now ISO/ASTM 17295) and plain words.

The letters name the machine axes by falling length of the piece: X parallel to the
machine's front, Y to the back, Z up. A piece that lies askew gets the letters it
would have if turned straight, and the turn about Z (rotary axis C).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tracker import orientation as orientation_notation
from tracker.platefile.facts import Layer, PlateObject, Point, Tilt

_SQUARE = 1.02
_NO_SMALLER = 1.005
_ROUNDISH = 1.2
_FILLED = 0.9
_FULL_TURN = 180.0
_QUARTER_TURN = round(math.pi / 2, 9)


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
    tried = [(straight[0] * straight[1], *straight, 0.0)]
    # A quarter turn only swaps the sides: of a bar's four sides one is tried, and none that lies straight.
    seen = {0.0, _QUARTER_TURN}
    x, y = outline[-1]
    for x1, y1 in outline:
        if x1 != x and y1 != y:
            angle = math.atan2(y1 - y, x1 - x)
            turn = round(angle % (math.pi / 2), 9)
            if turn not in seen:
                seen.add(turn)
                along, across = _extents(outline, angle)
                tried.append((along * across, along, across, math.degrees(angle)))
        x, y = x1, y1
    best = tried[0]
    if len(tried) > 1:
        enough = min(tried)[0] * _NO_SMALLER
        # Round and three-sided pieces have many rectangles all but equal: the straightest of them is no
        # surprise.
        best = min([(_off_axis(one[3]), one) for one in tried if one[0] <= enough])[1]
    _, along, across, angle = best
    if max(along, across) < _ROUNDISH * min(along, across) and _area(outline) < _FILLED * along * across:
        # A round piece, or one of odd shape, has no sides to be askew.
        _, along, across, angle = tried[0]
    return _turned(along, across, angle)


def contour_of(loop: Sequence[Point], half_mm: float) -> tuple[Point, ...]:
    """Return the outline around a closed centre line; empty for one with four corners or less.

    Args:
        loop: The centre line, mm; points within a tenth of a millimetre of a straight side are left out.
        half_mm: Half a line width, by which the outline lies outside.
    """
    if len(loop) < _CORNERS:
        return ()
    far = max(range(len(loop)), key=lambda n: math.dist(loop[0], loop[n]))
    kept = [*_kept(loop[: far + 1]), *_kept([*loop[far:], loop[0]])]
    if len(kept) < _CORNERS:
        return ()
    pairs = zip(kept, [*kept[1:], kept[0]], strict=True)
    out = half_mm if sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs) > 0 else -half_mm
    grown = []
    for a, b, c in zip([kept[-1], *kept[:-1]], kept, [*kept[1:], kept[0]], strict=True):
        before, after = math.atan2(b[1] - a[1], b[0] - a[0]), math.atan2(c[1] - b[1], c[0] - b[0])
        turn = math.remainder(after - before, math.tau) / 2
        # A sharp corner is cut off at two half line widths.
        far_out = out / max(math.cos(turn), 0.5)
        middle = before + turn - math.pi / 2
        grown.append((b[0] + far_out * math.cos(middle), b[1] + far_out * math.sin(middle)))
    return tuple(grown)


def _kept(chain: Sequence[Point]) -> list[Point]:
    """Return the points of a chain that its shape needs, the last one left out (Douglas and Peucker 1973)."""
    kept, waiting = [0], [(0, len(chain) - 1)]
    while waiting:
        first, last = waiting.pop()
        (x0, y0), (x1, y1) = chain[first], chain[last]
        length = math.hypot(x1 - x0, y1 - y0) or 1.0
        away = [
            (abs((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / length, n)
            for n, (x, y) in enumerate(chain[first + 1 : last], first + 1)
        ]
        most, at = max(away, default=(0.0, first))
        if most > _AWAY_MM:
            kept.append(at)
            waiting += [(first, at), (at, last)]
    return [chain[n] for n in sorted(kept)]


_CORNERS = 5
"""Less than a dog-bone has: a box or a turned rectangle is drawn as that."""
_AWAY_MM = 0.1


def _area(outline: Sequence[Point]) -> float:
    twice, (x, y) = 0.0, outline[-1]
    for x1, y1 in outline:
        twice += x * y1 - x1 * y
        x, y = x1, y1
    return abs(twice) / 2


def _off_axis(angle: float) -> float:
    """Return how far a direction is from the nearest axis, in whole degrees."""
    return round(abs((angle + 45) % 90 - 45))


def _turned(along: float, across: float, angle: float) -> tuple[float, float, float]:
    if across > along:
        along, across, angle = across, along, angle + 90
    angle = 90 - (90 - angle) % _FULL_TURN
    if along <= across * _SQUARE:
        angle = (angle + 45) % 90 - 45
    # Adding zero turns a minus zero into a plain one.
    return along, across, round(angle, 6) + 0.0


def _extents(outline: Sequence[Point], angle: float) -> tuple[float, float]:
    if not angle:
        xs, ys = zip(*outline, strict=True)
        return max(xs) - min(xs), max(ys) - min(ys)
    c, s = math.cos(angle), math.sin(angle)
    along = [x * c + y * s for x, y in outline]
    across = [y * c - x * s for x, y in outline]
    return max(along) - min(along), max(across) - min(across)


NOTATIONS = tuple(sorted(orientation_notation.NOTATIONS))
"""Everything that is an orientation: six permutations, six ordered pairs, three single letters."""

NO_AXIS = "no preferred axis"
_CLEARLY_LONGER = 1.2
_ALIKE = 1.05
_STRAIGHT_DEG = 3.0
_QUARTER = 90.0


@dataclass(frozen=True, slots=True)
class Orientation:
    """How a piece lies.

    Attributes:
        letters: Three letters; one where the two shorter dimensions are alike; empty without an axis.
        plain: ``flat``, ``on edge``, ``upright`` or ``no preferred axis``.
        rotation_deg: Turn about Z (C, counter-clockwise) from the letters; 0 for a straight piece.
        note: What a person should know before confirming; empty if nothing.
        tilt: Turn about a horizontal axis from the letters: ``A30`` about X, ``B-20`` about Y; else empty.
    """

    letters: str
    plain: str
    rotation_deg: float = 0.0
    note: str = ""
    tilt: str = ""

    @property
    def text(self) -> str:
        """The whole in one line, such as ``XYZ C45 (flat)``."""
        turn = f" C{self.rotation_deg:g}" if self.rotation_deg else ""
        turn += f" {self.tilt}" if self.tilt else ""
        return f"{self.letters}{turn} ({self.plain})" if self.letters else self.plain


def orientation_of(piece: PlateObject) -> Orientation:
    """Return how an object of a plate lies, from its box or, askew, from its smallest rectangle."""
    if piece.tilt:
        return _risen(piece.tilt)
    return orientation(piece.size_mm, piece.angle_deg, piece.rect_mm)


def orientation(
    size_mm: tuple[float, float, float], angle_deg: float = 0.0, rect_mm: tuple[float, float] | None = None
) -> Orientation:
    """Return how a piece of this size lies.

    Args:
        size_mm: Its box along X, Y, Z, mm.
        angle_deg: From X to the long side of the smallest rectangle around it, counter-clockwise.
        rect_mm: Length and width of that rectangle, mm; None works them out from the box.
    """
    turn = _turn(angle_deg)
    if not turn:
        return _straight(size_mm, 0.0)
    length, width = rect_mm or _sides(size_mm, math.radians(angle_deg))
    return _straight((length, width, size_mm[2]), turn)


def _risen(tilt: Tilt) -> Orientation:
    """Return how a tilted bar lies: the letters of the nearest straight way, and its turn from there."""
    length, width, thickness = tilt.size_mm
    along_x = abs(math.cos(math.radians(tilt.toward_deg))) >= math.sqrt(0.5)
    steep = tilt.angle_deg > _STEEP
    rising, up = (thickness, length) if steep else (length, thickness)
    straight = _straight((rising, width, up) if along_x else (width, rising, up), 0.0)
    off = round(tilt.angle_deg - (_QUARTER if steep else 0.0), 1)
    about = "Y" if along_x else "X"
    note = f"tilted {abs(off):g}° about {about}: its long side rises {tilt.angle_deg:.3g}° from the bed"
    return replace(straight, note=note, tilt=f"{'B' if along_x else 'A'}{off:g}")


_STEEP = 45.0
_LEAST_LAYERS = 8
_LEAST_SHIFT_MM = 2.0
_LEAST_SLOPE = 0.087
_STRAIGHT_MM = 0.5
_EVEN = 0.1


def tilt_of(layers: Sequence[Layer], across_mm: float, line_mm: float) -> Tilt | None:
    """Return how a bar is tilted about a horizontal axis, None where it is not.

    The middles of its layers lie on a straight slope, and its layers are alike in its middle half. A bar that
    rises by t above the bed is cut by each layer over its thickness / sin t, and its layers move on by
    1 / tan t for each mm of height.

    Args:
        layers: Lowest first.
        across_mm: Width of the smallest rectangle around the whole body seen from above.
        line_mm: Line width.
    """
    if len(layers) < _LEAST_LAYERS:
        return None
    z, x, y, wide, deep = _boxes(layers[len(layers) // 4 : len(layers) - len(layers) // 4], line_mm)
    (slope_x, uneven_x), (slope_y, uneven_y) = _slope(z, x), _slope(z, y)
    slope = math.hypot(slope_x, slope_y)
    leans = slope > _LEAST_SLOPE and slope * (z[-1] - z[0]) > _LEAST_SHIFT_MM
    if not leans or max(uneven_x, uneven_y) >= _STRAIGHT_MM:
        return None
    toward = math.atan2(slope_y, slope_x)
    c, s = abs(math.cos(toward)), abs(math.sin(toward))
    if min(c, s) < _LEAST_SLOPE:
        # Straight along an axis the layers' own boxes tell, and better than the shadow of the whole.
        across_mm = sum(deep if c >= s else wide) / len(z)
    long = [(a - across_mm * s) / c for a in wide] if c >= s else [(b - across_mm * c) / s for b in deep]
    cut = sum(long) / len(long)
    if cut <= 0 or max(long) - min(long) > _EVEN * cut + line_mm:
        return None
    angle = math.atan2(1, slope)
    height = layers[-1].z_mm - layers[0].z_mm + layers[0].height_mm
    thickness = cut * math.sin(angle)
    length = (height - thickness * math.cos(angle)) / math.sin(angle)
    if length <= thickness:
        return None
    size = (length, across_mm, thickness)
    return Tilt(round(math.degrees(angle), 1), round(math.degrees(toward), 1), size)


def _boxes(layers: Sequence[Layer], line_mm: float) -> list[list[float]]:
    """Return height, middle in X and Y, and size along X and Y of each layer, mm; a list of each."""
    rows = []
    for layer in layers:
        boxes = [stretch.box_mm for stretch in layer.stretches]
        x0, y0 = (min(box[i] for box in boxes) for i in (0, 1))
        x1, y1 = (max(box[i] for box in boxes) for i in (2, 3))
        rows.append((layer.z_mm, (x0 + x1) / 2, (y0 + y1) / 2, x1 - x0 + line_mm, y1 - y0 + line_mm))
    return [list(column) for column in zip(*rows, strict=True)]


def _slope(z: Sequence[float], at: Sequence[float]) -> tuple[float, float]:
    """Return the slope of a straight line through places by height, and their greatest distance from it."""
    middle, mean = sum(z) / len(z), sum(at) / len(at)
    square = sum((each - middle) ** 2 for each in z)
    slope = sum((a - middle) * (b - mean) for a, b in zip(z, at, strict=True)) / square if square else 0.0
    return slope, max(abs(b - mean - slope * (a - middle)) for a, b in zip(z, at, strict=True))


def _turn(angle_deg: float) -> float:
    """Return the turn from the nearest way of lying straight along X or Y, 0 if it is straight."""
    off = (angle_deg + _QUARTER / 2) % _QUARTER - _QUARTER / 2
    return round(angle_deg, 1) if abs(off) > _STRAIGHT_DEG else 0.0


def _sides(size_mm: tuple[float, float, float], angle: float) -> tuple[float, float]:
    """Return length and width of a rectangle turned by ``angle`` inside a box."""
    c, s = abs(math.cos(angle)), abs(math.sin(angle))
    spread = c * c - s * s
    if abs(spread) < math.sin(math.radians(_STRAIGHT_DEG)):
        # At 45° the box is square whatever the bar: nothing can be told from it.
        return size_mm[0], size_mm[1]
    length = (size_mm[0] * c - size_mm[1] * s) / spread
    width = (size_mm[1] * c - size_mm[0] * s) / spread
    return max(length, width), max(min(length, width), 0.0)


def _straight(size: tuple[float, float, float], turn: float) -> Orientation:
    ranked = sorted(zip(size, "XYZ", strict=True), key=lambda pair: (-pair[0], pair[1]))
    if ranked[0][1] == "Z" and ranked[0][0] <= _CLEARLY_LONGER * ranked[1][0]:
        # Hardly higher than long, it stands on edge and is not upright: the letters say the same as the word.
        ranked[:2] = ranked[1::-1]
    (longest, _), (middle, _), (shortest, _) = ranked
    longest, middle = max(longest, middle), min(longest, middle)
    letters = "".join(letter for _, letter in ranked)
    # A cube has letters by accident of a tenth of a millimetre; none is truer.
    if longest < _CLEARLY_LONGER * shortest:
        return Orientation("", NO_AXIS, turn)
    alike = middle < _ALIKE * shortest
    plain = orientation_notation.in_words(letters[0] if alike else letters)
    if alike:
        return Orientation(letters[0], plain, turn, "the two shorter dimensions are alike")
    if longest < _ALIKE * middle:
        return Orientation(
            letters, plain, turn, "the two longer dimensions are alike: their order is a choice"
        )
    return Orientation(letters, plain, turn)
