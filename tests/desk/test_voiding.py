"""Taking back: the row stays and counts nowhere, what hangs on it is named, and all of it can come back."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select

from tests.books import fill
from tests.desk.bench import (
    PULL,
    WHO,
    a_calibrated_rig,
    a_job,
    a_material,
    a_pull,
    a_spool,
    calibrate,
    entries,
    row_of,
    weigh_spool,
)
from tracker.book import Book
from tracker.desk import voiding
from tracker.desk.correcting import correct
from tracker.desk.doubts import Done
from tracker.desk.entering import keep_spool
from tracker.desk.jobs import change_setting
from tracker.desk.measuring import measure
from tracker.desk.voiding import judge
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.kinds import KINDS, card_of, count_voided, find_row, kind_of, listed, name_of
from tracker.model import Base, Measurement, Result, Voidable
from tracker.plugins import load


def void(book: Book, target: str, reason: str = "entered by mistake", **more: Any) -> Done:
    """Take something back with the bundled methods at hand."""
    return voiding.void(book, WHO, load(), target, reason, **more)


def undo(book: Book, **more: Any) -> Done:
    """Undo the last act."""
    return voiding.undo(book, more.pop("who", WHO), load(), **more)


def ids_of(book: Book, plural: str, **more: Any) -> list[str]:
    """Return what a list names."""
    with book.connect() as connection:
        key = "measurement" if plural == "results" else "id"
        return [row[key] for row in listed(connection, plural, **more)]


NAMES = {
    "material": "Nordlicht ASA", "spool": "S0001-R", "storage": "storage1", "weighing": "weighing1",
    "drying": "D0001-Q", "job": "J0001-J", "change": "change1", "log": "log1", "photograph": "photograph1",
    "specimen": "J0001-01-Z", "rig": "R0001-M", "calibration": "calibration1", "measurement": "M0001-Y",
    "person": "AB",
}  # fmt: skip
"""One record of each kind in the filled book."""
RESTED_ON = ("material", "spool", "rig")
"""Kinds on which others rest in the filled book."""


def test_every_kind_is_named_here() -> None:
    """A new kind is taken back by these tests too; results go with their measurement."""
    assert set(NAMES) == set(KINDS) - {"result"}


@pytest.mark.parametrize("kind", [kind for kind in NAMES if kind not in RESTED_ON])
def test_a_record_of_any_kind_is_taken_back_and_comes_back(book: Book, kind: str) -> None:
    """It leaves its list, stays in the list of those that were taken back, and its card says why."""
    fill(book)
    plural = KINDS[kind].plural
    before = ids_of(book, plural)
    void(book, NAMES[kind], sure=True)
    assert NAMES[kind] not in ids_of(book, plural)
    assert NAMES[kind] in ids_of(book, plural, voided=True)
    with book.read() as session:
        card = card_of(session, find_row(book, session, NAMES[kind], voided=True), book.zone)
    assert "by Ada Bench: entered by mistake" in card.voided
    void(book, NAMES[kind], "it was right", back=True)
    assert ids_of(book, plural) == before
    with book.connect() as connection:
        assert {count_voided(connection, each.plural) for each in KINDS.values()} == {0}


@pytest.mark.parametrize("kind", RESTED_ON)
def test_what_others_rest_on_is_not_taken_out_from_under_them(book: Book, kind: str) -> None:
    """They are named, with what to do."""
    fill(book)
    before = entries(book)
    with pytest.raises(Refused, match=r"rest on .*merge"):
        void(book, NAMES[kind], sure=True)
    assert entries(book) == before


def test_what_goes_with_it_is_named_first(book: Book) -> None:
    """A job takes its specimens with it, and their tests."""
    fill(book)
    with pytest.raises(Doubt, match=r"takes with it .*4 specimens .*2 measurements"):
        void(book, "J0001-J")
    void(book, "J0001-J", sure=True)
    assert [ids_of(book, each) for each in ("jobs", "specimens", "measurements", "results")] == [[]] * 4


def test_a_job_goes_and_comes_back_with_what_its_logs_said(book: Book) -> None:
    """They are not read again: the log of this book could not be."""
    fill(book)
    facts = {piece.id: piece.log_facts for piece in row_of(book, "J0001-J").specimens}
    gone = void(book, "J0001-J", sure=True)
    back = void(book, "J0001-J", "it was right", back=True)
    assert [note.split(":")[0] for note in (*gone.notes, *back.notes)] == [
        "Taken back with it",
        "Back with it",
    ]
    assert {piece.id: piece.log_facts for piece in row_of(book, "J0001-J").specimens} == facts


def test_taking_back_needs_a_reason(book: Book) -> None:
    """As a correction does."""
    fill(book)
    with pytest.raises(FormError, match="reason"):
        void(book, "M0001-Y", " ")


def test_what_was_taken_back_is_not_found_by_acts(book: Book) -> None:
    """It is said that it was taken back; only showing and bringing back see it."""
    fill(book)
    void(book, "M0001-Y")
    with pytest.raises(Refused, match="taken back"):
        judge(book, WHO, "M0001-Y", counted=False, reason="slipped")
    with pytest.raises(Refused, match="taken back already"):
        void(book, "M0001-Y")


def test_a_result_taken_back_is_counted_no_more_and_again_when_it_is_back(book: Book) -> None:
    """As its verdict says: one that was set aside stays aside."""
    piece = a_job(book).also
    first, second = a_pull(book, piece[0]).id, a_pull(book, piece[1]).id
    judge(book, WHO, second, counted=False, reason="slipped")
    for each in (first, second):
        void(book, each)
    with book.connect() as connection:
        counted = select(func.count()).where(Result.counted)
        assert connection.execute(counted).scalar() == 0
    for each in (first, second):
        void(book, each, "right after all", back=True)
    with book.read() as session:
        rows = session.scalars(select(Result).where(Result.value.is_not(None))).all()
        by = {name_of(session.get_one(Measurement, row.measurement_id)): row.counted for row in rows}
    assert by == {first: True, second: False}


def test_a_specimen_is_free_again_when_its_test_is_taken_back(book: Book) -> None:
    """Used up follows from the tests that count; back again, it is used up again."""
    piece = a_job(book).also[0]
    pull = a_pull(book, piece).id
    assert row_of(book, piece).broken_at is not None
    void(book, pull)
    assert row_of(book, piece).broken_at is None
    a_pull(book, piece)
    assert row_of(book, piece).broken_at is not None


def test_a_specimen_is_free_again_when_its_test_is_moved(book: Book) -> None:
    """The wrong label was scanned: the other one is used up instead."""
    one, other = a_job(book).also[:2]
    pull = a_pull(book, one).id
    correct(book, WHO, load(), pull, [f"specimen={other}"], "scanned the wrong label")
    assert row_of(book, one).broken_at is None
    assert row_of(book, other).broken_at is not None
    with book.read() as session:
        assert card_of(session, find_row(book, session, pull), book.zone).data["specimen"] == other


def test_a_time_entered_by_hand_stays(book: Book) -> None:
    """Somebody broke it in two without measuring."""
    piece = a_job(book).also[0]
    correct(book, WHO, load(), piece, ["broken_at=2026-03-01 09:00"], "dropped")
    pull = a_pull(book, piece, sure=True).id
    correct(book, WHO, load(), piece, ["broken_at=2026-03-01 09:00"], "dropped before")
    void(book, pull)
    assert f"{row_of(book, piece).broken_at:%Y-%m-%d %H:%M}" == "2026-03-01 09:00"


def test_without_its_calibration_a_result_loses_its_uncertainty(book: Book) -> None:
    """What was computed with it is computed again, with the one before it or none."""
    rig = a_calibrated_rig(book, "20 N", done_on="2026-02-01")
    calibrate(book, WHO, rig, {"uncertainty": "40 N", "done_on": "2026-02-20"})
    pull = a_pull(book, a_job(book).also[0], rigs=[rig]).id
    found = []
    for part in (None, "calibration2", "calibration1"):
        if part is not None:
            assert "computed again" in void(book, part).notes[-1]
        found.append(next(each.uncertainty for each in row_of(book, pull).results if each.value is not None))
    assert found[0] > found[1] > found[2]


def test_a_recording_is_taken_back_by_itself(book: Book) -> None:
    """As the ID of its measurement with its field."""
    fill(book)
    void(book, "M0001-Y.curve")
    with book.read() as session:
        assert card_of(session, find_row(book, session, "M0001-Y"), book.zone).data["files"] == {}


def test_parts_that_were_taken_back_are_struck_through_on_the_card(book: Book) -> None:
    """And are not in its JSON."""
    a_material(book)
    spool = a_spool(book)
    weigh_spool(book, WHO, spool, {"mass_g": 1200})
    weigh_spool(book, WHO, spool, {"mass_g": 1190})
    void(book, "weighing1")
    with book.read() as session:
        card = card_of(session, find_row(book, session, spool), book.zone)
    struck = [fact.words for fact in card.facts if fact.struck]
    assert len(struck) == 1
    assert "1200 g (taken back)" in struck[0]
    assert [each["mass_g"] for each in card.data["weighings"]] == [1190]


def test_undo_takes_back_what_an_act_made(book: Book) -> None:
    """A measurement goes, and its specimen is free."""
    piece = a_job(book).also[0]
    a_pull(book, piece)
    done = undo(book)
    assert ids_of(book, "measurements") == []
    assert row_of(book, piece).broken_at is None
    assert "Undone: measure" in done.notes[0]


def test_undo_puts_back_what_an_act_changed(book: Book) -> None:
    """The value before stands again, whatever its type."""
    a_material(book)
    spool = a_spool(book, net_g=1000, received_on="2026-02-01")
    correct(book, WHO, load(), spool, ["net_g=750", "received_on=2026-02-10", "lot=7"], "misread")
    undo(book)
    row = row_of(book, spool)
    assert (row.net_g, f"{row.received_on}", row.lot) == (1000.0, "2026-02-01", None)


def test_undo_goes_on_to_the_act_before(book: Book) -> None:
    """Step by step, past what was undone already; an undone act can be done again by its entry."""
    a_material(book)
    spool = a_spool(book, lot="1")
    for lot in "23":
        correct(book, WHO, load(), spool, [f"lot={lot}"], "misread")
    undo(book)
    assert row_of(book, spool).lot == "2"
    undo(book)
    assert row_of(book, spool).lot == "1"
    undo(book, entry=entries(book))
    assert row_of(book, spool).lot == "2"
    undo(book)
    undo(book)
    assert ids_of(book, "spools") == []


def test_undo_brings_back_what_was_taken_back(book: Book) -> None:
    """With all that went with it."""
    fill(book)
    before = {kind.plural: ids_of(book, kind.plural) for kind in KINDS.values()}
    void(book, "J0001-J", sure=True)
    undo(book)
    assert {kind.plural: ids_of(book, kind.plural) for kind in KINDS.values()} == before
    with book.read() as session:
        assert all(row.counted for row in session.scalars(select(Result)))


def test_undo_is_of_ones_own_acts(book: Book) -> None:
    """Somebody else's last act stays; by its entry it is asked about."""
    piece = a_job(book).also[0]
    measure(book, "Bo Helper", load(), piece, "tensile", PULL)
    with pytest.raises(Doubt, match="Bo Helper"):
        undo(book, entry=entries(book))
    with pytest.raises(Refused, match="Cy"):
        undo(book, who="Cy")


