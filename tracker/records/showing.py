"""One record as it is shown: facts in lines for people, the same facts as JSON."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.model import (
    Drying,
    DryingSpool,
    Job,
    JobSpool,
    Material,
    Measurement,
    Rig,
    Specimen,
    Spool,
    Stay,
    Weighing,
)
from tracker.orientation import in_words
from tracker.units import compact, shown, with_uncertainty


@dataclass
class Shown:
    """A record, ready to be shown.

    Attributes:
        title: First line.
        facts: Label and text; an empty label goes on under the one before.
        data: The same for machines.
    """

    title: str
    facts: list[tuple[str, str]] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)

    def add(self, label: str, text: Any) -> None:
        """Add a fact; None is "not recorded"."""
        self.facts.append((label, "not recorded" if text is None or text == "" else str(text)))


def shown_record(session: Session, row: Any, zone: dt.tzinfo) -> Shown:
    """Return a row as it is shown.

    Args:
        session: To read what hangs on it.
        row: Of any kind that has an ID, or a material.
        zone: The bench's, for times.
    """
    return _SHOW[type(row)](session, row, zone)


def _when(moment: dt.datetime | None, zone: dt.tzinfo) -> str | None:
    return None if moment is None else f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def _iso(moment: dt.datetime | dt.date | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _columns(row: Any) -> dict[str, Any]:
    """Return a row's own columns as JSON has them, its number and entry left out."""
    left_out = {"id", "entry", "plate_facts"}
    return {
        column.name: _iso(value) if isinstance(value, (dt.datetime, dt.date)) else value
        for column in row.__table__.c
        if column.name not in left_out and not column.name.endswith("_id")
        for value in [getattr(row, column.key)]
    }


def _range(low: float | None, high: float | None, unit: str = "degC") -> str | None:
    if low is None and high is None:
        return None
    return f"{compact(low, missing='…')} – {compact(high, unit, missing='…')}"


def _material(session: Session, row: Material, zone: dt.tzinfo) -> Shown:
    del session, zone
    told = Shown(row.name, data={"id": row.name, **_columns(row)})
    told.add("family", row.family)
    told.add("maker", row.maker)
    told.add("density", compact(row.density_g_cm3, "g/cm^3"))
    for stem in ("nozzle", "bed", "chamber"):
        told.add(stem, _range(getattr(row, f"{stem}_low_c"), getattr(row, f"{stem}_high_c")))
    told.add("drying", f"{compact(row.drying_c, 'degC')}, {compact(row.drying_h, 'h')}")
    told.add("stands at most", compact(row.drying_max_c, "degC"))
    _note(told, row.note)
    return told


def _note(told: Shown, note: str | None) -> None:
    if note:
        told.add("note", note)


def _spool(session: Session, row: Spool, zone: dt.tzinfo) -> Shown:
    name = ids.spool_id(row.id)
    told = Shown(f"{name}  {row.material.name}", data={"id": name, **_columns(row)})
    told.data["material"] = row.material.name
    told.add("lot", row.lot)
    told.add("came", " ".join(filter(None, (row.supplied, row.supplied_by and f"by {row.supplied_by}"))))
    told.add("received", _iso(row.received_on))
    told.add("condition", row.condition)
    told.add("diameter", compact(row.diameter_mm, "mm"))
    told.add("net, gross, empty", ", ".join(compact(m, "g") for m in (row.net_g, row.gross_g, row.empty_g)))
    _note(told, row.note)
    told.data["stays"] = _stays(session, row, zone, told)
    told.data["weighings"] = _weighings(session, row, zone, told)
    told.data["dryings"] = _dryings(session, row, zone, told)
    used = session.scalars(
        select(JobSpool.job_id).where(JobSpool.spool_id == row.id).order_by(JobSpool.job_id)
    )
    told.data["jobs"] = [ids.job_id(number) for number in used]
    told.add("jobs", ", ".join(told.data["jobs"]) or "none yet")
    return told


