"""What was entered twice, cut, wound onto another reel or mixed up: nothing is lost, and both IDs lead on."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from tests.desk.bench import (
    WHO,
    a_calibrated_rig,
    a_job,
    a_material,
    a_pull,
    a_rig,
    a_spool,
    at,
    row_of,
    weigh_spool,
)
from tracker.book import Book
from tracker.desk import voiding
from tracker.desk.dryings import start_drying
from tracker.desk.entering import keep_spool
from tracker.desk.merging import cut_specimen, exchange_labels, merge, wind_spool
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.history import mass_left, spool_days
from tracker.kinds import card_of, find, find_row, listed, material_named
from tracker.model import Weighing
from tracker.plugins import load


def data(book: Book, target: str) -> dict[str, Any]:
    """Return the JSON of a record."""
    with book.read() as session:
        return card_of(session, find_row(book, session, target, voided=True), book.zone).data


def test_both_ids_of_merged_spools_lead_to_one(book: Book) -> None:
    """Jobs, weighings and dryings of either hang on the one that stays."""
    a_material(book)
    keep, gone = a_spool(book, net_g=1000), a_spool(book, lot="L-9")
    job = a_job(book, spools=(gone,)).id
    weigh_spool(book, WHO, gone, {"mass_g": 900})
    start_drying(book, WHO, [gone], {"set_c": 70, "began_at": "2026-03-01 08:00", "planned_h": 2})
    merge(book, WHO, keep, gone, "entered twice")
    with book.read() as session:
        assert find(book, session, gone).id == find(book, session, keep).id
    told = data(book, gone)
    assert (told["id"], told["lot"], told["net_g"]) == (keep, "L-9", 1000)
    assert (told["jobs"], len(told["weighings"]), told["dryings"]) == ([job], 1, ["D0001-Q"])
    assert data(book, job)["spools"] == [keep]
    with book.connect() as connection:
        assert [row["id"] for row in listed(connection, "spools")] == [keep]


def test_a_spool_used_twice_in_one_drying_is_in_it_once(book: Book) -> None:
    """Both entries of one spool were put into the dryer together."""
    a_material(book)
    keep, gone = a_spool(book), a_spool(book)
    drying = start_drying(book, WHO, [keep, gone], {"set_c": 70}).id
    merge(book, WHO, keep, gone, "entered twice")
    assert [each["id"] for each in data(book, drying)["spools"]] == [keep]


def test_merged_materials_go_by_both_names(book: Book) -> None:
    """Spools of either are of the one that stays."""
    a_material(book)
    a_material(book, "Nordlicht A.S.A.", family="ASA")
    spool = a_spool(book, "Nordlicht A.S.A.")
    merge(book, WHO, "Nordlicht ASA", "Nordlicht A.S.A.", "two spellings")
    with book.read() as session:
        assert material_named(session, "nordlicht a.s.a.").name == "Nordlicht ASA"
        assert material_named(session, "Nordlicht ASA").family == "ASA"
    assert data(book, spool)["material"] == "Nordlicht ASA"


def test_merged_rigs_keep_every_calibration(book: Book) -> None:
    """And what was measured with either."""
    keep = a_calibrated_rig(book)
    gone = a_rig(book, "Gantry 2")
    pull = a_pull(book, a_job(book).also[0], rigs=[gone]).id
    merge(book, WHO, keep, gone, "one machine")
    assert data(book, pull)["rigs"] == [keep]
    assert len(data(book, gone)["calibrations"]) == 1


def test_what_two_records_say_differently_is_asked_about(book: Book) -> None:
    """The lot of one reel cannot be two; it is the first one's where that is meant."""
    a_material(book)
    keep, gone = a_spool(book, lot="1"), a_spool(book, lot="2")
    with pytest.raises(Doubt, match=r"Lot: S0001-R says 1, S0002-P says 2"):
        merge(book, WHO, keep, gone, "entered twice")
    merge(book, WHO, keep, gone, "entered twice", sure=True)
    assert data(book, gone)["lot"] == "1"


@pytest.mark.parametrize(
    ("one", "other"), [("S0001-R", "S0001-R"), ("S0001-R", "Nordlicht ASA"), ("J0001-J", "J0001-J")]
)
def test_only_two_of_a_kind_are_merged(book: Book, one: str, other: str) -> None:
    """A job is no other job, even where it looks alike."""
    a_job(book)
    with pytest.raises(Refused, match=r"cannot be merged|S0001-R is one record"):
        merge(book, WHO, one, other, "no")


