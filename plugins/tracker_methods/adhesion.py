"""Layer adhesion: fracture toughness of an upright bar, notched along a layer (ISO 13586, from memory).

Single-edge notched bending (SENB), span 4·W: K = F·S/(B·W^1.5)·f(x), x = a/W,
f(x) = 3·√x·[1.99 − x(1−x)(2.15 − 3.93x + 2.7x²)] / [2(1+2x)(1−x)^1.5]
(Srawley's form of 1976, good to 0.5 % for S/W = 4).
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

_NOTCH = (0.45, 0.55)
_SPAN = (3.9, 4.1)
Positive = Annotated[float | None, Field(gt=0)]


class AdhesionReadings(Readings):
    """What is read of a notched bar and its break."""

    max_force: Annotated[Positive, Reading("N", "greatest force in bending", resolution=0.1)] = None
    width: Annotated[Positive, Reading("mm", "height W, along the force", resolution=0.01)] = None
    thickness: Annotated[Positive, Reading("mm", "thickness B", resolution=0.01)] = None
    notch: Annotated[
        Positive, Reading("mm", "length a of notch and sharp crack, along a layer", resolution=0.02)
    ] = None
    span: Annotated[Positive, Reading("mm", "distance S of the supports", resolution=0.1)] = None
    yield_stress: Annotated[Positive, Reading("MPa", "stress at yield, where known", ask=False)] = None


class Adhesion(Method):
    """Toughness of the bond between layers."""

    id = "adhesion"
    title = "Layer adhesion"
    version = "1.0"
    key = "adhesion.toughness"
    standard = (
        "ISO 13586:2018, single-edge notched bending, the crack along a layer of an upright bar. Departures: "
        "printed piece; crack sharpened by a razor blade by hand; the greatest force taken as that of the "
        "initiation; no indentation correction, so no energy release rate."
    )
    cautions = ("A razor blade sharpens the crack: cut away from the hand.", "Fragments fly: eye protection.")
    destructive = True
    Readings = AdhesionReadings
    quantities = (Quantity("adhesion.toughness", "MPa*m^0.5", True, "interlayer fracture toughness"),)
    formulas = (
        Formula(
            "K = F S/(B W^1.5) f(a/W)",
            "K fracture toughness, MPa·m^0.5; F greatest force, N; S span, B thickness, W height, "
            "a notch depth, mm",
            "ISO 13586:2018 (from memory)",
        ),
        Formula(
            "f(x) = 3√x [1.99 − x(1 − x)(2.15 − 3.93x + 2.7x²)]/[2(1 + 2x)(1 − x)^1.5]",
            "x = a/W, for S/W = 4",
            "J. E. Srawley, 1976 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the toughness from the greatest force and the geometry."""
        name = "adhesion.toughness"
        wanted = ("max_force", "width", "thickness", "notch", "span")
        lacking = [each for each in wanted if getattr(readings, each) is None]
        if lacking:
            return [Outcome(name, refused=f"not read: {', '.join(lacking)}")]
        x = readings.notch / readings.width
        if not 0 < nominal(x) < 1:
            return [Outcome(name, refused="the notch is as deep as the bar is high")]
        ratio = nominal(readings.span) / nominal(readings.width)
        if not 3 <= ratio <= 5:  # noqa: PLR2004 - the form holds at four
            why = f"the form holds for a span of four times the height; here it is {ratio:.2g}"
            return [Outcome(name, refused=why)]
        value = toughness(readings.max_force, readings.span, readings.thickness, readings.width, x)
        return [Outcome(name, value, remarks=tuple(_remarks(readings, piece, value)))]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Toughness / MPa·√m", outcomes, "adhesion.toughness")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"max_force": 62.0, "width": 10.0, "thickness": 5.0, "notch": 5.0, "span": 40.0},
            {
                "max_force": 40.0,
                "width": 8.0,
                "thickness": 4.0,
                "notch": 3.9,
                "span": 32.0,
                "yield_stress": 40,
            },
        ]


def shape(x: Any) -> Any:
    """Return f(x) of the notched bar in bending with a span of four heights; x = a/W."""
    top = 1.99 - x * (1 - x) * (2.15 - 3.93 * x + 2.7 * x**2)
    return 3 * x**0.5 * top / (2 * (1 + 2 * x) * (1 - x) ** 1.5)


def toughness(force: Any, span: Any, thickness: Any, height: Any, x: Any) -> Any:
    """Return K in MPa·√m from N and mm:  K = F·S/(B·W^1.5)·f(x); MPa·√mm over √1000."""
    return force * span / (thickness * height**1.5) * shape(x) / 1000**0.5


def _remarks(readings: Any, piece: Piece, value: Any) -> Iterable[str]:
    x = nominal(readings.notch) / nominal(readings.width)
    if not _NOTCH[0] <= x <= _NOTCH[1]:
        yield f"a/W is {x:.2f}; ISO 13586 wants 0.45 to 0.55."
    ratio = nominal(readings.span) / nominal(readings.width)
    if not _SPAN[0] <= ratio <= _SPAN[1]:
        yield f"The span is {ratio:.2f} heights; the form holds for four."
    if piece.orientation and not piece.orientation.startswith("Z"):
        yield "The piece did not stand upright: the crack did not run between layers."
    if readings.yield_stress is None:
        yield "Stress at yield not given: whether the piece is thick enough is not known."
        return
    # Plane strain: B, a and W − a at least 2.5 (K/σ_y)².
    least = 2500 * (nominal(value) / nominal(readings.yield_stress)) ** 2
    if min(nominal(readings.thickness), nominal(readings.notch)) < least:
        yield f"Not plane strain: thickness and notch must be {least:.2g} mm or more."


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Adhesion()]
