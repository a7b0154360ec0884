"""Fixtures of this room."""

from __future__ import annotations

from typing import Any

import pytest

from tests.lineage.scene import Scene, build
from tracker.book import Book
from tracker.trace import trace


@pytest.fixture
def scene(book: Book) -> Scene:
    """Fill the book with one complete way, on each database in turn."""
    return build(book)


@pytest.fixture
def traced(book: Book, scene: Scene) -> dict[str, Any]:
    """Give the JSON of the trace of the scene's measurement."""
    del scene
    return trace(book, "M0001-Y").as_json()
