"""A plate compared with the material's data sheet and the spool's days."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy.orm import Session

from tracker.desk.jobplates import Feed
from tracker.desk.platefacts import agreed_hint, usual_set_points
from tracker.desk.plates import PlateRead
from tracker.errors import Refused
from tracker.history import SpoolDays, mass_left, spool_days, water_at_many
from tracker.lazy_modules import lazy
from tracker.model import Spool
from tracker.platefile import Reading
from tracker.preflight.findings import Finding
from tracker.stating import compact

if TYPE_CHECKING:
    from tracker import exposure
else:
    exposure = lazy("tracker.exposure")

STEMS: Final = ("nozzle", "bed", "chamber")
_SPARE: Final = 1.1
"""A purge, a skirt that grows, a restart: less than a tenth to spare is worth a word. Common practice."""
_REGAINED: Final = 0.2
"""Overdue: since its drying it took up this part of what it holds at 50 %RH. Our choice."""
_LONG_H: Final = 24.0
"""Open-air hours after which a spool of an unknown family is overdue. Our choice."""


def set_points(read: PlateRead, fed: Feed, whose: str = "") -> Iterator[Finding]:
    """Yield what is wrong with the plate's set-points for the material of a spool.

    Args:
        read: The plate.
        fed: The spool and its tool; the nozzle is that of this tool.
        whose: Which of several spools it is, in words; empty for the only one.
    """
    usual = usual_set_points(read.plate)
    nozzle = read.plate.set_points.nozzle_c
    if whose:
        nozzle = next((use.nozzle_c for use in read.plate.tools if use.tool == fed.tool), Reading())
        usual = {name: value for name, value in usual.items() if name != "nozzle_c"}
        usual |= {} if nozzle.value is None else {"nozzle_c": nozzle.value}
    for stem in STEMS:
        low, high = (getattr(fed.spool.material, f"{stem}_{end}_c") for end in ("low", "high"))
        value, origin = _value(read, usual, stem)
        of = f" for {whose}" if whose else ""
        reading = nozzle if stem == "nozzle" else getattr(read.plate.set_points, f"{stem}_c")
        if value is None:
            yield from _missing(stem, low, high, of)
        else:
            yield from _outside(reading, stem, (value, origin + of), low, high)


def _value(read: PlateRead, usual: dict[str, float], stem: str) -> tuple[float | None, str]:
    name = f"{stem}_c"
    if name in usual:
        return usual[name], ""
    hint = agreed_hint(name, read.plate.hints)
    return (None, "") if hint is None else (hint.value, f" ({hint.origin})")


def _missing(stem: str, low: float | None, high: float | None, of: str) -> Iterator[Finding]:
    if low is None and high is None:
        return
    wanted = f"the data sheet wants {_range(low, high)}{of}"
    if stem == "chamber":
        yield Finding("stop", stem, f"The plate sets no chamber temperature; {wanted}.")
    else:
        yield Finding("warning", stem, f"The plate does not state the {stem} temperature; {wanted}.")


def _outside(
    reading: Reading, stem: str, usual: tuple[float, str], low: float | None, high: float | None
) -> Iterator[Finding]:
    value, origin = usual
    if (low is not None and value < low) or (high is not None and value > high):
        yield Finding(
            "stop",
            stem,
            f"The {stem} is set to {value:g} °C{origin}; the data sheet says {_range(low, high)}.",
        )
        return
    for extreme in {each for each in (reading.low, reading.high) if each is not None and each != value}:
        if (low is not None and extreme < low) or (high is not None and extreme > high):
            sheet = f"the data sheet says {_range(low, high)}"
            text = f"Part of the plate sets the {stem} to {extreme:g} °C; {sheet}."
            yield Finding("warning", stem, text)


def _range(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return f"at least {low:g} °C" if low is not None else f"at most {high:g} °C"
    return f"{low:g} – {high:g} °C"


def filament(
    session: Session, read: PlateRead, fed: Feed, now: dt.datetime, zone: dt.tzinfo, whose: str = ""
) -> tuple[float | None, list[Finding]]:
    """Return the filament left on a spool in g, and what is to be said of it."""
    left = mass_left(session, fed.spool, now, zone)
    need = fed.grams if whose else read.plate.filament_g
    of = f" of {whose}" if whose else ""
    if need is None:
        text = f"The plate's mass{of} is not known: no density in the material's record or in the file."
        return left.left_g, [Finding("warning", "filament", text)]
    if left.left_g is None:
        sentence = f"The plate needs {need:.1f} g{of}; what is left is not known: {left.how}."
        return None, [Finding("warning", "filament", sentence)]
    sentence = (
        f"The plate needs {need:.1f} g{of}, {compact(round(left.left_g, 1), 'g')} are left ({left.how})"
    )
    if need > left.left_g + (left.u_g or 0.0):
        end = runs_out(read, fed, left.left_g / need)
        return left.left_g, [Finding("stop", "filament", f"{sentence}{end}.")]
    if need * _SPARE > left.left_g - (left.u_g or 0.0):
        return left.left_g, [Finding("warning", "filament", f"{sentence}: that is close.")]
    return left.left_g, []


def runs_out(read: PlateRead, fed: Feed, share: float) -> str:
    """Return where a spool runs out, in words: the specimen and its layer; empty where it does nowhere.

    Args:
        read: The plate.
        fed: The spool, its tool, and the specimens it serves.
        share: What is left of it, as a part of what the plate takes from it.
    """
    deposited = sorted(
        (stretch.end_s, stretch.filament_mm, number, layer.z_mm, piece.name)
        for place, piece in enumerate(read.pieces, 1)
        if fed.pieces is None or place in fed.pieces
        for number, layer in enumerate(piece.thing.layer_facts, 1)
        for stretch in layer.stretches
        if stretch.tool == fed.tool or len(read.plate.tools) == 1
    )
    left = share * sum(each[1] for each in deposited)
    for _, length, number, z, name in deposited:
        left -= length
        if left < 0:
            return f"; it runs out in about layer {number} ({z:.4g} mm) of {name}"
    return ""


def drying(session: Session, spool: Spool, now: dt.datetime, whose: str = "") -> Iterator[Finding]:
    """Yield what is to be said of a spool's drying."""
    of = f" {whose}" if whose else ""
    try:
        days = spool_days(session, spool, now)
    except Refused as refusal:
        yield Finding("warning", "drying", f"The days of the spool{of} contradict each other: {refusal}.")
        return
    last = days.timeline.last_drying(now)
    wants = spool.material.drying_c is not None or _advised(days)
    if last is None:
        if wants:
            yield Finding("warning", "drying", f"The spool{of} was never dried, as far as is recorded.")
        return
    yield from _overdue(days, last, now, whose)


