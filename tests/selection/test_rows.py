"""Results with what they came from."""

from __future__ import annotations

import pytest

from tests.conftest import begun_with
from tests.desk.bench import WHO, a_job, a_pull
from tracker.book import Book
from tracker.desk.voiding import judge
from tracker.selection import parse_filter, result_rows, selected


def _pulled(book: Book) -> None:
    pieces = a_job(book, "bar:ZXY:2", name="plate one").also
    a_pull(book, pieces[0])
    second = a_pull(book, pieces[1], {"max_force": "1000", "area": "40"})
    judge(book, WHO, second.id, counted=False, reason="slipped", quantity="tensile.strength")


book_place = begun_with(pulled=_pulled)


@pytest.fixture
def pulled(book: Book) -> Book:
    """Give a book with two pulled pieces of one job, one of them set aside."""
    return book


def test_a_result_knows_its_piece_plate_and_material(pulled: Book) -> None:
    """One statement brings what a table and a filter need."""
    with pulled.connect() as connection:
        row = result_rows(connection, quantities=["tensile.strength"])[0]

    assert (row.material, row.orientation) == ("Nordlicht ASA", "ZXY")
    assert (row.job, row.job_name) == ("J0001-J", "plate one")
    assert row.value == pytest.approx(45.75)


def test_only_the_quantities_asked_for_come(pulled: Book) -> None:
    """A question about strength does not read the rest."""
    with pulled.connect() as connection:
        found = {row.quantity for row in result_rows(connection, quantities=["tensile.strength"])}

    assert found == {"tensile.strength"}


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("counted=yes", 1), ("counted=no", 1), ("job=J0001-J", 2), ('job="plate one"', 2),
        ("job!=J0001-J", 0), ("material='nordlicht asa' value>30", 1), ("orientation=XYZ", 0),
        ("orientation=Z", 2), ("orientation=upright", 2), ("orientation!=Z", 0),
    ],
)  # fmt: skip
def test_a_filter_selects(pulled: Book, text: str, count: int) -> None:
    """A job is named by its ID or its name; values and verdicts can be asked for."""
    with pulled.connect() as connection:
        rows = result_rows(connection, quantities=["tensile.strength"])

    assert len(selected(rows, parse_filter(text))) == count
