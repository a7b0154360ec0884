"""Softening under load in an oven: first departure, and temperature at a deflection.

Standard deflection after ISO 75-1 (numeric form from memory): Δs = L²·Δε/(600·h), Δε = 0.2 %.
The stress of the load: σ = 3FL/(2bh²).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Literal

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
    heating_of,
    hookimpl,
    measured,
    nominal,
    picture,
)
from tracker.api.maths import LEAST_BASELINE, baseline, between, crossing, np, section_remarks, uncertainties
from tracker.api.picture import FAINT, INK, RESULT

_NOISES = 5.0
_LEAST_STEP = 0.01
_RUN = 3
_RATE_K_A_MINUTE = (1.0, 3.0)
_LOADS = {"A": 1.80, "B": 0.45, "C": 8.00}
_RULE = (
    f"Onset: the first of {_RUN} readings in a row that leave the line through the coolest quarter by more "
    f"than {_NOISES:g} times its scatter, or {_LEAST_STEP:g} mm if that is more."
)


class SofteningReadings(Readings):
    """What is read while a loaded piece is heated."""

    log: Annotated[
        Recording | None,
        Reading(
            help="recording: temperature and deflection (or distance), perhaps time",
            ask=False,
            reads="heating",
        ),
    ] = None
    onset_c: Annotated[
        float | None,
        Reading("°C", "temperature at which it was first seen to give", resolution=1.0),
        Field(gt=-100),
    ] = None
    deflection_c: Annotated[
        float | None, Reading("°C", "temperature at the standard deflection", resolution=1.0), Field(gt=-100)
    ] = None
    highest_c: Annotated[
        float | None,
        Reading("°C", "highest temperature reached, where it never gave", resolution=1.0),
        Field(gt=-100),
    ] = None
    force: Annotated[float | None, Reading("N", "load in the middle", resolution=0.01), Field(gt=0)] = None
    span: Annotated[float | None, Reading("mm", "distance of the supports", resolution=0.5), Field(gt=0)] = (
        None
    )
    width: Annotated[float | None, Reading("mm", "width b", resolution=0.01), Field(gt=0)] = None
    thickness: Annotated[
        float | None, Reading("mm", "thickness h, along the load", resolution=0.01), Field(gt=0)
    ] = None
    target_mm: Annotated[
        float | None,
        Reading("mm", "deflection sought, where not the standard one", exact=True, ask=False),
        Field(gt=0),
    ] = None
    zero: Annotated[
        Literal["first reading", "as recorded"], Reading(help="zero of the deflection in the log", ask=False)
    ] = "first reading"


class Softening(Method):
    """Temperature at which a loaded bar gives."""

    id = "softening"
    title = "Deflection under load while heating"
    version = "2.1"
    key = "softening.onset"
    standard = (
        "Flatwise form of ISO 75-1 and ISO 75-2:2013. Departures: air oven instead of a stirred bath; "
        "heating as the oven gives it instead of 120 K/h; temperature of the air beside the piece; printed "
        "pieces. The onset is a rule of this method, no standard's."
    )
    cautions = (
        "Hot oven, hot loads: gloves; let it cool before reaching in. Never leave a heating oven alone.",
        "Heated polymers give off fumes: ventilate; the maker's safety data sheet and local rules first.",
        "The load falls when the piece gives: a catch under it, away from heaters.",
    )
    destructive = True
    Readings = SofteningReadings
    quantities = (
        Quantity("softening.onset", "°C", True, "first departure", positive=False),
        Quantity(
            "softening.at_deflection", "°C", True, "temperature at the standard deflection", positive=False
        ),
    )
    formulas = (
        Formula(
            "σ = 3 F L/(2 b h²)",
            "σ bending stress of the load, MPa; F load, N; L span, b width, h height, mm",
            "beam theory; ISO 75-1:2020 (from memory)",
        ),
        Formula(
            "Δs = L² Δε/(600 h), Δε = 0.2 %",
            "Δs standard deflection, mm",
            "ISO 75-1:2020 (from memory)",
        ),
        Formula(
            "onset: first temperature at which the deflection leaves its straight course by more "
            "than the noise",
            "",
            "none: rule of this method",
        ),
    )

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer both temperatures from the log, or from what was observed; a limit not reached as such."""
        remarks = (*_load_remarks(readings), *section_remarks(readings, piece))
        if readings.log is None:
            return list(_observed(readings, remarks))
        try:
            heating = heating_of(readings.log, readings.zero)
        except Refused as refusal:
            why = f"the log cannot be read: {refusal}"
            return [Outcome(f"softening.{name}", refused=why) for name in ("onset", "at_deflection")]
        remarks = (*heating.problems, *_rate_remarks(heating), *remarks)
        return [_onset(readings, heating, remarks), _at_deflection(readings, heating, remarks)]

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Draw deflection against temperature with baseline, onset and standard deflection."""
        del piece
        if readings.log is None:
            return None
        try:
            heating = heating_of(readings.log, readings.zero)
        except Refused:
            return None
        return _drawn(heating, target_of(readings), tuple(outcomes))

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings that a generic test can feed it."""
        bar = {"force": 0.75, "span": 64.0, "width": 10.0, "thickness": 4.0}
        return [
            {**bar, "log": example_log()},
            {**bar, "onset_c": 54, "deflection_c": 58},
            {**bar, "highest_c": 120},
        ]