def _stays(session: Session, row: Spool, zone: dt.tzinfo, told: Shown) -> list[dict[str, Any]]:
    stays = session.scalars(select(Stay).where(Stay.spool_id == row.id).order_by(Stay.began_at)).all()
    for number, stay in enumerate(stays):
        until = _when(stay.ended_at, zone) or "now"
        where = f" ({stay.where})" if stay.where else ""
        air = f", {stay.rh_pct:g} %RH" if stay.rh_pct is not None else ""
        told.add(
            "" if number else "kept",
            f"stay{stay.id}: {stay.place}{where}, {_when(stay.began_at, zone)} – {until}{air}",
        )
    if not stays:
        told.add("kept", None)
    return [{"number": stay.id, **_columns(stay)} for stay in stays]


def _weighings(session: Session, row: Spool, zone: dt.tzinfo, told: Shown) -> list[dict[str, Any]]:
    rows = session.scalars(select(Weighing).where(Weighing.spool_id == row.id).order_by(Weighing.at)).all()
    for number, each in enumerate(rows):
        told.add("" if number else "weighed", f"weighing{each.id}: {_when(each.at, zone)} {each.mass_g:g} g")
    return [{"number": each.id, **_columns(each)} for each in rows]


def _dryings(session: Session, row: Spool, zone: dt.tzinfo, told: Shown) -> list[str]:
    rows = session.scalars(
        select(Drying).join(DryingSpool).where(DryingSpool.spool_id == row.id).order_by(Drying.began_at)
    ).all()
    for number, each in enumerate(rows):
        told.add("" if number else "dried", f"{ids.drying_id(each.id)}: {_cycle(each, zone)}")
    if not rows:
        told.add("dried", "never, as far as is recorded")
    return [ids.drying_id(each.id) for each in rows]


def _cycle(row: Drying, zone: dt.tzinfo) -> str:
    measured = f" (measured {row.measured_c:g} °C)" if row.measured_c is not None else ""
    ended = _when(row.ended_at, zone) or "not ended"
    return f"{compact(row.set_c, 'degC')} set{measured}, {_when(row.began_at, zone)} – {ended}"


def _drying(session: Session, row: Drying, zone: dt.tzinfo) -> Shown:
    del session
    name = ids.drying_id(row.id)
    told = Shown(name, data={"id": name, **_columns(row)})
    told.add("cycle", _cycle(row, zone))
    told.add("meant", compact(row.planned_h, "h"))
    told.add("room", f"{compact(row.room_c, 'degC')}, {compact(row.room_rh_pct, '%')}")
    told.add("inside", compact(row.dryer_rh_pct, "%"))
    told.add("dryer", row.dryer)
    told.data["spools"] = []
    for each in row.spools:
        told.add(
            ids.spool_id(each.spool_id),
            f"{each.spool.material.name}: {compact(each.before_g, 'g')} before, {compact(each.after_g, 'g')} after",
        )
        told.data["spools"].append(
            {"id": ids.spool_id(each.spool_id), "before_g": each.before_g, "after_g": each.after_g}
        )
    _note(told, row.note)
    return told


def _job(session: Session, row: Job, zone: dt.tzinfo) -> Shown:
    del session
    name = ids.job_id(row.id)
    told = Shown(f"{name}  {row.name or ''}".rstrip(), data={"id": name, **_columns(row)})
    told.add("outcome", f"{row.outcome}: {row.cause}" if row.cause else row.outcome)
    told.add(
        "started, ended",
        f"{_when(row.started_at, zone) or 'not recorded'} – {_when(row.ended_at, zone) or 'not recorded'}",
    )
    if row.again_of_id is not None:
        told.add("another attempt at", ids.job_id(row.again_of_id))
    told.data["again_of"] = ids.job_id(row.again_of_id) if row.again_of_id is not None else None
    spools = [
        (ids.spool_id(each.spool_id), each.spool.material.name)
        for each in sorted(row.spools, key=lambda s: s.tool)
    ]
    told.add("spools", ", ".join(f"{spool} {material}" for spool, material in spools) or None)
    told.data["spools"] = [spool for spool, _ in spools]
    told.data["material"] = spools[0][1] if spools else row.material.name if row.material else None
    if not spools and row.material:
        told.add("material", row.material.name)
    told.add("printer", row.printer)
    told.add("plate file", row.plate_name)
    _meant_and_measured(row, told)
    for number, each in enumerate(row.changes):
        since = (
            f"layer {each.layer}" if each.layer is not None
            else f"{each.height_mm:g} mm" if each.height_mm is not None else _when(each.at, zone)
        )  # fmt: skip
        value = compact(each.value) if each.value is not None else each.text
        told.add("" if number else "changed by hand", f"change{each.id}: {each.setting}={value} from {since}")
    told.data["changes"] = [{"number": each.id, **_columns(each)} for each in row.changes]
    told.data["specimens"] = [_piece(each) for each in row.specimens]
    for number, each in enumerate(row.specimens):
        said = each.remark or each.cause
        told.add(
            "" if number else "pieces",
            f"{ids.specimen_id(row.id, each.piece)}  {each.name or ''}  {each.orientation or '–'}  "
            f"{each.outcome or 'on the bed'}{f' ({said})' if said else ''}",
        )
    _note(told, row.note)
    return told


