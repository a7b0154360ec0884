"""The section of a specimen: what was measured of it, and whether it looks like its template."""

from __future__ import annotations

import math
from typing import Any

from tracker.api._piece import Piece
from tracker.api._uncertainty import nominal

_APART = 0.05


def section_area(readings: Any) -> Any | None:
    """Return the area in mm²: as read, else width × thickness, else π d²/4; None if nothing was read."""
    area = getattr(readings, "area", None)
    # Somebody who gives an area knows of a section that is no rectangle.
    if area is not None:
        return area
    width, thickness = getattr(readings, "width", None), getattr(readings, "thickness", None)
    if width is not None and thickness is not None:
        return width * thickness
    diameter = getattr(readings, "diameter", None)
    return None if diameter is None else math.pi * diameter**2 / 4


def section_remarks(readings: Any, piece: Piece) -> tuple[str, ...]:
    """Return a remark for each dimension that differs from the geometry template by more than 5 %."""
    remarks = []
    for name, meant in piece.nominal_mm.items():
        read = getattr(readings, name, None)
        if (
            isinstance(meant, int | float)
            and meant > 0
            and hasattr(read, "__float__") | hasattr(read, "nominal_value")
        ):
            apart = nominal(read) / meant - 1
            # A slip of the caliper (40 for 4.0) or the wrong piece under the label: told beside the result,
            # and not corrected.
            if abs(apart) > _APART:
                remarks.append(
                    f"{name} {nominal(read):g} mm differs by {100 * apart:+.1f} % from the {meant:g} mm "
                    f"of {piece.geometry or 'its template'}."
                )
    return tuple(remarks)
