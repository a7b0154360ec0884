"""Rigs and instruments: what is measured with, how far it can be trusted, since when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import Instrument
from tracker.ids import rig_id
from tracker.model import Calibration, Rig
from tracker.units import same_kind


def in_force(rig: Rig, day: dt.date) -> Calibration | None:
    """Return the newest calibration done on or before a day."""
    # Never a later one: what a rig did in spring cannot be vouched for by what was found in autumn.
    done = [each for each in rig.calibrations if each.done_on <= day]
    return done[-1] if done else None


def instrument_of(rig: Rig, calibration: Calibration | None) -> Instrument | None:
    """Return what a method's arithmetic needs of a rig; None for one that reads nothing."""
    if rig.unit is None:
        return None
    return Instrument(
        id=rig_id(rig.id),
        unit=rig.unit,
        resolution=rig.resolution,
        u_abs=calibration.u_abs if calibration else 0.0,
        u_rel=calibration.u_rel if calibration else 0.0,
        low=rig.low,
        capacity=rig.capacity,
        note=f"calibrated {calibration.done_on}" if calibration else "not calibrated",
    )


def instruments(pairs: Iterable[tuple[Rig, Calibration | None]]) -> dict[str, Instrument]:
    """Return instruments by the kind of reading they serve; the first of a kind counts."""
    found: dict[str, Instrument] = {}
    for rig, calibration in pairs:
        instrument = instrument_of(rig, calibration)
        if instrument is not None and rig.measures is not None:
            found.setdefault(rig.measures, instrument)
    return found


def rigs_serving(session: Session, method: str, units: Iterable[str]) -> list[Rig]:
    """Return the rigs that serve a method and read something it needs, newest first."""
    wanted = set(units)
    rows = session.scalars(select(Rig).order_by(Rig.id.desc()))
    return [
        rig
        for rig in rows
        if (rig.methods is None or method in rig.methods)
        and (rig.unit is None or any(same_kind(rig.unit, unit) for unit in wanted))
    ]
