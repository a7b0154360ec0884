"""Factors of specimens as the book has them, on both databases."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import event, select

from tests.desk.bench import WHO, a_calibrated_rig, a_job, a_material, a_pull, a_spool, row_of
from tracker.api import FactorValue, hookimpl
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.dryings import start_drying
from tracker.desk.entering import keep_spool
from tracker.desk.jobplates import PieceWanted
from tracker.desk.jobs import add_job, change_setting
from tracker.factors import changed_by_hand, factors_of, in_registry_order, measurement_factors
from tracker.factors.reading import rows_of_jobs
from tracker.model import (
    Drying,
    DryingSpool,
    FactorRecord,
    Job,
    JobSpool,
    Material,
    Measurement,
    Specimen,
    Spool,
)
from tracker.plugins import load

STARTED = "2026-03-02 07:00"
SECTION: dict[str, Any] = {
    "first_layer": 1,
    "z_mm": [10.0, 30.0],
    "nozzle_c": {"value": 262.0, "low": 260.0, "high": 265.0, "basis": "commanded"},
    "line_width_mm": {"value": 0.45, "low": 0.45, "high": 0.45, "basis": "stated by slicer"},
    "flow_mm3_s": {"value": 6.0, "low": 5.0, "high": 7.0, "basis": "estimated"},
    "chamber_c": {"value": None, "low": None, "high": None, "basis": "not stated"},
}
PLATE: dict[str, Any] = {
    "section": SECTION,
    "spans_s": [[0.0, 60.0], [60.0, 120.0]],
    "tops_mm": [15.0, 30.0],
}


def factors(book: Book, piece: str, **how: Any) -> dict[str, FactorValue]:
    """Return the factors of one piece."""
    number = row_of(book, piece).id
    with book.read() as session:
        return factors_of(session, [number], **how)[number]


def read_plate_says(book: Book, piece: str, **columns: Any) -> None:
    """Write what a plate or a log would have said of a piece."""
    with book.act("test", WHO) as act:
        row = act.session.get_one(Specimen, row_of(book, piece).id)
        for key, value in columns.items():
            setattr(row, key, value)


@contextmanager
def counted(book: Book) -> Iterator[list[str]]:
    """Count the statements of a book."""
    seen: list[str] = []

    def note(*args: Any) -> None:
        seen.append(args[2])

    event.listen(book.engine, "before_cursor_execute", note)
    yield seen
    event.remove(book.engine, "before_cursor_execute", note)


def test_the_spool_of_a_job_is_a_factor(book: Book) -> None:
    """By its ID, as typed; of a job whose spool nobody entered there is none."""
    a_material(book)
    of_one = a_job(book, spools=(spool := a_spool(book),)).also[0]
    bar = [PieceWanted("bar", "ZXY")]
    of_none = add_job(book, WHO, {}, material="Nordlicht ASA", pieces=bar, sure=True).also[0]
    found = factors(book, of_one)["spool"]
    assert (found.value, found.basis) == (spool, "typed")
    assert "spool" not in factors(book, of_none)


def test_the_middle_of_a_piece_of_no_plate_file_is_half_its_height(book: Book) -> None:
    """From the bed up, in mm."""
    piece = a_job(book).also[0]
    read_plate_says(book, piece, size_z_mm=10.0)
    assert factors(book, piece)["height_mm"].value == 5.0


def test_a_set_value_is_commanded(book: Book) -> None:
    """What was set for the job, with its unit, resolution and span."""
    piece = a_job(book, chamber_set_c=60).also[0]
    found = factors(book, piece)["chamber_c"]
    assert (found.value, found.unit, found.basis, found.resolution, found.span) == (
        60.0, "degC", "commanded", 1.0, 20.0,
    )  # fmt: skip


def test_a_measured_value_is_taken_before_a_set_one(book: Book) -> None:
    """The chamber was set to 60 and stood at 55."""
    piece = a_job(book, chamber_set_c=60, chamber_measured_c=55).also[0]
    found = factors(book, piece)["chamber_c"]
    assert (found.value, found.basis) == (55.0, "measured")


def test_what_is_not_recorded_is_absent(book: Book) -> None:
    """Never a zero, never a guess."""
    assert "bed_c" not in factors(book, a_job(book).also[0])


def test_the_gauge_section_is_taken_before_what_was_set(book: Book) -> None:
    """With the range over the section."""
    piece = a_job(book, nozzle_set_c=250).also[0]
    read_plate_says(book, piece, plate_facts=PLATE)
    found = factors(book, piece)["nozzle_c"]
    assert (found.value, found.low, found.high) == (262.0, 260.0, 265.0)


def test_a_measured_value_is_taken_before_the_plate(book: Book) -> None:
    """The plate commands 262, the sensor read 255."""
    piece = a_job(book, nozzle_measured_c=255).also[0]
    read_plate_says(book, piece, plate_facts=PLATE)
    found = factors(book, piece)["nozzle_c"]
    assert (found.value, found.basis) == (255.0, "measured")


def test_a_change_by_hand_does_not_replace_what_was_measured(book: Book) -> None:
    """It was read as things were."""
    job = a_job(book, nozzle_measured_c=255, started_at=STARTED)
    change_setting(book, WHO, job.id, "nozzle=240", {"layer": "1"})
    assert factors(book, job.also[0])["nozzle_c"].value == 255.0


@pytest.mark.parametrize(
    ("name", "basis"), [("nozzle_c", "commanded"), ("line_width_mm", "stated"), ("flow_mm3_s", "estimated")]
)
def test_each_figure_of_the_plate_keeps_its_basis(book: Book, name: str, basis: str) -> None:
    """Commanded, stated by the slicer, estimated."""
    piece = a_job(book).also[0]
    read_plate_says(book, piece, plate_facts=PLATE)
    assert factors(book, piece)[name].basis == basis


def test_a_set_point_the_plate_does_not_state_is_left_to_the_job(book: Book) -> None:
    """A chamber hidden in a macro is what the person set."""
    piece = a_job(book, chamber_set_c=60).also[0]
    read_plate_says(book, piece, plate_facts=PLATE)
    assert factors(book, piece)["chamber_c"].source == "set for the job"


def test_a_log_is_taken_before_everything(book: Book) -> None:
    """It was read while the gauge section was printed."""
    piece = a_job(book, chamber_set_c=60, chamber_measured_c=55).also[0]
    logged = {"chamber": {"mean": 48.2, "low": 47.0, "high": 51.0, "covered": 0.5}}
    read_plate_says(book, piece, log_facts={"section": logged})
    found = factors(book, piece)["chamber_c"]
    assert (found.value, found.basis, found.low, found.high) == (48.2, "measured", 47.0, 51.0)
    assert "50% of it covered" in found.source


def test_a_change_by_hand_is_in_force_from_its_layer_on(book: Book) -> None:
    """Half of the section at 262, half at 240."""
    job = a_job(book, started_at=STARTED)
    read_plate_says(book, job.also[0], plate_facts=PLATE)
    change_setting(book, WHO, job.id, "nozzle=240", {"layer": "2"})
    found = factors(book, job.also[0])["nozzle_c"]
    assert (found.value, found.low, found.high, found.source) == (251.0, 240.0, 265.0, "changed by hand")


def test_of_the_plates_figures_only_what_a_hand_changed_is_reported() -> None:
    """The nozzle from what the plate commanded on; line width and the rest stay the plate file's."""
    job = SimpleNamespace(started_at=None, first_layer_at=None, ended_at=None, status=None)
    change = SimpleNamespace(setting="nozzle", value=240.0, at=None, layer=2, height_mm=None)
    found = changed_by_hand(job, PLATE, [change])
    assert {name: (each.value, each.low, each.high) for name, each in found.items()} == {
        "nozzle_c": (251.0, 240.0, 265.0)
    }


