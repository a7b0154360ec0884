"""Fixtures of this room."""

from __future__ import annotations

from typing import Any

import pytest

from tests.lineage.conftest import book_place, scene
from tests.lineage.scene import Scene
from tracker.book import Book
from tracker.trace import trace

__all__ = ["book_place", "scene"]


@pytest.fixture
def traced(book: Book, scene: Scene) -> dict[str, Any]:
    """Give the JSON of the trace of the scene's measurement."""
    del scene
    return trace(book, "M0001-Y").as_json()
