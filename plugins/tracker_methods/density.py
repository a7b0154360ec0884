"""Density by weighing in air and in a liquid, and voids against a reference.

ρ = m_air·ρ_liquid/(m_air − m_liquid)  (ISO 1183-1 method A, from memory); with a sinker the
denominator is m_air + m_sinker − m_both. Voids after ASTM D2734: V = 100·(ρ_ref − ρ)/ρ_ref.
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
    budget_picture,
    hookimpl,
    nominal,
)
from tracker.api.maths import uncertainties

# At 20 °C and sea level; a tenth less changes the density of plastics in the sixth digit.
_AIR = 0.0012
_TEMPERED = (21.0, 25.0)


class DensityReadings(Readings):
    """What is read at the balance."""

    mass_air: Annotated[float | None, Reading("g", "mass in air", resolution=0.0001), Field(gt=0)] = None
    mass_liquid: Annotated[
        float | None,
        Reading("g", "apparent mass in the liquid (with the sinker if one is used)", resolution=0.0001),
    ] = None
    liquid_c: Annotated[
        float | None, Reading("°C", "temperature of the liquid", resolution=0.1), Field(gt=0, lt=100)
    ] = None
    sinker: Annotated[
        float | None,
        Reading("g", "apparent mass of the sinker alone in the liquid", resolution=0.0001, ask=False),
        Field(gt=0),
    ] = None
    reference_density: Annotated[
        float | None,
        Reading("g/cm^3", "density without voids, for the share of voids", ask=False),
        Field(gt=0),
    ] = None
    liquid_density: Annotated[
        float | None,
        Reading("g/cm^3", "density of the liquid, where it is not water", ask=False),
        Field(gt=0),
    ] = None
    air_buoyancy: Annotated[
        Literal["ignored", "corrected"], Reading(help="buoyancy in the air of the room", ask=False)
    ] = "corrected"
    air_c: Annotated[
        float | None, Reading("°C", "air beside the balance, 20 where not read", resolution=1.0, ask=False)
    ] = None
    air_hpa: Annotated[
        float | None,
        Reading("hPa", "pressure of the air, 1013 where not read", resolution=1.0, ask=False),
        Field(gt=500, lt=1100),
    ] = None


class Density(Method):
    """Apparent density of a printed piece."""

    id = "density"
    title = "Density by immersion"
    version = "2.0"
    key = "density.apparent"
    standard = (
        "ISO 1183-1:2019 method A (a 2025 edition exists). Departures: printed pieces hold air inside and in "
        "their surface, so the density is called apparent; kitchen-grade balance and beaker where no kit is "
        "at hand; water with a drop of wetting agent taken as pure water."
    )
    cautions = ("Other liquids than water: follow their safety data sheet; ventilate, keep from flames.",)
    Readings = DensityReadings
    quantities = (
        Quantity("density.apparent", "g/cm^3", None, "apparent density", property="density"),
        Quantity("density.voids", "%", False, "voids", positive=False),
    )
    formulas = (
        Formula(
            "ρ = m₁ (ρ_L − ρ_a)/(m₁ − m₂) + ρ_a",
            "ρ density, ρ_L of the liquid, ρ_a of the room's air, g/cm³; m₁ weighed in air, m₂ in "
            "the liquid, g",
            "ISO 1183-1:2019 method A, with the buoyancy of the air (from memory)",
        ),
        Formula(
            "ρ = m₁ (ρ_L − ρ_a)/(m₁ + m_s − m_b) + ρ_a",
            "with a sinker: m_s sinker alone, m_b both, in the liquid, g",
            "ISO 1183-1:2019 method A (from memory)",
        ),
        Formula(
            "V = 100 (ρ_ref − ρ)/ρ_ref",
            "V voids, %; ρ_ref density without voids, g/cm³",
            "ASTM D2734 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer the apparent density, and voids where a reference density is known."""
        why = _missing(readings)
        if why:
            return [Outcome("density.apparent", refused=why)]
        liquid, liquid_from = _liquid(readings)
        if readings.sinker is None and nominal(readings.mass_liquid) == 0:
            floats = f"It floats: lighter than the liquid. {liquid_from}"
            return [Outcome("density.apparent", liquid, "<", (floats,))]
        pushed = _pushed(readings)
        # The liquid must push: else the piece floats, or the two masses were swapped.
        if nominal(pushed) <= 0:
            return [Outcome("density.apparent", refused=_FLOATS)]
        air = _air(readings) if readings.air_buoyancy == "corrected" else 0.0
        rho = immersion(readings.mass_air, pushed, liquid, air)
        remarks = (liquid_from, *_conditions(readings))
        return [Outcome("density.apparent", rho, remarks=remarks), _voids(readings, piece, rho)]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Apparent density / g/cm³", outcomes, "density.apparent")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        return [
            {"mass_air": 3.9542, "mass_liquid": 0.7638, "liquid_c": 23.0, "reference_density": 1.24},
            {
                "mass_air": 2.5,
                "mass_liquid": 9.8,
                "sinker": 10.0,
                "liquid_c": 21.5,
                "air_buoyancy": "corrected",
            },
        ]


