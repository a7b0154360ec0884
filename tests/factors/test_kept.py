"""What is kept of jobs and specimens beside their records, against what follows from the records."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from typing import Any, Final

import pytest
from sqlalchemy import create_engine, delete, insert, select, update

from tests.conftest import begun_with
from tracker import plate_sums
from tracker.acts import Act
from tracker.book import Book, with_voided
from tracker.factors import factors_of, kept
from tracker.factors.kept import differing, refill, worked_out
from tracker.lineage import material_id_of_job
from tracker.model import (
    DERIVED,
    Base,
    Drying,
    DryingSpool,
    FactorInForce,
    FactorRecord,
    Job,
    JobInForce,
    JobSpool,
    Material,
    Measurement,
    PlateSum,
    Result,
    SettingChange,
    Specimen,
    Spool,
    StoragePeriod,
)
from tracker.plate_sums import _OWN_OF_JOBS, stray
from tracker.verify import mend_derived, verify

WHO: Final = "Ada Bench"
_BEGAN: Final = dt.datetime(2026, 3, 1, 8, tzinfo=dt.UTC)


def _material(act: Act, draw: random.Random) -> None:
    act.session.add(Material(name=f"Material {act.seq}", family=draw.choice(["ASA", "PETG"])))


def _spool(act: Act, draw: random.Random) -> None:
    material = any_row(act, Material, draw)
    if material is not None:
        lot = draw.choice([None, "L1", "l1", "260", "Ä-7"])
        spool = Spool(material_id=material.id, lot=lot, received_on=_BEGAN.date())
        act.session.add(spool)
        act.session.flush()
        act.session.add(StoragePeriod(spool_id=spool.id, place="open air", began_at=_BEGAN, rh_pct=50.0))


def _job(act: Act, draw: random.Random) -> None:
    before, material, spool = (any_row(act, kind, draw) for kind in (Job, Material, Spool))
    job = Job(
        name=draw.choice([None, f"plate {act.seq}", "plate 1"]),
        again_of_id=before.id if before is not None and draw.random() < 0.4 else None,
        material_id=material.id if material is not None and draw.random() < 0.5 else None,
        **_settings(draw),
    )
    act.session.add(job)
    act.session.flush()
    if spool is not None and draw.random() < 0.8:
        act.session.add(JobSpool(job_id=job.id, spool_id=spool.id, tool=draw.choice([0, 1])))
    for piece in range(1, draw.randint(2, 4)):
        act.session.add(Specimen(job_id=job.id, piece=piece, **_piece(draw)))


def _settings(draw: random.Random) -> dict[str, Any]:
    return {
        "started_at": _BEGAN + dt.timedelta(hours=draw.randint(1, 90)),
        "time_s": draw.choice([None, 3600.0]),
        "outcome": draw.choice([None, "finished", "stopped"]),
        "nozzle_set_c": draw.choice([None, 250.0, 260.0]),
        "nozzle_measured_c": draw.choice([None, 247.5]),
        "chamber_set_c": draw.choice([None, 70.0]),
        "fan_set_pct": draw.choice([None, 0.0, 20.0]),
        "layer_height_mm": draw.choice([None, 0.2]),
        "printer": draw.choice([None, "left", "LEFT", "Straße"]),
        "operator": draw.choice([None, "Bo"]),
    }


def _piece(draw: random.Random) -> dict[str, Any]:
    section = {
        "nozzle_c": {"value": 255.0, "low": 250.0, "high": 260.0, "basis": "commanded"},
        "layer_time_s": {"value": draw.choice([6.5, 12.0]), "basis": "estimated", "low": 5.0, "high": 14.0},
        "z_mm": [2.0, 6.0],
    }
    facts = {"section": section, "layers": 20, "spans_s": [[0, 60], [60, 120]], "tops_mm": [0.2, 0.4]}
    logged = {"section": {"chamber": {"mean": 61.5, "low": 60.0, "high": 63.0}}}
    return {
        "orientation": draw.choice([None, "XYZ", "ZXY"]),
        "geometry": draw.choice([None, "bar"]),
        "x_mm": draw.choice([None, 20.0]),
        "filament_g": draw.choice([None, 4.2]),
        "size_z_mm": draw.choice([None, 4.0]),
        "plate_facts": facts if draw.random() < 0.4 else None,
        "log_facts": logged if draw.random() < 0.3 else None,
        "outcome": "good",
    }


def _change(act: Act, draw: random.Random) -> None:
    job = any_row(act, Job, draw)
    if job is not None:
        setting, value = draw.choice([("nozzle", 265.0), ("speed", 80.0), ("fan", 30.0)])
        layer = draw.choice([None, 1, 12])
        at = None if layer else _BEGAN + dt.timedelta(hours=draw.randint(1, 90))
        act.session.add(SettingChange(job_id=job.id, setting=setting, value=value, layer=layer, at=at))


def _given(act: Act, draw: random.Random) -> None:
    piece = any_row(act, Specimen, draw)
    name = draw.choice(["nozzle_c", "infill_pct", "printer", "x_mm", "treatment"])
    if piece is not None and act.session.get(FactorRecord, (piece.id, name)) is None:
        number, text = draw.choice([(45.0, None), (None, "left"), (None, None), (None, "45")])
        basis = draw.choice(["typed", "imported"])
        act.session.add(
            FactorRecord(specimen_id=piece.id, name=name, number=number, text=text, basis=basis, source="")
        )


def _corrected_job(act: Act, draw: random.Random) -> None:
    job = any_row(act, Job, draw)
    if job is not None:
        for name, value in _settings(draw).items():
            setattr(job, name, value)


def _corrected_piece(act: Act, draw: random.Random) -> None:
    piece = any_row(act, Specimen, draw)
    if piece is not None:
        for name, value in _piece(draw).items():
            setattr(piece, name, value)


def _corrected_spool(act: Act, draw: random.Random) -> None:
    spool, material = any_row(act, Spool, draw), any_row(act, Material, draw)
    if spool is not None and material is not None:
        spool.lot, spool.material_id = draw.choice(["L1", "L2", None]), material.id


def _second_spool(act: Act, draw: random.Random) -> None:
    job, spool = any_row(act, Job, draw), any_row(act, Spool, draw)
    if job is not None and spool is not None and act.session.get(JobSpool, (job.id, spool.id)) is None:
        pieces, layer = draw.choice([(None, None), ([1], None), (None, 8)])
        tool = draw.choice([0, 1])
        act.session.add(
            JobSpool(job_id=job.id, spool_id=spool.id, tool=tool, pieces=pieces, from_layer=layer)
        )


def _dried(act: Act, draw: random.Random) -> None:
    spool = any_row(act, Spool, draw)
    if spool is not None:
        began = _BEGAN + dt.timedelta(hours=draw.randint(1, 90))
        drying = Drying(began_at=began, ended_at=began + dt.timedelta(hours=4), set_c=80.0)
        act.session.add(drying)
        act.session.flush()
        act.session.add(DryingSpool(drying_id=drying.id, spool_id=spool.id))


def _measured(act: Act, draw: random.Random) -> None:
    piece, spool = any_row(act, Specimen, draw), any_row(act, Spool, draw)
    of_spool = spool is not None and (piece is None or draw.random() < 0.2)
    if piece is None and not of_spool:
        return
    subject = {"spool_id": spool.id} if of_spool else {"specimen_id": piece.id}
    measurement = Measurement(
        **subject, method="impact", source="typed", at=draw.choice([None, act.at]),
        conditioned_rh_pct=draw.choice([None, 49.0, 51.0]), water_pct=draw.choice([None, 0.6]),
    )  # fmt: skip
    act.session.add(measurement)
    act.session.flush()
    for quantity in ("impact.strength", "impact.energy")[: draw.randint(1, 2)]:
        act.session.add(Result(measurement_id=measurement.id, quantity=quantity, **_outcome(draw)))


def _outcome(draw: random.Random) -> dict[str, Any]:
    return {
        "value": draw.choice([None, 21.5, 48.0, 1e9 + 0.1]), "unit": "kJ/m^2", "counted": draw.random() < 0.8,
        "relation": draw.choice(["=", "=", "=", ">"]), "group": draw.choice([None, "C", "N"]), "remarks": [],
    }  # fmt: skip


def _corrected_result(act: Act, draw: random.Random) -> None:
    row, test, piece = (any_row(act, kind, draw) for kind in (Result, Measurement, Specimen))
    if row is not None:
        for name, value in _outcome(draw).items():
            setattr(row, name, value)
    if test is not None and test.specimen_id is not None and piece is not None:
        # Labels that were taken for each other are put right.
        test.specimen_id = piece.id


def _void(act: Act, draw: random.Random) -> None:
    kinds = [SettingChange, Specimen, FactorRecord, JobSpool, Job, Measurement, Result]
    row = any_row(act, draw.choice(kinds), draw)
    if row is not None:
        row.voided = act.seq
        if isinstance(row, Job):
            for piece in act.session.scalars(select(Specimen).where(Specimen.job_id == row.id)):
                piece.voided = act.seq


def _restored(act: Act, draw: random.Random) -> None:
    kind = draw.choice([SettingChange, Specimen, FactorRecord, JobSpool, Job, Measurement, Result])
    with with_voided(act.session):
        rows = act.session.scalars(select(kind).where(kind.voided.is_not(None))).all()
    if rows:
        row = draw.choice(rows)
        row.voided = None


def _bulk(act: Act, draw: random.Random) -> None:
    job = act.next_number(Job.__table__)  # type: ignore[arg-type]
    piece = act.next_number(Specimen.__table__)  # type: ignore[arg-type]
    act.bulk(Job, [{"id": job, "name": "imported", "printer": draw.choice([None, "left"])}])
    act.bulk(
        Specimen, [{"id": piece + n, "job_id": job, "piece": n + 1, "outcome": "good"} for n in range(2)]
    )
    given = {"name": "printer", "number": None, "text": "right", "basis": "imported", "source": "sheet"}
    act.bulk(FactorRecord, [{"specimen_id": piece, **given}])
    tested = act.next_number(Measurement.__table__)  # type: ignore[arg-type]
    act.bulk(Measurement, [{"id": tested, "specimen_id": piece, "method": "impact", "source": "given"}])
    result = act.next_number(Result.__table__)  # type: ignore[arg-type]
    row = {"id": result, "measurement_id": tested, "quantity": "impact.strength", **_outcome(draw)}
    act.bulk(Result, [row])


ACTS: Final[tuple[Callable[[Act, random.Random], None], ...]] = (
    _material, _spool, _job, _job, _change, _given, _corrected_job, _corrected_piece, _corrected_spool,
    _second_spool, _dried, _void, _restored, _bulk, _measured, _measured, _measured, _corrected_result,
)  # fmt: skip


def any_row(act: Act, kind: Any, draw: random.Random) -> Any:
    """Return one of the rows of a kind that there are, or None."""
    rows = act.session.scalars(select(kind)).all()
    return draw.choice(rows) if rows else None


def random_book(book: Book, seed: int, acts: int) -> None:
    """Do so many acts of any kind, each as whoever enters records would."""
    draw = random.Random(seed)
    for doing in (_material, _spool, _job, *(draw.choice(ACTS) for _ in range(acts))):
        with book.act("bench", WHO, reason="drawn") as act:
            doing(act, draw)


book_place = begun_with(drawn=lambda book: random_book(book, 5, 25))


@pytest.fixture
def drawn(book: Book) -> Book:
    """Give a book of random acts."""
    return book


def _wrong(book: Book) -> list[tuple[int | None, str]]:
    with book.connect() as connection:
        return [*differing(connection), *plate_sums.differing(connection), *stray(connection)]


@pytest.mark.parametrize("seed", range(4))
def test_any_acts_keep_what_follows_from_the_records(book: Book, seed: int) -> None:
    """After jobs, changes, corrections, second spools, voids, undoing and imports all is as it follows."""
    random_book(book, seed, 45)

    assert _wrong(book) == []
    with book.read() as session:
        jobs = list(session.scalars(select(Job.id)))
        assert worked_out(session, jobs) == worked_out(session, jobs, plain=True)
    with book.connect() as connection:
        assert connection.execute(select(FactorInForce).limit(1)).first() is not None
        material = dict(connection.execute(select(Job.id, material_id_of_job())).all())
        assert dict(connection.execute(select(JobInForce.job_id, JobInForce.material_id)).all()) == material


def test_a_refill_changes_nothing(book: Book) -> None:
    """All worked out again, as an upgrade and a restore do, is what the acts had kept."""
    random_book(book, 11, 30)
    before = _kept(book)
    with book.writing() as connection:
        for name in DERIVED:
            connection.execute(delete(Job.metadata.tables[name]))
        refill(connection)
        plate_sums.refill(connection)

    assert before
    assert _kept(book) == before


def _kept(book: Book) -> set[tuple[Any, ...]]:
    with book.connect() as connection:
        return {
            tuple(row)[:-1]
            for model in (JobInForce, FactorInForce, PlateSum)
            for row in connection.execute(select(model.__table__))
        }


def test_the_row_of_a_specimen_is_not_kept_twice(book: Book) -> None:
    """What a job or a piece says by itself is in no second place."""
    with book.act("job add", WHO) as act:
        act.session.add(Job(nozzle_set_c=250.0, printer="left"))
        act.session.flush()
        act.session.add(Specimen(job_id=1, piece=1, orientation="XYZ", x_mm=3.0))

    with book.connect() as connection:
        assert connection.execute(select(FactorInForce)).first() is None


def test_a_refill_is_of_the_last_entry(book: Book) -> None:
    """Whoever reads only what changed since an entry reads all that was worked out again."""
    for _ in range(3):
        with book.act("job add", WHO) as act:
            act.session.add(Job(nozzle_set_c=250.0))
    with book.writing() as connection:
        refill(connection)
        assert list(connection.scalars(select(JobInForce.entry))) == [act.seq] * 3


def test_what_a_job_states_and_does_not_hold_of_a_piece_is_kept_as_nothing() -> None:
    """The lot of the plate's spool, of a piece from another; what nobody stated needs no row."""
    assert list(kept._not_stated({}, {"lot": "L1", "nozzle": None})) == [("lot", (None, None, None, None))]


