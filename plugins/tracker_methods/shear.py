"""Double shear: a pin or a bar cut through at two planes.

τ = F/(2A), A being the section of one plane; average shear, both planes taking the same load.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import Field

from tracker.api import Formula, Method, Outcome, Piece, Quantity, Reading, Readings, budget_picture, hookimpl
from tracker.api.maths import section_area, section_remarks


class ShearReadings(Readings):
    """What is read when a piece is sheared through."""

    max_force: Annotated[float | None, Reading("N", "greatest force shown", resolution=1.0), Field(gt=0)] = (
        None
    )
    width: Annotated[
        float | None, Reading("mm", "width of the section at one shear plane", resolution=0.01), Field(gt=0)
    ] = None
    thickness: Annotated[
        float | None,
        Reading("mm", "thickness of the section at one shear plane", resolution=0.01),
        Field(gt=0),
    ] = None
    diameter: Annotated[
        float | None, Reading("mm", "diameter, of a round pin", resolution=0.01, ask=False), Field(gt=0)
    ] = None


class Shear(Method):
    """Double shear in a fork."""

    id = "shear"
    title = "Double shear"
    version = "1.0"
    standard = (
        "Double-shear form of ASTM B769 (S = 2P/(πD²) for pins), carried over to printed pieces; for "
        "plastics ASTM D732 prescribes a punch tool instead. Departures: fork and blade of the bench rig, "
        "whose gap adds bending; rectangular sections; speed as the rig gives it."
    )
    cautions = (
        "The piece parts suddenly and flies. Eye protection, and a guard before it.",
        "Keep fingers out of the fork; the load drops when the piece parts.",
    )
    destructive = True
    Readings = ShearReadings
    quantities = (Quantity("shear.strength", "MPa", True, "shear strength"),)
    formulas = (
        Formula(
            "τ = F/(2 A)",
            "τ average shear stress, MPa; F greatest force, N; A section of one plane, mm²",
            "form of ASTM B769 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the average shear stress at the greatest force."""
        area = section_area(readings)
        remarks = section_remarks(readings, piece)
        if area is None:
            why = "no section: give width and thickness, or diameter"
            return [Outcome("shear.strength", refused=why, remarks=remarks)]
        if readings.max_force is None:
            return [Outcome("shear.strength", refused="no force: give max_force", remarks=remarks)]
        # The true stress is uneven across the section; an average is what all such tests report, and it
        # compares only with its like.
        rule = "Average over two planes; the gap of the fork adds bending that is not taken off."
        return [Outcome("shear.strength", double_shear(readings.max_force, area), remarks=(rule, *remarks))]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Double shear, strength / MPa", outcomes, "shear.strength")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"max_force": 1480, "width": 4.0, "thickness": 5.0},
            {"max_force": 1480, "diameter": 5.0},
        ]


def double_shear(force: Any, area: Any) -> Any:
    """Return the average shear stress in MPa:  τ = F/(2A), F in N, A of one plane in mm²."""
    return force / (2 * area)


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Shear()]
