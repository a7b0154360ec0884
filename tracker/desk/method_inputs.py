"""What a method computes from beside the readings: the piece as it sees it, and the calibrated rigs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import Instrument
from tracker.ids import rig_id
from tracker.kinds import ident_of
from tracker.lazy_modules import lazy
from tracker.lineage import material_of_specimen
from tracker.model import Calibration, Material, MeasurementRig, Rig, Specimen, Spool
from tracker.units import same_kind

if TYPE_CHECKING:
    from tracker import api, platefile
    from tracker.api import Piece
else:
    api = lazy("tracker.api")
    platefile = lazy("tracker.platefile")


def piece_of(row: Specimen | Spool) -> Piece:
    """Return what is recorded of the thing tested, as far as a method's arithmetic may use it."""
    material = row.material if isinstance(row, Spool) else material_of_specimen(row)
    return piece_from(str(ident_of(row)), None if isinstance(row, Spool) else row, material)


def piece_from(ident: str, specimen: Specimen | None, material: Material | None) -> api.Piece:
    """Return the same of rows that were read otherwise; without a specimen it is a spool that was tested."""
    of_material: dict[str, Any] = {
        "material": material.name if material else None,
        "family": material.family if material else None,
        "density_g_cm3": material.density_g_cm3 if material else None,
    }
    if specimen is None:
        return api.Piece(id=ident, kind="spool", name=of_material["material"] or "", **of_material)
    sizes = (specimen.size_x_mm, specimen.size_y_mm, specimen.size_z_mm)
    return api.Piece(
        id=ident,
        name=specimen.name or "",
        orientation=specimen.orientation,
        outcome=specimen.outcome,
        geometry=specimen.geometry,
        nominal_mm=_nominal(specimen.geometry),
        box_mm=None if None in sizes else sizes,  # type: ignore[arg-type] # none of them is None here
        **of_material,
    )


def _nominal(geometry: str | None) -> dict[str, float]:
    """Return what the section of a geometry template should measure; empty where none is recorded."""
    # The room of plate files brings numpy along; a piece without a template does without it.
    if geometry is None or geometry == "free":
        return {}

    section = next((each.section_mm for each in platefile.pieces() if each.id == geometry), None)
    return {} if section is None else {"width": section[0], "thickness": section[1]}


def in_force(rig: Rig, day: dt.date) -> Calibration | None:
    """Return the newest calibration of what a rig reads, done on or before a day."""
    # Never a later one: what a rig did in spring cannot be vouched for by what was found in autumn.
    done = [each for each in rig.calibrations if each.done_on <= day and each.compliance is None]
    return done[-1] if done else None


def compliance_in_force(rig: Rig, day: dt.date) -> Calibration | None:
    """Return the newest finding, on or before a day, of how far a rig itself gives under load."""
    done = [each for each in rig.calibrations if each.done_on <= day and each.compliance is not None]
    return done[-1] if done else None


def warning_of(rig: Rig, calibration: Calibration | None, day: dt.date) -> str:
    """Return what a result must say of its instrument's calibration; empty where it is in order."""
    name = f"{rig_id(rig.id)} {rig.name}"
    if rig.unit is None:
        return ""
    if calibration is None:
        return f"{name} is not calibrated: only its resolution is in the uncertainty."
    if rig.recalibrate_days is None:
        return ""
    due = calibration.done_on + dt.timedelta(days=rig.recalibrate_days)
    return f"The calibration of {name} was due on {due}." if due < day else ""


def instrument_of(
    rig: Rig,
    calibration: Calibration | None,
    compliance: Calibration | None = None,
    day: dt.date | None = None,
) -> Instrument | None:
    """Return what a method's arithmetic needs of a rig; None for one that reads nothing.

    Args:
        rig: Its row.
        calibration: Of what it reads, in force on the day.
        compliance: How far it gives, in force on the day.
        day: Of the measurement; without it nothing is said of a calibration that is overdue.
    """
    if rig.unit is None:
        return None
    errors = (calibration.errors if calibration else None) or ()
    return Instrument(
        id=rig_id(rig.id),
        unit=rig.unit,
        resolution=rig.resolution,
        u_abs=calibration.u_abs if calibration else 0.0,
        u_rel=calibration.u_rel if calibration else 0.0,
        low=rig.low,
        capacity=rig.capacity,
        note=f"calibrated {calibration.done_on}" if calibration else "not calibrated",
        warning=warning_of(rig, calibration, day) if day is not None else "",
        errors=tuple((float(at), float(error)) for at, error in errors),
        compliance=compliance.compliance if compliance else None,
        u_compliance=compliance.u_abs if compliance else 0.0,
    )


def instruments(used: Iterable[MeasurementRig], day: dt.date | None = None) -> dict[str, Instrument]:
    """Return instruments by the readings they took; where that is not said, by the kind they serve.

    The first of a kind counts. One that was said to have taken certain readings serves those alone.
    """
    found: dict[str, Instrument] = {}
    for each in used:
        instrument = instrument_of(each.rig, each.calibration, each.compliance, day)
        if instrument is None:
            continue
        for name in each.fields or ():
            found[str(name)] = instrument
        if not each.fields and each.rig.measures is not None:
            found.setdefault(each.rig.measures, instrument)
    return found


def rigs_serving(session: Session, method: str | None, units: Iterable[str] = ()) -> list[Rig]:
    """Return the rigs that serve a method and read something it needs, newest first; all for no method."""
    rows = session.scalars(select(Rig).order_by(Rig.id.desc()))
    if method is None:
        return list(rows)
    wanted = set(units)
    return [
        rig
        for rig in rows
        if (rig.methods is None or method in rig.methods)
        and (rig.unit is None or any(same_kind(rig.unit, unit) for unit in wanted))
    ]