def _meant_and_measured(row: Job, told: Shown) -> None:
    for stem in ("nozzle", "bed", "chamber"):
        meant, measured = getattr(row, f"{stem}_set_c"), getattr(row, f"{stem}_measured_c")
        told.add(f"{stem} set, measured", f"{compact(meant, 'degC')}, {compact(measured, 'degC')}")
    told.add("layer, line", f"{compact(row.layer_height_mm, 'mm')}, {compact(row.line_width_mm, 'mm')}")


def _piece(row: Specimen) -> dict[str, Any]:
    """Return a piece with the keys that other people's scripts read."""
    facts = row.plate_facts or {}
    return {
        "id": ids.specimen_id(row.job_id, row.piece),
        "name": row.name,
        "orientation": row.orientation,
        "outcome": row.outcome,
        "box_mm": facts.get("box_mm"),
        "centre_mm": [row.x_mm, row.y_mm] if row.x_mm is not None else None,
        "layers": facts.get("layers"),
        "filament_mm": row.filament_mm,
        "filament_g": row.filament_g,
        "layer_time_min_s": facts.get("layer_time_min_s"),
        "remark": row.remark,
        "cause": row.cause,
    }


def _specimen(session: Session, row: Specimen, zone: dt.tzinfo) -> Shown:
    name = ids.specimen_id(row.job_id, row.piece)
    told = Shown(f"{name}  {row.name or ''}".rstrip(), data={**_columns(row), **_piece(row)})
    spools = sorted(row.job.spools, key=lambda each: each.tool)
    material = (
        spools[0].spool.material.name if spools else row.job.material.name if row.job.material else None
    )
    told.add("material", material)
    told.add("orientation", f"{row.orientation} ({in_words(row.orientation)})" if row.orientation else None)
    told.add("job", f"{ids.job_id(row.job_id)}, {_when(row.job.started_at, zone) or 'start not recorded'}")
    told.add("spool", ", ".join(_spool_words(each.spool) for each in spools) or None)
    said = row.remark or row.cause
    told.add("outcome", f"{row.outcome}{f': {said}' if said else ''}" if row.outcome else "still on the bed")
    if row.broken_at:
        told.add("used up", _when(row.broken_at, zone))
    told.data |= {"job": ids.job_id(row.job_id), "material": material, "measurements": []}
    told.data["spools"] = [ids.spool_id(each.spool_id) for each in spools]
    rows = session.scalars(
        select(Measurement).where(Measurement.specimen_id == row.id).order_by(Measurement.id)
    )
    for number, each in enumerate(rows):
        told.data["measurements"].append(ids.measurement_id(each.id))
        told.add(
            "" if number else "measured", f"{ids.measurement_id(each.id)}  {each.method}  {_summary(each)}"
        )
    if not told.data["measurements"]:
        told.add("measured", "nothing yet")
    _note(told, row.note)
    return told


def _spool_words(row: Spool) -> str:
    return f"{ids.spool_id(row.id)} (lot {row.lot or 'not recorded'})"


