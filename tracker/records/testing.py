"""Rigs and measurements as they are shown."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any, Final

from sqlalchemy.orm import Session

from tracker import ids
from tracker.model import Calibration, Measurement, Result, Rig
from tracker.records.telling import Shown, add_note, columns, iso, span, when
from tracker.stating import state_row
from tracker.units import compact, reading_text, shown


def summary(row: Measurement) -> str:
    """Return a measurement's values on one line, or why there are none."""
    return "; ".join(_short(each) for each in row.results if each.value is not None) or (
        row.problem or "no value yet"
    )


def _short(result: Result) -> str:
    value = state_row(result).short
    aside = "" if result.counted else ", set aside"
    return f"{result.quantity.partition('.')[2]} {value}{aside}"


def _subject(row: Measurement) -> str:
    if row.specimen is not None:
        return ids.specimen_id(row.specimen.job_id, row.specimen.piece)
    return ids.spool_id(row.spool_id or 0)


def measurement_data(row: Measurement) -> dict[str, Any]:
    """Return a measurement with the keys that other people's scripts read."""
    return {
        "id": ids.measurement_id(row.id),
        "specimen": _subject(row),
        "method": row.method,
        "version": row.method_version,
        "at": iso(row.at),
        "operator": row.operator,
        "room_c": row.room_c,
        "room_rh_pct": row.room_rh_pct,
        "conditioned_days": row.conditioned_days,
        "conditioned_c": row.conditioned_c,
        "conditioned_rh_pct": row.conditioned_rh_pct,
        "water_pct": row.water_pct,
        "readings": row.readings,
        "units": row.units,
        "files": {each.field: {"name": each.name, "sha256": each.sha256} for each in row.files},
        "rigs": [ids.rig_id(each.rig_id) for each in row.rigs],
        "source": row.source,
        "problem": row.problem,
        "remark": row.remark,
        "results": [_result_data(each) for each in row.results],
    }


def _result_data(row: Result) -> dict[str, Any]:
    return {
        "quantity": row.quantity,
        **state_row(row).data(),
        "group": row.group,
        "remarks": list(row.remarks or ()),
        "refused": row.refused,
        "counted": row.counted,
        "budget": row.budget,
    }


def _measurement(session: Session, row: Measurement, zone: dt.tzinfo) -> Shown:
    del session
    data = measurement_data(row)
    told = Shown(f"{data['id']}  {row.method} on {data['specimen']}", data=data)
    told.add("measured", f"{when(row.at, zone) or 'time not recorded'} by {row.operator or 'not recorded'}")
    told.add("with", ", ".join(f"{ids.rig_id(each.rig_id)} {each.rig.name}" for each in row.rigs))
    # In alphabetical order: of two databases only one keeps the order in which a document was written.
    readings = sorted((row.readings or {}).items())
    units = row.units or {}
    told.add_all(
        "readings",
        [f"{name} = {reading_text(value, units.get(name, ''))}" for name, value in readings],
        none=None,
    )
    told.add_all("file", [f"{each.field}: {each.name}" for each in row.files])
    for result in row.results:
        told.add_all(result.quantity, [_result_words(result), *map(str, result.remarks or ())])
    if row.problem:
        told.add("problem", row.problem)
    if row.remark:
        told.add("remark", row.remark)
    return told


def _result_words(result: Result) -> str:
    if result.value is None:
        return f"no value: {result.refused}"
    text = state_row(result).text
    if result.counted:
        return text
    why = result.verdicts[-1].reason if result.verdicts else "no reason recorded"
    return f"{text}  set aside: {why}"


def _rig(session: Session, row: Rig, zone: dt.tzinfo) -> Shown:
    del session, zone
    name = ids.rig_id(row.id)
    told = Shown(f"{name}  {row.name}", data={"id": name, **columns(row)})
    told.add("is", f"{row.role}, reads {row.measures or 'nothing'}")
    told.add("range", span(row.low, row.capacity, row.unit or ""))
    told.add("smallest step", compact(row.resolution, row.unit or ""))
    told.add("methods", ", ".join(row.methods) if row.methods else "any")
    calibrated = [_calibration_words(each, row.unit or "") for each in row.calibrations]
    told.add_all("calibrated", calibrated, none="never, as far as is recorded")
    told.data["calibrations"] = [columns(each) for each in row.calibrations]
    add_note(told, row.note)
    return told


def _calibration_words(row: Calibration, unit: str) -> str:
    parts = [f"{row.u_abs:.3g} {shown(unit)}"] if row.u_abs else []
    parts += [f"{100 * row.u_rel:.3g} %"] if row.u_rel else []
    return f"{row.done_on}: standard uncertainty {' + '.join(parts)}"


SHOW: Final[Mapping[type[Any], Callable[[Session, Any, dt.tzinfo], Shown]]] = {
    Rig: _rig,
    Measurement: _measurement,
}
"""How each kind of record here is shown: from a session, the row and the bench's zone."""
