"""Corrections: put right with a reason; the old value stays readable in the journal."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.conftest import BenchClock
from tests.desk.bench import (
    WHO,
    Plain,
    a_calibrated_rig,
    a_job,
    a_material,
    a_piece,
    a_pull,
    a_rig,
    a_spool,
    at,
    calibrate,
    entries,
    last_entry,
    plugged_with,
    row_of,
    weigh_spool,
)
from tracker.api import Recording
from tracker.book import Book
from tracker.desk import correcting
from tracker.desk.correcting import recompute_all
from tracker.desk.dryings import start_drying
from tracker.desk.entering import keep_spool
from tracker.desk.jobs import change_setting
from tracker.desk.measuring import measure
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.kinds import NotFoundError
from tracker.plugins import Plugged, load


def correct(book: Book, target: str, *assignments: str, reason: str = "wrong scale", **more: Any) -> Any:
    """Correct something with the bundled methods at hand."""
    return correcting.correct(
        book, WHO, more.pop("plugged", None) or load(), target, assignments, reason, **more
    )


def changed(book: Book, table: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the row of a table before and after the last act, as the journal has it."""
    rows = json.loads(last_entry(book).body)["rows"]
    row = next(each for each in rows if each["table"] == table)
    return row["before"], row["after"]


def test_the_old_value_stays_in_the_journal_with_the_reason(book: Book) -> None:
    """Before, after, why."""
    a_material(book)
    spool = a_spool(book, net_g=1000)
    correct(book, spool, "net_g=1.1 kg", reason="read the  label\nagain")
    before, after = changed(book, "spool")
    assert (before["net_g"], after["net_g"]) == (1000, 1100)
    assert json.loads(last_entry(book).body)["reason"] == "read the label again"


@pytest.mark.parametrize("reason", ["", " \n"])
def test_a_correction_needs_a_reason(book: Book, reason: str) -> None:
    """A number that changed without a word is worth nothing."""
    a_material(book)
    with pytest.raises(FormError, match="--reason"):
        correct(book, "Nordlicht ASA", "family=ABS", reason=reason)


@pytest.mark.parametrize("assignments", [(), ("family",), ("=ABS",)])
def test_a_correction_says_what_it_changes(book: Book, assignments: tuple[str, ...]) -> None:
    """``field=value``, or nothing happens."""
    a_material(book)
    with pytest.raises(FormError, match="field=value"):
        correct(book, "Nordlicht ASA", *assignments)


def test_a_material_is_named_by_its_name(book: Book) -> None:
    """It has no ID."""
    a_material(book)
    assert correct(book, "nordlicht asa", "family=ABS").id == "Nordlicht ASA"


def test_what_is_neither_id_nor_material_is_refused_as_an_id(book: Book) -> None:
    """The refusal speaks of what was typed."""
    with pytest.raises(Refused, match="'NOTHING' is not an ID"):
        correct(book, "nothing", "family=ABS")


def test_an_id_that_is_not_there_is_refused(book: Book) -> None:
    """Nothing is corrected that does not exist."""
    with pytest.raises(NotFoundError, match="There is no S0001-R in this book"):
        correct(book, "S0001-R", "lot=7")


def test_a_field_that_is_not_there_is_refused_with_those_that_are(book: Book) -> None:
    """The names are listed."""
    a_material(book)
    with pytest.raises(FormError, match=r"no 'colour' to correct here.*family"):
        correct(book, "Nordlicht ASA", "colour=red")


def test_an_empty_value_makes_it_not_recorded(book: Book) -> None:
    """What turns out not to be known is unknown again."""
    a_material(book)
    spool = a_spool(book, lot="7731")
    correct(book, spool, "lot=")
    assert row_of(book, spool).lot is None


@pytest.mark.parametrize(("target", "field"), [("Nordlicht ASA", "name"), ("D0001-Q", "began_at")])
def test_what_cannot_be_unknown_cannot_be_emptied(book: Book, target: str, field: str) -> None:
    """A material has a name, a drying a beginning."""
    a_material(book)
    start_drying(book, WHO, [a_spool(book)], {"set_c": 70})
    with pytest.raises(FormError, match="cannot be left out"):
        correct(book, target, f"{field}=")


