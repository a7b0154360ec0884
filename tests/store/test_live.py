"""Rows that were taken back are seen by nobody who does not ask for them."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from tests.books import WHO, fill
from tracker.book import WITH_VOIDED, Book, with_voided
from tracker.model import Job, JobSpool, Measurement, Result, Specimen, Spool, Stay, spools_of_piece


@pytest.fixture
def voided(book: Book) -> Book:
    """Give a filled book whose second piece and only storage period were taken back."""
    fill(book)
    with book.act("void", WHO) as act:
        for model, number in ((Specimen, 2), (Stay, 1)):
            act.session.get_one(model, number).voided = act.seq
    return book


def test_a_session_does_not_see_them(voided: Book) -> None:
    """Neither asked for directly nor by way of the record they hang on."""
    with voided.read() as session:
        assert session.get(Specimen, 2) is None
        assert session.scalars(select(Stay)).all() == []
        assert [piece.piece for piece in session.get_one(Job, 1).specimens] == [1, 3, 4]


def test_a_connection_does_not_see_them(voided: Book) -> None:
    """Not in counts, joins or subqueries either."""
    counted = select(func.count()).select_from(Specimen)
    joined = select(Measurement.id, Specimen.id).outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    within = select(Spool.id, select(func.count(Stay.id)).scalar_subquery())
    with voided.connect() as connection:
        assert connection.execute(counted).scalar() == 3
        assert connection.execute(joined.order_by(Measurement.id)).all() == [(1, 1), (2, None)]
        assert connection.execute(within).all() == [(1, 0)]


def test_who_asks_for_them_sees_them(voided: Book) -> None:
    """By statement, or for a while."""
    counted = select(func.count()).select_from(Specimen)
    with voided.connect() as connection:
        assert connection.execute(counted, execution_options={WITH_VOIDED: True}).scalar() == 4
    with voided.read() as session:
        with with_voided(session):
            assert len(session.get_one(Job, 1).specimens) == 4
        assert session.scalar(select(func.count()).select_from(Result)) == 2
        assert session.scalar(counted) == 3


@pytest.mark.parametrize(
    ("links", "piece", "layers", "found"),
    [
        ([(1, 0, None, None)], 1, None, [1]),
        ([(2, 1, None, None), (1, 0, None, None)], 1, 40, [1, 2]),
        ([(1, 0, None, None), (2, 0, 10, None)], 1, 40, [2, 1]),
        ([(1, 0, None, None), (2, 0, 30, None)], 1, 40, [1, 2]),
        ([(1, 0, None, None), (2, 0, 41, None)], 1, 40, [1]),
        ([(1, 0, None, [1]), (2, 0, None, [2, 3])], 3, 40, [2]),
        ([(1, 0, None, [1])], 2, 40, []),
    ],
)
def test_the_spool_of_a_piece(
    links: list[tuple[int, int, int | None, list[int] | None]],
    piece: int,
    layers: int | None,
    found: list[int],
) -> None:
    """By piece, by tool, and by the layer at which another spool was put in."""
    rows = [JobSpool(spool_id=s, tool=t, from_layer=layer, pieces=of) for s, t, layer, of in links]
    assert [each.spool_id for each in spools_of_piece(rows, piece, layers)] == found
