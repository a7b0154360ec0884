"""What an act keeps, and how."""

from __future__ import annotations

import json

from sqlalchemy import select

from tests.books import add_in_bulk, add_material, fill
from tracker.book import Book, open_book
from tracker.model import JournalRecord, Material


def _bodies(book: Book) -> list[dict[str, object]]:
    with book.connect() as connection:
        return [
            json.loads(body)
            for body in connection.scalars(select(JournalRecord.body).order_by(JournalRecord.seq))
        ]


def test_a_filled_book_opens_again(book: Book, book_place: str) -> None:
    """A book that was filled and closed opens with the same code."""
    fill(book)
    book.close()

    with open_book(book_place) as again:
        assert again.code == book.code


def test_one_act_is_one_entry(book: Book) -> None:
    """One act adds one entry to the journal, numbered after the last."""
    before = _bodies(book)

    add_material(book)

    assert [entry["seq"] for entry in _bodies(book)] == [*(e["seq"] for e in before), len(before) + 1]


def test_bulk(book: Book) -> None:
    """A bulk import is one entry, whatever the number of rows."""
    before = len(_bodies(book))

    add_in_bulk(book, 250)

    assert len(_bodies(book)) == before + 1


def test_a_row_changed_twice_in_one_act_is_before_what_it_was_before_the_act(book: Book) -> None:
    """Flushed in between, it was something else for a while, which nobody ever saw."""
    fill(book)
    with book.act("correct", "Ada") as act:
        row = act.session.get_one(Material, 1)
        row.name = "for a while"
        act.session.flush()
        row.name = "in the end"
        seq = act.seq
    with book.read() as session:
        body = json.loads(session.get_one(JournalRecord, seq).body)
    (change,) = body["rows"]
    assert (change["before"]["name"], change["after"]["name"]) == ("Nordlicht ASA", "in the end")
    assert change["before"]["entry"] < seq
