"""A small bench with one complete way from a spool to a number; makers and products are invented."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from tracker.book import Book
from tracker.model import (
    Calibration,
    Drying,
    DryingSpool,
    FactorRecord,
    Job,
    JobLog,
    JobSpool,
    Material,
    Measurement,
    MeasurementFile,
    MeasurementRig,
    Result,
    Rig,
    SettingChange,
    Specimen,
    Spool,
    StoragePeriod,
    Verdict,
)

ADA, BO = "Ada Bench", "Bo Helper"
DAY = dt.datetime(2026, 2, 2, 8, 0, tzinfo=dt.UTC)
"""The spool was opened; it was dried a day later, printed on the third day, pulled on the fifth."""

PLATE = b"G28\nG1 X10 Y10 E1\n"
CURVE = b"time_ms,force_N\n0,0\n10,1210.5\n20,2\n"


def at(days: float) -> dt.datetime:
    """Return a moment so many days after the spool was opened."""
    return DAY + dt.timedelta(days=days)


@dataclass(frozen=True)
class Scene:
    """Numbers of what the scene made."""

    spool: int = 1
    drying: int = 1
    job: int = 2
    specimen: int = 3
    measurement: int = 1


def build(book: Book) -> Scene:
    """Fill a book act by act, as a bench does, with two corrections at the end."""
    _supply(book)
    _printing(book)
    _testing(book)
    _correct(book, Specimen, 3, "edges were rough after all", outcome="usable", remark="rough edges")
    _correct(book, Measurement, 1, "typed in pounds", readings={"max_force": 1210.5, "area": 25.0})
    return Scene()


def _supply(book: Book) -> None:
    with book.act("material add", ADA) as act:
        act.session.add(
            Material(
                name="Quarzit ASA", family="ASA", maker="Quarzit", nozzle_low_c=240, nozzle_high_c=260,
                chamber_low_c=60, chamber_high_c=80, drying_c=80, drying_h=6,
            )
        )  # fmt: skip
    with book.act("spool add", ADA) as act:
        act.session.add(
            Spool(
                material_id=1, lot="L-17", diameter_mm=1.75, net_g=1000, supplied="bought",
                received_on=dt.date(2026, 1, 20), condition="bag intact",
            )
        )  # fmt: skip
    with book.act("spool keep", ADA) as act:
        for place, began, ended in (("open air", 0, 1), ("dry box", 1.3, 3), ("open air", 6, None)):
            act.session.add(
                StoragePeriod(
                    spool_id=1, place=place, began_at=at(began), temperature_c=22.5,
                    ended_at=None if ended is None else at(ended), rh_pct=45 if place == "open air" else 12,
                )
            )  # fmt: skip
    for began in (1, 8):
        with book.act("dry", BO) as act:
            drying = Drying(
                began_at=at(began), ended_at=at(began + 0.25), set_c=80, measured_c=76.5, dryer="oven"
            )
            act.session.add(drying)
            act.session.flush()
            act.session.add(DryingSpool(drying_id=drying.id, spool_id=1, before_g=1251.2, after_g=1247.9))


def _printing(book: Book) -> None:
    for again in (None, 1):
        with book.act("job add", ADA) as act:
            digest = act.attach(PLATE, "bars.gcode")
            job = Job(
                name="bars" if again is None else "bars again", plate_sha256=digest, plate_name="bars.gcode",
                again_of_id=again, printer="left", nozzle="0.4 steel", operator=ADA, started_at=at(3),
                ended_at=at(3.2), outcome="finished", nozzle_set_c=250, nozzle_measured_c=247, bed_set_c=100,
                chamber_set_c=70, chamber_measured_c=58.5, fan_set_pct=20, layer_height_mm=0.2, room_c=21,
            )  # fmt: skip
            act.session.add(job)
            act.session.flush()
            act.session.add(JobSpool(job_id=job.id, spool_id=1, tool=0))
            for piece in (1, 2):
                act.session.add(
                    Specimen(
                        job_id=job.id, piece=piece, name=f"bar {piece}", orientation="ZXY", outcome="good",
                        geometry="bar", x_mm=40.5 * piece, y_mm=60,
                    )
                )  # fmt: skip
    with book.act("job change", ADA) as act:
        act.session.add(SettingChange(job_id=2, setting="nozzle_c", value=255, layer=12))
    with book.act("job log", BO) as act:
        digest = act.attach(b"time,chamber\n0,20\n", "chamber.csv")
        act.session.add(
            JobLog(
                job_id=2, sha256=digest, name="chamber.csv", offset_s=0, aligned_by="the job's start",
                channels=["chamber_c"], how=[], problems=[],
            )
        )  # fmt: skip


def _testing(book: Book) -> None:
    with book.act("rig add", ADA) as act:
        act.session.add(
            Rig(name="crank", role="rig", measures="force", unit="N", resolution=0.5, capacity=5000)
        )
        act.session.flush()
        act.session.add(
            Calibration(rig_id=1, done_on=dt.date(2026, 1, 5), u_abs=0, u_rel=0.004, reference="weights")
        )
    with book.act("measure", BO) as act:
        session = act.session
        session.add(
            Measurement(
                specimen_id=3, method="tensile", method_version="1.0", at=at(5), operator=BO, room_c=22,
                room_rh_pct=48, source="typed", readings={"max_force": 272.1, "area": 25.0},
                units={"max_force": "N", "area": "mm^2"},
            )
        )  # fmt: skip
        session.flush()
        digest = act.attach(CURVE, "pull.csv")
        session.add(MeasurementFile(measurement_id=1, field="curve", sha256=digest, name="pull.csv"))
        session.add(MeasurementRig(measurement_id=1, rig_id=1, calibration_id=1))
        session.add(_strength())
        session.add(
            Result(
                measurement_id=1, quantity="tensile.modulus", value=None, unit="MPa", uncertainty=None,
                remarks=[], refused="strain is not known", budget=None, method_version="1.0", counted=False,
            )
        )  # fmt: skip
        session.add(
            FactorRecord(specimen_id=3, name="raster_deg", number=45, text=None, basis="typed", source=BO)
        )
    with book.act("verdict", ADA) as act:
        act.session.add(
            Verdict(result_id=1, counted=True, reason="broke in the gauge section", by=ADA, at=at(6))
        )


def _strength() -> Result:
    budget = [
        {"source": "R0001: calibration", "u": 0.194, "share": 0.93},
        {"source": "curve: resolution", "u": 0.05, "share": 0.07},
    ]
    return Result(
        measurement_id=1, quantity="tensile.strength", value=48.42, unit="MPa", uncertainty=0.2, relation="=",
        remarks=["The curve's maximum was used."], budget=budget, method_version="1.0", counted=True,
    )  # fmt: skip


def _correct(book: Book, model: Any, number: int, reason: str, **values: Any) -> None:
    with book.act("amend", BO, reason=reason) as act:
        row = act.session.get_one(model, number)
        for name, value in values.items():
            setattr(row, name, value)