def _advised(days: SpoolDays) -> bool:
    try:
        return bool(days.family) and exposure.drying_advice(days.family or "").set_low_c is not None
    except Refused:
        return False


def _overdue(days: SpoolDays, last: Any, now: dt.datetime, whose: str) -> Iterator[Finding]:
    air = exposure.open_air(days.timeline, now)
    hours = air.hours + air.hours_unlogged
    estimate = water_at_many(days, [min(last.ended, now), now])
    family = exposure.load_families().find(days.family) if days.family else None
    overdue = f"{whose} is overdue" if whose else "Overdue"
    since = f"dried in {last.name}, since then {air.hours:.1f} h in open air"
    if air.hours_unlogged:
        since += f" and {air.hours_unlogged:.1f} h nobody recorded"
    if len(estimate.centre_pct) and family is not None and family.w50_pct is not None:
        regained = float(estimate.centre_pct[-1] - estimate.centre_pct[0])
        if regained > _REGAINED * family.w50_pct.value:
            low, high = float(estimate.low_pct[-1]), float(estimate.high_pct[-1])
            water = f"estimated {low:.2g} – {high:.2g} wt% water, grade {estimate.grade}"
            yield Finding("warning", "drying", f"{overdue} for drying: {since}; {water}.")
    elif hours > _LONG_H:
        yield Finding("warning", "drying", f"{overdue} for drying: {since}.")
