"""Jobs: pieces on a plate, another attempt, changes by hand, the end."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from tests.conftest import BenchClock
from tests.desk.bench import WHO, a_job, a_material, a_spool, at, entries, row_of
from tests.platefile.builder import TWO, boxes, text
from tracker.book import Book
from tracker.desk import jobplates
from tracker.desk.jobplates import PieceWanted, PlateFile, feeds, read_piece
from tracker.desk.jobs import add_job, change_setting, end_job, last_value, offered_end, read_assignment
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.ids import specimen_id
from tracker.kinds import find
from tracker.model import SettingChange

STARTED: dict[str, Any] = {"started_at": "2026-03-02 07:00"}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("bar:ZXY:5", PieceWanted("bar", "ZXY", 5)),
        ("bar:upright", PieceWanted("bar", "ZXY", 1)),
        ("bar::3", PieceWanted("bar", None, 3)),
        ("bar", PieceWanted("bar", None, 1)),
        (" long bar : on edge : 2 ", PieceWanted("long bar", "XZY", 2)),
    ],
)
def test_pieces_as_they_are_typed(text: str, wanted: PieceWanted) -> None:
    """Name, orientation in letters or words, and how many."""
    assert read_piece(text) == wanted


@pytest.mark.parametrize(
    "text", ["", ":ZXY:1", "bar:ZXY:0", "bar:ZXY:-1", "bar:ZXY:1000", "a:X:1:2", "bar:X:two"]
)
def test_pieces_that_are_none_are_refused(text: str) -> None:
    """The form they have is in the refusal."""
    with pytest.raises(FormError, match="NAME:ORIENTATION:COUNT"):
        read_piece(text)


@given(st.text(max_size=30))
def test_any_text_is_pieces_or_refused(text: str) -> None:
    """Nothing but a piece or a refusal comes of what is typed."""
    try:
        wanted = read_piece(text)
    except Refused:
        return
    assert wanted.name
    assert 1 <= wanted.count <= 999


def test_pieces_are_numbered_in_the_order_they_were_given(book: Book) -> None:
    """Three bars, then two cubes: pieces 1 to 5."""
    done = a_job(book, "bar:ZXY:3", "cube:XYZ:2")
    names = [(each.piece, each.name) for each in row_of(book, done.id).specimens]
    assert names == [(1, "bar"), (2, "bar"), (3, "bar"), (4, "cube"), (5, "cube")]
    assert done.also == [specimen_id(1, number) for number in range(1, 6)]


def test_more_pieces_than_a_plate_holds_are_refused(book: Book) -> None:
    """A count with a digit too many is caught."""
    with pytest.raises(FormError, match="1200 pieces"):
        a_job(book, "bar:X:600", "cube:X:600")


def test_a_job_needs_a_spool_or_a_material(book: Book) -> None:
    """What it was printed from is the first question of every number."""
    with pytest.raises(FormError, match="--spool"):
        add_job(book, WHO, {})


def test_a_job_of_a_material_whose_spool_is_not_known(book: Book) -> None:
    """The material alone is better than nothing."""
    a_material(book)
    done = add_job(book, WHO, {}, material="nordlicht asa")
    assert (row_of(book, done.id).material.name, done.notes) == ("Nordlicht ASA", ["It has no pieces yet."])


def test_spools_take_the_tools_in_their_order(book: Book) -> None:
    """The first spool is in tool 0."""
    a_material(book)
    first, second = a_spool(book), a_spool(book)
    row = row_of(book, a_job(book, spools=(second, first)).id)
    assert {each.spool_id: each.tool for each in row.spools} == {2: 0, 1: 1}


def test_a_spool_is_in_one_tool(book: Book) -> None:
    """Named twice is a slip."""
    a_material(book)
    spool = a_spool(book)
    with pytest.raises(FormError, match="named twice"):
        a_job(book, spools=(spool, spool))


def test_meant_and_measured_are_kept_apart(book: Book) -> None:
    """What was set and what was read are two columns."""
    row = row_of(book, a_job(book, chamber_set_c=60, chamber_measured_c="131 °F").id)
    assert (row.chamber_set_c, row.chamber_measured_c) == (60.0, pytest.approx(55.0))


def test_a_job_that_was_started_is_running(book: Book) -> None:
    """Without a start it has not begun."""
    assert [row_of(book, a_job(book, **STARTED).id).outcome] == ["running"]


def test_a_job_not_yet_started_has_no_outcome(book: Book) -> None:
    """A planned job is neither running nor ended."""
    assert row_of(book, a_job(book, planned_at="2030-01-01").id).outcome is None


def test_the_plate_file_is_kept_whole(book: Book, tmp_path: Path) -> None:
    """Every byte that went to the printer is there to be read again."""
    sent = tmp_path / "plate.gcode"
    sent.write_bytes(text([*boxes(TWO), "; \xe4\r"]) + b"; \xff")
    a_material(book)
    done = add_job(book, WHO, {}, material="Nordlicht ASA", plate=PlateFile.read(sent))
    row = row_of(book, done.id)
    assert (row.plate_name, book.files.get(row.plate_sha256)) == ("plate.gcode", sent.read_bytes())


def test_an_empty_plate_file_is_refused(tmp_path: Path) -> None:
    """A file of nothing is a transfer that failed."""
    (tmp_path / "plate.gcode").touch()
    with pytest.raises(FormError, match="is empty"):
        PlateFile.read(tmp_path / "plate.gcode")


@pytest.mark.parametrize(("name", "why"), [("absent.gcode", "cannot be read"), (".", "is a folder")])
def test_a_plate_file_that_cannot_be_read_is_refused(tmp_path: Path, name: str, why: str) -> None:
    """The path and the reason are reported."""
    with pytest.raises(Refused, match=why):
        PlateFile.read(tmp_path / name)


def test_another_attempt_takes_over_what_is_not_given_again(book: Book) -> None:
    """Settings, spools, pieces and plate are those of the job before, but for what was changed."""
    first = a_job(book, "bar:ZXY:2", printer="box-1", chamber_set_c=60, nozzle_set_c=255)
    again = row_of(book, add_job(book, WHO, {"nozzle_set_c": 260}, again=first.id).id)
    assert (again.again_of_id, again.printer, again.chamber_set_c, again.nozzle_set_c) == (
        1,
        "box-1",
        60,
        260,
    )
    assert [(each.name, each.orientation, each.outcome) for each in again.specimens] == [
        ("bar", "ZXY", None)
    ] * 2
    assert [each.spool_id for each in again.spools] == [1]


def test_another_attempt_takes_over_nothing_that_was_measured(book: Book) -> None:
    """What was read during the first attempt says nothing of the second."""
    first = a_job(book, chamber_measured_c=55, operator="Ben", note="warped", **STARTED)
    again = row_of(book, add_job(book, WHO, {}, again=first.id).id)
    taken = (again.chamber_measured_c, again.operator, again.note, again.started_at)
    assert taken == (None, None, None, None)


def change(book: Book, job: str, assignment: str, **typed: Any) -> SettingChange:
    """Enter a change and return its row."""
    change_setting(book, WHO, job, assignment, typed)
    with book.read() as session:
        return session.scalars(select(SettingChange)).one()


def test_a_change_from_a_layer_on(book: Book) -> None:
    """A setting with a unit is a number, at a layer and at no time."""
    row = change(book, a_job(book, **STARTED).id, "fan=30 %", layer="40")
    assert (row.setting, row.value, row.text, row.layer, row.at) == ("fan", 30.0, None, 40, None)


def test_a_change_without_a_place_is_made_now(book: Book, clock: BenchClock) -> None:
    """Who types it at the printer means this moment."""
    row = change(book, a_job(book, **STARTED).id, "nozzle=265")
    assert row.at is not None
    assert abs((row.at - clock.at).total_seconds()) < 10


def test_a_change_at_two_places_is_refused(book: Book) -> None:
    """A layer and a height may contradict each other."""
    job = a_job(book, **STARTED).id
    with pytest.raises(FormError, match="layer and height_mm are both given"):
        change(book, job, "fan=30", layer="40", height_mm="8")


def test_a_change_before_the_job_began_is_refused(book: Book) -> None:
    """Both times stand in the refusal."""
    job = a_job(book, **STARTED).id
    with pytest.raises(FormError, match=r"at 2026-03-02 06:00, before it began at 2026-03-02 07:00"):
        change(book, job, "fan=30", at="2026-03-02 06:00")


def test_a_change_after_the_job_ended_is_refused(book: Book, clock: BenchClock) -> None:
    """Nothing is changed on a plate that is done."""
    job = a_job(book, **STARTED).id
    end_job(book, WHO, job, {"outcome": "finished", "ended_at": "2026-03-02 07:30"})
    clock.forward(hours=3)
    with pytest.raises(FormError, match=rf"2026-03-02 11:00 is after {job} ended \(2026-03-02 07:30\)"):
        change(book, job, "fan=30")


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("fan=30", ("fan", 30.0, None)),
        ("Nozzle = 500 °F", ("nozzle", pytest.approx(260.0), None)),
        ("retraction=0.8", ("retraction", 0.8, None)),
        ("first_layer=slow", ("first_layer", None, "slow")),
    ],
)
def test_settings_as_they_are_typed(typed: str, read: Any) -> None:
    """A number where there is one, words otherwise."""
    assert read_assignment(typed) == read


@pytest.mark.parametrize("typed", ["fan", "=30", "fan=", "", "fan=much", "nozzle=5 mm"])
def test_settings_that_are_none_are_refused(typed: str) -> None:
    """A setting whose unit is known takes a number in it."""
    with pytest.raises(FormError, match=r"is no setting|is not a (number|quantity in)"):
        read_assignment(typed)


def test_the_end_takes_what_was_measured_and_says_what_waits(book: Book) -> None:
    """After the end the pieces come off the bed."""
    done = a_job(book, "bar:X:2", **STARTED)
    ended = end_job(book, WHO, done.id, {"outcome": "finished", "chamber_measured_c": 55})
    row = row_of(book, done.id)
    assert (row.outcome, row.chamber_measured_c, row.ended_at is not None) == ("finished", 55.0, True)
    assert ended.notes == [f"2 pieces wait to come off the bed: strandbook offbed {done.id}"]


def test_the_end_needs_an_outcome(book: Book) -> None:
    """How it ended is the one thing that must be said."""
    job = a_job(book, **STARTED).id
    with pytest.raises(FormError, match="--outcome"):
        end_job(book, WHO, job, {})


def test_an_end_before_the_start_is_refused_and_changes_nothing(book: Book) -> None:
    """The job runs on as it did."""
    job, before = a_job(book, **STARTED).id, entries(book)
    with pytest.raises(FormError, match="before it began"):
        end_job(book, WHO, job, {"outcome": "finished", "ended_at": "2026-03-02 06:00"})
    assert (row_of(book, job).outcome, entries(book)) == ("running", before)


def test_a_start_in_the_future_is_refused(book: Book) -> None:
    """A job that starts tomorrow is planned, not started."""
    with pytest.raises(FormError, match="is in the future"):
        a_job(book, started_at="2026-03-05 08:00")


def test_the_last_printer_is_offered(book: Book) -> None:
    """The newest job that says one is asked."""
    a_job(book, printer="box-1")
    add_job(book, WHO, {}, material="Nordlicht ASA")
    with book.read() as session:
        assert last_value(session, "printer") == "box-1"


def test_times_are_stored_in_utc(book: Book) -> None:
    """The bench's zone is for the screen."""
    assert row_of(book, a_job(book, started_at="2026-03-02T08:30+02:00").id).started_at == at(
        "2026-03-02 06:30"
    )


