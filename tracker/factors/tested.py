"""Factors of how a piece was tested: who, on what, how long after the print, in what room."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from typing import Any, Final

from sqlalchemy import Connection, func, select
from sqlalchemy.orm import Session

from tracker.factors.rows import some_of
from tracker.factors.values import MEASURED, Factors, put
from tracker.model import Job, Measurement, MeasurementRig, Rig, Specimen

_HOUR: Final = 3600.0


def measurement_factors(session: Session | Connection, measurements: Iterable[int]) -> dict[int, Factors]:
    """Return operator, rig, age, room and method version of measurements, as far as they are recorded.

    Args:
        session: To read with.
        measurements: Row ids; unknown ones are left out of the answer.
    """
    found: dict[int, Factors] = {}
    for some in some_of(list(dict.fromkeys(measurements))):
        rigs = _rigs(session, some)
        for row in session.execute(_statement().where(Measurement.id.in_(some))):
            found[row.id] = _of_measurement(row, rigs.get(row.id, []))
    return found


def _statement() -> Any:
    return (
        select(
            Measurement.id, Measurement.operator, Measurement.at, Measurement.room_c, Measurement.room_rh_pct,
            Measurement.method_version, func.coalesce(Job.ended_at, Job.started_at).label("printed_at"),
        )
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .outerjoin(Job, Job.id == Specimen.job_id)
    )  # fmt: skip


def _rigs(session: Session | Connection, some: list[int]) -> dict[int, list[str]]:
    """Return the names of the rigs of measurements; instruments read with them are none."""
    names: dict[int, list[str]] = defaultdict(list)
    asked = (
        select(MeasurementRig.measurement_id, Rig.name)
        .join(Rig, Rig.id == MeasurementRig.rig_id)
        .where(MeasurementRig.measurement_id.in_(some), Rig.role == "rig")
        .order_by(Rig.name)
    )
    for row in session.execute(asked):
        names[row.measurement_id].append(row.name)
    return names


def _of_measurement(row: Any, rigs: list[str]) -> Factors:
    found: Factors = {}
    put(found, "operator", row.operator, "typed", "measurement")
    put(found, "rig", ", ".join(rigs) or None, "typed", "measurement")
    put(found, "method_version", row.method_version, "typed", "measurement")
    put(found, "age_h", _age(row.printed_at, row.at), "typed", "from the end of the job to the measurement")
    put(found, "room_c", row.room_c, MEASURED, "measurement")
    put(found, "room_rh", row.room_rh_pct, MEASURED, "measurement")
    return found


def _age(printed: dt.datetime | None, tested: dt.datetime | None) -> float | None:
    """Return the hours from print to test; None where either is unknown, or they are the wrong way round."""
    if printed is None or tested is None or tested < printed:
        return None
    return (tested - printed).total_seconds() / _HOUR
