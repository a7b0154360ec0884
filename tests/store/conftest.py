"""Fixtures of this room."""

from __future__ import annotations

from typing import Any

import pytest

from tests.books import Filled, fill
from tests.conftest import begun_with
from tracker.book import Book

book_place = begun_with(filled_once=fill)


@pytest.fixture
def filled_once(book: Book, begun: dict[str, Any]) -> Filled:
    """Give a book with one row or more of every kind, on each database in turn: filled once, and copied."""
    del book
    filled: Filled = begun["filled_once"]
    return filled