def test_a_change_by_hand_at_a_time_meets_the_layers_after_it(book: Book) -> None:
    """One minute after the start the first layer is done."""
    job = a_job(book, started_at=STARTED, first_layer_at=STARTED)
    read_plate_says(book, job.also[0], plate_facts=PLATE)
    change_setting(book, WHO, job.id, "nozzle=240", {"at": "2026-03-02 07:01"})
    assert factors(book, job.also[0])["nozzle_c"].value == 251.0


def test_a_time_is_counted_from_the_end_of_the_heating(book: Book) -> None:
    """Ten minutes of heating: what was changed in the eleventh met the second layer."""
    job = a_job(book, started_at=STARTED, first_layer_at="2026-03-02 07:10")
    read_plate_says(book, job.also[0], plate_facts=PLATE)
    change_setting(book, WHO, job.id, "nozzle=240", {"at": "2026-03-02 07:11"})
    found = factors(book, job.also[0])["nozzle_c"]
    assert (found.value, found.basis) == (251.0, "commanded")


def test_heating_that_nobody_recorded_is_in_the_range(book: Book) -> None:
    """By the clock the change came after the last layer; with the heating it may have met any."""
    job = a_job(book, started_at=STARTED)
    read_plate_says(book, job.also[0], plate_facts=PLATE)
    change_setting(book, WHO, job.id, "nozzle=240", {"at": "2026-03-02 07:11"})
    found = factors(book, job.also[0])["nozzle_c"]
    assert (found.low, found.high, found.basis) == (240.0, 265.0, "estimated")
    assert "heating before the first layer is not recorded" in found.source


