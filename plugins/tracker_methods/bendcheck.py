"""Brittleness of the strand: the least mandrel it can be bent around without breaking."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
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
    hookimpl,
    nominal,
    picture,
)
from tracker.api.picture import RESULT

_ALL_HELD = "It held at all tried; the limit lies below."
_COLOURS = {"broke": RESULT, "whitened": "#c9a227", "whole": "#3a7d44"}


class BendcheckReadings(Readings):
    """What became of the strand around each mandrel."""

    bends: Annotated[
        tuple[tuple[Annotated[float, Field(gt=0)], Literal["broke", "whitened", "whole"]], ...],
        Reading(
            help="mandrel diameter : broke, whitened or whole, such as 50:whole 30:whitened 20:broke",
            columns=("mandrel_mm", "outcome"),
            units=("mm", ""),
            exact_columns=("mandrel_mm",),
        ),
    ] = ()


class Bendcheck(Method):
    """Bending the strand around ever thinner mandrels."""

    id = "bendcheck"
    title = "Bend check of the filament"
    version = "1.0"
    standard = (
        "No standard is followed: the filament is bent half round a mandrel by hand within about a second, "
        "at room temperature. Departures between benches (speed, temperature, age of the bend) shift the "
        "answer; compare on one bench only."
    )
    cautions = ("Brittle filament breaks into flying ends: eye protection.",)
    subject = "spool"
    Readings = BendcheckReadings
    quantities = (
        Quantity("bendcheck.least_diameter", "mm", False, "least mandrel without a break"),
        Quantity("bendcheck.least_whole", "mm", False, "least mandrel without whitening"),
    )
    formulas = (
        Formula(
            "least d with no break; least d with no whitening",
            "d diameter of the mandrel, mm",
            "none: read off as given",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the least mandrels; where all or none held, as a limit."""
        del piece
        if not readings.bends:
            yield Outcome(
                "bendcheck.least_diameter", refused="no bends: give mandrel:outcome, such as 30:whole"
            )
            return
        yield _least("least_diameter", readings.bends, {"whole", "whitened"})
        yield _least("least_whole", readings.bends, {"whole"})

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw each mandrel with what became of the strand."""
        del piece, outcomes
        if not readings.bends:
            return None
        figure, axes = picture("Bend check", ("mandrel / mm", ""))
        order = list(_COLOURS)
        for mandrel, outcome in readings.bends:
            axes.plot(nominal(mandrel), order.index(outcome), "o", color=_COLOURS[outcome])
        axes.set_yticks(range(len(order)), order)
        axes.set_ylim(-0.5, len(order) - 0.5)
        return figure

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"bends": "50:whole 30:whitened 20:broke"},
            {"bends": [[10.0, "whole"]]},
            {"bends": [[50.0, "broke"]]},
        ]


def _least(name: str, bends: Any, held: set[str]) -> Outcome:
    """Return the least mandrel that held and above which nothing failed."""
    word = "broke" if "whitened" in held else "broke or whitened"
    # Anything thinner that held after a thicker one failed, held by luck.
    failed = max((nominal(m) for m, outcome in bends if outcome not in held), default=0.0)
    sound = [nominal(m) for m, outcome in bends if outcome in held and nominal(m) > failed]
    quantity = f"bendcheck.{name}"
    if not sound:
        return Outcome(
            quantity, failed, relation=">", remarks=(f"It {word} at {failed:g} mm, the largest tried.",)
        )
    remarks = (*_luck(bends, held, failed), f"It {word} at {failed:g} mm." if failed else _ALL_HELD)
    # Without a failure the limit was not found, only that it lies lower: a bound, which ranks and never
    # averages.
    return Outcome(quantity, min(sound), relation="=" if failed else "<", remarks=remarks)


def _luck(bends: Any, held: set[str], failed: float) -> Iterator[str]:
    if any(outcome in held and nominal(mandrel) < failed for mandrel, outcome in bends):
        yield f"A thinner mandrel held although {failed:g} mm did not; the cautious side was taken."


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Bendcheck()]
