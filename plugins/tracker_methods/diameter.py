"""Diameter of the strand: mean, scatter and ovality along a spool."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import Field

from tracker.api import (
    Contribution,
    Formula,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    Recording,
    Refused,
    hookimpl,
    measured,
    nominal,
    picture,
    read_diameters,
)
from tracker.api.maths import uncertainties
from tracker.api.picture import INK, RESULT

_PLAUSIBLE = (0.5, 6.0)
Millimetres = Annotated[float, Field(gt=0)]


class DiameterReadings(Readings):
    """Diameters along the strand."""

    places: Annotated[
        tuple[tuple[Millimetres, Millimetres | None], ...],
        Reading(
            help="two diameters across each other a place, as 1.75:1.73 1.74:1.75 (- where not read)",
            columns=("d1", "d2"),
            units=("mm", "mm"),
            resolutions=(0.01, 0.01),
        ),
    ] = ()
    log: Annotated[
        Recording | None,
        Reading(help="recording: diameter (or d1, d2) along the filament", ask=False, reads="diameters"),
    ] = None
    nominal: Annotated[
        float | None, Reading("mm", "nominal diameter, 1.75 or 2.85", exact=True, ask=False), Field(gt=0)
    ] = None


class Diameter(Method):
    """Diameter of a spool's strand."""

    id = "diameter"
    title = "Filament diameter"
    version = "1.0"
    standard = (
        "No standard is followed. Caliper or laser readings at places spread over the filament; ovality is "
        "the difference of two diameters across each other. Departures from good practice: a caliper presses "
        "soft filament flat."
    )
    cautions = ("The end of a spool's filament springs: hold it.",)
    subject = "spool"
    Readings = DiameterReadings
    quantities = (
        Quantity("diameter.mean", "mm", None, "mean diameter"),
        Quantity("diameter.sd", "mm", False, "standard deviation along the filament", positive=False),
        Quantity("diameter.ovality", "mm", False, "mean difference across", positive=False),
    )
    formulas = (
        Formula(
            "d̄ = Σ dᵢ/n",
            "dᵢ diameter at a place (the mean of two across each other), mm; n places",
            "arithmetic mean",
        ),
        Formula(
            "s = √[Σ (dᵢ − d̄)²/(n − 1)]",
            "s standard deviation along the filament, mm",
            "arithmetic",
        ),
        Formula(
            "o = Σ |d₁ − d₂|/n",
            "o ovality, mm; d₁, d₂ diameters across each other",
            "none: definition of this method",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer mean and scatter from all places, ovality from those read twice."""
        del piece
        try:
            places = places_of(readings)
        except Refused as refusal:
            return [Outcome("diameter.mean", refused=f"the log cannot be read: {refusal}")]
        if not places:
            return [Outcome("diameter.mean", refused="no readings: give places, or attach a log")]
        return [_mean(readings, places), _sd(places), _ovality(places)]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw the diameters along the strand with their mean."""
        del piece, outcomes
        try:
            places = places_of(readings)
        except Refused:
            return None
        if not places:
            return None
        figure, axes = picture("Filament diameter", ("place along the filament", "diameter / mm"))
        for part, mark, fill in ((0, "o", "full"), (1, "s", "none")):
            pairs = [
                (i + 1, nominal(place[part])) for i, place in enumerate(places) if place[part] is not None
            ]
            if pairs:
                axes.plot(
                    *zip(*pairs, strict=True),
                    mark,
                    color=INK,
                    label=f"d{part + 1}",
                    markersize=5,
                    fillstyle=fill,
                )
        axes.axhline(sum(map(_middle, places)) / len(places), color=RESULT, linewidth=0.8, label="mean")
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.legend(frameon=False)
        return figure

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"places": "1.75:1.73 1.74:1.75 1.76:1.74 1.75:-", "nominal": 1.75},
            {"log": Recording("strand.csv", b"d1_mm,d2_mm\n1.75,1.74\n1.751,1.742\n1.749,1.739\n")},
        ]


def places_of(readings: Any) -> list[tuple[Any, Any]]:
    """Return (d1, d2 or None) of every place, typed ones first.

    Raises:
        Refused: There is a log and it cannot be read.
    """
    places: list[tuple[Any, Any]] = [(d1, d2) for d1, d2 in readings.places]
    if readings.log is None:
        return places
    for row in read_diameters(readings.log):
        found = [measured(readings, "log", d, "mm", column="diameter") for d in row]
        # A place read once still counts for the mean; it only says nothing of ovality.
        places.append((found[0], found[1] if len(found) > 1 else None))
    return places


def _middle(place: tuple[Any, Any]) -> float:
    return nominal(place[0]) if place[1] is None else (nominal(place[0]) + nominal(place[1])) / 2


def _scatter(places: list[tuple[Any, Any]]) -> float | None:
    if len(places) < 2:  # noqa: PLR2004 - a scatter takes two
        return None
    middles = [_middle(place) for place in places]
    mean = math.fsum(middles) / len(middles)
    return math.sqrt(math.fsum((middle - mean) ** 2 for middle in middles) / (len(middles) - 1))


def _mean(readings: Any, places: list[tuple[Any, Any]]) -> Outcome:
    singles = [d for place in places for d in place if d is not None]
    far = [nominal(d) for d in singles if not _PLAUSIBLE[0] <= nominal(d) <= _PLAUSIBLE[1]]
    remarks = [f"{len(places)} places."]
    if far:
        remarks.append(f"{far[0]:g} mm is no usual diameter: a slip?")
    middles = [place[0] if place[1] is None else (place[0] + place[1]) / 2 for place in places]
    value = sum(middles) / len(middles)
    scatter = _scatter(places)
    # Places are a sample of the strand: s/√n is what the sample leaves open (type A).
    if scatter:
        value = value + uncertainties.ufloat(
            0.0, scatter / math.sqrt(len(places)), tag="places: scatter along the filament"
        )
    else:
        remarks.append("Scatter along the filament not known or none seen: it is not in the uncertainty.")
    if readings.nominal is not None:
        remarks.append(
            f"{nominal(value) - readings.nominal:+.3f} mm from the nominal {readings.nominal:g} mm."
        )
    return Outcome("diameter.mean", value, remarks=tuple(remarks))


def _sd(places: list[tuple[Any, Any]]) -> Outcome:
    scatter = _scatter(places)
    if scatter is None:
        return Outcome("diameter.sd", refused="one place has no scatter: read two or more")
    # u(s) = s/√(2(n−1)), JCGM 100 E.4.3, for normally scattered places.
    u = scatter / math.sqrt(2 * (len(places) - 1))
    parts = (Contribution("places: number of places", u, 1.0),)
    return Outcome(
        "diameter.sd",
        scatter,
        uncertainty=u or None,
        budget=parts,
        remarks=(f"{len(places)} places.",),
    )


def _ovality(places: list[tuple[Any, Any]]) -> Outcome:
    # The sign says only how the strand was turned.
    gaps = [d1 - d2 if nominal(d1) >= nominal(d2) else d2 - d1 for d1, d2 in places if d2 is not None]
    if not gaps:
        return Outcome(
            "diameter.ovality",
            refused="no place was read twice: turn the filament by a quarter and read again",
        )
    greatest = max(nominal(gap) for gap in gaps)
    remark = f"{len(gaps)} places read twice; greatest difference {greatest:.3g} mm."
    return Outcome("diameter.ovality", sum(gaps) / len(gaps), remarks=(remark,))


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Diameter()]
