"""What verify finds, and what it lets pass."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest
from sqlalchemy import text

from tests.books import CURVE, Filled, add_in_bulk, add_material, fill
from tracker.book import Book
from tracker.model import Material, Measurement, Specimen
from tracker.verify import Finding, verify


def _change(book: Book, statement: str) -> None:
    """Write past the journal, as a slip of the hand in a database tool would."""
    with book.engine.begin() as connection:
        connection.execute(text(statement))


def _only(book: Book) -> Finding:
    findings = verify(book)
    assert len(findings.found) == 1, findings.lines()
    return findings.found[0]


@pytest.fixture
def filled(book: Book) -> Filled:
    """Fill the book."""
    return fill(book)


def test_a_filled_book_is_clean(book: Book, filled: Filled) -> None:
    """A book with a row of every kind is what its journal says."""
    assert verify(book).lines()[:-2] == []


def test_corrections_are_clean(book: Book, filled: Filled) -> None:
    """Rows changed by acts, twice over, are what their last entry says."""
    for note in ("warped", None):
        with book.act("amend", "Ben", reason="seen again") as act:
            act.session.get(Specimen, 2).note = note

    assert verify(book).clean


def test_bulk_is_clean(book: Book, filled: Filled) -> None:
    """Rows that came in bulk, and rows of them corrected later, are what the journal says."""
    add_in_bulk(book, 300)
    with book.act("amend", "Ben") as act:
        act.session.get(Specimen, 150).note = "bent"

    findings = verify(book)

    assert findings.clean, findings.lines()
    assert findings.counts["rows"] > 300


def test_a_changed_number(book: Book, filled: Filled) -> None:
    """A number changed past the journal is named with both values, the piece, and who entered it."""
    _change(book, "UPDATE specimen SET x_mm = 13.5 WHERE id = 3")

    finding = _only(book)

    assert finding.text == (
        "The specimen J0001-03-L is not as entry 5 (2026-03-02 08:00:04 UTC, Ada Bench, job add) left it: "
        "x_mm is 13.5, the journal says 37.5"
    ).replace("J0001-03-L", filled.specimens[2])
