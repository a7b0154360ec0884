"""One record as it is shown: what is known, what is not recorded, and what hangs on it."""

from __future__ import annotations

import datetime as dt
import json
import zoneinfo

import pytest

from tests.conftest import BenchClock
from tests.desk.bench import WHO, a_calibrated_rig, a_job, a_material, a_pull, a_rig, a_spool, weigh_spool
from tracker.book import Book
from tracker.desk.dryings import start_drying
from tracker.desk.entering import keep_spool
from tracker.desk.jobs import add_job, change_setting, end_job
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.desk.voiding import judge
from tracker.kinds import Card, card_of, find, material_named
from tracker.model import Specimen


def show(book: Book, target: str, zone: dt.tzinfo = dt.UTC) -> Card:
    """Return a record as it is shown."""
    with book.read() as session:
        return card_of(session, find(book, session, target), zone)


def text(told: Card) -> str:
    """Return the facts as lines."""
    return "\n".join(f"{label}|{words}" for label, words in told.lines)


def test_a_material_shows_its_ranges_open_ends_and_what_is_not_recorded(book: Book) -> None:
    """An end that the data sheet does not state is an ellipsis; a missing range is not recorded."""
    a_material(book, nozzle_low_c=240, nozzle_high_c=260, bed_low_c=90)
    with book.read() as session:
        told = text(card_of(session, material_named(session, "Nordlicht ASA"), dt.UTC))
    assert "nozzle|240 – 260 °C" in told
    assert "bed|90 – …" in told
    assert "chamber|not recorded" in told


def test_a_spool_shows_where_it_was_weighed_dried_and_used(book: Book, clock: BenchClock) -> None:
    """With the names by which each can be corrected."""
    a_material(book)
    spool = a_spool(book, lot="7731", supplied="given", supplied_by="Ben")
    keep_spool(book, WHO, spool, {"place": "dry box", "where": "box 2", "rh_pct": 15})
    weigh_spool(book, WHO, spool, {"mass_g": 1236.4})
    start_drying(book, WHO, [spool], {"set_c": 80, "measured_c": 76.5, "began_at": "2026-03-01 08:00"})
    clock.forward(days=1)
    told = show(book, spool)
    assert "came|given by Ben" in text(told)
    assert "kept|storage1: dry box (box 2), 2026-03-02 08:00 – now, 15 %RH" in text(told)
    assert "weighed|weighing1: 2026-03-02 08:00 1236.4 g" in text(told)
    assert "D0001-Q: set 80 °C (measured 76.5 °C), 2026-03-01 08:00 – not ended" in text(told)
    assert told.data["dryings"] == ["D0001-Q"]


def test_a_spool_of_which_nothing_is_known_says_so(book: Book) -> None:
    """Each unknown has its line."""
    a_material(book)
    told = text(show(book, a_spool(book)))
    for line in (
        "lot|not recorded",
        "kept|not recorded",
        "dried|never, as far as is recorded",
        "jobs|none yet",
    ):
        assert line in told


def test_a_drying_shows_its_spools_in_their_order(book: Book) -> None:
    """With the masses before and after."""
    a_material(book)
    first, second = a_spool(book), a_spool(book)
    done = start_drying(book, WHO, [second, first], {"set_c": 80}, before=["900", "1000"])
    told = show(book, done.id)
    assert [each["id"] for each in told.data["spools"]] == [first, second]
    assert f"{first}|Nordlicht ASA: 1000 g before, not recorded after" in text(told)


def test_a_job_shows_meant_beside_measured_and_what_was_changed(book: Book) -> None:
    """In the order in which it was entered."""
    job = a_job(book, chamber_set_c=60, started_at="2026-03-02 07:00").id
    change_setting(book, WHO, job, "fan=30", {"layer": "40"})
    change_setting(book, WHO, job, "flow=95", {"height_mm": "8"})
    change_setting(book, WHO, job, "first_layer=slow", {"at": "07:10"})
    end_job(book, WHO, job, {"outcome": "stopped", "cause": "came loose", "chamber_measured_c": 55})
    told = text(show(book, job))
    assert "outcome|stopped: came loose" in told
    assert "chamber set, measured|60 °C, 55 °C" in told
    assert "changed by hand|change1: fan=30 from layer 40\n|change2: flow=95 from 8 mm" in told
    assert "|change3: first_layer=slow from 2026-03-02 07:10" in told


