"""Off the bed: what became of each piece, with the words that are needed to understand it later."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import BenchClock
from tests.desk.bench import WHO, a_job, entries, row_of
from tracker.book import Book
from tracker.desk.offbed import PieceOutcome, read_outcomes, take_off
from tracker.forms import FormError
from tracker.ids import specimen_id


@pytest.fixture
def job(book: Book) -> str:
    """Give a job of three bars."""
    return a_job(book).id


def outcomes(book: Book, job: str) -> list[tuple[str | None, str | None, str | None]]:
    """Return outcome, remark and cause of each piece."""
    return [(each.outcome, each.remark, each.cause) for each in row_of(book, job).specimens]


def test_pieces_as_they_are_typed() -> None:
    """Ranges and single pieces, with the words after the sign."""
    said = read_outcomes("failed", "1-3, 7=came loose = warped")
    assert [each.piece for each in said] == [1, 2, 3, 7]
    assert {each.words for each in said} == {"came loose = warped"}


def test_the_next_pieces_after_a_comma_are_no_part_of_the_cause() -> None:
    """Each piece has its own cause; a comma and a number inside the words of one cause stay in it."""
    said = read_outcomes("failed", "5=came loose, 12 h in; 7-8,10=warped,17 = stringy")
    assert [(each.piece, each.words) for each in said] == [
        (5, "came loose, 12 h in"), (7, "warped"), (8, "warped"), (10, "warped"), (17, "stringy"),
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["", "a", "1-", "-3", "1;2", "1.5", "1234", "=why"])
def test_pieces_that_are_none_are_refused(text: str) -> None:
    """The form they have is in the refusal."""
    with pytest.raises(FormError, match="1-4,7"):
        read_outcomes("good", text)


def test_a_range_that_runs_backwards_is_refused(book: Book) -> None:
    """It would name no piece, and nobody would notice."""
    del book
    with pytest.raises(FormError, match="Write 3-5"):
        read_outcomes("good", "5-3")


@given(st.text(max_size=12))
def test_any_text_names_pieces_or_is_refused(text: str) -> None:
    """At least one piece, or a refusal."""
    try:
        said = read_outcomes("good", text)
    except FormError:
        return
    assert said


def test_outcomes_are_kept_with_remark_and_cause(book: Book, job: str) -> None:
    """A remark belongs to a usable piece, a cause to a failed one."""
    said = [PieceOutcome(1, "good"), PieceOutcome(2, "usable", "stringy"), PieceOutcome(3, "failed", "loose")]
    done = take_off(book, WHO, job, said)
    assert outcomes(book, job) == [
        ("good", None, None),
        ("usable", "stringy", None),
        ("failed", None, "loose"),
    ]
    assert done.also == [specimen_id(1, 1), specimen_id(1, 2)]


@pytest.mark.parametrize(("outcome", "asked"), [("failed", "but why"), ("usable", "what remark")])
def test_a_missing_cause_or_remark_is_asked_for(book: Book, job: str, outcome: str, asked: str) -> None:
    """A failure without a cause teaches nothing."""
    with pytest.raises(FormError, match=asked):
        take_off(book, WHO, job, [PieceOutcome(1, outcome)])


def test_nothing_is_kept_where_one_of_several_is_refused(book: Book, job: str) -> None:
    """All outcomes are one act."""
    before = entries(book)
    with pytest.raises(FormError, match="Piece 2 failed, but why"):
        take_off(book, WHO, job, [PieceOutcome(1, "good"), PieceOutcome(2, "failed")])
    assert (outcomes(book, job)[0][0], entries(book)) == (None, before)


def test_a_piece_that_is_not_on_the_plate_is_refused(book: Book, job: str) -> None:
    """The pieces that are on it are named."""
    with pytest.raises(FormError, match=r"has no piece 4, 9\. Its pieces are 1 to 3"):
        take_off(book, WHO, job, [PieceOutcome(9, "good"), PieceOutcome(4, "good")])


def test_a_piece_named_twice_is_refused(book: Book, job: str) -> None:
    """Good and failed at once is neither."""
    with pytest.raises(FormError, match="Piece 2 is named twice"):
        take_off(book, WHO, job, [PieceOutcome(2, "good"), PieceOutcome(2, "failed", "loose")])


def test_an_outcome_that_is_none_is_refused(book: Book, job: str) -> None:
    """There are three."""
    with pytest.raises(FormError, match="good, usable, failed"):
        take_off(book, WHO, job, [PieceOutcome(1, "splendid")])


def test_the_rest_is_good_when_that_is_given(book: Book, job: str) -> None:
    """Only pieces without an outcome are meant."""
    take_off(book, WHO, job, [PieceOutcome(2, "failed", "loose")])
    take_off(book, WHO, job, [], rest="good")
    assert [each[0] for each in outcomes(book, job)] == ["good", "failed", "good"]


def test_pieces_not_yet_judged_are_named(book: Book, job: str) -> None:
    """Half a plate may come off today."""
    done = take_off(book, WHO, job, [PieceOutcome(1, "good")])
    assert done.notes == [f"Without an outcome yet: {specimen_id(1, 2)}, {specimen_id(1, 3)}."]


@pytest.mark.parametrize("ended", ["20 h ago", ""])
def test_a_job_ends_when_that_is_entered_and_not_long_after_by_itself(
    book: Book, clock: BenchClock, ended: str
) -> None:
    """Taken off a day later nobody knows when it ended, unless somebody says when."""
    job = a_job(book, started_at="1 h ago").id
    clock.forward(hours=40)
    done = take_off(book, WHO, job, [PieceOutcome(n, "good") for n in (1, 2, 3)], end=True, ended=ended)
    row = row_of(book, job)
    if ended:
        assert row.outcome == "finished"
        assert (row.ended_at - row.started_at).total_seconds() == pytest.approx(21 * 3600, abs=60)
    else:
        assert row.outcome == "running"
        assert f"{job} still counts as running" in done.notes[0]


def test_a_job_that_may_just_have_ended_ends_now(book: Book) -> None:
    """Pieces come off the bed while the print is warm: that is when it ended."""
    job = a_job(book, started_at="2 h ago", planned_h="2").id
    done = take_off(book, WHO, job, [PieceOutcome(n, "good") for n in (1, 2, 3)], end=True)
    assert row_of(book, job).outcome == "finished"
    assert done.notes[0].startswith(f"{job} finished ")
