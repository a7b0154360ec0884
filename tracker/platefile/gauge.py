"""Gauge sections: of usual test pieces, by which an object is known, and as a person states them.

Templates know where a standard piece breaks. A free shape, or a piece that is clamped
otherwise than its template says, has a gauge section that only the person knows: ranges in mm from
a corner of the piece's own box.
"""

from __future__ import annotations

import math
import os
import re
import statistics
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Final

from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.platefile.facts import Layer, Pause, PlateObject, Point, Reading, SetPoints, Stretch
from tracker.platefile.layering import reading, set_points
from tracker.platefile.orientation import NO_AXIS, orientation_of
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
        text = f"{self.low:.6g} to {self.high:.6g} mm along {_axis(self.angle_deg)}"
        if self.across is None or self.angle_deg is None:
            return text
        return f"{text}, {self.across[0]:.6g} to {self.across[1]:.6g} mm along {_axis(self.angle_deg + 90.0)}"


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
        ranges = ", ".join(f"{axis} {each[0]:g} – {each[1]:g} mm" for axis, each in named if each)
        return f"{ranges} of its box"


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
    x, y = _shifted(gauge.x, box[0]), _shifted(gauge.y, box[1])
    if x and y:
        return Window(*x, 0.0, across=y)
    return Window.along_x(*x) if x else Window.along_y(*(y or (box[1], box[4])))


def _shifted(each: Range | None, corner: float) -> Range | None:
    return None if each is None else (corner + each[0], corner + each[1])


FREE = "free"
_TOLERANCE = 0.06
_TOLERANCE_MM = 0.6
"""A printed piece is a line width or a little warp off its nominal size. Common practice, no source."""
_STEEP_DEG = 20.0
"""A bar that rises less is cut by its length in the plane. Our choice."""
_SIDES = ("length", "width", "thickness")


@dataclass(frozen=True, slots=True)
class Piece:
    """A template of a test piece.

    Attributes:
        id: Its short name.
        title: Its name in words.
        size_mm: Length, width, thickness; None for a free shape.
        open: Sides that may be larger: ``length``, ``width``, ``thickness``.
        gauge_mm: Length of the gauge section along the longest dimension; None takes the whole piece.
        gauge: What the gauge section is.
        section_mm: Width and thickness of the gauge section; None for a free shape.
        source: Where the figures come from.
    """

    id: str
    title: str
    size_mm: tuple[float, float, float] | None
    open: tuple[str, ...]
    gauge_mm: float | None
    gauge: str
    section_mm: tuple[float, float] | None
    source: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A template that an object may be.

    Attributes:
        piece: The template.
        deviation_mm: Greatest difference of a dimension; None for the free shape.
        margin_mm: How much more the next template of another size differs; None where there is none.
    """

    piece: Piece
    deviation_mm: float | None
    margin_mm: float | None = None


OWN_FOLDER = "STRANDBOOK_TEMPLATES"
"""Names the folder of one's own templates; else ``strandbook/templates`` among the user's settings."""


def pieces() -> tuple[Piece, ...]:
    """Return all templates: those built in, then one's own, the free shape last.

    A template of one's own with the id of another takes its place.

    Raises:
        Refused: A file of one's own cannot be read.
    """
    settings = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    folder = Path(os.environ.get(OWN_FOLDER) or Path(settings) / "strandbook" / "templates")
    own = {each.id: each for path in sorted(folder.glob("*.toml")) for each in _own(path)}
    found = {each.id: each for each in _built_in()} | own
    return (*(each for each in found.values() if each.size_mm), *(e for e in found.values() if not e.size_mm))


@cache
def _built_in() -> tuple[Piece, ...]:
    table = tomllib.loads(files(__package__).joinpath("pieces.toml").read_text("utf-8"))
    return tuple(_piece(row) for row in table["piece"])


def _own(path: Path) -> tuple[Piece, ...]:
    try:
        table = tomllib.loads(read_input(path, "settings file").decode("utf-8"))
        return tuple(_piece(row) for row in table["piece"])
    # What cannot be decoded, and what is no TOML, are ValueErrors.
    except (OSError, KeyError, TypeError, ValueError, RecursionError) as error:
        raise Refused(
            f"{path} is no file of templates",
            why=str(error),
            do="Write [[piece]] with id, title, size_mm, gauge_mm, gauge and source, as the built-in ones do",
        ) from error


def _piece(row: dict[str, object]) -> Piece:
    size = row.get("size_mm")
    length, width, thickness = size if isinstance(size, list) else (0.0, 0.0, 0.0)
    opened = row.get("open")
    gauge = row.get("gauge_mm")
    section = row.get("section_mm", [width, thickness] if isinstance(size, list) else None)
    return Piece(
        id=str(row["id"]),
        title=str(row["title"]),
        size_mm=(length, width, thickness) if isinstance(size, list) else None,
        open=tuple(str(side) for side in opened) if isinstance(opened, list) else (),
        gauge_mm=float(gauge) if isinstance(gauge, int | float) else None,
        gauge=str(row["gauge"]),
        section_mm=(float(section[0]), float(section[1])) if isinstance(section, list) else None,
        source=str(row["source"]),
    )


def piece_named(name: str) -> Piece:
    """Return the template of this name.

    Raises:
        Refused: There is none.
    """
    for piece in pieces():
        if piece.id == name.strip().lower():
            return piece
    known = ", ".join(piece.id for piece in pieces())
    raise Refused(f"No piece is called {name!r}", do=f"Known are: {known}.")


def match_geometry(size_mm: tuple[float, float, float]) -> list[Candidate]:
    """Return the templates that a piece of this size may be, closest first, the free shape last.

    Args:
        size_mm: Its own dimensions in mm, in any order; of an askew piece those of its smallest rectangle.
    """
    found = [
        Candidate(piece, deviation)
        for piece in pieces()
        if piece.size_mm and (deviation := _deviation(size_mm, piece)) is not None
    ]
    free = [Candidate(piece, None) for piece in pieces() if not piece.size_mm]
    ordered = sorted(found, key=lambda one: one.deviation_mm or 0.0)
    return [*(replace(one, margin_mm=_margin(one, ordered)) for one in ordered), *free]


def _margin(one: Candidate, ordered: list[Candidate]) -> float | None:
    """Return how much farther off the nearest template of another size is."""
    others = [each.deviation_mm or 0.0 for each in ordered if each.piece.size_mm != one.piece.size_mm]
    return round(min(others) - (one.deviation_mm or 0.0), 4) if others else None


def match_object(piece: PlateObject) -> list[Candidate]:
    """Return the templates that an object of a plate may be, closest first, the free shape last."""
    return match_geometry(own_size(piece))


def own_size(piece: PlateObject) -> tuple[float, float, float]:
    """Return a piece's dimensions along its own sides, mm, height last: askew ones as if turned straight."""
    if piece.tilt:
        return piece.tilt.size_mm
    if orientation_of(piece).rotation_deg:
        return (*piece.rect_mm, piece.size_mm[2])
    return piece.size_mm