@pytest.mark.parametrize("name", ["Nordlicht ASA", "nordlicht asa"])
def test_the_name_of_another_material_is_refused(book: Book, name: str) -> None:
    """Two materials never come to share a name; who has it is said, and where to look."""
    a_material(book)
    a_material(book, "Tuff PA")
    with pytest.raises(FormError, match=r"There is a material 'Nordlicht ASA' already.*list materials"):
        correct(book, "Tuff PA", f"name={name}")


@pytest.mark.parametrize("name", ["Gantry", "GANTRY"])
def test_the_name_of_another_rig_is_refused(book: Book, name: str) -> None:
    """Nor do two rigs."""
    a_rig(book)
    other = a_rig(book, "Pendulum")
    with pytest.raises(FormError, match=r"There is a rig 'Gantry' already.*list rigs"):
        correct(book, other, f"name={name}")


def test_a_name_is_corrected_in_its_capitals(book: Book) -> None:
    """A record's own name is not taken by another."""
    rig = a_rig(book)
    correct(book, rig, "name=GANTRY")
    assert changed(book, "rig")[1]["name"] == "GANTRY"


def test_a_value_of_another_kind_is_refused(book: Book) -> None:
    """A correction is held to what the first entry was held to."""
    a_material(book)
    spool = a_spool(book)
    with pytest.raises(FormError, match="not a quantity in g"):
        correct(book, spool, "net_g=5 mm")


def test_masses_still_have_to_go_together(book: Book) -> None:
    """The corrected record is held to what the first one was held to."""
    a_material(book)
    spool = a_spool(book, net_g=1000, gross_g=1236)
    with pytest.raises(FormError, match="not lighter"):
        correct(book, spool, "gross_g=900")


def test_ranges_still_have_to_stand_upright(book: Book) -> None:
    """The same for a material's ranges."""
    a_material(book, bed_low_c=90, bed_high_c=110)
    with pytest.raises(FormError, match="bed range"):
        correct(book, "Nordlicht ASA", "bed_low_c=120")


def test_a_drying_still_has_to_end_after_it_began(book: Book) -> None:
    """The same for times."""
    a_material(book)
    drying = start_drying(book, WHO, [a_spool(book)], {"set_c": 70}).id
    with pytest.raises(FormError, match="before it began"):
        correct(book, drying, "ended_at=2026-03-01 08:00")


def test_a_refused_correction_changes_nothing(book: Book) -> None:
    """All or nothing, also of several fields."""
    a_material(book)
    spool = a_spool(book, lot="7731", net_g=1000, gross_g=1236)
    before = entries(book)
    with pytest.raises(FormError, match="is not lighter than the whole spool"):
        correct(book, spool, "lot=8000", "gross_g=900")
    assert (row_of(book, spool).lot, entries(book)) == ("7731", before)


def test_an_orientation_is_corrected_in_words_or_letters(book: Book) -> None:
    """*upright* is ZXY."""
    piece = a_piece(book)
    correct(book, piece, "orientation=upright")
    assert row_of(book, piece).orientation == "ZXY"


def test_an_orientation_that_is_none_is_refused(book: Book) -> None:
    """Two equal letters name no axes."""
    piece = a_piece(book)
    with pytest.raises(Refused, match="is no orientation"):
        correct(book, piece, "orientation=XX")


@pytest.mark.parametrize("outcome", ["failed", "usable"])
def test_an_outcome_still_needs_its_words(book: Book, outcome: str) -> None:
    """A failure without a cause teaches nothing, first entered or corrected."""
    piece = a_piece(book)
    with pytest.raises(FormError, match="Piece 1"):
        correct(book, piece, f"outcome={outcome}")


def test_an_outcome_with_its_words_is_corrected(book: Book) -> None:
    """Both in one correction."""
    piece = a_piece(book)
    correct(book, piece, "outcome=failed", "cause=cracked")
    assert (row_of(book, piece).outcome, row_of(book, piece).cause) == ("failed", "cracked")


