"""The plate from above, as numbers for a template: where each piece lies, and which is meant."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

_MARGIN: Final = 6.0
_LEAST: Final = 8.0
"""A thin piece is drawn at least so wide, in mm: a finger has to hit it."""


@dataclass(frozen=True)
class Spot:
    """A piece on the map; left and top edge, width and height in mm, Y downwards as screens have it."""

    id: str
    number: int
    name: str
    outcome: str
    meant: bool
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class PlateMap:
    """A map; ``view`` is the SVG view box in mm."""

    spots: tuple[Spot, ...]
    view: str


def plate_map(pieces: Sequence[Mapping[str, Any]], meant: str = "") -> PlateMap | None:
    """Return the map of a job's pieces; None where the plate does not say where they lie.

    Args:
        pieces: As ``show JOB --json`` has them.
        meant: ID of the piece to be marked.
    """
    boxes = [
        (place, each, each["box_mm"]) for place, each in enumerate(pieces, start=1) if each.get("box_mm")
    ]
    if not boxes:
        return None
    low_x, high_x = min(box[0] for *_, box in boxes), max(box[3] for *_, box in boxes)
    low_y, high_y = min(box[1] for *_, box in boxes), max(box[4] for *_, box in boxes)
    spots = tuple(_spot(place, each, box, high_y, meant) for place, each, box in boxes)
    width, height = high_x - low_x + 2 * _MARGIN, high_y - low_y + 2 * _MARGIN
    return PlateMap(spots, f"{low_x - _MARGIN:.2f} {-_MARGIN:.2f} {width:.2f} {height:.2f}")


def _spot(place: int, piece: Mapping[str, Any], box: Sequence[float], top: float, meant: str) -> Spot:
    width, height = max(_LEAST, box[3] - box[0]), max(_LEAST, box[4] - box[1])
    return Spot(
        id=piece["id"],
        number=place,
        name=piece["name"] or "",
        outcome=piece["outcome"] or "open",
        meant=piece["id"] == meant,
        x=round((box[0] + box[3] - width) / 2, 2),
        # The back of the plate is up on the screen, as it is seen from in front of the machine.
        y=round(top - (box[1] + box[4] + height) / 2, 2),
        width=round(width, 2),
        height=round(height, 2),
    )