def test_the_material_of_a_piece_from_another_spool_is_kept(book: Book) -> None:
    """Of the piece alone that is of another material than its plate."""
    with book.act("job add", WHO) as act:
        act.session.add_all(
            [Material(name="Quarzit ASA", family="ASA"), Material(name="Heide PETG", family="PETG")]
        )
        act.session.flush()
        act.session.add_all([Spool(material_id=1), Spool(material_id=2), Job(nozzle_set_c=250.0)])
        act.session.flush()
        act.session.add_all(JobSpool(job_id=1, spool_id=each, tool=0, pieces=[each]) for each in (1, 2))
        act.session.add_all(Specimen(job_id=1, piece=each) for each in (1, 2))

    asked = select(FactorInForce.specimen_id, FactorInForce.number).where(FactorInForce.name == "material")
    with book.connect() as connection:
        assert [tuple(row) for row in connection.execute(asked)] == [(2, 2.0)]


def test_rows_of_no_job_and_no_specimen_are_counted(book: Book) -> None:
    """Of each table by itself."""
    with book.act("job add", WHO) as act:
        act.session.add(Job(nozzle_set_c=250.0))
    with book.engine.begin() as connection:
        connection.execute(insert(JobInForce).values(job_id=501, attempt=1, entry=1))
        for name in ("fan_pct", "nozzle_c"):
            connection.execute(insert(FactorInForce).values(specimen_id=502, name=name, number=1.0, entry=1))
        assert list(kept.stray(connection)) == [
            "1 rows of job_in_force are of no job or specimen that there is",
            "2 rows of factor_in_force are of no job or specimen that there is",
        ]


