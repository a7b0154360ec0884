"""Small books for tests: one row of every kind, put there by acts as a person would."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from tracker.acts import Act
from tracker.book import Book
from tracker.ids import drying_id, job_id, measurement_id, rig_id, specimen_id, spool_id
from tracker.model import (
    Calibration,
    Choice,
    Device,
    Dispute,
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
    OtherBench,
    OtherResult,
    Person,
    Photograph,
    Programme,
    Result,
    Rig,
    SentForm,
    SettingChange,
    Specimen,
    Spool,
    StoragePeriod,
    Verdict,
    Weighing,
)

WHO = "Ada Bench"
CURVE = b"time_s,force_N\n0,0\n1,820.5\n2,1830\n"
PHOTOGRAPH = b"\x89PNG\r\n\x1a\n and what follows"
PLATE = b"; a plate file\nG28\nG1 X10 Y10 E1\n"


@dataclass(frozen=True)
class Filled:
    """IDs of what :func:`fill` put into a book."""

    spool: str = spool_id(1)
    drying: str = drying_id(1)
    job: str = job_id(1)
    rig: str = rig_id(1)
    specimens: tuple[str, ...] = ()
    measurements: tuple[str, ...] = ()


def add_material(book: Book, name: str = "Nordlicht ASA", family: str = "ASA") -> int:
    """Record a material and return its number."""
    with book.act("material add", WHO) as act:
        row = Material(name=name, family=family, maker="Beispielwerk", density_g_cm3=1.07, drying_max_c=85.0)
        act.session.add(row)
        act.session.flush()
        return row.id


def add_spool(book: Book, material: int = 1, lot: str = "L-17") -> int:
    """Record a spool with a weighing and a storage period, and return its number."""
    with book.act("spool add", WHO) as act:
        row = Spool(material_id=material, lot=lot, diameter_mm=1.75, net_g=1000.0, supplied="bought")
        act.session.add(row)
        act.session.flush()
        act.session.add(Weighing(spool_id=row.id, at=act.at, mass_g=1213.4))
        act.session.add(StoragePeriod(spool_id=row.id, place="dry box", began_at=act.at, rh_pct=18.0))
        act.about.append(spool_id(row.id))
        return row.id


def add_drying(book: Book, spool: int = 1) -> int:
    """Record a drying of one spool and return its number."""
    with book.act("dry", WHO) as act:
        row = Drying(began_at=act.at, ended_at=act.at + dt.timedelta(hours=6), set_c=80.0, measured_c=76.5)
        act.session.add(row)
        act.session.flush()
        act.session.add(DryingSpool(drying_id=row.id, spool_id=spool, before_g=1213.4, after_g=1211.9))
        act.about.append(drying_id(row.id))
        return row.id


def add_job(book: Book, pieces: int = 4, spool: int | None = 1, name: str | None = "plate A") -> int:
    """Record a job with its plate file, a change and its pieces, and return its number."""
    with book.act("job add", WHO) as act:
        row = Job(name=name, plate_sha256=act.attach(PLATE, "a.gcode"), nozzle_set_c=260.0, started_at=act.at)
        act.session.add(row)
        act.session.flush()
        if spool is not None:
            act.session.add(JobSpool(job_id=row.id, spool_id=spool, tool=0))
        act.session.add(SettingChange(job_id=row.id, setting="nozzle_c", value=265.0, layer=12))
        for piece in range(1, pieces + 1):
            act.session.add(_piece(row.id, piece))
        act.about.append(job_id(row.id))
        return row.id


def _piece(job: int, piece: int) -> Specimen:
    return Specimen(
        job_id=job,
        piece=piece,
        orientation="XY" if piece % 2 else "ZX",
        x_mm=12.5 * piece,
        plate_facts={"layers": 20, "gauge": {"from_mm": 3.25, "basis": "read"}},
    )


def add_rig(book: Book, name: str = "Gantry") -> int:
    """Record a rig with a calibration and return its number."""
    with book.act("rig add", WHO) as act:
        row = Rig(name=name, role="rig", measures="force", unit="N", capacity=5000.0, methods=["tensile"])
        act.session.add(row)
        act.session.flush()
        act.session.add(Calibration(rig_id=row.id, done_on=act.at.date(), u_abs=2.0, u_rel=0.004))
        act.about.append(rig_id(row.id))
        return row.id


def add_measurement(book: Book, specimen: int, force: float = 1830.0, area: float = 40.0) -> int:
    """Record a pull with its curve and its strength, and return its number."""
    with book.act("measure", WHO) as act:
        row = Measurement(
            specimen_id=specimen,
            method="tensile",
            method_version="1",
            readings={"max_force": force, "area": area},
            at=act.at,
            operator=WHO,
            source="typed",
        )
        act.session.add(row)
        act.session.flush()
        _results(act, row.id, force / area)
        act.about.append(measurement_id(row.id))
        return row.id


def _results(act: Act, measurement: int, strength: float) -> None:
    act.session.add(
        MeasurementFile(
            measurement_id=measurement, field="curve", sha256=act.attach(CURVE, "c.csv"), name="c.csv"
        )
    )
    act.session.add(MeasurementRig(measurement_id=measurement, rig_id=1, calibration_id=1))
    result = Result(
        measurement_id=measurement,
        quantity="tensile.strength",
        value=strength,
        unit="MPa",
        uncertainty=0.31,
        remarks=[],
        method_version="1",
        counted=True,
    )
    act.session.add(result)
    act.session.flush()
    act.session.add(Verdict(result_id=result.id, counted=True, reason="as measured", by=WHO, at=act.at))


def add_plans(act: Act, job: int) -> None:
    """Put plans, a device, a photograph and a log into a book that has a material and a job."""
    digest = act.attach(PLATE, "plate.gcode")
    act.session.add(Programme(name="short", text="[[test]]"))
    act.session.add(
        Choice(material_id=1, condition={"nozzle_c": 265.0}, reason="as advised", by=WHO, at=act.at)
    )
    act.session.add(SentForm(key="5" * 40))
    act.session.add(Person(initials="AB", name=WHO, pseudonym="Tester 1"))
    act.session.add(Dispute(material_id=1, text="our own pulls gave more", by="Beispielwerk", at=act.at))
    act.session.add(OtherBench(code="7QX", title="Nebenan", licence="CC-BY-4.0"))
    act.session.flush()
    act.session.add(
        OtherResult(
            bench_id=1, measurement="M0001-Y", method="tensile", quantity="tensile.strength", value=41.5,
            unit="MPa", counted=True, factors={"nozzle_c": 250.0},
        )
    )  # fmt: skip
    act.session.add(Device(name="phone", secret_sha256="0" * 64, read_only=False, paired_at=act.at))
    act.session.add(
        Photograph(
            job_id=job, specimen_id=1, sha256=act.attach(PHOTOGRAPH, "a.png"), name="a.png", kind="image/png",
            at=act.at, by=WHO, note="stringy on one side",
        )
    )  # fmt: skip
    act.session.add(
        JobLog(
            job_id=job, sha256=digest, name="chamber.csv", offset_s=0.0, aligned_by="clock",
            channels=["chamber_c"], how=[], problems=[],
        )
    )  # fmt: skip


def fill(book: Book, pieces: int = 4, measured: int = 2) -> Filled:
    """Put one row or more of every kind into an empty book."""
    add_material(book)
    add_spool(book)
    add_drying(book)
    job = add_job(book, pieces)
    add_rig(book)
    with book.act("import", WHO) as act:
        act.session.add(
            FactorRecord(specimen_id=1, name="treatment", text="annealed", basis="told", source="typed")
        )
        add_plans(act, job)
    numbers = [add_measurement(book, specimen, 1830.0 + specimen) for specimen in range(1, measured + 1)]
    return Filled(
        specimens=tuple(specimen_id(job, piece) for piece in range(1, pieces + 1)),
        measurements=tuple(measurement_id(number) for number in numbers),
    )


def add_in_bulk(book: Book, pieces: int = 100, job_name: str = "bulk plate") -> int:
    """Record a job whose pieces come in as one bulk import, and return the job's number."""
    with book.act("import", WHO) as act:
        job = Job(name=job_name)
        act.session.add(job)
        act.session.flush()
        first = act.next_number(Specimen.__table__)  # type: ignore[arg-type]
        act.bulk(
            Specimen,
            [
                {"id": first + number, "job_id": job.id, "piece": number + 1, "x_mm": number * 0.1}
                for number in range(pieces)
            ],
        )
        return job.id
