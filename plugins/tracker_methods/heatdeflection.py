"""Heat deflection under a set stress (ISO 75), with the rate of heating where the piece gives.

F = 2σbh²/(3L) loads the bar flatwise; T_f is the temperature at which it has sunk by Δs = L²·Δε/(600·h),
Δε = 0.2 % (forms from memory, load and deflection recomputed against the standard's printed table of Δs).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Annotated, Any

from pydantic import Field

from tracker.api import (
    Formula,
    Heating,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    Recording,
    Refused,
    budget_picture,
    heating_of,
    hookimpl,
    measured,
    nominal,
)
from tracker.api.maths import between, crossing, noise_of, np, section_remarks, uncertainties

STRESSES = {"A": 1.80, "B": 0.45, "C": 8.00}
_RATE_K_H = (108.0, 132.0)
_APART = 0.025
_LOCAL = 6 * 60.0
Positive = Annotated[float | None, Field(gt=0)]


class HeatDeflectionReadings(Readings):
    """A bar, its load and the log of the oven."""

    log: Annotated[
        Recording | None,
        Reading(help="recording: temperature, deflection, time", ask=False, reads="heating"),
    ] = None
    force: Annotated[Positive, Reading("N", "load in the middle, rod and dial included", resolution=0.01)] = (
        None
    )
    span: Annotated[Positive, Reading("mm", "distance of the supports", resolution=0.1)] = None
    width: Annotated[Positive, Reading("mm", "width b", resolution=0.01)] = None
    thickness: Annotated[Positive, Reading("mm", "thickness h, along the load", resolution=0.01)] = None
    at_c: Annotated[
        float | None,
        Reading("°C", "or: temperature at the standard deflection, as observed", resolution=1.0),
        Field(gt=-100),
    ] = None


class HeatDeflection(Method):
    """Temperature of deflection under load, flatwise."""

    id = "heatdeflection"
    title = "Heat deflection"
    version = "1.2"
    key = "heatdeflection.temperature"
    standard = (
        "ISO 75-1:2020 and ISO 75-2:2013, flatwise. Departures: air oven instead of a stirred bath, the "
        "temperature of its air beside the piece; printed pieces; two pieces are not refused."
    )
    cautions = (
        "Hot oven, hot loads: gloves; let it cool before reaching in. Never leave a heating oven alone.",
        "Heated polymers give off fumes: ventilate; the maker's safety data sheet and local rules first.",
    )
    destructive = True
    Readings = HeatDeflectionReadings
    quantities = (
        Quantity("heatdeflection.temperature", "°C", True, "heat deflection temperature", positive=False),
    )
    formulas = (
        Formula(
            "F = 2 σ b h²/(3 L)",
            "F load, N; σ bending stress, MPa; b width, h height, L span, mm",
            "ISO 75-1:2020 (from memory)",
        ),
        Formula(
            "Δs = L² Δε/(600 h), Δε = 0.2 %",
            "Δs standard deflection, mm; T_f is the temperature where it is reached, interpolated",
            "ISO 75-1:2020 (from memory)",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer T_f from the log; where the bar never sank so far, a limit."""
        name = "heatdeflection.temperature"
        method, stress_from = _stress(readings)
        remarks = (*stress_from, *section_remarks(readings, piece))
        if readings.log is None:
            if readings.at_c is None:
                return [Outcome(name, refused="no temperature: attach a log, or give at_c")]
            return [Outcome(name, readings.at_c, remarks=("As observed.", *remarks), group=method)]
        if readings.span is None or readings.thickness is None:
            return [Outcome(name, refused="the standard deflection needs span and thickness")]
        try:
            log = heating_of(readings.log)
        except Refused as refusal:
            return [Outcome(name, refused=f"the log cannot be read: {refusal}")]
        return [_from_log(readings, log, (*log.problems, *remarks), method)]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw where the uncertainty comes from."""
        del readings, piece
        return budget_picture("Heat deflection / °C", outcomes, "heatdeflection.temperature")

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        bar = {"force": 0.75, "span": 64.0, "width": 10.0, "thickness": 4.0}
        rows = [
            f"{i * 10},{25 + i * 0.333:.2f},{0.0004 * i + 0.012 * max(0.0, i * 0.333 - 27) ** 1.7:.4f}"
            for i in range(121)
        ]
        log = Recording("oven.csv", ("time_s,temperature_c,deflection_mm\n" + "\n".join(rows)).encode())
        return [{**bar, "log": log}, {**bar, "at_c": 57.0}]


def load_for(stress: Any, span: Any, width: Any, thickness: Any) -> Any:
    """Return the load in N:  F = 2σbh²/(3L), σ in MPa, lengths in mm."""
    return 2 * stress * width * thickness**2 / (3 * span)


def standard_deflection(span: Any, thickness: Any) -> Any:
    """Return Δs in mm = L²·0.2/(600·h), lengths in mm."""
    return span**2 * 0.2 / (600 * thickness)


def _stress(readings: Any) -> tuple[str, list[str]]:
    """Return the method's letter and what is said of the stress; empty where the stress is not known."""
    sizes = (readings.force, readings.span, readings.width, readings.thickness)
    if any(size is None for size in sizes):
        return "", ["Stress of the load not known: not comparable with others."]
    force, span, width, thickness = (nominal(size) for size in sizes)
    stress = 3 * force * span / (2 * width * thickness**2)
    found = next((name for name, rule in STRESSES.items() if abs(stress / rule - 1) <= _APART), "")
    if found:
        return f"method {found}", [f"Stress {stress:.3g} MPa, method {found}."]
    return f"{stress:.2g} MPa", [f"Stress {stress:.3g} MPa, none of ISO 75's (1.80, 0.45, 8.00)."]


