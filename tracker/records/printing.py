"""Jobs and specimens as they are shown."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.model import Job, JobSpool, Measurement, Photograph, SettingChange, Specimen, Spool
from tracker.orientation import in_words
from tracker.records.telling import Shown, add_note, columns, iso, numbered, when
from tracker.records.testing import summary
from tracker.units import compact


def _job(session: Session, row: Job, zone: dt.tzinfo) -> Shown:
    name = ids.job_id(row.id)
    told = Shown(f"{name}  {row.name or ''}".rstrip(), data={"id": name, **columns(row)})
    told.add("outcome", _with_words(row.outcome, row.cause) if row.outcome else None)
    began, ended = (when(at, zone) or "not recorded" for at in (row.started_at, row.ended_at))
    told.add("started, ended", f"{began} – {ended}")
    if row.first_layer_at is not None:
        told.add("first layer began", when(row.first_layer_at, zone))
    _add_origin(row, told)
    told.add("printer", row.printer)
    told.add("plate file", row.plate_name)
    _add_settings(row, told)
    changes = sorted(row.changes, key=lambda each: each.id)
    told.add_all("changed by hand", [_change_words(each, zone) for each in changes])
    told.data["changes"] = [numbered(each) for each in changes]
    told.add_all("pieces", [_piece_words(each) for each in row.specimens], none="none yet")
    told.data["specimens"] = [_piece(each) for each in row.specimens]
    _add_photographs(session, Photograph.job_id == row.id, told, zone)
    add_note(told, row.note)
    return told


def _with_words(outcome: str, words: str | None) -> str:
    return f"{outcome}: {words}" if words else outcome


def _add_origin(row: Job, told: Shown) -> None:
    """Add which attempt it is, and what it was printed from."""
    again = None if row.again_of_id is None else ids.job_id(row.again_of_id)
    if again is not None:
        told.add("another attempt at", again)
    spools = _spools(row)
    material = _material_name(row)
    told.add("spools", ", ".join(f"{ids.spool_id(each.id)} {each.material.name}" for each in spools))
    if not spools:
        told.add("material", material)
    told.data |= {
        "again_of": again,
        "spools": [ids.spool_id(each.id) for each in spools],
        "material": material,
    }


def _spools(job: Job) -> list[Spool]:
    def tool(each: JobSpool) -> int:
        return each.tool

    return [each.spool for each in sorted(job.spools, key=tool)]


def _material_name(job: Job) -> str | None:
    spools = _spools(job)
    if spools:
        return spools[0].material.name
    return job.material.name if job.material else None


def _add_settings(row: Job, told: Shown) -> None:
    """Add what was meant and what was measured, side by side."""
    for stem in ("nozzle", "bed", "chamber"):
        meant, measured = getattr(row, f"{stem}_set_c"), getattr(row, f"{stem}_measured_c")
        told.add(f"{stem} set, measured", f"{compact(meant, 'degC')}, {compact(measured, 'degC')}")
    if row.fan_set_pct is not None:
        told.add("fan set", compact(row.fan_set_pct, "%"))
    told.add("layer, line", f"{compact(row.layer_height_mm, 'mm')}, {compact(row.line_width_mm, 'mm')}")


def _change_words(row: SettingChange, zone: dt.tzinfo) -> str:
    value = compact(row.value) if row.value is not None else row.text
    return f"change{row.id}: {row.setting}={value} from {_since(row, zone)}"


def _since(row: SettingChange, zone: dt.tzinfo) -> str:
    if row.layer is not None:
        return f"layer {row.layer}"
    if row.height_mm is not None:
        return compact(row.height_mm, "mm")
    return when(row.at, zone) or "not recorded"


def _piece_words(row: Specimen) -> str:
    said = row.remark or row.cause
    outcome = f"{row.outcome or 'on the bed'}{f' ({said})' if said else ''}"
    return f"{ids.specimen_id(row.job_id, row.piece)}  {row.name or ''}  {row.orientation or '–'}  {outcome}"


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
        "own_layer_time_min_s": facts.get("own_layer_time_min_s"),
        "flow": facts.get("flow"),
        "flow_by_feature": facts.get("flow_by_feature"),
        "geometry": row.geometry,
        "gauge": row.gauge,
        "dummy": bool(row.dummy),
        "remark": row.remark,
        "cause": row.cause,
    }


def _specimen(session: Session, row: Specimen, zone: dt.tzinfo) -> Shown:
    name = ids.specimen_id(row.job_id, row.piece)
    told = Shown(f"{name}  {row.name or ''}".rstrip(), data={**columns(row), **_piece(row)})
    spools, material = _spools(row.job), _material_name(row.job)
    job = ids.job_id(row.job_id)
    told.data |= {"job": job, "material": material, "spools": [ids.spool_id(each.id) for each in spools]}
    told.add("material", material)
    told.add("orientation", f"{row.orientation} ({in_words(row.orientation)})" if row.orientation else None)
    told.add("job", f"{job}, {when(row.job.started_at, zone) or 'start not recorded'}")
    lots = (f"{ids.spool_id(each.id)} (lot {each.lot or 'not recorded'})" for each in spools)
    told.add("spool", ", ".join(lots))
    if row.gauge:
        by = ((row.plate_facts or {}).get("section") or {}).get("by") or "somebody"
        told.add("gauge section", f"{row.gauge} mm from the corner of its box, stated by {by}")
    words = row.remark or row.cause
    told.add("outcome", _with_words(row.outcome, words) if row.outcome else "still on the bed")
    if row.broken_at:
        told.add("used up", when(row.broken_at, zone))
    _add_measurements(session, row, told)
    _add_photographs(session, Photograph.specimen_id == row.id, told, zone)
    add_note(told, row.note)
    return told


def _add_measurements(session: Session, row: Specimen, told: Shown) -> None:
    rows = session.scalars(
        select(Measurement).where(Measurement.specimen_id == row.id).order_by(Measurement.id)
    ).all()
    said = [f"{ids.measurement_id(each.id)}  {each.method}  {summary(each)}" for each in rows]
    told.add_all("measured", said, none="nothing yet")
    told.data["measurements"] = [ids.measurement_id(each.id) for each in rows]


def _add_photographs(session: Session, which: Any, told: Shown, zone: dt.tzinfo) -> None:
    """Add photographs; a job's are those of its pieces too, each with whose it is."""
    asked = (
        select(Photograph, Specimen.piece)
        .outerjoin(Specimen, Specimen.id == Photograph.specimen_id)
        .where(which)
        .order_by(Photograph.id)
    )
    own = told.data["id"]
    rows = [
        (photo, own if piece is None else ids.specimen_id(photo.job_id, piece))
        for photo, piece in session.execute(asked)
    ]
    told.add_all("photographs", [_photograph_words(photo, of, own, zone) for photo, of in rows])
    told.data["photographs"] = [
        {
            "id": photo.id, "of": of, "name": photo.name, "kind": photo.kind, "at": iso(photo.at),
            "by": photo.by, "note": photo.note, "sha256": photo.sha256,
        }
        for photo, of in rows
    ]  # fmt: skip


def _photograph_words(row: Photograph, of: str, own: str, zone: dt.tzinfo) -> str:
    whose = "" if of == own else f", of {of}"
    return f"{row.name}, {when(row.at, zone)} by {row.by}{whose}{f': {row.note}' if row.note else ''}"


SHOW: Final[Mapping[type[Any], Callable[[Session, Any, dt.tzinfo], Shown]]] = {
    Job: _job,
    Specimen: _specimen,
}
"""How each kind of record here is shown: from a session, the row and the bench's zone."""
