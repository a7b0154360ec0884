"""The statement that goes with a job: what the spool went through and what that may have left in it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from tracker.exposure.answers import Water
from tracker.exposure.events import Drying
from tracker.exposure.families import Assumptions, Family
from tracker.exposure.openair import EXPOSED, OpenAir
from tracker.exposure.spans import Segment, Timeline

_DAMP_RH_PCT = 75.0


def statement(
    found: Water, drying: Drying | None, family: Family | None, winding: float, used: Sequence[str]
) -> str:
    """Return the statement of one moment in three sentences: exposure, water, regime.

    Args:
        found: The estimate, its own sentence still empty.
        drying: The last drying, or None.
        family: The polymer family, or None if not known.
        winding: The slow-down by winding that was used.
        used: Names of dryings whose weighings corrected the estimate.
    """
    parts = [_since(drying, found.exposure), _where(found.exposure)]
    if found.centre_pct is None or found.low_pct is None or found.high_pct is None:
        return f"{': '.join(parts)}. Water not estimated (grade D: {_why_no_number(family)})."
    bounds = {
        "A": "measured on this spool, sealed since",
        "B": f"grade B: corrected by the weighings of {', '.join(used)}, 5 to 95 %",
        "C": _generic(found, family, winding),
    }[found.grade]
    interval = f"{percent(found.centre_pct)} wt% ({percent(found.low_pct)} to {percent(found.high_pct)}"
    return f"{': '.join(parts)}. Estimated water {interval}; {bounds}). Regime: {found.regime}."


def percent(value: float) -> str:
    """Return a water content with two decimals, or two digits where it is small."""
    return f"{value:.2f}" if value >= 0.1 else f"{value:.2g}"  # noqa: PLR2004 - where two decimals end


def assumption_notes(
    days: Timeline, at: datetime, family: Family | None, assumed: Assumptions
) -> Iterator[str]:
    """Give a sentence for everything that nobody recorded and was assumed, or that strains the model."""
    segments = list(days.until_moment(at))
    if days.began is None or at < days.began:
        yield "Nothing is recorded before this moment."
    yield from _missing_rh(
        segments, ("open air",), "open air", "what else was logged, or", assumed.open_rh_pct
    )
    yield from _missing_rh(segments, ("dry box",), "a dry box", "", assumed.box_rh_pct)
    if any(s.place == "printer" and s.stay and s.stay.humidity is None for s in segments):
        yield "Humidity at the printer is the room's vapour pressure at the filament's temperature."
    unlogged = sum(s.hours for s in segments if s.place == "unlogged")
    if unlogged:
        yield (
            f"{unlogged:.1f} h are not logged: taken as anything from none to all of it in open air, "
            "between the least and the greatest humidity logged."
        )
    yield from _of_dryings([s.drying for s in segments if s.drying is not None])
    yield from _strained(segments, family)


def _of_dryings(dryings: Sequence[Drying]) -> Iterator[str]:
    """Give a sentence for what nobody read in the dryer."""
    if any(drying.dryer_rh_pct is None for drying in dryings):
        yield (
            "Humidity in the dryer is computed from the room's vapour pressure, as for a vented dryer; "
            "without a vent it is higher and less water leaves."
        )
    if any(drying.measured_c is None for drying in dryings):
        yield "A drying temperature is as set, not measured."


def _strained(segments: Sequence[Segment], family: Family | None) -> Iterator[str]:
    """Give a sentence where the model or the filament is strained."""
    damp = [s.stay.humidity for s in segments if s.place in EXPOSED and s.stay and s.stay.humidity]
    if any(middle > _DAMP_RH_PCT for _, middle, _ in damp):
        yield f"Above {_DAMP_RH_PCT:g} %RH the isotherm is extrapolated."
    if family is None or family.drying is None:
        return
    for drying in (s.drying for s in segments if s.drying is not None):
        if drying.temperature_c > family.drying.max_c:
            yield (
                f"{drying.name} was at {drying.temperature_c:g} °C, above the {family.drying.max_c:g} °C "
                f"that {family.name} filament on a reel should see: look at its strands before printing."
            )


def _missing_rh(
    segments: Sequence[Segment],
    places: Sequence[str],
    name: str,
    instead: str,
    range_pct: tuple[float, float, float],
) -> Iterator[str]:
    """Give a sentence where a place has no humidity."""
    hours = sum(s.hours for s in segments if s.place in places and s.stay and s.stay.humidity is None)
    if hours:
        low, _, high = range_pct
        taken = f"{instead} {low:g} to {high:g} %RH".strip()
        yield f"Humidity is not recorded for {hours:.1f} h in {name}: taken as {taken}."


def _since(drying: Drying | None, exposure: OpenAir) -> str:
    """Return from when the exposure counts."""
    if drying is None:
        when = exposure.since_at
        return f"Since records began ({when:%Y-%m-%d %H:%M} UTC)" if when else "Without any record"
    hours = (drying.ended - drying.began).total_seconds() / 3600.0
    warm = f"{drying.temperature_c:.0f} °C {'set' if drying.measured_c is None else 'measured'}"
    name = f"drying {drying.key}" if drying.key else drying.name
    change = ""
    if drying.before_g is not None and drying.after_g is not None:
        # The sign stays: a gain in the dryer is told as a gain, for it says that the scales or the reel
        # deserve a look.
        change = f", mass change {drying.after_g - drying.before_g:+.1f} g"
    return f"Since {name} ({warm}, {hours:.1f} h{change}, ended {drying.ended:%Y-%m-%d %H:%M} UTC)"


def _where(exposure: OpenAir) -> str:
    """Return the hours by place."""
    climate = ""
    if exposure.rh_mean_pct is not None and exposure.hours:
        climate = f" at {exposure.rh_mean_pct:.0f} %RH"
        if exposure.rh_low_pct != exposure.rh_high_pct:
            climate += f" ({exposure.rh_low_pct:.0f} to {exposure.rh_high_pct:.0f})"
        if exposure.temperature_mean_c is not None:
            climate += f", {exposure.temperature_mean_c:.0f} °C"
    elif exposure.hours:
        # Said in place of a figure: an assumed humidity in the first line would be read as a measured one.
        climate = " at a humidity nobody recorded"
    return (
        f"open air {exposure.hours:.1f} h{climate}; dry box {exposure.hours_box:.1f} h; "
        f"sealed bag {exposure.hours_bag:.1f} h; unlogged {exposure.hours_unlogged:.1f} h"
    )


def _generic(found: Water, family: Family | None, winding: float) -> str:
    """Return what the bounds of grade C rest on."""
    if found.winding_pct is None or found.diffusion_pct is None or family is None:
        return "grade C"
    wound, spread = found.winding_pct, found.diffusion_pct
    return (
        f"winding alone, slower by up to {winding:g}: {percent(wound[0])} to {percent(wound[1])}; with the "
        f"diffusion coefficient ×/÷ {family.d_factor:g}: {percent(spread[0])} to {percent(spread[1])}; the "
        f"rest is humidity, isotherm ± {100 * family.w_relative:.0f} % and start; grade C: generic figures "
        f"of {family.name}, centre for a loose strand, not verified by weighing"
    )


def _why_no_number(family: Family | None) -> str:
    """Return why a family gets no number."""
    if family is None:
        return "nothing is known of this family, so only the hours count"
    return family.no_estimate or "no figures"