def test_merging_is_undone(book: Book) -> None:
    """Each has its own again."""
    a_material(book)
    keep, gone = a_spool(book, net_g=1000), a_spool(book, lot="L-9")
    job = a_job(book, spools=(gone,)).id
    merge(book, WHO, keep, gone, "entered twice")
    voiding.undo(book, WHO, load())
    assert (data(book, gone)["id"], data(book, keep)["lot"], data(book, job)["spools"]) == (
        gone,
        None,
        [gone],
    )


def test_a_cut_specimen_is_used_up_and_its_parts_have_ids(book: Book) -> None:
    """Each part says what it was cut from; orientation and plate are the whole's."""
    job = a_job(book)
    done = cut_specimen(book, WHO, job.also[1], ["left", "right"], {})
    assert done.also == ["J0001-04-T", "J0001-05-R"]
    part = data(book, done.also[0])
    assert (part["cut_from"], part["orientation"], part["name"]) == (job.also[1], "ZXY", "left")
    assert row_of(book, job.also[1]).broken_at is not None
    a_pull(book, done.also[0])
    again = cut_specimen(book, WHO, done.also[1], ["right half"], {})
    assert data(book, again.also[0])["cut_from"] == done.also[1]
    with pytest.raises(Doubt, match="used up"):
        cut_specimen(book, WHO, job.also[1], ["third"], {})


def test_a_cut_needs_parts(book: Book) -> None:
    """Else nothing would come of it."""
    with pytest.raises(FormError, match="into what"):
        cut_specimen(book, WHO, a_job(book).also[0], [], {})


def test_filament_wound_onto_another_reel_keeps_its_history(book: Book) -> None:
    """It was dried before it was wound; the days go on where it was kept."""
    a_material(book)
    old = a_spool(book, net_g=1000, empty_g=200, received_on="2026-02-20")
    start_drying(
        book, WHO, [old], {"set_c": 70, "began_at": "2026-03-01 08:00", "ended_at": "2026-03-01 14:00"}
    )
    keep_spool(book, WHO, old, {"place": "dry box", "began_at": "2026-03-01 14:00"})
    new = wind_spool(book, WHO, old, {"wound_at": "2026-03-02 07:00", "gross_g": 700, "empty_g": 180}).id
    told = data(book, new)
    assert (told["wound_from"], told["net_g"], told["material"]) == (old, 520, "Nordlicht ASA")
    assert [each["place"] for each in told["storage"]] == ["dry box"]
    assert data(book, old)["storage"][0]["ended_at"].startswith("2026-03-02T07:00")
    with book.read() as session:
        row = find(book, session, new)
        days = spool_days(session, row, at("2026-03-02 08:00"))
        assert [each.key for each in days.timeline.dryings] == ["D0001-Q"]
        assert mass_left(session, row, at("2026-03-02 08:00"), book.zone).left_g == 520
        assert mass_left(session, find(book, session, old), at("2026-03-02 08:00"), book.zone).left_g == 0


def test_a_reel_of_unknown_mass_is_empty_once_it_was_wound(book: Book) -> None:
    """Nothing was weighed, so no weighing is in the book; nothing is left all the same."""
    a_material(book)
    old = a_spool(book, net_g=1000, received_on="2026-02-20")
    wind_spool(book, WHO, old, {"wound_at": "2026-03-02 07:00"})
    with book.read() as session:
        row = find(book, session, old)
        assert mass_left(session, row, at("2026-03-02 06:00"), book.zone).left_g == 1000
        left = mass_left(session, row, at("2026-03-02 08:00"), book.zone)
        assert left.sentence == "Left: 0.0 g (wound onto another reel 2026-03-02)."
        assert session.scalars(select(Weighing)).all() == []


def test_more_than_was_left_is_asked_about(book: Book) -> None:
    """Filament does not grow."""
    a_material(book)
    old = a_spool(book, net_g=500, received_on="2026-02-20")
    with pytest.raises(Doubt, match=r"620 g were wound, and 500 g were left"):
        wind_spool(book, WHO, old, {"gross_g": 800, "empty_g": 180})


def test_mixed_up_labels_are_exchanged_with_what_was_measured(book: Book) -> None:
    """The tests go to the other one, and so does being used up."""
    one, other = a_job(book).also[:2]
    pull = a_pull(book, one).id
    exchange_labels(book, WHO, load(), one, other, "labels mixed up")
    assert data(book, pull)["specimen"] == other
    assert (row_of(book, one).broken_at, row_of(book, other).broken_at is not None) == (None, True)