@pytest.mark.parametrize(("given", "heights"), [({"number": 1.5}, []), ({"text": "tip"}, []), ({}, [2.0])])
def test_a_height_given_outright_is_taken_before_half_the_size(
    book: Book, given: dict[str, Any], heights: list[float]
) -> None:
    """In numbers or in words; one that says nothing leaves the middle of the piece."""
    with book.act("job add", WHO) as act:
        act.session.add(Job(nozzle_set_c=250.0))
        act.session.flush()
        act.session.add(Specimen(job_id=1, piece=1, size_z_mm=4.0))
        act.session.flush()
        act.session.add(FactorRecord(specimen_id=1, name="height_mm", basis="typed", source="", **given))

    with book.connect() as connection:
        assert list(connection.scalars(select(FactorInForce.number))) == heights


def test_the_factors_of_days_are_not_asked_without_them(book: Book) -> None:
    """Without the spools' days there is neither drying nor time in open air, and all else as before."""
    random_book(book, 3, 20)
    with book.read() as session:
        numbers = list(session.scalars(select(Specimen.id)))
        whole, part = factors_of(session, numbers), factors_of(session, numbers, days=False)

    days = kept.OF_DAYS
    assert {name for each in whole.values() for name in each} & days
    assert part == {
        number: {name: value for name, value in each.items() if name not in days}
        for number, each in whole.items()
    }


