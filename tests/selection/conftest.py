"""Fixtures of this room."""

from __future__ import annotations

import datetime as dt
import random

import pytest
from sqlalchemy import select

from tests.conftest import begun_with
from tests.factors.test_kept import WHO, random_book
from tracker.book import Book
from tracker.model import FactorRecord, Measurement, MeasurementRig, Result, Rig, Specimen, Spool


def _tested(book: Book) -> None:
    random_book(book, 21, 60)
    draw = random.Random(8)
    with book.act("measure", WHO) as act:
        act.session.add_all([Rig(name="rig one", role="rig"), Rig(name="rig two", role="rig")])
        act.session.flush()
        pieces = list(act.session.scalars(select(Specimen.id)))
        for piece, (number, text) in zip(pieces, [(45.0, None), (None, "left"), (44.0, None)], strict=False):
            if act.session.get(FactorRecord, (piece, "infill_pct")) is None:
                act.session.add(
                    FactorRecord(
                        specimen_id=piece,
                        name="infill_pct",
                        number=number,
                        text=text,
                        basis="typed",
                        source="",
                    )
                )
        spools = list(act.session.scalars(select(Spool.id)))
        for number in range(1, 60):
            of_spool = number % 10 == 0
            row = Measurement(
                specimen_id=None if of_spool else draw.choice(pieces),
                spool_id=draw.choice(spools) if of_spool else None,
                method=draw.choice(["tensile", "hardness"]), method_version=draw.choice([None, "1.0"]),
                operator=draw.choice([None, "Bo", "260"]), room_c=draw.choice([None, 22.0]),
                at=draw.choice([None, dt.datetime(2026, 3, 6, tzinfo=dt.UTC)]), source="typed",
            )  # fmt: skip
            act.session.add(row)
            act.session.flush()
            for rig in draw.sample([1, 2], draw.randint(0, 2)):
                act.session.add(MeasurementRig(measurement_id=row.id, rig_id=rig))
            for quantity in draw.sample(["tensile.strength", "hardness.shore"], draw.randint(0, 2)):
                value = draw.choice([None, 44.0, 50.0])
                act.session.add(
                    Result(
                        measurement_id=row.id,
                        quantity=quantity,
                        value=value,
                        unit="MPa",
                        relation="=",
                        remarks=[],
                        counted=draw.random() < 0.7,
                    )
                )


book_place = begun_with(tested=_tested)


@pytest.fixture
def tested(book: Book) -> Book:
    """Give a book of random acts with results of pieces and of spools."""
    return book