def _deviation(size_mm: tuple[float, float, float], piece: Piece) -> float | None:
    """Return the greatest difference in mm, None if it is too great."""
    worst = 0.0
    for side, have, want in zip(_SIDES, sorted(size_mm, reverse=True), piece.size_mm or (), strict=True):
        difference = have - want
        # "At least" is no licence for any length: half as much again is another piece.
        most = want * 0.5 if side in piece.open and difference > 0 else want * _TOLERANCE + _TOLERANCE_MM
        if abs(difference) > most:
            return None
        worst = max(worst, abs(difference))
    return round(worst, 4)


def gauge_window(piece: Piece, thing: PlateObject) -> Window:
    """Return where the gauge section of an object lies.

    It lies in the middle of the longest dimension: a range of heights for an upright
    piece, a range along X, Y or the askew direction for one that lies.

    Args:
        piece: The template.
        thing: The object.
    """
    box = thing.box_mm
    length, width, height = (*_in_plane(thing), thing.size_mm[2])
    if thing.tilt and piece.size_mm and thing.tilt.angle_deg >= _STEEP_DEG:
        # Layers cut a tilted bar aslant: the heights between which its middle part lies.
        middle = (box[2] + box[5]) / 2
        rise = min(piece.gauge_mm or thing.tilt.size_mm[0], thing.tilt.size_mm[0])
        half = rise / 2 * math.sin(math.radians(thing.tilt.angle_deg))
        return Window.heights(middle - half, middle + half)
    # A cube has no middle part along anything: it is taken whole, layer by layer.
    by_height = height > max(length, width) or orientation_of(thing).plain == NO_AXIS
    # Without a stated gauge section the whole piece may break, and all of it counts.
    gauge = piece.gauge_mm or max(length, width, height)
    if by_height or not piece.size_mm:
        middle = (box[2] + box[5]) / 2
        half = min(gauge, height) / 2 if piece.size_mm else height / 2
        return Window.heights(middle - half, middle + half)
    angle = _direction(thing)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    middle = thing.centre_mm[0] * c + thing.centre_mm[1] * s
    half = min(gauge, length) / 2
    return Window(middle - half, middle + half, angle)


def _in_plane(thing: PlateObject) -> tuple[float, float]:
    """Return length and width in the plane, the longer one first."""
    if orientation_of(thing).rotation_deg:
        return thing.rect_mm
    return max(thing.size_mm[:2]), min(thing.size_mm[:2])


def _direction(thing: PlateObject) -> float:
    turn = orientation_of(thing).rotation_deg
    if turn:
        return turn
    return 0.0 if thing.size_mm[0] >= thing.size_mm[1] else 90.0
