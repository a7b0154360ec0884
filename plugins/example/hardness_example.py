"""Shore D hardness from a hand-held durometer: a whole strandbook plugin, to copy."""

from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import Field
from tracker.api import Method, Outcome, Piece, Quantity, Reading, Readings, budget_picture, hookimpl, nominal

Grade = Annotated[float, Field(ge=0, le=100)]
Millimetres = Annotated[float | None, Reading("mm", "thickness there", resolution=0.01), Field(gt=0)]
POINTS = Reading(help="readings, as 71 72.5 71", columns=("shore_d",), units=("1",), resolutions=(0.5,))


class HardnessReadings(Readings):
    """What is read: prompts, form, JSON schema and CSV columns are made from this."""

    points: Annotated[tuple[tuple[Grade], ...], POINTS] = ()
    thickness: Millimetres = None


class Hardness(Method):
    """Mean of several points."""

    id = "shored"
    title = "Shore D, by hand"
    version = "1.0"
    standard = "ISO 868, type D. Departures: pressed by hand, layered surface of a printed piece."
    cautions = ("The indenter is a needle: keep fingers away from it.",)
    Readings = HardnessReadings
    quantities = (Quantity("shored.mean", "1", None, "Shore D"),)

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Numbers arrive with their uncertainty, so the mean has one without our doing."""
        if not readings.points:
            return [Outcome("shored.mean", refused="no points: give readings such as 71 72.5 71")]
        grades = [grade for (grade,) in readings.points]
        thin = readings.thickness is not None and nominal(readings.thickness) < 4
        remarks = ("Thinner than 4 mm: the support is felt.",) if thin else ()
        return [Outcome("shored.mean", sum(grades) / len(grades), remarks=remarks)]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any:
        """Where the uncertainty comes from."""
        return budget_picture("Shore D", outcomes, "shored.mean")

    def examples(self) -> list[dict[str, Any]]:
        """What the generic suite tries."""
        return [{"points": "71 72.5 71", "thickness": 4.0}]


@hookimpl
def strandbook_methods() -> list[Method]:
    """Offer the method."""
    return [Hardness()]
