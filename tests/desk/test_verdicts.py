"""Verdicts: counted or set aside, always with a reason, never deleted."""

from __future__ import annotations

import pytest

from tests.desk.bench import WHO, a_piece, a_pull, last_entry, row_of
from tracker.book import Book
from tracker.desk.voiding import judge
from tracker.forms import FormError


def test_a_result_set_aside_keeps_its_value(book: Book) -> None:
    """It leaves the mean, not the book."""
    pull = a_pull(book, a_piece(book))
    done = judge(book, WHO, pull.id, counted=False, reason="slipped  in\nthe grips")
    result = row_of(book, pull.id).results[0]
    assert (result.counted, result.value) == (False, pytest.approx(45.75))
    assert [(each.reason, each.by) for each in result.verdicts] == [("slipped in the grips", WHO)]
    assert done.notes == ["tensile.strength set aside."]


def test_a_verdict_can_be_taken_back_and_both_stay(book: Book) -> None:
    """The newest holds; the older one can be read for ever."""
    pull = a_pull(book, a_piece(book))
    judge(book, WHO, pull.id, counted=False, reason="slipped")
    judge(book, "Ben", pull.id, counted=True, reason="it did not, see the film")
    result = row_of(book, pull.id).results[0]
    assert (result.counted, [each.counted for each in result.verdicts]) == (True, [False, True])


@pytest.mark.parametrize("reason", ["", "  "])
def test_a_verdict_needs_a_reason(book: Book, reason: str) -> None:
    """Nothing is set aside because it does not please."""
    pull = a_pull(book, a_piece(book))
    with pytest.raises(FormError, match="--reason"):
        judge(book, WHO, pull.id, counted=False, reason=reason)


def test_what_has_no_value_cannot_be_counted(book: Book) -> None:
    """The reason for having none is told."""
    pull = a_pull(book, a_piece(book), {"max_force": "1830"}, incomplete=True)
    with pytest.raises(FormError, match="no value to count: no section"):
        judge(book, WHO, pull.id, counted=True, reason="why not", quantity="tensile.strength")


def test_a_result_that_is_not_there_is_refused_with_those_that_are(book: Book) -> None:
    """The quantities of the measurement are named."""
    pull = a_pull(book, a_piece(book))
    with pytest.raises(FormError, match=r"has no tensile\.torque\. It has tensile\.strength"):
        judge(book, WHO, pull.id, counted=False, reason="x", quantity="tensile.torque")


def test_the_reason_is_in_the_journal(book: Book) -> None:
    """The entry says why."""
    pull = a_pull(book, a_piece(book))
    judge(book, WHO, pull.id, counted=False, reason="slipped")
    assert '"reason":"slipped"' in last_entry(book).body
