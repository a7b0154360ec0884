"""People: in a book that has some, whoever does something is one of them."""

from __future__ import annotations

import pytest

from tests.desk.bench import WHO
from tracker.book import Book
from tracker.desk.entering import add_record
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.kinds.person import known_person


def add(book: Book, initials: str, name: str, **more: str) -> str:
    """Enter a person."""
    return add_record(book, WHO, "person", {"initials": initials, "name": name, **more}).id


def test_a_book_without_people_takes_any_name(book: Book) -> None:
    """They are entered when somebody wants them told apart."""
    assert known_person(book, "whoever") == "whoever"


@pytest.mark.parametrize("typed", ["ab", "Ada Bench", "ada bench", "Tester 1"])
def test_people_go_by_initials_name_or_pseudonym(book: Book, typed: str) -> None:
    """The journal has the full name, whatever was typed."""
    add(book, "AB", "Ada Bench", pseudonym="Tester 1")
    assert known_person(book, typed) == "Ada Bench"


def test_nobody_of_that_name_is_refused_with_those_there_are(book: Book) -> None:
    """Near ones first."""
    add(book, "AB", "Ada Bench")
    add(book, "BH", "Bo Helper")
    with pytest.raises(
        Refused, match=r"Nobody here is called 'Ada Bnech'.*Did you mean Ada Bench.*BH Bo Helper"
    ):
        known_person(book, "Ada Bnech")


@pytest.mark.parametrize(("initials", "name"), [("ab", "Another One"), ("XY", "ada bench")])
def test_initials_and_names_are_held_apart(book: Book, initials: str, name: str) -> None:
    """Else nobody could say who was meant."""
    add(book, "AB", "Ada Bench")
    with pytest.raises(FormError, match="already"):
        add(book, initials, name)
