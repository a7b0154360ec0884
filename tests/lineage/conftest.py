"""Fixtures of this room."""

from __future__ import annotations

import pytest

from tests.lineage.scene import Scene, build
from tracker.book import Book


@pytest.fixture
def scene(book: Book) -> Scene:
    """Fill the book with one complete way, on each database in turn."""
    return build(book)
