"""Materials, spools and dryings as they are shown."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.model import Drying, DryingSpool, JobSpool, Material, Spool, Stay, Weighing
from tracker.records.telling import Shown, add_note, columns, iso, numbered, span, when
from tracker.units import compact


def _material(session: Session, row: Material, zone: dt.tzinfo) -> Shown:
    del session, zone
    told = Shown(row.name, data={"id": row.name, **columns(row)})
    told.add("family", row.family)
    told.add("maker", row.maker)
    told.add("density", compact(row.density_g_cm3, "g/cm^3"))
    for stem in ("nozzle", "bed", "chamber"):
        told.add(stem, span(getattr(row, f"{stem}_low_c"), getattr(row, f"{stem}_high_c")))
    told.add("drying", f"{compact(row.drying_c, 'degC')}, {compact(row.drying_h, 'h')}")
    told.add("stands at most", compact(row.drying_max_c, "degC"))
    add_note(told, row.note)
    return told


def _spool(session: Session, row: Spool, zone: dt.tzinfo) -> Shown:
    name = ids.spool_id(row.id)
    told = Shown(f"{name}  {row.material.name}", data={"id": name, **columns(row)})
    told.data["material"] = row.material.name
    told.add("lot", row.lot)
    told.add("came", " ".join(filter(None, (row.supplied, row.supplied_by and f"by {row.supplied_by}"))))
    told.add("received", iso(row.received_on))
    told.add("condition", row.condition)
    told.add("diameter", compact(row.diameter_mm, "mm"))
    told.add("net, gross, empty", ", ".join(compact(m, "g") for m in (row.net_g, row.gross_g, row.empty_g)))
    add_note(told, row.note)
    _add_stays(session, row, zone, told)
    _add_weighings(session, row, zone, told)
    _add_dryings(session, row, zone, told)
    used = session.scalars(
        select(JobSpool.job_id).where(JobSpool.spool_id == row.id).order_by(JobSpool.job_id)
    )
    told.data["jobs"] = [ids.job_id(number) for number in used]
    told.add("jobs", ", ".join(told.data["jobs"]) or "none yet")
    return told


def _add_stays(session: Session, row: Spool, zone: dt.tzinfo, told: Shown) -> None:
    stays = session.scalars(select(Stay).where(Stay.spool_id == row.id).order_by(Stay.began_at)).all()
    told.add_all("kept", [f"stay{stay.id}: {_stay_words(stay, zone)}" for stay in stays], none=None)
    told.data["stays"] = [numbered(stay) for stay in stays]


def _stay_words(stay: Stay, zone: dt.tzinfo) -> str:
    until = when(stay.ended_at, zone) or "now"
    where = f" ({stay.where})" if stay.where else ""
    air = f", {stay.rh_pct:g} %RH" if stay.rh_pct is not None else ""
    return f"{stay.place}{where}, {when(stay.began_at, zone)} – {until}{air}"


def _add_weighings(session: Session, row: Spool, zone: dt.tzinfo, told: Shown) -> None:
    rows = session.scalars(select(Weighing).where(Weighing.spool_id == row.id).order_by(Weighing.at)).all()
    said = [f"weighing{each.id}: {when(each.at, zone)} {compact(each.mass_g, 'g')}" for each in rows]
    told.add_all("weighed", said)
    told.data["weighings"] = [numbered(each) for each in rows]


def _add_dryings(session: Session, row: Spool, zone: dt.tzinfo, told: Shown) -> None:
    rows = session.scalars(
        select(Drying).join(DryingSpool).where(DryingSpool.spool_id == row.id).order_by(Drying.began_at)
    ).all()
    said = [f"{ids.drying_id(each.id)}: {_cycle(each, zone)}" for each in rows]
    told.add_all("dried", said, none="never, as far as is recorded")
    told.data["dryings"] = [ids.drying_id(each.id) for each in rows]


def _cycle(row: Drying, zone: dt.tzinfo) -> str:
    measured = f" (measured {row.measured_c:g} °C)" if row.measured_c is not None else ""
    heat = f"set {row.set_c:g} °C" if row.set_c is not None else "set temperature not recorded"
    return f"{heat}{measured}, {when(row.began_at, zone)} – {when(row.ended_at, zone) or 'not ended'}"


def _drying(session: Session, row: Drying, zone: dt.tzinfo) -> Shown:
    del session
    name = ids.drying_id(row.id)
    told = Shown(name, data={"id": name, **columns(row)})
    told.add("cycle", _cycle(row, zone))
    told.add("meant", compact(row.planned_h, "h"))
    told.add("room", f"{compact(row.room_c, 'degC')}, {compact(row.room_rh_pct, '%')}")
    told.add("inside", compact(row.dryer_rh_pct, "%"))
    told.add("dryer", row.dryer)
    told.data["spools"] = []
    for each in sorted(row.spools, key=lambda one: one.spool_id):
        spool = ids.spool_id(each.spool_id)
        masses = f"{compact(each.before_g, 'g')} before, {compact(each.after_g, 'g')} after"
        told.add(spool, f"{each.spool.material.name}: {masses}")
        told.data["spools"].append({"id": spool, "before_g": each.before_g, "after_g": each.after_g})
    add_note(told, row.note)
    return told


SHOW: Final[Mapping[type[Any], Callable[[Session, Any, dt.tzinfo], Shown]]] = {
    Material: _material,
    Spool: _spool,
    Drying: _drying,
}
"""How each kind of record here is shown: from a session, the row and the bench's zone."""