def standard_deflection(span: Any, thickness: Any) -> Any:
    """Return Δs = L²·Δε/(600·h) in mm with Δε = 0.2 (per cent).

    Args:
        span: L between the supports, mm.
        thickness: h along the load, mm.
    """
    return span**2 * 0.2 / (600 * thickness)


def load_for(stress: float, span: float, width: float, thickness: float) -> float:
    """Return the load in N that gives a stress in MPa:  F = 2σbh²/(3L).

    Args:
        stress: σ, MPa.
        span: L between the supports, mm.
        width: b, mm.
        thickness: h along the load, mm.
    """
    return 2 * stress * width * thickness**2 / (3 * span)


def target_of(readings: Any) -> Any | None:
    """Return the deflection sought in mm: as given, else the standard one; None without a section."""
    if readings.target_mm is not None:
        return readings.target_mm
    if readings.span is None or readings.thickness is None:
        return None
    return standard_deflection(readings.span, readings.thickness)


def _onset(readings: Any, heating: Heating, remarks: tuple[str, ...]) -> Outcome:
    line = baseline(heating.celsius, heating.mm)
    if line is None:
        why = f"too few readings before it gave: {LEAST_BASELINE} or more are wanted in the coolest quarter"
        return Outcome("softening.onset", refused=why, remarks=remarks)
    slope, start, scatter = line
    departure = heating.mm - (slope * heating.celsius + start)
    # A very quiet baseline would otherwise call the last digit of the dial an onset.
    threshold = max(_NOISES * scatter, _LEAST_STEP)
    # Several readings in a row: a knock against the bench is over with the next one.
    index = crossing(heating.celsius, departure, threshold, _RUN)
    if index is None:
        # A limit not reached is a result: left out, the best materials would be missing from the
        # comparison.
        return _not_reached("onset", readings, heating, remarks, _RULE)
    at = between(heating.celsius, departure, index, threshold)
    value = measured(readings, "log", float(at), "°C", heating.step) + _vague(heating, index, scatter)
    return Outcome("softening.onset", value, remarks=(_RULE, f"Threshold {threshold:.3g} mm.", *remarks))


def _vague(heating: Heating, index: int, scatter: float) -> Any:
    """Return what the rule itself leaves open: where between two readings, and scatter over slope."""
    near = slice(max(0, index - 1), index + 2)
    celsius, mm = heating.celsius[near], heating.mm[near]
    gap = float(abs(celsius[-1] - celsius[0])) / max(1, len(celsius) - 1)
    vague: Any = uncertainties.ufloat(0.0, gap / 12**0.5, tag="log: distance of readings") if gap else 0.0
    rise = float(mm[-1] - mm[0]) / float(celsius[-1] - celsius[0]) if celsius[-1] != celsius[0] else 0.0
    return (
        vague + uncertainties.ufloat(0.0, scatter / rise, tag="log: scatter of the baseline")
        if rise > 0 < scatter
        else vague
    )


def _at_deflection(readings: Any, heating: Heating, remarks: tuple[str, ...]) -> Outcome:
    target = target_of(readings)
    if target is None:
        why = "no deflection to look for: give span and thickness, or target_mm"
        return Outcome("softening.at_deflection", refused=why, remarks=remarks)
    rule = f"First crossing of {nominal(target):.4g} mm, straight between readings; zero: {readings.zero}."
    index = crossing(heating.celsius, heating.mm, nominal(target))
    if index is None:
        return _not_reached("at_deflection", readings, heating, remarks, rule)
    # Its oven was hot or its zero was off before the log began; the first row is no crossing.
    if index == 0:
        why = "the log begins beyond that deflection: there is no crossing in it"
        return Outcome("softening.at_deflection", refused=why, remarks=remarks)
    # The two readings around the crossing carry all of its doubt.
    near = slice(index - 1, index + 1)
    celsius = [measured(readings, "log", float(t), "°C", heating.step) for t in heating.celsius[near]]
    mm = [measured(readings, "log", float(s), "mm") for s in heating.mm[near]]
    return Outcome("softening.at_deflection", between(celsius, mm, 1, target), remarks=(rule, *remarks))


