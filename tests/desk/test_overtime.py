"""Tests over days: a length typed at the clock's time is a reading of its own."""

from __future__ import annotations

from typing import Annotated, Any

import pytest
from sqlalchemy import select

from tests.conftest import BenchClock
from tests.desk.bench import WHO, a_piece
from tracker.api import Method, Reading, Readings
from tracker.book import Book
from tracker.desk.doubts import Doubt
from tracker.desk.measuring import measure
from tracker.desk.overtime import _unit_s, append, running
from tracker.desk.voiding import undo
from tracker.forms import FormError
from tracker.kinds import card_of, find
from tracker.model import JournalRecord
from tracker.plugins import Plugged, load

HUNG = {"force": "280", "width": "10", "thickness": "4", "reference_length": "80"}


@pytest.fixture(scope="module")
def plugged() -> Plugged:
    """Give the methods."""
    return load()


@pytest.fixture
def hanging(book: Book, plugged: Plugged) -> tuple[str, str]:
    """Give a specimen under load and the ID of its measurement."""
    piece = a_piece(book)
    return piece, measure(book, WHO, plugged, piece, "creep", HUNG).id


def _series(book: Book, measurement: str) -> list[list[float]]:
    with book.read() as session:
        return list(find(book, session, measurement, "measurement").readings["series"])


