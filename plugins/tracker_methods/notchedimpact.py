"""Notched impact strength with the energy of the thrown half taken off (ISO 179-1, ISO 180; from memory).

a = (E − E_loss − E_toss)·10³/(h·b_N) in kJ/m², with b_N what the notch leaves of the width. The toss energy
is found by putting the broken half back and letting the pendulum throw it again.
"""

from __future__ import annotations

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

_USED = (0.1, 0.8)
# Below it a brittle half flies off with a good part of what was measured.
_TOSS_MATTERS = 0.1
Positive = Annotated[float | None, Field(gt=0)]
Nought = Annotated[float | None, Field(ge=0)]


class NotchedImpactReadings(Readings):
    """What is read at the pendulum."""

    energy: Annotated[Positive, Reading("J", "energy read after the blow", resolution=0.01)] = None
    loss: Annotated[Nought, Reading("J", "energy read after a free swing", resolution=0.01)] = None
    toss: Annotated[
        Nought, Reading("J", "energy read with the broken half put back and thrown again", resolution=0.01)
    ] = None
    pendulum_energy: Annotated[Positive, Reading("J", "energy of the pendulum", exact=True, ask=False)] = None
    thickness: Annotated[Positive, Reading("mm", "thickness h", resolution=0.01)] = None
    left_width: Annotated[Positive, Reading("mm", "width b_N under the notch", resolution=0.01)] = None
    support: Annotated[
        Literal["Charpy", "Izod"], Reading(help="bar on two supports, or clamped at one end")
    ] = "Charpy"
    notch_made: Annotated[
        Literal["cut", "printed"] | None, Reading(help="how the notch was made", ask=False)
    ] = None
    break_type: Annotated[
        Literal["C", "H", "P", "N"] | None, Reading(help="complete, hinge, partial, not broken")
    ] = None


class NotchedImpact(Method):
    """Notched bar under a pendulum."""

    id = "notchedimpact"
    title = "Notched impact"
    version = "1.0"
    key = "notchedimpact.strength"
    standard = (
        "ISO 179-1:2023 (Charpy) and ISO 180:2019 (Izod), notch A. Departures: home-made pendulum; printed "
        "pieces, printed notches named as such; the free swing's loss taken off whole."
    )
    cautions = (
        "A raised pendulum stores energy: hands and head out of its path, release with a cord.",
        "Fragments fly: eye protection, and guards on both sides.",
    )
    destructive = True
    Readings = NotchedImpactReadings
    quantities = (Quantity("notchedimpact.strength", "kJ/m^2", True, "notched impact strength"),)
    formulas = (
        Formula(
            "a = 10³ (E − W − E_t)/(h b_N)",
            "a notched impact strength, kJ/m²; E energy read, W loss, E_t energy of the thrown "
            "half, J; h thickness, b_N width left by the notch, mm",
            "ISO 179-1:2023, ISO 180:2019 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the energy over the section left by the notch; break types and supports are groups."""
        del piece
        name = "notchedimpact.strength"
        parts = (readings.support, readings.break_type, readings.notch_made)
        group = " ".join(each for each in parts if each)
        if readings.break_type == "N":
            return [Outcome(name, refused="type N: it did not break", group=group)]
        lacking = [e for e in ("energy", "thickness", "left_width") if getattr(readings, e) is None]
        if lacking:
            return [Outcome(name, refused=f"not read: {', '.join(lacking)}", group=group)]
        loss = 0.0 if readings.loss is None else readings.loss
        # The second throw loses to friction as the first did; only what is above that went into the half.
        toss = 0.0 if readings.toss is None else readings.toss - loss
        net = readings.energy - loss - (toss if nominal(toss) > 0 else 0.0)
        if nominal(net) <= 0:
            return [Outcome(name, refused="losses and toss are as large as the energy", group=group)]
        value = 1000 * net / (readings.thickness * readings.left_width)
        return [Outcome(name, value, remarks=tuple(_remarks(readings)), group=group)]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Notched impact / kJ/m²", outcomes, "notchedimpact.strength")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        bar = {"thickness": 4.0, "left_width": 8.0, "energy": 0.20, "pendulum_energy": 1.0}
        return [
            {**bar, "loss": 0.01, "toss": 0.02, "break_type": "C"},
            {**bar, "support": "Izod", "break_type": "H"},
            {**bar, "break_type": "N"},
        ]


def _remarks(readings: Any) -> Iterable[str]:
    if readings.loss is None:
        yield "Losses not subtracted: no free swing was read."
    if readings.toss is None:
        yield "Toss energy not subtracted: it was not read."
    elif nominal(readings.toss) > _TOSS_MATTERS * nominal(readings.energy):
        part = 100 * nominal(readings.toss) / nominal(readings.energy)
        yield f"The second throw took {part:.0f} % of the energy of the first."
    if readings.break_type is None:
        yield "Break type not recorded; results of different types must not be averaged."
    if readings.pendulum_energy is not None:
        used = nominal(readings.energy) / nominal(readings.pendulum_energy)
        if not _USED[0] <= used <= _USED[1]:
            yield f"{100 * used:.0f} % of the pendulum's energy was used, outside 10 to 80 %."


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [NotchedImpact()]
