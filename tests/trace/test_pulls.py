"""Traces of a real tester's imported pulls. Skipped where the pulls are absent."""

from __future__ import annotations

import pytest

from tests.databases import Kept, Places
from tests.desk.importing.test_pulls import bring_in
from tracker.book import Book
from tracker.ids import measurement_id
from tracker.trace import trace


@pytest.fixture
def book_place(places: Places, kind: str, kept: Kept) -> str:
    """Give the place of a book with the pulls: brought in once a session, and copied."""
    return kept.copied(kind, bring_in, places)[0]


def test_no_imported_number_is_a_dead_end(book: Book) -> None:
    """Every one of the 254 measurements leads to its material, line and sheet, gaps named."""
    for number in range(1, 255):
        found = trace(book, measurement_id(number)).as_json()

        assert found["material"]["name"]
        assert found["factors"] == [] or found["factors"][0]["source"] == f"pulls.csv line {number + 1}"
        assert found["journal"][0]["reason"].startswith("from pulls.csv (SHA-256 ")
        assert {"spools", "rig", "job.plate_sha256"} <= set(found["not_recorded"])


def test_the_number_can_be_rebuilt_from_the_trace(book: Book) -> None:
    """The recording named by the trace, divided by the area in it, gives the number again."""
    from tracker.api import Recording, read_curve  # noqa: PLC0415 - numpy comes with it

    found = trace(book, measurement_id(1)).as_json()
    file = found["files"][0]
    curve = read_curve(Recording(file["name"], book.files.get(file["sha256"])))

    assert found["number"]["value"] == pytest.approx(
        float(curve.force_n.max()) / found["readings"]["area"], rel=1e-12
    )
