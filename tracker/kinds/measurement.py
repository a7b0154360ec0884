"""Measurements and their results."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Iterator
from typing import Any, Final

from sqlalchemy import Row, Text, cast, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.cards import Card, CardPicture, table_of
from tracker.forms import Ask, When
from tracker.kinds.base import Kind, Listing, plain, struck_or_plain
from tracker.lineage import join_material
from tracker.model import Job, JournalRecord, Material, Measurement, Result, Specimen, Spool, live
from tracker.moments import local_day, local_time
from tracker.stating import reading_text, state_row


class MeasurementKind(Kind):
    """One use of a method on a specimen or a spool."""

    name, plural, model, place = "measurement", "measurements", Measurement, 70
    owner = ("specimen_id", "spool_id")
    form = (
        Ask("at", "Measured at", "moment"),
        Ask("operator", "Operator"),
        Ask("room_c", "Room temperature", "number", "degC", low=-20, high=60),
        Ask("room_rh_pct", "Room humidity", "number", "percent", low=0, high=100),
        Ask("conditioned_days", "Conditioned before the test for, in days", "number", "d", low=0, high=3650),
        Ask("conditioned_c", "Conditioned at", "number", "degC", low=-20, high=120),
        Ask("conditioned_rh_pct", "Conditioned at a humidity of", "number", "percent", low=0, high=100),
        Ask(
            "water_pct",
            "Water in the piece at the test, of its dry mass",
            "number",
            "percent",
            low=0,
            high=20,
        ),
        Ask("remark", "Remark"),
    )

    def odd(self, session: Session, row: Any, when: When) -> Iterable[str]:
        """Ask about a test before its specimen was printed, and one of a spool before it came."""
        piece = session.get(Specimen, row.specimen_id) if row.specimen_id is not None else row.specimen
        if piece is not None and row.at is not None:
            job = piece.job if piece.job is not None else session.get(Job, piece.job_id)
            printed = None if job is None else job.ended_at or job.started_at
            if printed is not None and row.at < printed:
                yield (
                    f"measured {local_time(row.at, when.zone)}, before its job ended"
                    f" ({local_time(printed, when.zone)})"
                )
        spool = session.get(Spool, row.spool_id) if row.spool_id is not None else row.spool
        if spool is not None and spool.received_on is not None and row.at is not None:
            day = local_day(row.at, when.zone)
            if day < spool.received_on:
                yield f"measured {day}, before it came ({spool.received_on})"

    def listing(self) -> Listing:
        """With what it was done on."""
        return (
            select(
                Measurement.id, Measurement.method, Measurement.at, Measurement.operator, Specimen.job_id,
                Specimen.piece, Measurement.spool_id, Measurement.source,
            )
            .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
            .order_by(Measurement.id)
        )  # fmt: skip

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under its ID and its subject's."""
        return {
            "id": ids.measurement_id(row.id),
            "specimen": subject_of(row),
            "method": row.method,
            "at": row.at,
            "operator": row.operator,
            "source": row.source,
        }

    def head(self, row: Any) -> str:
        """ID, method and subject."""
        return f"{self.name_of(row)}  {row.method} on {subject_name(row)}"

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """Readings, what they were taken with, and what they give."""
        card = self.begun(session, row, zone)
        card.data = {
            **measurement_data(row),
            **{k: card.data[k] for k in ("voided", "confirmed") if k in card.data},
        }
        at = local_time(row.at, zone) if row.at else "time not recorded"
        card.add("measured", f"{at} by {row.operator or 'not recorded'}")
        card.add("with", ", ".join(f"{ids.rig_id(each.rig_id)} {each.rig.name}" for each in live(row.rigs)))
        # In alphabetical order: of two databases only one keeps the order in which a document was written.
        units = row.units or {}
        readings = sorted((row.readings or {}).items())
        texts = [f"{name} = {reading_text(value, units.get(name, ''))}" for name, value in readings]
        card.add_all("readings", texts, none=None)
        card.add_all("file", struck_or_plain(row.files, [f"{each.field}: {each.name}" for each in row.files]))
        for result in row.results:
            card.add_all(result.quantity, [result_words(result), *map(str, result.remarks or ())])
        if row.problem:
            card.add("problem", row.problem)
        if row.remark:
            card.add("remark", row.remark)
        added = list(_readings_added(session, row, zone))
        if added:
            card.tables.append(table_of("Readings added since it was begun", added))
            card.data["added"] = added
        card.pictures.append(CardPicture("figure", f"{row.method} on {subject_name(row)}"))
        return card

    def label(self, row: Any, zone: dt.tzinfo) -> None:
        """None: its specimen has one."""
        del row, zone


_SECONDS: Final = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


