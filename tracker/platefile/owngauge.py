"""A gauge section that a person states: ranges in mm from a corner of the piece's own box.

Templates know where a standard piece breaks. A free shape, or a piece that is clamped
otherwise than its template says, has a gauge section that only the person knows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from tracker.errors import Refused
from tracker.platefile.platefacts import PlateObject
from tracker.platefile.section import Window

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
