"""Hardness by a durometer: mean of several points, with their scatter (ISO 868, from memory).

Shore A for soft, D for hard pieces. The standard wants five points 6 mm apart on a piece at least 4 mm thick,
and the scale that reads between 20 and 90.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Annotated, Any, Literal

from pydantic import Field

from tracker.api import (
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    budget_picture,
    hookimpl,
    nominal,
)
from tracker.api.maths import Source, uncertainties

Grade = Annotated[float, Field(ge=0, le=100)]
_THIN = {"A": 6.0, "D": 3.0}
_RANGE = (20.0, 90.0)
_POINTS = 5


class HardnessReadings(Readings):
    """What is read off the durometer."""

    points: Annotated[
        tuple[tuple[Grade], ...],
        Reading(help="readings, as 71 72.5 71", columns=("shore",), units=("1",), resolutions=(0.5,)),
    ] = ()
    scale: Annotated[Literal["A", "D"], Reading(help="scale of the durometer")] = "D"
    thickness: Annotated[float | None, Reading("mm", "thickness there", resolution=0.01), Field(gt=0)] = None
    after: Annotated[
        float | None,
        Reading("s", "time from contact to reading, 15 or 1", exact=True, ask=False),
        Field(gt=0),
    ] = None


class Hardness(Method):
    """Shore hardness of a printed face."""

    id = "hardness"
    title = "Shore hardness"
    version = "1.0"
    key = "hardness.shore"
    standard = (
        "ISO 868:2003. Departures: pressed by hand; a layered, possibly hollow piece; readings at once "
        "unless the time is recorded."
    )
    cautions = ("The indenter is a needle: keep fingers away from it.",)
    Readings = HardnessReadings
    quantities = (Quantity("hardness.shore", "1", None, "Shore hardness"),)
    formulas = (
        Formula(
            "H = Σ Hᵢ/n",
            "Hᵢ Shore reading of a point; n points",
            "ISO 868:2003 (from memory)",
        ),
        Formula(
            "u² = s²/n + u_r²",
            "s standard deviation of the points; u_r rounding and calibration",
            "JCGM 100:2008, 4.2 and 5.1",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the mean of the points; scales A and D are groups that share no mean."""
        del piece
        if not readings.points:
            return [Outcome("hardness.shore", refused="no points: give readings such as 71 72.5 71")]
        grades = [grade for (grade,) in readings.points]
        n = len(grades)
        value = sum(grades) / n
        plain = [nominal(grade) for grade in grades]
        scatter = math.sqrt(math.fsum((g - nominal(value)) ** 2 for g in plain) / (n - 1)) if n > 1 else 0.0
        if scatter:
            tag = Source("points: scatter over the face", n - 1)
            value = value + uncertainties.ufloat(0.0, scatter / math.sqrt(n), tag=tag)
        remarks = tuple(_remarks(readings, plain, scatter))
        return [Outcome("hardness.shore", value, remarks=remarks, group=f"Shore {readings.scale}")]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Shore hardness", outcomes, "hardness.shore")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [{"points": "71 72.5 71 70.5 72", "thickness": 4.0}, {"points": "85 86", "scale": "A"}]


def _remarks(readings: Any, plain: list[float], scatter: float) -> Iterable[str]:
    yield f"{len(plain)} points, standard deviation {scatter:.2g}."
    if len(plain) < _POINTS:
        yield f"ISO 868 wants {_POINTS} points."
    if any(not _RANGE[0] <= each <= _RANGE[1] for each in plain):
        yield f"A reading lies outside {_RANGE[0]:g} to {_RANGE[1]:g}: the other scale is meant for it."
    if readings.thickness is not None and nominal(readings.thickness) < _THIN[readings.scale]:
        yield f"Thinner than {_THIN[readings.scale]:g} mm: what lies under it is measured too."
    if readings.after is None:
        yield "Time from contact to reading not recorded; ISO 868 reads after 15 s, or at once."


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Hardness()]