def test_now_is_not_taken_for_the_end_of_a_job_long_over(book: Book) -> None:
    """Entered the next morning, the end has to be named; none at all can be said too."""
    job = a_job(book, started_at="2026-03-01 06:00").id
    with pytest.raises(FormError, match="when did it end") as caught:
        end_job(book, WHO, job, {"outcome": "finished"}, sure=True)
    assert set(caught.value.fields) == {"ended_at"}
    end_job(book, WHO, job, {"outcome": "finished", "ended_at": "-"})
    assert row_of(book, job).ended_at is None


def test_an_end_far_beyond_the_plate_s_own_time_is_asked_about(book: Book) -> None:
    """The plate says three hours: an end the day after is a slip, or is marked as meant."""
    job = a_job(book, started_at="2026-03-01 06:00").id
    with book.act("test", WHO) as act:
        find(book, act.session, job).time_s = 3 * 3600.0
    late = {"outcome": "finished", "ended_at": "2026-03-02 06:00"}
    with pytest.raises(Doubt, match="ended 24 h after it began; its plate file says 3 h"):
        end_job(book, WHO, job, late)
    end_job(book, WHO, job, late, sure=True)
    assert "its plate file says 3 h" in row_of(book, job).confirmed[0]


def test_two_spools_of_another_attempt_feed_what_those_of_the_first_fed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """They take over tools, pieces and grams in their order; nothing is read from the plate again."""
    before: list[Any] = [
        SimpleNamespace(tool=1, pieces=[1], filament_g=4.5, from_layer=None),
        SimpleNamespace(tool=3, pieces=[2], filament_g=2.5, from_layer=None),
    ]
    monkeypatch.setattr(jobplates, "spools_of_job", lambda _job: before)
    first, second, earlier = (SimpleNamespace() for _ in range(3))
    found = feeds(None, [first, second], earlier)  # type: ignore[list-item,arg-type]
    assert [(each.spool, each.tool, each.pieces, each.grams) for each in found] == [
        (first, 1, [1], 4.5),
        (second, 3, [2], 2.5),
    ]


def test_the_end_of_a_job_without_a_plan_is_offered_as_now(book: Book) -> None:
    """Nobody knows how long it should take, so it may just have ended."""
    assert offered_end(book, a_job(book).id) == "now"


def test_a_plate_file_gives_its_bytes_to_a_reader() -> None:
    """Not a function to be called: readers take bytes, or a copy at its start."""
    assert PlateFile("plate.gcode", b"G28").source == b"G28"
