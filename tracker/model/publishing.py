"""What comes back from outside: answers to published numbers, and what other benches published."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from tracker.model.base import Base, Numbered


class Dispute(Base, Numbered):
    """An answer to a number, published beside it: a maker's, a reader's, or the bench's own reply."""

    __tablename__ = "dispute"

    measurement_id: Mapped[int | None] = mapped_column(ForeignKey("measurement.id"), index=True)
    material_id: Mapped[int | None] = mapped_column(ForeignKey("material.id"), index=True)
    text: Mapped[str]
    by: Mapped[str]
    """Who answers, as it is to be published."""
    address: Mapped[str | None]
    """Where more is said; a URL."""
    at: Mapped[dt.datetime]


class OtherBench(Base, Numbered):
    """Another bench, by the code of its book; its results are never mixed with ours unasked."""

    __tablename__ = "other_bench"
    __table_args__ = (UniqueConstraint("code"),)

    code: Mapped[str]
    title: Mapped[str | None]
    author: Mapped[str | None]
    licence: Mapped[str | None]
    address: Mapped[str | None]
    version: Mapped[str | None]
    """Of the site that was imported last: the date it states."""

    results: Mapped[list[OtherResult]] = relationship(back_populates="bench", order_by="OtherResult.id")


class OtherResult(Base, Numbered):
    """A result that another bench published, with its own IDs."""

    __tablename__ = "other_result"
    __table_args__ = (
        UniqueConstraint("bench_id", "measurement", "quantity"),
        Index(None, "quantity"),
    )

    bench_id: Mapped[int] = mapped_column(ForeignKey("other_bench.id"))
    measurement: Mapped[str]
    specimen: Mapped[str | None]
    job: Mapped[str | None]
    material: Mapped[str | None]
    family: Mapped[str | None]
    orientation: Mapped[str | None]
    method: Mapped[str]
    method_version: Mapped[str | None]
    quantity: Mapped[str]
    value: Mapped[float | None]
    unit: Mapped[str]
    uncertainty: Mapped[float | None]
    relation: Mapped[str] = mapped_column(default="=")
    counted: Mapped[bool]
    factors: Mapped[dict[str, Any] | None]
    """Factors of the specimen by name: a number in the unit its name ends in, or a word."""

    bench: Mapped[OtherBench] = relationship(back_populates="results")