def _from_log(readings: Any, log: Heating, remarks: tuple[str, ...], method: str) -> Outcome:
    name = "heatdeflection.temperature"
    target = standard_deflection(readings.span, readings.thickness)
    index = crossing(log.celsius, log.mm, nominal(target), 3)
    if index is None:
        not_reached = f"Not reached: it sank by {float(log.mm.max()):.3g} mm of {nominal(target):.3g} mm."
        value = measured(readings, "log", float(log.celsius.max()), "°C", log.step)
        return Outcome(name, value, ">", (not_reached, *remarks), group=method)
    at = float(between(log.celsius, log.mm, index, nominal(target)))
    # The doubt about the deflection sought becomes one about the temperature by the slope there.
    low, high = max(0, index - 1), index
    rise = float(log.mm[high] - log.mm[low]) or 1.0
    slope = float(log.celsius[high] - log.celsius[low]) / rise
    value = measured(readings, "log", at, "°C", log.step) + slope * (target - nominal(target))
    # Noise and step of the dial move the crossing by as much as the bar is heated meanwhile.
    dial = math.hypot(noise_of(log.mm), _step(log.mm) / math.sqrt(12))
    value = value + uncertainties.ufloat(0.0, abs(slope) * dial, tag="log: noise and step of the deflection")
    return Outcome(name, value, remarks=(*_rates(log, index), *remarks), group=method)


def _step(mm: Any) -> float:
    """Return the decimal step that all deflections are multiples of, mm; 0 where none shows."""
    return next(
        (s for s in (0.1, 0.01, 0.001, 1e-4) if np.allclose(mm / s, np.round(mm / s), atol=1e-4)), 0.0
    )


def _rates(log: Heating, index: int) -> Iterator[str]:
    """Say how fast it was heated there: the mean of a whole run hides an oven that stalls."""
    if log.seconds is None or len(log.celsius) < 3:  # noqa: PLR2004 - a slope
        yield "Heating rate not known."
        return
    now = float(log.seconds[index])
    near = (log.seconds >= now - _LOCAL) & (log.seconds <= now)
    if near.sum() < 3 or np.ptp(log.seconds[near]) == 0:  # noqa: PLR2004 - as above
        yield "Heating rate not known."
        return
    rate = 3600 * float(np.polyfit(log.seconds[near], log.celsius[near], 1)[0])
    word = "" if _RATE_K_H[0] <= rate <= _RATE_K_H[1] else "; ISO 75 wants 120 ± 12 K/h"
    yield f"Heated at {rate:.0f} K/h over the six minutes before it was reached{word}."


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [HeatDeflection()]