def test_undo_leaves_alone_what_something_was_built_on(book: Book) -> None:
    """A job whose piece was tested since is not undone; the test is named."""
    piece = a_job(book).also[0]
    measure(book, "Bo Helper", load(), piece, "tensile", PULL)
    before = entries(book)
    with pytest.raises(Refused, match=r"changed since|rests on"):
        undo(book)
    assert entries(book) == before


def test_undo_of_a_job_end_leaves_it_running(book: Book) -> None:
    """Ended by mistake, it goes on."""
    from tracker.desk.jobs import end_job  # noqa: PLC0415 - of this test only

    job = a_job(book, started_at="3 h ago").id
    end_job(book, WHO, job, {"outcome": "finished"})
    undo(book)
    assert (row_of(book, job).outcome, row_of(book, job).ended_at) == ("running", None)


def test_undo_of_a_storage_period_lets_the_one_before_run_on(book: Book) -> None:
    """It was ended by the new one alone."""
    a_material(book)
    spool = a_spool(book)
    keep_spool(book, WHO, spool, {"place": "dry box", "began_at": "2026-03-01 08:00"})
    keep_spool(book, WHO, spool, {"place": "open air"})
    undo(book)
    with book.read() as session:
        periods = card_of(session, find_row(book, session, spool), book.zone).data["storage"]
    assert [(each["place"], each["ended_at"]) for each in periods] == [("dry box", None)]


def test_a_change_taken_back_is_out_of_the_factors(book: Book) -> None:
    """A setting that was never changed explains nothing."""
    from tracker.factors import factors_of  # noqa: PLC0415 - brings numpy

    job = a_job(book, nozzle_set_c=250)
    change_setting(book, WHO, job.id, "nozzle=270", {"layer": "1"})
    void(book, "change1")
    with book.read() as session:
        found = factors_of(session, [row_of(book, job.also[0]).id])
    assert 270 not in [value.value for factors in found.values() for value in factors.values()]


def test_every_table_of_records_can_be_taken_back() -> None:
    """But for what keeps the rest: the book's row, attachments, sent forms, devices' keys."""
    models = [each.class_ for each in Base.registry.mappers]
    kept = {model.__tablename__ for model in models if not issubclass(model, Voidable)}
    assert not {kind.model.__tablename__ for kind in KINDS.values()} & kept
    assert kind_of(Result()).name == "result"