def test_a_storage_period_is_addressed_on_its_spool(book: Book, clock: BenchClock) -> None:
    """``stay1.ended_at`` of the spool that it belongs to."""
    a_material(book)
    spool = a_spool(book)
    keep_spool(book, WHO, spool, {"place": "dry box"})
    clock.forward(hours=5)
    correct(book, spool, "stay1.ended_at=2026-03-02 10:00")
    before, after = changed(book, "stay")
    assert (before["ended_at"], after["ended_at"]) == (None, "2026-03-02T10:00:00.000000Z")


def test_a_corrected_storage_period_that_overlaps_is_asked_about(book: Book, clock: BenchClock) -> None:
    """One spool, one place."""
    a_material(book)
    spool = a_spool(book)
    keep_spool(book, WHO, spool, {"place": "dry box"})
    clock.forward(hours=5)
    keep_spool(book, WHO, spool, {"place": "printer"})
    with pytest.raises(Doubt, match=r"dry box .* overlaps printer"):
        correct(book, spool, "stay1.ended_at=")


@pytest.mark.parametrize("part", ["stay9.place=printer", "weighing1.mass_g=5", "change1.layer=3"])
def test_a_part_that_the_record_has_not_is_refused(book: Book, part: str) -> None:
    """A part of another record, or none at all."""
    a_material(book)
    spool, other = a_spool(book), a_spool(book)
    weigh_spool(book, WHO, other, {"mass_g": 900})
    with pytest.raises(FormError, match=f"{spool} has no"):
        correct(book, spool, part)


@pytest.mark.parametrize("part", ["stay1.began_at=", "stay1.place=", "stay1.entry=3", "stay1.spool_id=2"])
def test_what_a_storage_period_must_have_or_has_not_is_refused(book: Book, part: str) -> None:
    """A beginning and a place it must have; the book's own columns are nobody's to correct."""
    a_material(book)
    spool = a_spool(book)
    keep_spool(book, WHO, spool, {"place": "dry box"})
    with pytest.raises(FormError, match=r"cannot be left out|There is no '(entry|spool_id)' to correct"):
        correct(book, spool, part)


def test_weighings_and_changes_are_corrected_where_they_belong(book: Book) -> None:
    """On their spool, and on their job."""
    job = a_job(book, started_at="2026-03-02 07:00").id
    change_setting(book, WHO, job, "fan=30", {"layer": "40"})
    correct(book, job, "change1.layer=42")
    assert changed(book, "change")[1]["layer"] == 42


def test_a_rig_is_corrected_in_its_own_unit(book: Book) -> None:
    """5 kN were 500 N."""
    rig = a_rig(book)
    correct(book, rig, "capacity=0.5 kN", "methods=tensile")
    row = row_of(book, rig)
    assert (row.capacity, row.resolution, row.methods) == (500.0, 0.1, ["tensile"])


def test_a_measurement_is_computed_again(book: Book) -> None:
    """A corrected width gives another strength; the journal keeps both."""
    pull = a_pull(book, a_piece(book))
    correct(book, pull.id, "width=10.20")
    before, after = changed(book, "result")
    assert (before["value"], after["value"]) == (pytest.approx(45.75), pytest.approx(1830 / 40.8))


def test_a_result_set_aside_stays_aside_when_it_is_computed_again(book: Book) -> None:
    """A correction is no verdict."""
    pull = a_pull(book, a_piece(book))
    with book.act("verdict", WHO) as act:
        act.session.get_one(type(row_of(book, pull.id).results[0]), 1).counted = False
    correct(book, pull.id, "width=10.20")
    assert row_of(book, pull.id).results[0].counted is False


def test_a_reading_taken_away_takes_its_result_away(book: Book) -> None:
    """What can no longer be computed has no value, and says why."""
    pull = a_pull(book, a_piece(book))
    correct(book, pull.id, "width=")
    result = row_of(book, pull.id).results[0]
    assert (result.value, result.counted) == (None, False)
    assert "width and thickness" in result.refused


def test_a_reading_that_the_method_does_not_know_is_refused_with_those_it_does(book: Book) -> None:
    """The readings are listed."""
    pull = a_pull(book, a_piece(book))
    with pytest.raises(FormError, match=r"no reading 'widht'.*max_force, width, thickness"):
        correct(book, pull.id, "widht=10")


