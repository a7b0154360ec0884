"""Fixtures of this room."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.books import Filled, fill
from tests.conftest import BenchClock
from tests.databases import Kept, Places
from tracker.book import Book, open_book
from tracker.ids import measurement_id, specimen_id


def _filled(place: str) -> tuple[dt.datetime, Filled]:
    """Fill the book of a place; return the moment it is then, and what was put in."""
    clock = BenchClock()
    with open_book(place, clock) as book:
        told = fill(book)
    return clock.at, told


@pytest.fixture
def book_place(
    request: pytest.FixtureRequest, places: Places, kind: str, kept: Kept, clock: BenchClock
) -> str:
    """Give a place where an empty book is, or a filled one for a test that has it."""
    if "filled_once" not in request.fixturenames:
        return places.fresh(kind)
    place, (clock.at, told) = kept.copied(kind, _filled, places)
    assert told == FILLED
    return place


FILLED = Filled(
    specimens=tuple(specimen_id(1, piece) for piece in range(1, 5)),
    measurements=tuple(measurement_id(number) for number in (1, 2)),
)
"""What :func:`tests.books.fill` puts into an empty book."""


@pytest.fixture
def filled_once(book: Book) -> Filled:
    """Give a book with one row or more of every kind, on each database in turn: filled once, and copied."""
    del book
    return FILLED