def test_a_slower_print_lowers_the_flow(book: Book) -> None:
    """Speed at 50 per cent for the whole section halves it, as an estimate."""
    job = a_job(book, started_at=STARTED)
    read_plate_says(book, job.also[0], plate_facts=PLATE)
    change_setting(book, WHO, job.id, "speed=50", {"layer": "1"})
    found = factors(book, job.also[0])["flow_mm3_s"]
    assert (found.value, found.basis) == (3.0, "estimated")


def test_categories_come_from_spool_and_job(book: Book) -> None:
    """Lot, spool, printer, orientation."""
    piece = a_job(book, printer="P1", surface="glass").also[0]
    found = factors(book, piece)
    wanted = {"lot": "L-17", "printer": "P1", "surface": "glass", "orientation": "ZXY"}
    assert {name: found[name].value for name in wanted} == wanted
    assert str(found["spool"].value).startswith("S0001")


def test_another_attempt_is_counted(book: Book) -> None:
    """The third attempt is attempt 3."""
    first = a_job(book)
    second = add_job(book, WHO, {}, again=first.id)
    third = add_job(book, WHO, {}, again=second.id)
    assert [factors(book, job.also[0])["attempt"].value for job in (first, second, third)] == [1, 2, 3]


def test_a_given_factor_is_taken_before_a_set_one(book: Book) -> None:
    """An imported printer is what the old table says."""
    piece = a_job(book, printer="P1").also[0]
    with book.act("test", WHO) as act:
        record = {"specimen_id": row_of(book, piece).id, "basis": "typed", "source": "old.csv row 3"}
        act.session.add(FactorRecord(name="printer", text="P2", number=None, **record))
        act.session.add(FactorRecord(name="treatment", text="wet", number=None, **record))
    found = factors(book, piece)
    assert (found["printer"].value, found["treatment"].value) == ("P2", "wet")


def test_moisture_comes_from_the_spools_days(book: Book) -> None:
    """Dried until 02:00, then five hours in open air at 50 %RH, then printed."""
    a_material(book, family="ASA")
    spool = a_spool(book)
    start_drying(
        book, WHO, [spool],
        {"set_c": 80, "began_at": "2026-03-01 20:00", "ended_at": "2026-03-02 02:00"}, before=(), after=(),
    )  # fmt: skip
    keep_spool(book, WHO, spool, {"place": "open air", "rh_pct": 50, "began_at": "2026-03-02 02:00"})
    piece = a_job(book, spools=(spool,), started_at=STARTED).also[0]
    found = factors(book, piece)
    assert (found["open_air_h"].value, found["open_air_rh_h"].value) == (5.0, 2.5)
    assert (found["drying_c"].value, found["drying_h"].value) == (80.0, 6.0)
    water = found["water_pct"]
    assert water.low is not None
    assert water.high is not None
    assert water.low <= float(water.value or 0) <= water.high
    assert (water.basis, "grade C" in water.source) == ("estimated", True)


def test_water_can_be_left_out(book: Book) -> None:
    """It is the dear part of the answer."""
    a_material(book, family="ASA")
    spool = a_spool(book)
    keep_spool(book, WHO, spool, {"place": "open air", "rh_pct": 50, "began_at": "2026-03-02 02:00"})
    piece = a_job(book, spools=(spool,), started_at=STARTED).also[0]
    assert "water_pct" in factors(book, piece)
    assert "water_pct" not in factors(book, piece, water=False)


def test_hours_nobody_recorded_are_an_interval(book: Book) -> None:
    """From the first record on, nothing is known of the five hours before the second job."""
    a_material(book)
    spool = a_spool(book)
    a_job(book, spools=(spool,), started_at="2026-03-02 01:00")
    piece = a_job(book, spools=(spool,), started_at="2026-03-02 06:00").also[0]
    found = factors(book, piece, water=False)["open_air_h"]
    assert (found.value, found.low, found.high, found.basis) == (0.0, 0.0, 5.0, "estimated")


