"""What is answered about a spool's water, the hours of exposure behind it, and the words for both."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from tracker.exposure.days import Drying, Segment, Timeline, Whereabouts
from tracker.exposure.families import Assumptions, Family
from tracker.exposure.physics import Array

Grade = Literal["A", "B", "C", "D"]
Interval = tuple[float, float]

GRADES: Final[dict[Grade, str]] = {
    "A": "measured on this spool, and nothing has reached it since",
    "B": "model corrected by this spool's own weighings",
    "C": "model with generic figures of the family, not verified by weighing",
    "D": "hours of exposure only",
}
"""What each grade stands for."""


@dataclass(frozen=True, slots=True)
class Water:
    """Water content of a spool's filament at a moment, wt%.

    Attributes:
        at: The moment, aware, UTC.
        centre_pct: Middle estimate (a loose strand with the family's middle figures, or the middle after
            weighings); None at grade D.
        low_pct: Lower bound; None at grade D.
        high_pct: Upper bound; None at grade D.
        grade: ``"A"`` to ``"D"``, see :data:`GRADES`.
        regime: What the uncertainty hangs on.
        winding_pct: Bounds from the winding alone, wt%; None at grades B and D.
        diffusion_pct: Bounds from winding and diffusion coefficient together, wt%; None at grades B and D.
        exposure: Hours since the last drying.
        sentence: The whole statement, ready to print.
        sentences: What was assumed or found doubtful, each one sentence.
    """

    at: datetime
    centre_pct: float | None
    low_pct: float | None
    high_pct: float | None
    grade: Grade
    regime: str
    winding_pct: Interval | None
    diffusion_pct: Interval | None
    exposure: OpenAir
    sentence: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WaterHistory:
    """Water at several moments, for a chart; empty arrays of values at grade D.

    Attributes:
        times: The moments, in order.
        centre_pct: Middle estimate, shape (T,) or (0,), wt%.
        low_pct: Lower bound, of the same shape, wt%.
        high_pct: Upper bound, of the same shape, wt%.
        grade: The least grade of all moments that have a number, else ``"D"``.
    """

    times: tuple[datetime, ...]
    centre_pct: Array
    low_pct: Array
    high_pct: Array
    grade: Grade


EXPOSED = ("open air", "printer")
"""Places where the spool lies in the air of the room."""


@dataclass(frozen=True, slots=True)
class OpenAir:
    """Exposure since the last drying, or since the first record if there was none.

    Attributes:
        hours: In open air or on the printer, h.
        hours_unlogged: Of which nobody knows, h; may have been open air.
        hours_box: In a dry box, h.
        hours_bag: In a sealed bag, h.
        rh_weighted_hours: Σ hours · RH/100 over the open-air hours that have a humidity, h: the hours at
            100 %RH with the same humidity dose.
        hours_without_rh: Open-air hours that have no humidity and are missing in ``rh_weighted_hours``.
        rh_mean_pct: Mean humidity over the hours that have one; None without any.
        rh_low_pct: Least humidity over those hours.
        rh_high_pct: Greatest humidity over those hours.
        temperature_mean_c: Mean temperature over the open-air hours that have one; None without any.
        since: Key of the last drying; None if there was none.
        since_at: When it ended (or when records began); None for a spool without records.
    """

    hours: float
    hours_unlogged: float
    hours_box: float
    hours_bag: float
    rh_weighted_hours: float
    hours_without_rh: float
    rh_mean_pct: float | None
    rh_low_pct: float | None
    rh_high_pct: float | None
    temperature_mean_c: float | None
    since: str | None
    since_at: datetime | None


def open_air(days: Timeline, at: datetime) -> OpenAir:
    """Return the exposure up to ``at`` since the last drying that began before it.

    Raises:
        Refused: ``at`` is later than the timeline, or has no zone.
    """
    days.known_until(at)
    drying = days.last_drying(at)
    # A drying that still runs at the moment asked about counts as ended there: nothing has reached the
    # spool since.
    since = min(drying.ended, at) if drying else days.began
    found = [s for s in days.until_moment(at) if since is not None and s.began >= since]
    # On the printer counts as open air: the spool hangs in the room there, often for longer than anywhere
    # else.
    out = [segment for segment in found if segment.place in EXPOSED]
    humid = _humid(out)
    dose = [(hours, rh) for hours, (_, rh, _) in humid]
    return OpenAir(
        hours=_hours(out),
        hours_unlogged=_hours_in("unlogged", found),
        hours_box=_hours_in("dry box", found),
        hours_bag=_hours_in("sealed bag", found),
        rh_weighted_hours=sum(hours * rh / 100.0 for hours, rh in dose),
        hours_without_rh=_hours(out) - sum(hours for hours, _ in dose),
        rh_mean_pct=_mean(dose),
        rh_low_pct=min((low for _, (low, _, _) in humid), default=None),
        rh_high_pct=max((high for _, (_, _, high) in humid), default=None),
        temperature_mean_c=_mean(_warm(out)),
        since=drying.key if drying else None,
        since_at=since,
    )


def _humid(segments: Iterable[Segment]) -> list[tuple[float, tuple[float, float, float]]]:
    """Return hours and humidity (least, middle, greatest, %RH) of the segments that have one."""
    found = ((s.hours, s.period.humidity) for s in segments if s.period is not None)
    return [(hours, humidity) for hours, humidity in found if humidity is not None]


def _warm(segments: Iterable[Segment]) -> list[tuple[float, float]]:
    """Return hours and temperature (°C) of the segments that have one."""
    found = ((s.hours, s.period.temperature_c) for s in segments if s.period is not None)
    return [(hours, t_c) for hours, t_c in found if t_c is not None]


def _hours_in(place: Whereabouts, segments: Iterable[Segment]) -> float:
    """Return the hours in one place."""
    return _hours(segment for segment in segments if segment.place == place)


def _hours(segments: Iterable[Segment]) -> float:
    """Return the length of segments in hours."""
    return sum(segment.hours for segment in segments)


def _mean(pairs: Sequence[tuple[float, float]]) -> float | None:
    """Return the mean of values weighted by hours; None without any."""
    total = sum(hours for hours, _ in pairs)
    # By hours, or five minutes with a damp window open would weigh as much as a week.
    return sum(hours * value for hours, value in pairs) / total if total else None


_DAMP_RH_PCT = 75.0


def statement(
    found: Water, days: Timeline, family: Family | None, winding: float, used: Sequence[str]
) -> str:
    """Return the statement of one moment in three sentences: exposure, water, regime.

    Args:
        found: The estimate, its own sentence still empty.
        days: The spool's days.
        family: The polymer family, or None if not known.
        winding: The slow-down by winding that was used.
        used: Names of dryings whose weighings corrected the estimate.
    """
    drying = days.last_drying(found.at)
    parts = [_since(drying, found.exposure, days), _where(found.exposure)]
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
    if days.began is not None and days.last_drying(at) is None:
        yield "No drying recorded."
    if days.began is None or at < days.began:
        yield "Nothing is recorded before this moment."
    yield from _missing_rh(
        segments, ("open air",), "open air", "what else was logged, or", assumed.open_rh_pct
    )
    yield from _missing_rh(segments, ("dry box",), "a dry box", "", assumed.box_rh_pct)
    if any(s.place == "printer" and s.period and s.period.humidity is None for s in segments):
        yield "Humidity at the printer is the room's vapour pressure at the filament's temperature."
    unlogged = sum(s.hours for s in segments if s.place == "unlogged")
    if unlogged:
        yield (
            f"{unlogged:.1f} h are not logged: taken as anything from none to all of it in open air, "
            "between the least and the greatest humidity logged or usual in a room."
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
    damp = [s.period.humidity for s in segments if s.place in EXPOSED and s.period and s.period.humidity]
    if any(middle > _DAMP_RH_PCT for _, middle, _ in damp):
        yield f"Above {_DAMP_RH_PCT:g} %RH the isotherm is extrapolated."
    if family is None or family.drying is None:
        return
    for drying in (s.drying for s in segments if s.drying is not None):
        if drying.temperature_c > family.drying.max_c:
            yield (
                f"{drying.name} was at {drying.temperature_c:g} °C, above the {family.drying.max_c:g} °C "
                f"that {family.name} filament on a reel should see: look at its windings before printing."
            )


def _missing_rh(
    segments: Sequence[Segment],
    places: Sequence[str],
    name: str,
    instead: str,
    range_pct: tuple[float, float, float],
) -> Iterator[str]:
    """Give a sentence where a place has no humidity."""
    hours = sum(s.hours for s in segments if s.place in places and s.period and s.period.humidity is None)
    if hours:
        low, _, high = range_pct
        taken = f"{instead} {low:g} to {high:g} %RH".strip()
        yield f"Humidity is not recorded for {hours:.1f} h in {name}: taken as {taken}."


def _since(drying: Drying | None, exposure: OpenAir, days: Timeline) -> str:
    """Return from when the exposure counts."""
    if drying is None:
        when = exposure.since_at
        if when is None:
            return "Without any record"
        began = "it was received" if days.received else "records began"
        unknown = "" if days.received else ", unknown before"
        return f"No drying recorded, since {began} ({days.when(when)}{unknown})"
    hours = (drying.ended - drying.began).total_seconds() / 3600.0
    warm = f"{drying.temperature_c:.0f} °C {'set' if drying.measured_c is None else 'measured'}"
    name = f"drying {drying.key}" if drying.key else drying.name
    change = ""
    if drying.before_g is not None and drying.after_g is not None:
        # The sign stays: a gain in the dryer is reported as a gain, for it says that the scales or the reel
        # deserve a look.
        change = f", mass change {drying.after_g - drying.before_g:+.1f} g"
    return f"Since {name} ({warm}, {hours:.1f} h{change}, ended {days.when(drying.ended)})"


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
        f"of {family.name}, centre for loose filament, not verified by weighing"
    )


def _why_no_number(family: Family | None) -> str:
    """Return why a family gets no number."""
    if family is None:
        return "nothing is known of this family, so only the hours count"
    return family.no_estimate or "no figures"