def _not_reached(name: str, readings: Any, heating: Heating, remarks: tuple[str, ...], rule: str) -> Outcome:
    """Say that a limit lies above all that was tried: a result of its own, never a number."""
    top = measured(readings, "log", float(heating.celsius.max()), "°C", heating.step)
    remark = "Not reached up to the highest temperature of the log."
    return Outcome(f"softening.{name}", top, relation=">", remarks=(remark, rule, *remarks))


def _observed(readings: Any, remarks: tuple[str, ...]) -> Iterator[Outcome]:
    given = {"onset": readings.onset_c, "at_deflection": readings.deflection_c}
    if readings.highest_c is None and all(value is None for value in given.values()):
        yield Outcome(
            "softening.onset",
            refused="no temperature: attach a log, or give onset_c, deflection_c, highest_c",
        )
        return
    for name, value in given.items():
        if value is not None:
            yield Outcome(f"softening.{name}", value, remarks=("As observed.", *remarks))
        elif readings.highest_c is not None:
            remark = "Not reached up to the highest temperature."
            yield Outcome(f"softening.{name}", readings.highest_c, relation=">", remarks=(remark, *remarks))


def _load_remarks(readings: Any) -> Iterator[str]:
    sizes = (readings.force, readings.span, readings.width, readings.thickness)
    # Stress decides at which temperature a piece gives: without it the number stands for itself alone.
    if any(size is None for size in sizes):
        yield "Stress of the load not known: not comparable with others."
        return
    force, span, width, thickness = (nominal(size) for size in sizes)
    stress = 3 * force * span / (2 * width * thickness**2)
    name = next((name for name, rule in _LOADS.items() if abs(stress / rule - 1) <= 0.05), "")  # noqa: PLR2004
    yield f"Stress {stress:.3g} MPa" + (f", method {name} of ISO 75." if name else ", none of ISO 75's.")


def _rate_remarks(heating: Heating) -> Iterator[str]:
    if heating.seconds is None or len(heating.celsius) < LEAST_BASELINE:
        yield "Heating rate not known."
        return
    steps = np.diff(heating.seconds)
    span = float(heating.seconds[-1] - heating.seconds[0])
    if span <= 0 or (steps < 0).any():
        yield "The clock of the log runs backwards: heating rate not known."
        return
    rate = float(np.polyfit(heating.seconds, heating.celsius, 1)[0]) * 60
    low, high = _RATE_K_A_MINUTE
    if not low <= rate <= high:
        yield f"Heated at {rate:.2g} K/min; 2 K/min is the rule."
    middle = float(np.median(steps))
    if middle > 0 and float(steps.max()) > 5 * middle:
        yield f"The log has a gap of {steps.max():.0f} s."


def _drawn(heating: Heating, target: Any, outcomes: tuple[Any, ...]) -> Any:
    figure, axes = picture("Deflection under load while heating", ("temperature / °C", "deflection / mm"))
    axes.plot(heating.celsius, heating.mm, color=INK, linewidth=1.2, label="log")
    line = baseline(heating.celsius, heating.mm)
    if line is not None:
        axes.plot(heating.celsius, line[0] * heating.celsius + line[1], "--", color=FAINT, label="baseline")
    if target is not None:
        axes.axhline(nominal(target), color=FAINT, linewidth=0.8, label="standard deflection")
    for outcome, mark in zip(outcomes, "os", strict=False):
        if outcome.value is not None and outcome.relation == "=":
            at = nominal(outcome.value)
            height = float(heating.mm[int(abs(heating.celsius - at).argmin())])
            axes.plot(at, height, mark, color=RESULT, label=f"{outcome.quantity.split('.')[1]} {at:.1f} °C")
    axes.legend(frameon=False)
    return figure


def example_log() -> Recording:
    """Return a made-up oven log: flat to 52 °C, then giving; 2 K a minute."""
    lines = ["time_s,temperature_c,deflection_mm"]
    for i in range(121):
        celsius = 25 + i * 0.33
        ripple = 0.002 * (-1) ** (i % 3)
        mm = 0.0004 * (celsius - 25) + ripple + 0.012 * max(0.0, celsius - 52) ** 1.7
        lines.append(f"{i * 10},{celsius:.2f},{mm:.4f}")
    return Recording("example-oven.csv", "\n".join(lines).encode())


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return the method."""
    return [Softening()]