def test_the_clock_gives_the_time_of_a_reading(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """An hour and a day after the load was put on."""
    piece, test = hanging
    clock.forward(hours=1)
    append(book, WHO, plugged, piece, ["80.36"])
    clock.forward(hours=23)
    done = append(book, "Ben", plugged, piece, ["80,39"])
    series = _series(book, test)
    assert [entry[0] for entry in series] == pytest.approx([1, 24], abs=0.01)
    assert [entry[1] for entry in series] == [80.36, 80.39]
    strains = {each.quantity: each.value for each in done.results}
    assert strains["creep.strain_24h"] == pytest.approx(100 * 0.39 / 80)


def test_who_read_is_in_the_journal(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """Each reading is an act of its own."""
    piece, _ = hanging
    clock.forward(hours=1)
    append(book, "Ben", plugged, piece, ["80.36"])
    with book.read() as session:
        last = session.scalars(select(JournalRecord).order_by(JournalRecord.seq.desc())).first()
        assert last is not None
        assert (last.who, last.act) == ("Ben", "append")


def test_a_time_that_was_given_is_taken(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """Typed in the evening, read in the morning."""
    piece, test = hanging
    clock.forward(hours=10)
    append(book, WHO, plugged, piece, ["80.36"], at="4 h ago")
    assert _series(book, test)[0][0] == pytest.approx(6, abs=0.01)


def test_a_reading_before_the_last_one_is_asked_about(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """It is put into its place where it is meant, and the start does not move."""
    piece, test = hanging
    clock.forward(hours=10)
    append(book, WHO, plugged, piece, ["80.40"])
    with pytest.raises(Doubt, match="before the last reading"):
        append(book, WHO, plugged, piece, ["80.36"], at="4 h ago")
    append(book, WHO, plugged, piece, ["80.36"], at="4 h ago", sure=True)
    assert [round(entry[0]) for entry in _series(book, test)] == [6, 10]
    clock.forward(hours=10)
    append(book, WHO, plugged, piece, ["80.42"])
    assert [round(entry[0]) for entry in _series(book, test)] == [6, 10, 20]


def test_a_value_that_the_readings_do_not_lead_to_is_asked_about(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """A slip of a digit or of the unit; what creeps on by its law over a long time is taken as it is."""
    piece, test = hanging
    lengths = {1: "80.36", 2: "80.369", 24: "80.41", 72: "80.44", 168: "80.46"}
    for before, (hours, length) in zip([0, *lengths], lengths.items(), strict=False):
        clock.forward(hours=hours - before)
        for slip in {1: (), 2: ("8.0369",)}.get(hours, (length.replace("80.", "81."), length[:2] + "4.0")):
            with pytest.raises(Doubt, match=r"length_mm .* where (it was 80|the \d before lie at 80)"):
                append(book, WHO, plugged, piece, [slip])
        append(book, WHO, plugged, piece, [length])
    append(book, WHO, plugged, piece, ["81.46"], sure=True)
    assert [each[1] for each in _series(book, test)] == [*map(float, lengths.values()), 81.46]


def test_a_reading_before_the_start_is_refused(
    book: Book, plugged: Plugged, hanging: tuple[str, str]
) -> None:
    """Nothing hung there then."""
    with pytest.raises(FormError, match="before M0001"):
        append(book, WHO, plugged, hanging[0], ["80.36"], at="4 h ago")


def test_a_specimen_that_is_in_no_test_says_how_to_begin_one(book: Book, plugged: Plugged) -> None:
    """With the methods that run over time."""
    with pytest.raises(FormError, match=r"methods over time are .*creep"):
        append(book, WHO, plugged, a_piece(book), ["80.36"])


def test_a_missing_part_is_refused_with_what_is_read(
    book: Book, plugged: Plugged, hanging: tuple[str, str]
) -> None:
    """Nothing is stored."""
    with pytest.raises(FormError, match=r"length_mm \[mm\]"):
        append(book, WHO, plugged, hanging[0], [])


def test_what_runs_on_a_specimen_is_reported(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """Since when, how many readings, and what is read."""
    piece, test = hanging
    clock.forward(hours=1)
    append(book, WHO, plugged, test, ["80.36"])
    (found,) = running(book, plugged, piece)
    assert (found.id, found.subject, found.count, found.parts) == (test, piece, 1, (("length_mm", "mm"),))


def test_of_two_tests_that_follow_each_other_the_later_one_hangs(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """A reading on the specimen belongs to the test that was begun last."""
    piece, first = hanging
    clock.forward(hours=30)
    second = measure(book, WHO, plugged, piece, "creep", HUNG, sure=True).id
    clock.forward(hours=1)
    append(book, WHO, plugged, piece, ["80.36"])
    assert (len(_series(book, first)), len(_series(book, second))) == (0, 1)


def test_each_reading_is_shown_with_its_own_time_and_reader(
    book: Book, plugged: Plugged, clock: BenchClock, hanging: tuple[str, str]
) -> None:
    """One that was undone is not told again."""
    piece, test = hanging
    clock.forward(hours=2)
    append(book, WHO, plugged, piece, ["80.36"])
    clock.forward(hours=3)
    append(book, "Ben", plugged, piece, ["80.39"])
    append(book, "Ben", plugged, piece, ["83.9"], sure=True)
    undo(book, "Ben", plugged, sure=True)
    with book.read() as session:
        card = card_of(session, find(book, session, test, "measurement"), book.zone)
    assert [(row["series"], row["by"]) for row in card.data["added"]] == [("80.36", WHO), ("80.39", "Ben")]
    assert card.tables[0].rows[0][0] == "2026-03-02 10:00"


def test_what_has_no_value_yet_is_reported_in_one_line(
    book: Book, plugged: Plugged, hanging: tuple[str, str]
) -> None:
    """A test just begun names its quantities and what they all wait for; the reason of each is kept."""
    piece, test = hanging
    done = append(book, WHO, plugged, piece, ["80.30"])
    told = [each for each in done.notes if "creep." in each]
    assert len(told) == 1
    assert "creep.strain_1h, creep.strain_24h" in told[0]
    assert told[0].count("Findley's law wants") == 1
    assert f"shown with {test}" in told[0]
    assert all(each.refused for each in done.results if each.value is None)


class _Hours(Readings):
    series: Annotated[list[tuple[float, float]], Reading(columns=("at", "length"), units=("h", "mm"))]


class _Minutes(Readings):
    series: Annotated[list[tuple[float, float]], Reading(columns=("at", "length"), units=("min", "mm"))]


class _Seconds(Readings):
    series: Annotated[list[tuple[float, float]], Reading(columns=("at", "length"), units=("s", "mm"))]


class _Days(Readings):
    series: Annotated[list[tuple[float, float]], Reading(columns=("at", "length"), units=("d", "mm"))]


@pytest.mark.parametrize(
    ("readings", "seconds"), [(_Seconds, 1), (_Minutes, 60), (_Hours, 3600), (_Days, 86400)]
)
def test_the_unit_of_a_series_in_seconds(readings: type[Readings], seconds: int) -> None:
    """A method states in which unit its series counts time: seconds, minutes, hours or days (SI brochure)."""

    class Hanging(Method):
        """A test over time in the unit at hand."""

        Readings = readings
        over_time = "series"

        def compute(self, readings: Any, piece: Any) -> Any:
            """Compute nothing."""
            del readings, piece
            return ()

    assert _unit_s(Hanging()) == seconds