def test_many_specimens_cost_a_few_statements(book: Book) -> None:
    """As many for forty pieces of two jobs as for one."""
    jobs = [a_job(book, "bar:ZXY:20", started_at=STARTED)]
    jobs.append(add_job(book, WHO, {"started_at": STARTED}, again=jobs[0].id))
    numbers = [row_of(book, piece).id for job in jobs for piece in job.also]
    with book.read() as session, counted(book) as seen:
        found = factors_of(session, numbers)
    assert len(found) == 40
    assert len(seen) <= 10


def test_a_connection_serves_as_well(book: Book) -> None:
    """For those that ask by hand-built statements."""
    number = row_of(book, a_job(book, printer="P1").also[0]).id
    with book.connect() as connection:
        assert factors_of(connection, [number])[number]["printer"].value == "P1"


def test_an_unknown_number_is_left_out(book: Book) -> None:
    """No row, no factors."""
    with book.read() as session:
        assert factors_of(session, [17]) == {}


def test_a_plugin_adds_factors_and_replaces_none(book: Book) -> None:
    """It is told what is known, and what it says of known ones is left."""
    piece = a_job(book, printer="P1").also[0]
    told: dict[str, Any] = {}

    class Weather:
        """A plugin."""

        @hookimpl
        def strandbook_factors(self, specimen: Any) -> list[FactorValue]:
            """Add two."""
            told.update(specimen)
            return [FactorValue("pressure_hpa", 1013.0), FactorValue("printer", "another")]

    found = factors(book, piece, plugged=load(extra=[("weather", Weather())]))
    assert (found["pressure_hpa"].value, found["printer"].value) == (1013.0, "P1")
    assert (told["id"], told["material"], told["lot"]) == (piece, "Nordlicht ASA", "L-17")


def test_factors_are_reported_in_the_order_of_the_registry(book: Book) -> None:
    """Temperatures first, what nobody declared last."""
    piece = a_job(book, printer="P1", nozzle_set_c=250).also[0]
    found = factors(book, piece)
    found["aaa"] = FactorValue("aaa", 1.0)
    names = [each.name for each in in_registry_order(found)]
    assert (names[0], names[-1]) == ("nozzle_c", "aaa")


def test_a_measurement_has_factors_of_its_own(book: Book) -> None:
    """Rig, operator, room, and the age of the piece."""
    job = a_job(book, started_at="2026-03-02 01:00")
    rig = a_calibrated_rig(book)
    measured = a_pull(
        book, job.also[0], rigs=[rig],
        about={"at": "2026-03-02 07:00", "room_c": 22, "room_rh_pct": 48, "operator": "Bo"},
    )  # fmt: skip
    number = row_of(book, measured.id).id
    with book.read() as session:
        found = measurement_factors(session, [number])[number]
    assert {name: each.value for name, each in found.items() if name != "method_version"} == {
        "operator": "Bo", "rig": "Gantry", "age_h": 6.0, "room_c": 22.0, "room_rh": 48.0,
    }  # fmt: skip


def test_the_age_is_counted_from_the_job_of_the_piece(book: Book) -> None:
    """And not from one that was printed after it."""
    a_material(book)
    spool = a_spool(book)
    job = a_job(book, spools=(spool,), started_at="2026-03-02 01:00")
    a_job(book, spools=(spool,), started_at="2026-03-02 03:00")
    number = row_of(book, a_pull(book, job.also[0], about={"at": "2026-03-02 07:00"}).id).id
    with book.read() as session:
        assert measurement_factors(session, [number])[number]["age_h"].value == 6.0


def test_a_test_dated_before_its_print_has_no_age(book: Book) -> None:
    """One of the two moments is wrong, and hours below zero would be taken for a number."""
    measured = a_pull(book, a_job(book, started_at=STARTED).also[0])
    number = row_of(book, measured.id).id
    with book.act("test", WHO) as act:
        act.session.get_one(Measurement, number).at = dt.datetime(2026, 3, 2, 6, tzinfo=dt.UTC)
    with book.read() as session:
        assert "age_h" not in measurement_factors(session, [number])[number]


def test_a_corrected_start_changes_the_factors(book: Book) -> None:
    """They are read again each time."""
    a_material(book)
    spool = a_spool(book)
    keep_spool(book, WHO, spool, {"place": "open air", "rh_pct": 50, "began_at": "2026-03-02 02:00"})
    job = a_job(book, spools=(spool,), started_at=STARTED)
    correct(book, WHO, load(), job.id, ["started_at=2026-03-02 06:00"], reason="read the wrong clock")
    assert factors(book, job.also[0], water=False)["open_air_h"].value == 4.0


