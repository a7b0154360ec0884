"""A gauge section that a person states: ranges in mm from a corner of the piece's own box.

Templates know where a standard piece breaks. A free shape, or a piece that is clamped
otherwise than its template says, has a gauge section that only the person knows.
"""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from tracker.errors import Refused
from tracker.platefile.facts import Layer, Pause, PlateObject, Point, Reading, SetPoints, Stretch
from tracker.platefile.layering import reading, set_points
from tracker.platetext.source import BadWindow

BY_LAYERS = "layers whose middle lies in the Z range"
BY_SHARE = "stretches of every layer, by the share of their box inside the window"


@dataclass(frozen=True, slots=True)
class Window:
    """A gauge section: a range of heights, or a range along a direction in the plane, and one across it.

    Attributes:
        low: Lower end in mm.
        high: Upper end in mm.
        angle_deg: Direction from X in the plane along which the ends count; None for heights.
        across: Ends across that direction, in mm; None for all of the piece.
    """

    low: float
    high: float
    angle_deg: float | None = None
    across: tuple[float, float] | None = None

    @classmethod
    def heights(cls, low: float, high: float) -> Window:
        """Return the section of an upright piece between two heights."""
        return cls(low, high)

    @classmethod
    def along_x(cls, low: float, high: float) -> Window:
        """Return the section of a flat piece between two X."""
        return cls(low, high, 0.0)

    @classmethod
    def along_y(cls, low: float, high: float) -> Window:
        """Return the section of a flat piece between two Y."""
        return cls(low, high, 90.0)

    @property
    def text(self) -> str:
        """The window in words."""
        said = f"{self.low:.6g} to {self.high:.6g} mm along {_axis(self.angle_deg)}"
        if self.across is None or self.angle_deg is None:
            return said
        return f"{said}, {self.across[0]:.6g} to {self.across[1]:.6g} mm along {_axis(self.angle_deg + 90.0)}"


def _axis(angle_deg: float | None) -> str:
    return {None: "Z", 0.0: "X", 90.0: "Y"}.get(angle_deg) or f"the line at {angle_deg:g} deg"


@dataclass(frozen=True, slots=True)
class Section:
    """Facts of the part of a piece inside a window.

    Attributes:
        window: The window.
        first_layer: Number of the lowest layer in it, from 1.
        last_layer: Number of the highest.
        layers: How many.
        z_mm: Bottom of the lowest and top of the highest.
        layer_time_min_s: Least wall time of these layers (see `Layer.time_s`).
        layer_time_median_s: Their median.
        own_layer_time_min_s: Least time inside the object's markers.
        flow_mm3_s: Mean flow per layer: mean and range over the layers.
        speed_mm_s: Commanded speed while depositing.
        set_points: In force while the section was deposited.
        spans_s: Start and end of the depositing in each layer, s since the start of the file.
        filament_mm: Deposited inside; of a window in the plane estimated by shares.
        how: How the section was cut out.
        flow_factor_pct: The flow factor in force, percent.
        pauses: Waits for a person between its first and its last layer.
    """

    window: Window
    first_layer: int
    last_layer: int
    layers: int
    z_mm: tuple[float, float]
    layer_time_min_s: float
    layer_time_median_s: float
    own_layer_time_min_s: float
    flow_mm3_s: Reading
    speed_mm_s: Reading
    set_points: SetPoints
    spans_s: tuple[tuple[float, float], ...]
    filament_mm: float
    how: str
    flow_factor_pct: Reading
    pauses: tuple[Pause, ...]


def section(piece: PlateObject, window: Window) -> Section:
    """Return the facts of a piece inside a window.

    Raises:
        BadWindow: No layer of the piece lies in it.
    """
    picked = _picked(piece, window)
    if not picked:
        raise BadWindow(window.text, _spanned(piece, window))
    layers = [layer for _, layer, _ in picked]
    times = _times(piece, layers)
    pairs = [pair for _, _, inside in picked for pair in inside]
    weights = [stretch.filament_mm * share for stretch, share in pairs]
    return Section(
        window=window,
        first_layer=picked[0][0],
        last_layer=picked[-1][0],
        layers=len(picked),
        z_mm=(round(layers[0].z_mm - layers[0].height_mm, 4), layers[-1].z_mm),
        layer_time_min_s=min(times),
        layer_time_median_s=statistics.median(times),
        own_layer_time_min_s=min(layer.own_time_s for layer in layers),
        flow_mm3_s=reading([(layer.flow_mm3_s, layer.filament_mm) for layer in layers], "estimated"),
        speed_mm_s=reading([(s.speed_mm_s, w) for (s, _), w in zip(pairs, weights, strict=True)]),
        set_points=set_points([stretch for stretch, _ in pairs], weights),
        spans_s=tuple(_span(inside) for _, _, inside in picked),
        filament_mm=sum(weights),
        how=BY_LAYERS if window.angle_deg is None else BY_SHARE,
        flow_factor_pct=reading([(s.flow_factor * 100, w) for (s, _), w in zip(pairs, weights, strict=True)]),
        # Between two layers a pause lies in the section where both do; within one, where that one does.
        pauses=tuple(
            pause
            for pause in piece.pauses
            if picked[0][0] <= pause.layer <= picked[-1][0] - (not pause.inside)
        ),
    )