@pytest.mark.parametrize("seed", [3, 7])
def test_the_factors_of_days_alone_are_those_of_all(book: Book, seed: int) -> None:
    """Of pieces from a second spool, of spools taken back and where hours are given outright too."""
    random_book(book, seed, 30)
    for given in (False, True):
        with book.act("bench", WHO) as act:
            pieces = list(act.session.scalars(select(Specimen.id)))
            row = {"specimen_id": pieces[0], "name": "open_air_h", "number": 7.5, "text": None}
            act.bulk(FactorRecord, [row | {"basis": "typed", "source": "sheet"}] if given else [])
        with book.read() as session:
            whole = factors_of(session, pieces)
            days = kept.days_of(session.connection(), pieces, water=True)
        assert _of_days(days) == _of_days(whole)
        assert not given or days[pieces[0]]["open_air_h"].value == 7.5


def _of_days(found: dict[int, Any]) -> dict[int, Any]:
    return {
        piece: {name: value for name, value in each.items() if name in kept.OF_DAYS}
        for piece, each in found.items()
    }


@pytest.mark.parametrize(
    "damage",
    [
        update(FactorInForce.__table__).values(number=1.0),  # type: ignore[arg-type]
        delete(FactorInForce.__table__),  # type: ignore[arg-type]
        update(PlateSum.__table__).values(within=7.0),  # type: ignore[arg-type]
        update(PlateSum.__table__).values(plate=PlateSum.plate + 500),  # type: ignore[arg-type]
        update(JobInForce.__table__).values(attempt=9),  # type: ignore[arg-type]
        update(JobInForce.__table__).values(job_id=JobInForce.job_id + 500),  # type: ignore[arg-type]
    ],
)
def test_verify_finds_what_does_not_follow_and_mends_it(drawn: Book, damage: Any) -> None:
    """A row changed, taken out, or of a job that is not, is named with its job; one command mends it."""
    with drawn.engine.begin() as connection:
        connection.execute(damage)

    found = verify(drawn).found

    assert {each.kind for each in found} == {"derived"}
    assert "verify --clean" in found[0].text
    mend_derived(drawn)
    assert verify(drawn).clean


def test_settings_of_some_plates_are_not_looked_for_in_the_whole_book() -> None:
    """Asked for a thousand plates, SQLite goes by their pieces, and not through all factors of a name."""
    engine = create_engine("sqlite://")
    Base.metadata.create_all(engine)
    asked = _OWN_OF_JOBS.params(numbers=list(range(1000)))
    with engine.connect() as connection:
        text = str(asked.compile(connection, compile_kwargs={"literal_binds": True}))
        steps = [row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {text}")]

    assert any("specimen" in step and "job_id" in step for step in steps)
    assert not [step for step in steps if "_name_" in step]