def test_each_piece_has_the_factors_of_its_own_spool(book: Book) -> None:
    """Of a plate printed from two spools in one tool: lot and the drying before the print are the piece's."""
    more_spools = {}
    with book.act("test", "Ada Bench") as act:
        session = act.session
        session.add(Material(name="Two spools", family="ASA"))
        session.flush()
        material = session.scalars(select(Material.id).where(Material.name == "Two spools")).one()
        for lot in ("L-1", "L-2"):
            spool = Spool(material_id=material, lot=lot, diameter_mm=1.75)
            session.add(spool)
            session.flush()
            more_spools[lot] = spool.id
        job = Job(started_at=act.at)
        session.add(job)
        session.flush()
        for piece, lot in ((1, "L-1"), (2, "L-2")):
            session.add(JobSpool(job_id=job.id, spool_id=more_spools[lot], tool=0, pieces=[piece]))
            session.add(Specimen(job_id=job.id, piece=piece))
        hours = dt.timedelta(hours=1)
        drying = Drying(began_at=act.at - 9 * hours, ended_at=act.at - 3 * hours, set_c=80)
        session.add(drying)
        session.flush()
        session.add(DryingSpool(drying_id=drying.id, spool_id=more_spools["L-2"]))
        number = job.id
    with book.read() as session:
        own = select(Specimen.id).where(Specimen.job_id == number).order_by(Specimen.piece)
        pieces = list(session.scalars(own))
        found = factors_of(session, pieces)

    assert [found[piece]["lot"].value for piece in pieces] == ["L-1", "L-2"]
    assert ["drying_c" in found[piece] for piece in pieces] == [False, True]


def test_of_several_materials_each_piece_has_its_own(book: Book) -> None:
    """A material that comes later in the book is not taken for that of a job or of a second spool."""
    a_material(book, "First ASA")
    a_material(book, "Later PETG")
    first, second = a_spool(book, "First ASA"), a_spool(book, "Later PETG")
    a_material(book, "Latest PLA")
    job = a_job(book, spools=(first, second), started_at=STARTED)
    own = add_job(book, WHO, {}, material="Later PETG", pieces=[PieceWanted("bar", "ZXY")], sure=True)

    with book.read() as session:
        rows = rows_of_jobs(session, [row_of(book, each.id).id for each in (job, own)])
    assert {row.material for row in rows.spools.values()} == {"First ASA", "Later PETG"}
    assert [row.own_material for row in rows.jobs.values()] == [None, "Later PETG"]


def test_filament_of_a_piece_is_typed_or_commanded(book: Book) -> None:
    """Where the plate file tells it, it is the file's; else somebody typed it."""
    job = a_job(book)
    read_plate_says(book, job.also[0], filament_g=3.2)
    read_plate_says(book, job.also[1], filament_g=3.2, plate_facts=PLATE)

    assert factors(book, job.also[0])["filament_g"].basis == "typed"
    assert factors(book, job.also[1])["filament_g"].basis == "commanded"


def test_the_bounds_of_a_slower_print_are_scaled_as_its_value(book: Book) -> None:
    """Half the speed from the first layer on halves value, least and greatest alike."""
    job = a_job(book, started_at=STARTED)
    read_plate_says(book, job.also[0], plate_facts=PLATE)
    change_setting(book, WHO, job.id, "speed=50", {"layer": "1"})
    flow = factors(book, job.also[0])["flow_mm3_s"]

    assert (flow.low, flow.value, flow.high) == (2.5, 3.0, 3.5)


def test_the_bounds_of_a_print_slowed_down_half_way_hold_both_speeds(book: Book) -> None:
    """One of two layers at half the speed: three quarters in the mean, half of the least at the least."""
    job = a_job(book, started_at=STARTED)
    read_plate_says(book, job.also[0], plate_facts=PLATE)
    change_setting(book, WHO, job.id, "speed=50", {"layer": "2"})
    flow = factors(book, job.also[0])["flow_mm3_s"]

    assert (flow.low, flow.value, flow.high) == (2.5, 4.5, 7.0)


def test_a_lot_is_known_by_its_spool_and_a_printer_by_its_job(book: Book) -> None:
    """Each factor says where it was read."""
    a_material(book)
    piece = a_job(book, spools=(a_spool(book, lot="L-17"),), printer="left").also[0]
    found = factors(book, piece)

    assert [(found[name].value, found[name].source) for name in ("lot", "printer")] == [
        ("L-17", "spool"), ("left", "job"),
    ]  # fmt: skip
