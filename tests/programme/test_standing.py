"""A programme compared with the book, and what falls due."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tests.conftest import BenchClock, begun_with
from tests.desk.bench import WHO, a_calibrated_rig, a_job, a_material, a_pull, a_rig, a_spool, calibrate
from tracker.book import Book
from tracker.desk.entering import set_programme
from tracker.desk.jobs import end_job
from tracker.desk.measuring import measure
from tracker.desk.offbed import read_outcomes, take_off
from tracker.desk.voiding import judge, void
from tracker.kinds import NotFoundError, find
from tracker.plugins import load
from tracker.programme import due, standing
from tracker.scanning import seen

SHORT = """
name = "short"
[[test]]
method = "tensile"
orientation = "upright"
replicates = 3
[[test]]
method = "shear"
orientation = "upright"
replicates = 2
"""


def _plate(book: Book) -> list[str]:
    a_material(book)
    set_programme(book, WHO, "nordlicht asa", "short", SHORT)
    done = a_job(book, "bar:ZXY:4", spools=(a_spool(book),), started_at="5 h ago")
    end_job(book, WHO, done.id, {"outcome": "finished"})
    take_off(book, WHO, done.id, [*read_outcomes("failed", "4=came loose")], rest="good")
    return done.also


book_place = begun_with(plate=_plate)


@pytest.fixture
def plate(book: Book, begun: dict[str, Any]) -> list[str]:
    """Give four upright pieces of a material with the short programme, one failed."""
    del book
    return [*begun["plate"]]


@pytest.mark.usefixtures("plate")
def test_what_is_on_the_shelf_is_shared_out_in_order(book: Book) -> None:
    """Three fit pieces go to the first line; the second has to be printed."""
    tensile, shear = standing(book, "Nordlicht ASA").needs

    assert (tensile.shelf, tensile.missing, tensile.to_print) == (3, 3, 0)
    assert (shear.shelf, shear.missing, shear.to_print) == (3, 2, 2)


@pytest.mark.usefixtures("plate")
def test_the_next_plate_says_what_to_print(book: Book) -> None:
    """Orientations with counts."""
    assert standing(book, "Nordlicht ASA").next_plate == (("upright", 2),)


def test_a_pulled_piece_counts_and_leaves_the_shelf(book: Book, plate: list[str]) -> None:
    """A used-up piece serves no other test."""
    a_pull(book, plate[0])
    tensile, shear = standing(book, "Nordlicht ASA").needs

    assert (tensile.counted, tensile.missing, tensile.shelf, shear.shelf) == (1, 2, 2, 2)


def test_what_is_set_aside_is_tested_but_does_not_count(book: Book, plate: list[str]) -> None:
    """The programme wants another piece for it."""
    pulled = a_pull(book, plate[0])
    judge(book, WHO, pulled.id, counted=False, reason="slipped")
    tensile = standing(book, "Nordlicht ASA").needs[0]

    assert (tensile.tested, tensile.counted, tensile.missing) == (1, 0, 3)


def test_a_material_without_its_own_has_the_usual_one(book: Book) -> None:
    """Nobody has to write a programme to begin."""
    a_material(book)

    assert standing(book, "Nordlicht ASA").programme == "usual"


def test_an_unknown_material_is_refused(book: Book) -> None:
    """With what to type to see those there are."""
    with pytest.raises(NotFoundError, match="list materials"):
        standing(book, "Nothing")


def test_creep_is_due_at_its_next_mark(book: Book, clock: BenchClock, plate: list[str]) -> None:
    """Read at one hour, the next reading is due 23 hours later."""
    measured = measure(
        book, WHO, load(), plate[0], "creep",
        {"stress": "7", "reference_length": "80", "series": "0.1:80.05 1:80.12"},
    )  # fmt: skip
    item = next(each for each in due(book) if each.id == measured.id)

    assert ("24 h" in item.what, item.late) == (True, False)
    clock.forward(hours=30)
    assert next(each for each in due(book) if each.id == measured.id).late


@pytest.mark.usefixtures("plate")
def test_pieces_are_due_once_they_have_rested(book: Book, clock: BenchClock) -> None:
    """Sixteen hours after the print by the usual programme."""
    rested = [each for each in due(book) if "rested" in each.what]

    assert [(each.id, each.late) for each in rested] == [("J0001-J", False)]
    clock.forward(hours=17)
    assert next(each for each in due(book) if "rested" in each.what).late


def test_a_rig_never_calibrated_is_due(book: Book) -> None:
    """It is in the list from the first day."""
    rig = a_rig(book)

    assert [each.id for each in due(book)] == [rig]


def test_a_calibrated_rig_without_interval_is_never_due(book: Book) -> None:
    """Nobody is reminded of what nobody asked to be reminded of."""
    a_calibrated_rig(book)
    assert due(book) == []


def test_a_job_left_running_is_open(book: Book) -> None:
    """What nobody ended is said."""
    job = a_job(book, started_at="2 h ago").id

    assert [each.what.partition(",")[0] for each in due(book) if each.id == job] == ["end the job"]


def test_a_scanned_piece_says_what_is_still_wanted(book: Book, plate: list[str]) -> None:
    """Only the lines that such a piece can serve."""
    a_pull(book, plate[0])

    assert seen(book, plate[1]).programme == "programme 'short': tensile 2 more, shear 2 more"


def test_a_scanned_piece_wants_what_the_programme_says_is_missing(book: Book, plate: list[str]) -> None:
    """Results set aside, measurements taken back and dummies count as little as in the programme."""
    a_pull(book, plate[0])
    judge(book, WHO, a_pull(book, plate[1]).id, counted=False, reason="slipped")
    void(book, WHO, load(), a_pull(book, plate[2]).id, "wrong piece")

    def wanted() -> str:
        needs = [each for each in standing(book, "Nordlicht ASA").needs if each.missing]
        return ", ".join(f"{each.method} {each.missing} more" for each in needs)

    assert seen(book, plate[2]).programme == f"programme 'short': {wanted()}"
    assert wanted() == "tensile 2 more, shear 2 more"
    with book.act("correct", WHO) as act:
        find(book, act.session, plate[0]).dummy = True
    assert seen(book, plate[2]).programme == f"programme 'short': {wanted()}"
    assert wanted() == "tensile 3 more, shear 2 more"


@pytest.mark.usefixtures("plate")
def test_a_spool_has_no_programme_line(book: Book) -> None:
    """A programme is for pieces."""
    assert seen(book, "S0001-R").programme == ""


@pytest.mark.parametrize(
    ("done_on", "late"), [("2026-01-30", True), ("2026-02-03", False), ("2026-02-14", False)]
)
def test_a_calibration_falls_due_as_the_benchs_day_begins(book: Book, done_on: str, late: bool) -> None:
    """Thirty days after it was done, at the bench's midnight and not at Greenwich's; two weeks ahead."""
    book.zone = ZoneInfo("America/New_York")
    rig = a_rig(book, recalibrate_days="30")
    calibrate(book, WHO, rig, {"uncertainty": "2 N", "done_on": done_on})
    (item,) = due(book)

    begins = dt.datetime.fromisoformat(done_on).replace(tzinfo=book.zone) + dt.timedelta(days=30)
    assert (item.id, item.late) == (rig, late)
    assert item.at == begins.astimezone(dt.UTC)
    assert item.at is not None
    assert item.at.hour != 0


def test_a_calibration_far_ahead_is_not_due_yet(book: Book) -> None:
    """More than two weeks before its day nobody is told of it."""
    rig = a_rig(book, recalibrate_days="30")
    calibrate(book, WHO, rig, {"uncertainty": "2 N", "done_on": "2026-02-20"})

    assert due(book) == []