def _summary(row: Measurement) -> str:
    said = [
        f"{each.quantity.partition('.')[2]} {with_uncertainty(each.value, each.uncertainty, each.unit, each.relation)}"
        for each in row.results
        if each.value is not None
    ]
    return "; ".join(said) or row.problem or "no value yet"


def measurement_data(row: Measurement) -> dict[str, Any]:
    """Return a measurement with the keys that other people's scripts read."""
    subject = (
        ids.spool_id(row.spool_id)
        if row.spool_id is not None
        else ids.specimen_id(row.specimen.job_id, row.specimen.piece)  # type: ignore[union-attr] # one of the two
    )
    return {
        "id": ids.measurement_id(row.id),
        "specimen": subject,
        "method": row.method,
        "version": row.method_version,
        "at": _iso(row.at),
        "operator": row.operator,
        "readings": row.readings,
        "files": {each.field: {"name": each.name, "sha256": each.sha256} for each in row.files},
        "rigs": [ids.rig_id(each.rig_id) for each in row.rigs],
        "source": row.source,
        "problem": row.problem,
        "remark": row.remark,
        "results": [
            {
                "quantity": each.quantity, "value": each.value, "unit": each.unit,
                "uncertainty": each.uncertainty, "remarks": list(each.remarks or ()),
                "relation": each.relation, "refused": each.refused, "counted": each.counted,
                "budget": each.budget,
            }
            for each in row.results
        ],
    }  # fmt: skip


def _measurement(session: Session, row: Measurement, zone: dt.tzinfo) -> Shown:
    del session
    data = measurement_data(row)
    told = Shown(f"{data['id']}  {row.method} on {data['specimen']}", data=data)
    told.add("measured", f"{_when(row.at, zone) or 'time not recorded'} by {row.operator or 'not recorded'}")
    told.add("with", ", ".join(f"{ids.rig_id(each.rig_id)} {each.rig.name}" for each in row.rigs) or None)
    for number, (name, value) in enumerate((row.readings or {}).items()):
        told.add("" if number else "readings", f"{name} = {value}")
    for each in row.files:
        told.add("file", f"{each.field}: {each.name}")
    for result in row.results:
        told.add(result.quantity, _result_words(result))
        for remark in result.remarks or ():
            told.facts.append(("", str(remark)))
    if row.problem:
        told.add("problem", row.problem)
    if row.remark:
        told.add("remark", row.remark)
    return told


def _result_words(result: Any) -> str:
    if result.value is None:
        return f"no value: {result.refused}"
    text = with_uncertainty(result.value, result.uncertainty, result.unit, result.relation)
    if result.counted:
        return text
    why = result.verdicts[-1].reason if result.verdicts else "no reason recorded"
    return f"{text}  set aside: {why}"


def _rig(session: Session, row: Rig, zone: dt.tzinfo) -> Shown:
    del session, zone
    name = ids.rig_id(row.id)
    told = Shown(f"{name}  {row.name}", data={"id": name, **_columns(row)})
    told.add("is", f"{row.role}, reads {row.measures or 'nothing'}")
    told.add("range", _range(row.low, row.capacity, row.unit or ""))
    told.add("smallest step", compact(row.resolution, row.unit or ""))
    told.add("methods", ", ".join(row.methods) if row.methods else "any")
    for number, each in enumerate(row.calibrations):
        u = " + ".join(
            part
            for part in (
                f"{each.u_abs:.3g} {shown(row.unit or '')}" if each.u_abs else "",
                f"{100 * each.u_rel:.3g} %" if each.u_rel else "",
            )
            if part
        )
        told.add("" if number else "calibrated", f"{each.done_on}: standard uncertainty {u}")
    if not row.calibrations:
        told.add("calibrated", "never, as far as is recorded")
    told.data["calibrations"] = [_columns(each) for each in row.calibrations]
    _note(told, row.note)
    return told


_SHOW: Final[Mapping[type[Any], Callable[[Session, Any, dt.tzinfo], Shown]]] = {
    Material: _material,
    Spool: _spool,
    Drying: _drying,
    Job: _job,
    Specimen: _specimen,
    Rig: _rig,
    Measurement: _measurement,
}