def test_another_attempt_names_the_first(book: Book) -> None:
    """In words and for scripts."""
    first = a_job(book)
    again = show(book, add_job(book, WHO, {}, again=first.id).id)
    assert (again.data["again_of"], f"another attempt at|{first.id}" in text(again)) == (first.id, True)


def test_a_job_without_a_spool_shows_its_material(book: Book) -> None:
    """And that the spool is not recorded."""
    a_material(book)
    told = show(book, add_job(book, WHO, {}, material="Nordlicht ASA").id)
    assert "spools|not recorded\nmaterial|Nordlicht ASA" in text(told)
    assert "specimens|none yet" in text(told)


def test_times_are_shown_in_the_zone_of_the_bench(book: Book) -> None:
    """The JSON stays in UTC."""
    job = a_job(book, started_at="2026-03-02T06:30Z").id
    told = show(book, job, zoneinfo.ZoneInfo("Europe/Vienna"))
    assert "started, ended|2026-03-02 07:30 – not recorded" in text(told)
    assert told.data["started_at"] == "2026-03-02T06:30:00+00:00"


def test_a_piece_shows_what_became_of_it_and_what_was_measured(book: Book) -> None:
    """A number set aside is marked as such."""
    job = a_job(book)
    take_off(book, WHO, job.id, [PieceOutcome(1, "usable", "stringy")])
    pull = a_pull(book, job.also[0])
    judge(book, WHO, pull.id, counted=False, reason="slipped")
    told = text(show(book, job.also[0]))
    assert "orientation|ZXY (upright)" in told
    assert "outcome|usable: stringy" in told
    assert f"measured|{pull.id}  tensile  strength 45.750 ± 0.071 MPa, set aside" in told


def test_a_piece_still_on_the_bed_says_so(book: Book) -> None:
    """And that nothing was measured."""
    told = text(show(book, a_job(book).also[0]))
    assert ("outcome|still on the bed" in told, "measured|nothing yet" in told) == (True, True)


def test_a_measurement_shows_readings_results_and_the_reason_of_its_verdict(book: Book) -> None:
    """A reader can rebuild the number."""
    pull = a_pull(book, a_job(book).also[0], rigs=[a_calibrated_rig(book)])
    judge(book, WHO, pull.id, counted=False, reason="slipped")
    told = text(show(book, pull.id))
    assert "with|R0001-M Gantry" in told
    assert "max_force = 1830 N" in told
    assert "MPa (U, k = 2.0, 95 %)  set aside: slipped" in told


def test_a_refused_result_shows_why(book: Book) -> None:
    """No value, and what would give one."""
    pull = a_pull(book, a_job(book).also[0], {"max_force": "1830"}, incomplete=True)
    assert "tensile.strength|no value: no section" in text(show(book, pull.id))


@pytest.mark.parametrize(
    ("uncertainty", "words"),
    [("2 N", "2 N"), ("1 %", "1 %"), ("2 N + 1 %", "2 N + 1 %")],
)
def test_a_rig_shows_its_calibrations(book: Book, uncertainty: str, words: str) -> None:
    """As standard uncertainty: an amount, a part of the reading, or both."""
    told = text(show(book, a_calibrated_rig(book, uncertainty)))
    assert f"calibrated|calibration1: 2026-03-02: standard uncertainty {words}" in told


def test_a_rig_never_calibrated_says_so(book: Book) -> None:
    """As far as is recorded."""
    assert "calibrated|never, as far as is recorded" in text(show(book, a_rig(book)))


def test_everything_shown_is_json_and_holds_no_inner_number(book: Book) -> None:
    """The database's own numbers are nobody's business but for parts without an ID."""
    pull = a_pull(book, a_job(book).also[0], rigs=[a_calibrated_rig(book)])
    for target in ("S0001-R", "J0001-J", "J0001-01-Z", "R0001-M", pull.id):
        data = json.loads(json.dumps(show(book, target).data))
        assert data["id"] == target
        assert not {"entry", "job_id", "spool_id", "material_id"} & data.keys()


def test_a_material_shows_how_it_is_dried_and_what_it_stands(book: Book) -> None:
    """With its note, where there is one."""
    a_material(book, drying_c=80, drying_h=6, note="in tins")
    with book.read() as session:
        told = text(card_of(session, material_named(session, "Nordlicht ASA"), dt.UTC))
    assert "drying|80 °C, 6 h\nwithstands at most|85 °C\nnote|in tins" in told


def test_a_spool_shows_its_masses(book: Book) -> None:
    """Each by itself: one may be unknown."""
    a_material(book)
    told = show(book, a_spool(book, net_g=1000, empty_g=212.5))
    assert "net, gross, empty|1000 g, not recorded, 212.5 g" in text(told)
    assert (told.data["net_g"], told.data["gross_g"], told.data["empty_g"]) == (1000, None, 212.5)


