"""Fixtures of this room."""

from __future__ import annotations

import pytest

from tests.conftest import begun_with
from tests.lineage.scene import Scene, build
from tracker.book import Book

book_place = begun_with(scene=build)


@pytest.fixture
def scene(book: Book) -> Scene:
    """Give a book with one complete way, on each database in turn."""
    del book
    return Scene()
