"""Rows that were taken back are seen by nobody who does not ask for them."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from tests.books import WHO, fill
from tracker.book import WITH_VOIDED, Book, with_voided
from tracker.model import Job, Measurement, Result, Specimen, Spool, StoragePeriod


@pytest.fixture
def voided(book: Book) -> Book:
    """Give a filled book whose second piece and only storage period were taken back."""
    fill(book)
    with book.act("void", WHO) as act:
        for model, number in ((Specimen, 2), (StoragePeriod, 1)):
            act.session.get_one(model, number).voided = act.seq
    return book


def test_a_session_does_not_see_them(voided: Book) -> None:
    """Neither asked for directly nor by way of the record they hang on."""
    with voided.read() as session:
        assert session.get(Specimen, 2) is None
        assert session.scalars(select(StoragePeriod)).all() == []
        assert [piece.piece for piece in session.get_one(Job, 1).specimens] == [1, 3, 4]


def test_a_connection_does_not_see_them(voided: Book) -> None:
    """Not in counts, joins or subqueries either."""
    counted = select(func.count()).select_from(Specimen)
    joined = select(Measurement.id, Specimen.id).outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    within = select(Spool.id, select(func.count(StoragePeriod.id)).scalar_subquery())
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