def test_a_drying_shows_cycle_room_and_dryer(book: Book) -> None:
    """What was meant, and what was measured."""
    a_material(book)
    cycle = {"set_c": 80, "planned_h": 6, "began_at": "2026-03-01 08:00", "ended_at": "2026-03-01 14:00"}
    room = {"room_c": 21, "room_rh_pct": 45, "dryer_rh_pct": 8, "dryer": "tin box"}
    told = show(book, start_drying(book, WHO, [a_spool(book)], {**cycle, **room}).id)
    assert told.lines[:5] == [
        ("cycle", "set 80 °C, 2026-03-01 08:00 – 2026-03-01 14:00"),
        ("meant", "6 h"),
        ("room", "21 °C, 45 %"),
        ("inside", "8 %"),
        ("dryer", "tin box"),
    ]


def test_a_drying_gives_scripts_the_masses_of_each_spool(book: Book) -> None:
    """Before and after, by the spool's ID."""
    a_material(book)
    spool = a_spool(book)
    cycle = {"set_c": 80, "began_at": "2026-03-01 08:00", "ended_at": "2026-03-01 14:00"}
    told = show(book, start_drying(book, WHO, [spool], cycle, before=["1000"], after=["996"]).id)
    assert told.data["id"] == "D0001-Q"
    assert told.data["spools"] == [{"id": spool, "before_g": 1000, "after_g": 996}]


def test_a_job_shows_its_printer_and_its_note(book: Book) -> None:
    """As they were typed."""
    told = text(show(book, a_job(book, printer="the left one", note="door open").id))
    assert "printer|the left one" in told
    assert told.endswith("note|door open")


PIECE = {
    "id": "J0001-01-Z", "name": "bar", "orientation": "ZXY", "outcome": "usable", "box_mm": [10, 4, 80],
    "centre_mm": [30, 40], "layers": 400, "filament_mm": 1500, "filament_g": 4.25, "layer_time_min_s": 9.5,
    "own_layer_time_min_s": 3.5, "flow": 5.5, "flow_by_feature": {"infill": 6.5},
    "pauses": ["M600 after layer 3 (0.6 mm)"], "flow_factor_pct": None,
    "tools": [{"tool": 0, "filament_mm": 7.5}], "geometry": "bar", "gauge": None,
    "dummy": False, "remark": "stringy", "cause": None,
}  # fmt: skip
"""What scripts read of a piece."""


@pytest.fixture
def known_piece(book: Book) -> str:
    """Enter a piece of which everything is known that a plate file and a bench tell."""
    job = a_job(book, "bar:ZXY:1")
    take_off(book, WHO, job.id, [PieceOutcome(1, "usable", "stringy")])
    facts = (
        "box_mm",
        "layers",
        "layer_time_min_s",
        "own_layer_time_min_s",
        "flow",
        "flow_by_feature",
        "pauses",
        "tools",
    )
    with book.act("test", WHO) as act:
        row = act.session.get_one(Specimen, 1)
        row.plate_facts = {key: PIECE[key] for key in facts}
        row.geometry, row.filament_mm, row.filament_g, row.x_mm, row.y_mm = "bar", 1500, 4.25, 30, 40
        row.note = "kept in the drawer"
    return job.also[0]


def test_a_piece_gives_scripts_what_is_known_under_its_keys(book: Book, known_piece: str) -> None:
    """The keys are a promise: other people's scripts read them."""
    data = show(book, known_piece).data
    assert {key: data[key] for key in PIECE} == PIECE


def test_a_job_gives_scripts_its_pieces_under_the_same_keys(book: Book, known_piece: str) -> None:
    """All of them and no others."""
    del known_piece
    assert show(book, "J0001-J").data["specimens"] == [PIECE]


def test_a_piece_names_its_spool_with_the_lot_and_its_note(book: Book, known_piece: str) -> None:
    """What it was made of can be asked for at the maker."""
    told = text(show(book, known_piece))
    assert "spool|S0001-R (lot L-17)" in told
    assert "note|kept in the drawer" in told


def test_a_piece_says_when_it_was_used_up(book: Book) -> None:
    """A pull breaks it."""
    piece = a_job(book).also[0]
    assert "used up" not in text(show(book, piece))
    a_pull(book, piece)
    assert "used up|2026-03-02 08:00" in text(show(book, piece))
