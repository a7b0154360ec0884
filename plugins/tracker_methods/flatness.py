"""Flatness of a face, and sag of bridges, in millimetres.

Flatness is the greatest minus the least distance from the least-squares plane through the points measured
(reference plane of ISO 12781-1, from memory). Sag is how far a bridge hangs below where it was drawn.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

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
from tracker.api.maths import np

Millimetres = Annotated[float, Field(allow_inf_nan=False)]
_LEAST = 4


class FlatnessReadings(Readings):
    """Heights over a face, and sag of bridges."""

    points: Annotated[
        tuple[tuple[Millimetres, Millimetres, Millimetres], ...],
        Reading(
            help="place and height, as 0:0:0.02 80:0:0.31 80:40:0.05 0:40:0.28",
            columns=("x", "y", "height"),
            units=("mm", "mm", "mm"),
            resolutions=(1.0, 1.0, 0.01),
            exact_columns=("x", "y"),
        ),
    ] = ()
    bridges: Annotated[
        tuple[tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(ge=0)]], ...],
        Reading(
            help="span and sag of bridges, as 10:0.05 20:0.20 40:1.1",
            columns=("span", "sag"),
            units=("mm", "mm"),
            resolutions=(0.1, 0.05),
            exact_columns=("span",),
        ),
    ] = ()
    sag_limit: Annotated[
        float, Reading("mm", "sag up to which a bridge counts as held", exact=True, ask=False), Field(gt=0)
    ] = 0.5


class Flatness(Method):
    """Flatness and bridging of a printed piece."""

    id = "flatness"
    title = "Flatness and bridging"
    version = "1.0"
    key = "flatness.deviation"
    standard = (
        "Flatness against the least-squares plane of ISO 12781-1:2011; bridges follow no standard. "
        "Departures: few points with a dial or feeler gauge; the piece lies on a plate as it is."
    )
    cautions = ("Burrs and strings of a fresh print cut: brush them off before touching the face.",)
    Readings = FlatnessReadings
    quantities = (
        Quantity("flatness.deviation", "mm", False, "flatness deviation", positive=False),
        Quantity("flatness.sag", "mm", False, "greatest sag of a bridge", positive=False),
        Quantity("flatness.longest_bridge", "mm", True, "longest bridge held"),
    )
    formulas = (
        Formula(
            "f = max(dᵢ) − min(dᵢ)",
            "f flatness deviation, mm; dᵢ distance of a point from the least-squares plane, mm",
            "ISO 12781-1:2011, least-squares reference plane (from memory)",
        ),
        Formula(
            "sag = drawn height − measured height",
            "mm, the greatest of all bridges",
            "none: definition of this method",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the deviation from the plane, and how bridges held."""
        del piece
        if not readings.points and not readings.bridges:
            return [Outcome("flatness.deviation", refused="no points: give x:y:height, or bridges span:sag")]
        outcomes = []
        if readings.points:
            outcomes.append(_deviation(readings.points))
        if readings.bridges:
            outcomes += _bridges(readings)
        return outcomes

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Flatness deviation / mm", outcomes, "flatness.deviation")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"points": "0:0:0.02 80:0:0.31 80:40:0.05 0:40:0.28 40:20:0.11"},
            {"bridges": "10:0.05 20:0.20 40:1.1"},
        ]


def _deviation(points: Any) -> Outcome:
    if len(points) < _LEAST:
        return Outcome(
            "flatness.deviation", refused=f"a plane lies through three points: read {_LEAST} or more"
        )
    places = np.array([[1.0, nominal(x), nominal(y)] for x, y, _ in points])
    if np.linalg.matrix_rank(places) < 3:  # noqa: PLR2004 - a plane
        return Outcome("flatness.deviation", refused="the points lie on one line: spread them over the face")
    # Residuals are linear in the heights, so that heights may carry their uncertainty through.
    residual = np.eye(len(points)) - places @ np.linalg.pinv(places)
    off = [
        sum(float(part) * height for part, (_, _, height) in zip(row, points, strict=True))
        for row in residual
    ]
    high, low = max(off, key=nominal), min(off, key=nominal)
    remark = f"{len(points)} points against their least-squares plane."
    return Outcome("flatness.deviation", high - low, remarks=(remark,))


def _bridges(readings: Any) -> list[Outcome]:
    limit = readings.sag_limit
    worst = max(readings.bridges, key=lambda each: nominal(each[1]))
    held = [nominal(span) for span, sag in readings.bridges if nominal(sag) <= limit]
    failed = [nominal(span) for span, sag in readings.bridges if nominal(sag) > limit]
    sag = Outcome("flatness.sag", worst[1], remarks=(f"At a span of {nominal(worst[0]):g} mm.",))
    # Longer than one that hung through it held by luck.
    sound = [span for span in held if not failed or span < min(failed)]
    name, rule = "flatness.longest_bridge", f"Held: sag of at most {limit:g} mm."
    if not sound:
        return [sag, Outcome(name, min(failed), "<", (rule, "Even the shortest hung through."))]
    remarks = (rule,) if failed else (rule, "All held: the limit lies above.")
    return [sag, Outcome(name, max(sound), "=" if failed else ">", remarks)]


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Flatness()]
