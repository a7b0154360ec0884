"""Dimensions: what a piece came out as, and what that says of shrinkage, scale, offset and warp.

Shrinkage after ISO 294-4 (form from memory), with the drawing in the place of the cavity:
S = 100·(nominal − measured)/nominal. The factor by which to scale the model is nominal/measured =
1/(1 − S/100), not 1 + S/100.
"""

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
from tracker.api.maths import straight_line
from tracker.api.picture import FAINT, INK, RESULT

_AXES: tuple[Literal["X", "Y", "Z"], ...] = ("X", "Y", "Z")
_APART = 0.05
Length = Annotated[float, Field(gt=0)]


class DimensionsReadings(Readings):
    """Lengths along the printer's axes, and the lift of a warped piece."""

    sizes: Annotated[
        tuple[tuple[Literal["X", "Y", "Z"], Length, Length], ...],
        Reading(
            help="axis:nominal:measured, as X:80:79.62; two lengths or more an axis part offset from scale",
            columns=("axis", "nominal", "measured"),
            units=("", "mm", "mm"),
            resolutions=(None, None, 0.01),
            exact_columns=("nominal",),
        ),
    ] = ()
    chord: Annotated[
        float | None,
        Reading("mm", "length over which the lift was measured", resolution=0.1, ask=False),
        Field(gt=0),
    ] = None
    lift: Annotated[
        float | None,
        Reading("mm", "greatest gap under the piece over that length", resolution=0.01, ask=False),
        Field(ge=0),
    ] = None


class Dimensions(Method):
    """Shrinkage, scale, offset and warp from a caliper."""

    id = "dimensions"
    title = "Dimensions"
    version = "1.1"
    standard = (
        "Form of ISO 294-4:2018. Departures: printed pieces, with the drawing in the place of the cavity; "
        "caliper instead of a measuring machine; time and conditions since printing as recorded."
    )
    cautions = ("Edges and first layers of printed pieces can be sharp.",)
    Readings = DimensionsReadings
    quantities = (
        *(
            Quantity(f"dimensions.shrinkage_{a.lower()}", "%", None, f"shrinkage {a}", positive=False)
            for a in _AXES
        ),
        *(Quantity(f"dimensions.scale_{a.lower()}", "1", None, f"scale factor {a}") for a in _AXES),
        *(
            Quantity(f"dimensions.offset_{a.lower()}", "mm", None, f"line-width offset {a}", positive=False)
            for a in _AXES
        ),
        Quantity("dimensions.warp", "mm", False, "warp", positive=False),
        Quantity("dimensions.warp_radius", "mm", True, "radius of the warp"),
    )
    formulas = (
        Formula(
            "S = 100 (N − M)/N",
            "S shrinkage, %; N nominal size, M measured, mm",
            "form of ISO 294-4:2018 (from memory)",
        ),
        Formula(
            "k = N/M = 1/(1 − S/100)",
            "k factor by which to scale the model",
            "follows from S",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer each axis that was measured, and the warp if chord and lift were."""
        del piece
        for axis in _AXES:
            pairs = [(meant, read) for name, meant, read in readings.sizes if name == axis]
            yield from _axis(axis, pairs) if pairs else ()
        yield from _warp(readings)
        if not readings.sizes and readings.lift is None:
            why = "nothing was measured: give sizes such as X:80:79.62, or chord and lift"
            yield Outcome("dimensions.shrinkage_x", refused=why)

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw deviation against nominal length, one colour and line an axis."""
        del piece, outcomes
        if not readings.sizes:
            return None
        figure, axes = picture("Dimensions", ("nominal / mm", "measured − nominal / mm"))
        axes.axhline(0.0, color=FAINT, linewidth=0.8)
        for axis, colour, mark in zip(_AXES, (INK, RESULT, "#3a7d44"), "os^", strict=True):
            pairs = sorted((nominal(n), nominal(m) - nominal(n)) for a, n, m in readings.sizes if a == axis)
            if pairs:
                axes.plot(*zip(*pairs, strict=True), f"{mark}-", color=colour, label=axis, linewidth=0.8)
        axes.legend(frameon=False)
        return figure

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"sizes": "X:80:79.62 Y:10:9.97 Z:4:4.05"},
            {
                "sizes": [["X", 20.0, 20.02], ["X", 80.0, 79.78], ["X", 150.0, 149.50]],
                "chord": 80,
                "lift": 0.35,
            },
        ]


def shrinkage(meant: Any, read: Any) -> Any:
    """Return S in per cent:  S = 100·(nominal − measured)/nominal; negative where the piece is larger.

    Args:
        meant: Nominal length, mm.
        read: Measured length, mm.
    """
    return 100 * (meant - read) / meant


def radius(chord: Any, lift: Any) -> Any:
    """Return the radius of the arc over a chord with a given rise, mm:  R = (c²/4 + w²)/(2w).

    Args:
        chord: c, mm.
        lift: w, rise of the arc over the middle of the chord, mm; not zero.
    """
    return (chord**2 / 4 + lift**2) / (2 * lift)


def _axis(axis: str, pairs: list[tuple[Any, Any]]) -> Iterator[Outcome]:
    key = axis.lower()
    remarks = tuple(_far(axis, pairs))
    # Offsets (line width, first-layer squeeze) do not grow with size, shrinkage does.
    if len({nominal(meant) for meant, _ in pairs}) > 1:
        slope, offset = straight_line(pairs)
        rule = f"Line through {len(pairs)} lengths along {axis}: measured = scale · nominal + offset."
        yield Outcome(f"dimensions.shrinkage_{key}", 100 * (1 - slope), remarks=(rule, *remarks))
        # One over the slope: what has to be multiplied to come out right is nominal over measured, and 1 +
        # S would miss by S squared.
        yield Outcome(f"dimensions.scale_{key}", 1 / slope, remarks=(rule,))
        yield Outcome(f"dimensions.offset_{key}", offset, remarks=(rule,))
        return
    # One nominal length, measured perhaps several times.
    read = sum(read for _, read in pairs) / len(pairs)
    meant = pairs[0][0]
    rule = f"One length along {axis}: an offset (line width) cannot be told from scale."
    yield Outcome(f"dimensions.shrinkage_{key}", shrinkage(meant, read), remarks=(rule, *remarks))
    yield Outcome(f"dimensions.scale_{key}", meant / read, remarks=(rule,))
    yield Outcome(
        f"dimensions.offset_{key}",
        refused=f"only one length along {axis}: measure a second one of another size",
    )


def _far(axis: str, pairs: list[tuple[Any, Any]]) -> Iterator[str]:
    for meant, read in pairs:
        apart = nominal(read) / nominal(meant) - 1
        if abs(apart) > _APART:
            yield f"{axis} {nominal(read):g} mm is {100 * apart:+.1f} % off {nominal(meant):g} mm: a slip?"


def _warp(readings: Any) -> Iterator[Outcome]:
    if readings.lift is None:
        return
    # The lift itself is an answer; a radius needs the length under it as well.
    yield Outcome("dimensions.warp", readings.lift)
    if readings.chord is None:
        yield Outcome(
            "dimensions.warp_radius", refused="no chord: give the length over which the lift was measured"
        )
    elif nominal(readings.lift) == 0:
        yield Outcome(
            "dimensions.warp_radius", refused="no lift was seen: the piece is flat, its radius unbounded"
        )
    else:
        yield Outcome("dimensions.warp_radius", radius(readings.chord, readings.lift))


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Dimensions()]