def _readings_added(session: Session, row: Measurement, zone: dt.tzinfo) -> Iterator[dict[str, str]]:
    """Yield the readings that were added to a test over days: when each was read, what, and by whom."""
    series = _series_over_time(row)
    if not series or row.at is None:
        return
    for who, before, after in _appended(session, row.id):
        for name, (now, unit_s) in series.items():
            had = before.get(name) or ()
            last = max(float(each[0]) for each in now)
            # What was undone or corrected since is not shown again.
            for time, *parts in (each for each in after.get(name) or () if each in now and each not in had):
                at = row.at - dt.timedelta(seconds=(last - float(time)) * unit_s)
                values = " ".join(f"{part:g}" if isinstance(part, float) else str(part) for part in parts)
                yield {"read at": local_time(at, zone), name: values, "by": who}


def _series_over_time(row: Measurement) -> dict[str, tuple[list[Any], float]]:
    """Return the readings that are series over time, each with the seconds of its unit of time."""
    units = row.units or {}
    found = {}
    for name, value in (row.readings or {}).items():
        unit_s = _SECONDS.get(units.get(name, "").split(":")[0])
        if unit_s is not None and isinstance(value, list) and value:
            found[name] = (value, unit_s)
    return found


def _appended(session: Session, number: int) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
    """Yield who added readings to a measurement, and its readings before and after each time.

    Who added which is in the journal alone, where nobody can change it unseen.
    """
    about = f'%"{ids.measurement_id(number)}"%'
    asked = (
        select(JournalRecord)
        .where(JournalRecord.act == "append", cast(JournalRecord.body, Text).like(about))
        .order_by(JournalRecord.seq)
    )
    for entry in session.scalars(asked):
        own = next(each for each in json.loads(entry.body)["rows"] if each["table"] == "measurement")
        before, after = ((own[end] or {}).get("readings") or {} for end in ("before", "after"))
        yield entry.who, before, after


class ResultKind(Kind):
    """A quantity that came out of a measurement; it is listed, and taken back with its measurement."""

    name, plural, model, place = "result", "results", Result, 72
    owner, part = ("measurement_id",), "result"

    def listing(self) -> Listing:
        """With specimen and material."""
        rows = (
            select(
                Result.measurement_id, Specimen.job_id, Specimen.piece, Measurement.spool_id,
                Material.name.label("material"), Result.quantity, Result.value, Result.unit,
                Result.uncertainty, Result.relation, Result.dof, Result.low, Result.high, Result.group,
                Result.counted, Result.refused,
            )
            .join(Measurement, Measurement.id == Result.measurement_id)
            .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        )  # fmt: skip
        return join_material(rows, Measurement.spool_id).order_by(Result.id)

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """With the keys that other people's scripts read."""
        return {
            "measurement": ids.measurement_id(row.measurement_id),
            "specimen": subject_of(row),
            "material": row.material,
            "quantity": row.quantity,
            **state_row(row).data(),
            "group": row.group,
            "counted": bool(row.counted),
            "refused": row.refused,
        }


def subject_of(row: Row[Any]) -> str:
    """Return the ID of what a listed measurement was done on."""
    return ids.spool_id(row.spool_id) if row.spool_id is not None else ids.specimen_id(row.job_id, row.piece)


def subject_name(row: Measurement) -> str:
    """Return the ID of what a measurement was done on."""
    if row.specimen is not None:
        return ids.specimen_id(row.specimen.job_id, row.specimen.piece)
    return ids.spool_id(row.spool_id or 0)


def summary(row: Measurement) -> str:
    """Return a measurement's values on one line, or why there are none."""
    return "; ".join(_short(each) for each in row.results if each.value is not None) or (
        row.problem or "no value yet"
    )


def _short(result: Result) -> str:
    value = state_row(result).short
    aside = "" if result.counted or result.voided is not None else ", set aside"
    return f"{result.quantity.partition('.')[2]} {value}{aside}"


def result_words(result: Result) -> str:
    """Return a result in words: its value, or why there is none, and whether it is set aside."""
    if result.value is None:
        return f"no value: {result.refused}"
    text = state_row(result).text
    if result.counted or result.voided is not None:
        return text
    why = result.verdicts[-1].reason if result.verdicts else "no reason recorded"
    return f"{text}  set aside: {why}"


def measurement_data(row: Measurement) -> dict[str, Any]:
    """Return a measurement with the keys that other people's scripts read."""
    return {
        "id": ids.measurement_id(row.id),
        "specimen": subject_name(row),
        "method": row.method,
        "version": row.method_version,
        "at": plain(row.at),
        "operator": row.operator,
        "room_c": row.room_c,
        "room_rh_pct": row.room_rh_pct,
        "conditioned_days": row.conditioned_days,
        "conditioned_c": row.conditioned_c,
        "conditioned_rh_pct": row.conditioned_rh_pct,
        "water_pct": row.water_pct,
        "readings": row.readings,
        "units": row.units,
        "files": {each.field: {"name": each.name, "sha256": each.sha256} for each in live(row.files)},
        "rigs": [ids.rig_id(each.rig_id) for each in live(row.rigs)],
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


KINDS = (MeasurementKind(), ResultKind())