def test_a_recording_is_put_in_the_place_of_another(book: Book) -> None:
    """The field keeps one file, the newest."""
    plain = plugged_with(Plain())
    files = {"trace": Recording("a.csv", b"a")}
    done = measure(book, WHO, plain, a_piece(book), "plain", {"load": "5"}, files=files)
    correct(book, done.id, plugged=plain, files={"trace": Recording("b.csv", b"b")})
    assert [(each.name, book.files.get(each.sha256)) for each in row_of(book, done.id).files] == [
        ("b.csv", b"b")
    ]


def test_a_remark_is_corrected_without_the_method(book: Book) -> None:
    """A plugin that is gone does not lock the words of a measurement."""
    plain = plugged_with(Plain())
    done = measure(book, WHO, plain, a_piece(book), "plain", {"load": "5"})
    correct(book, done.id, "remark=noisy", plugged=Plugged())
    assert row_of(book, done.id).remark == "noisy"


def test_readings_are_not_corrected_without_the_method(book: Book) -> None:
    """Nobody else can say what they give."""
    done = measure(book, WHO, plugged_with(Plain()), a_piece(book), "plain", {"load": "5"})
    with pytest.raises(Refused, match="No method 'plain'"):
        correct(book, done.id, "load=6", plugged=Plugged())


def test_a_corrected_day_brings_the_calibration_of_that_day(book: Book) -> None:
    """The uncertainty follows the calibration in force."""
    rig = a_calibrated_rig(book, "1 N", done_on="2026-01-05")
    calibrate(book, WHO, rig, {"uncertainty": "20 N", "done_on": "2026-02-05"})
    pull = a_pull(book, a_piece(book), rigs=[rig])
    correct(book, pull.id, "at=2026-01-20 10:00")
    row = row_of(book, pull.id)
    assert (row.rigs[0].calibration.u_abs, row.at) == (1.0, at("2026-01-20 10:00"))
    assert row.results[0].uncertainty < pull.results[0].uncertainty


def test_one_calibration_of_several_is_enough_to_compute_again(book: Book) -> None:
    """The load cell had another calibration that day; the callipers never had one."""
    cell = a_calibrated_rig(book, "1 N", done_on="2026-01-05")
    calibrate(book, WHO, cell, {"uncertainty": "20 N", "done_on": "2026-02-05"})
    callipers = a_rig(
        book, "callipers", role="instrument", measures="length", capacity="150 mm", resolution="0.01"
    )
    pull = a_pull(book, a_piece(book), rigs=[cell, callipers])
    correct(book, pull.id, "at=2026-01-20 10:00")
    assert row_of(book, pull.id).results[0].uncertainty < pull.results[0].uncertainty


def test_a_method_that_is_back_computes_what_waited(book: Book) -> None:
    """Readings entered while a plugin failed give their result when it is mended."""

    class Faulty(Plain):
        """Fails."""

        fault = RuntimeError("broken")

    done = measure(book, WHO, plugged_with(Faulty()), a_piece(book), "plain", {"load": "5"})
    recompute_all(book, WHO, plugged_with(Plain()), [done.id])
    row = row_of(book, done.id)
    assert (row.problem, row.results[0].value, row.results[0].counted) == (None, 5.0, True)


def test_a_method_still_missing_refuses_to_compute(book: Book) -> None:
    """Nothing is written before it is back."""
    done = measure(book, WHO, plugged_with(Plain()), a_piece(book), "plain", {"load": "5"})
    before = entries(book)
    with pytest.raises(Refused, match="No method 'plain'"):
        recompute_all(book, WHO, Plugged(), [done.id])
    assert entries(book) == before


@pytest.mark.parametrize("name", ["net", "net_g"])
def test_a_field_goes_by_its_option_and_by_its_column(book: Book, name: str) -> None:
    """What was entered with --net is corrected as net, and is in the list as net_g."""
    a_material(book)
    spool = a_spool(book, net_g="1 kg")
    correct(book, spool, f"{name}=750")
    assert row_of(book, spool).net_g == 750


def test_hours_go_by_their_option_too(book: Book) -> None:
    """``--planned-hours`` is ``planned_h``."""
    a_material(book)
    drying = start_drying(book, WHO, [a_spool(book)], {"set_c": 70, "planned_h": 4}).id
    correct(book, drying, "planned-hours=6")
    assert row_of(book, drying).planned_h == 6
