"""Fixtures of this room."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.conftest import BenchClock
from tests.databases import Kept, Places
from tests.lineage.scene import Scene, build
from tracker.book import Book, open_book


def _built(place: str) -> dt.datetime:
    """Fill the book of a place with the scene, and return the moment it is then."""
    clock = BenchClock()
    with open_book(place, clock) as book:
        build(book)
    return clock.at


@pytest.fixture
def book_place(
    request: pytest.FixtureRequest, places: Places, kind: str, kept: Kept, clock: BenchClock
) -> str:
    """Give a place where an empty book is, or one with the scene for a test that has it."""
    if "scene" not in request.fixturenames:
        return places.fresh(kind)
    place, clock.at = kept.copied(kind, _built, places)
    return place


@pytest.fixture
def scene(book: Book) -> Scene:
    """Give a book with one complete way, on each database in turn."""
    del book
    return Scene()