def corners_of(window: Window, piece: PlateObject) -> tuple[Point, ...]:
    """Return the corners of a gauge section seen from above, mm; none of a range of heights."""
    if window.angle_deg is None:
        return ()
    angle = math.radians(window.angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    box = piece.box_mm
    outline = piece.contour_mm or piece.outline_mm or ((box[0], box[1]), (box[3], box[4]))
    turned = [(x * c + y * s, y * c - x * s) for x, y in outline]
    across = window.across or _breadth(turned, window.low, window.high)
    ends = (
        (window.low, across[0]),
        (window.high, across[0]),
        (window.high, across[1]),
        (window.low, across[1]),
    )
    return tuple((u * c - v * s, u * s + v * c) for u, v in ends)


def _breadth(outline: Sequence[Point], low: float, high: float) -> tuple[float, float]:
    """Return the least and the greatest Y that an outline has between two X: a dog-bone is slimmer there."""
    found = []
    for (x0, y0), (x1, y1) in zip(outline, [*outline[1:], *outline[:1]], strict=True):
        ends = sorted((part, x0 + (x1 - x0) * part) for part in _crossings(x0, x1, low, high))
        found += [y0 + (y1 - y0) * part for part, x in ends if low - _HAIR_MM <= x <= high + _HAIR_MM]
    found = found or [y for _, y in outline]
    return min(found), max(found)


def _crossings(x0: float, x1: float, low: float, high: float) -> Iterator[float]:
    """Yield the parts of a side, 0 to 1, at which it begins, ends, and crosses two X."""
    yield from (0.0, 1.0)
    yield from (part for x in (low, high) if x0 != x1 and 0 < (part := (x - x0) / (x1 - x0)) < 1)


_HAIR_MM = 1e-6


def _picked(piece: PlateObject, window: Window) -> list[tuple[int, Layer, list[tuple[Stretch, float]]]]:
    numbered = enumerate(piece.layer_facts, 1)
    return [(number, layer, inside) for number, layer in numbered if (inside := _inside(layer, window))]


def _times(piece: PlateObject, layers: list[Layer]) -> list[float]:
    """Return the times of layers that something is laid on: the top layer's bonds nothing."""
    top = piece.layer_facts[-1]
    return [layer.time_s for layer in layers if layer is not top] or [layer.time_s for layer in layers]


def _inside(layer: Layer, window: Window) -> list[tuple[Stretch, float]]:
    """Return the stretches of a layer inside the window, each with the share that counts."""
    if window.angle_deg is None:
        # By its middle, so that of two windows that meet each layer lies in one.
        middle = layer.z_mm - layer.height_mm / 2
        return [(s, 1.0) for s in layer.stretches] if window.low <= middle <= window.high else []
    shares = ((stretch, _share(stretch, window)) for stretch in layer.stretches)
    return [(stretch, share) for stretch, share in shares if share > 0]


def _share(stretch: Stretch, window: Window) -> float:
    angle = window.angle_deg or 0.0
    along = _part(_extent(stretch.box_mm, angle), (window.low, window.high))
    if window.across is None:
        return along
    return along * _part(_extent(stretch.box_mm, angle + 90.0), window.across)


def _part(extent: tuple[float, float], ends: tuple[float, float]) -> float:
    """Return which part of an extent lies between two ends."""
    low, high = extent
    overlap = min(high, ends[1]) - max(low, ends[0])
    # A line across the direction has no length along it: in or out.
    if high - low <= 0:
        return 1.0 if ends[0] <= low <= ends[1] else 0.0
    return max(0.0, overlap) / (high - low)


def _extent(box: tuple[float, float, float, float], angle_deg: float) -> tuple[float, float]:
    """Return what a box spans along a direction."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    corners = [x * c + y * s for x in (box[0], box[2]) for y in (box[1], box[3])]
    return min(corners), max(corners)


def _span(inside: list[tuple[Stretch, float]]) -> tuple[float, float]:
    return min(s.start_s for s, _ in inside), max(s.end_s for s, _ in inside)


def _spanned(piece: PlateObject, window: Window) -> str:
    box = piece.box_mm
    if window.angle_deg is None:
        return f"{box[2]:.6g} to {box[5]:.6g} mm along Z"
    low, high = _extent((box[0], box[1], box[3], box[4]), window.angle_deg)
    return f"{low:.6g} to {high:.6g} mm"


Range = tuple[float, float]

_PART: Final = re.compile(
    r"(?P<axis>[xyz])\s*[:=]?\s*(?P<low>\d+(?:\.\d*)?|\.\d+)\s*(?:-|–|\.\.|to)\s*(?P<high>\d+(?:\.\d*)?|\.\d+)"
    r"\s*(?:mm)?",
    re.IGNORECASE,
)
_WRITE: Final = "Write x:20-60, y:3-7 or both (x:20-60,y:3-7) for a flat piece, z:10-30 for an upright one"
_SLACK_MM: Final = 0.5
"""A ruler laid on the print reads a line width more than the box."""


@dataclass(frozen=True, slots=True)
class OwnGauge:
    """A stated gauge section: a window in the plane, or a range of heights.

    Attributes:
        x: From and to in mm from the left side of the piece's box; None for all of it.
        y: From and to in mm from the front of the box; None for all of it.
        z: From and to in mm from the bottom of the box; None for a window in the plane.
    """

    x: Range | None = None
    y: Range | None = None
    z: Range | None = None

    @property
    def text(self) -> str:
        """The section as it is typed and kept: ``x:20-60,y:3-7``."""
        named = (("x", self.x), ("y", self.y), ("z", self.z))
        return ",".join(f"{axis}:{each[0]:g}-{each[1]:g}" for axis, each in named if each)

    @property
    def words(self) -> str:
        """The section in words: ``x 20 – 60 mm, y 3 – 7 mm of its box``."""
        named = (("x", self.x), ("y", self.y), ("z", self.z))
        said = ", ".join(f"{axis} {each[0]:g} – {each[1]:g} mm" for axis, each in named if each)
        return f"{said} of its box"


def read_gauge(text: str) -> OwnGauge:
    """Return the gauge section that ``x:20-60``, ``x:20-60,y:3-7`` or ``z:10-30`` states, in mm.

    Raises:
        Refused: It cannot be read, an axis is given twice, a range is empty, or heights and a window in the
            plane are both given.
    """
    found: dict[str, Range] = {}
    matches = list(_PART.finditer(text))
    if not matches or not _nothing_else(text, matches):
        raise Refused(f"{text!r} is no gauge section", do=_WRITE)
    for match in matches:
        axis, low, high = match["axis"].lower(), float(match["low"]), float(match["high"])
        if axis in found:
            raise Refused(f"{text!r} gives {axis} twice", do=_WRITE)
        if high <= low:
            raise Refused(
                f"{match[0].strip()!r} is empty",
                do=f"Write {axis}:{high:g}-{low:g}" if high < low else _WRITE,
            )
        found[axis] = (low, high)
    if "z" in found and len(found) > 1:
        raise Refused(f"{text!r} mixes heights and a window in the plane", do=_WRITE)
    return OwnGauge(found.get("x"), found.get("y"), found.get("z"))


def _nothing_else(text: str, matches: list[re.Match[str]]) -> bool:
    edges = [0, *(edge for match in matches for edge in match.span()), len(text)]
    return all(not text[since:until].strip(" ,;") for since, until in list(pairwise(edges))[::2])


def own_window(gauge: OwnGauge, piece: PlateObject) -> Window:
    """Return the window of a stated gauge section on the plate.

    Raises:
        Refused: It reaches beyond the piece.
    """
    for axis, size, each in zip("xyz", piece.size_mm, (gauge.x, gauge.y, gauge.z), strict=True):
        if each and each[1] > size + _SLACK_MM:
            raise Refused(
                f"{axis}:{each[0]:g}-{each[1]:g} reaches beyond {piece.name}",
                why=f"it is {size:.4g} mm along {axis.upper()}, measured from the corner of its box",
                do=_WRITE,
            )
    box = piece.box_mm
    if gauge.z:
        return Window.heights(box[2] + gauge.z[0], box[2] + gauge.z[1])
    x, y = _laid(gauge.x, box[0]), _laid(gauge.y, box[1])
    if x and y:
        return Window(*x, 0.0, across=y)
    return Window.along_x(*x) if x else Window.along_y(*(y or (box[1], box[4])))


def _laid(each: Range | None, corner: float) -> Range | None:
    return None if each is None else (corner + each[0], corner + each[1])