_FLOATS = "it weighs as much in the liquid as in air, or more: check the readings; if it floats, use a sinker"


def water_density(celsius: Any) -> Any:
    """Return the density of air-free water at 101.325 kPa, g/cm³, for 0 to 40 °C.

    ρ = 999.974950·{1 − (t − 3.983035)²(t + 301.797)/[522528.9·(t + 69.34881)]} kg/m³
    (Tanaka et al., Metrologia 38 (2001) 301; adopted by the CIPM).

    Args:
        celsius: t of the water, °C; outside 0 to 40 the formula is not refused, only not meant.
    """
    fraction = (celsius - 3.983035) ** 2 * (celsius + 301.797) / (522528.9 * (celsius + 69.34881))
    return 0.999974950 * (1 - fraction)


def _air(readings: Any) -> Any:
    """Return the density of the room's air in g/cm³, as an ideal gas from 0.0012 at 20 °C and 1013 hPa.

    Humidity and what was not read leave 3 % open (rectangular, ± 0.000036): 0.1 permille of a plastic.
    """
    celsius = 20.0 if readings.air_c is None else nominal(readings.air_c)
    hpa = 1013.25 if readings.air_hpa is None else nominal(readings.air_hpa)
    return uncertainties.ufloat(
        _AIR * hpa / 1013.25 * 293.15 / (celsius + 273.15), 3.6e-5 / 3**0.5, tag="air: density"
    )


def immersion(mass_air: Any, pushed: Any, liquid: Any, air: Any = 0.0) -> Any:
    """Return the density in g/cm³:  ρ = m_air·(ρ_liquid − ρ_air)/pushed + ρ_air.

    Args:
        mass_air: g.
        pushed: Apparent loss of mass in the liquid in g.
        liquid: Density of the liquid, g/cm³.
        air: Density of air, g/cm³; 0 leaves its buoyancy out.
    """
    return mass_air * (liquid - air) / pushed + air


def _missing(readings: Any) -> str:
    lacking = [name for name in ("mass_air", "mass_liquid") if getattr(readings, name) is None]
    if readings.liquid_c is None and readings.liquid_density is None:
        lacking.append("liquid_c")
    if lacking:
        return f"not read: {', '.join(lacking)}"
    if readings.liquid_density is None and not 0 <= nominal(readings.liquid_c) <= 40:  # noqa: PLR2004 - its range
        return "the density of water is known here for 0 to 40 °C: give liquid_density"
    return ""


def _liquid(readings: Any) -> tuple[Any, str]:
    if readings.liquid_density is not None:
        return (
            readings.liquid_density,
            f"Density of the liquid as given, {nominal(readings.liquid_density):g} g/cm³.",
        )
    density = water_density(readings.liquid_c)
    return density, f"Water at {nominal(readings.liquid_c):g} °C: {nominal(density):.5f} g/cm³."


def _pushed(readings: Any) -> Any:
    # Its own mass in the liquid drops out of the difference.
    sinker = 0.0 if readings.sinker is None else readings.sinker
    return readings.mass_air + sinker - readings.mass_liquid


def _conditions(readings: Any) -> Iterator[str]:
    yield f"Buoyancy in air {readings.air_buoyancy}."
    if readings.liquid_c is not None and not _TEMPERED[0] <= nominal(readings.liquid_c) <= _TEMPERED[1]:
        yield f"Liquid at {nominal(readings.liquid_c):g} °C, outside 23 ± 2 °C."


def _voids(readings: Any, piece: Piece, rho: Any) -> Outcome:
    # What was typed at the bench comes before the data sheet, which speaks of the product and not of this
    # lot.
    reference = readings.reference_density if readings.reference_density is not None else piece.density_g_cm3
    if reference is None or nominal(reference) <= 0:
        why = "no reference density: give reference_density, or the material's density on its data sheet"
        return Outcome("density.voids", refused=why)
    remarks = [f"Against {nominal(reference):g} g/cm³ without voids."]
    if readings.reference_density is None:
        remarks.append("Reference from the data sheet, whose own uncertainty is not known.")
    voids = 100 * (reference - rho) / reference
    if nominal(voids) < 0:
        # Kept as negative: set to zero, a wrong data sheet or a bubble in the reference would look like a
        # perfect print.
        remarks.append("Negative: denser than the reference. The reference, or a reading, does not fit.")
    return Outcome("density.voids", voids, remarks=tuple(remarks))


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Density()]
