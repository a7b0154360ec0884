"""What is published: conditions that stand for materials, answers to numbers, results of other benches."""

import datetime as dt
from typing import Any

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, relationship

from tracker.model.base import Base, Numbered, column


class Choice(Base, Numbered):
    """Which condition of a material is published for a quantity; the newest choice holds."""

    __tablename__ = "choice"

    material_id: Mapped[int] = column(ForeignKey("material.id"), index=True)
    quantity: Mapped[str | None]
    """None: for every quantity of the material."""
    condition: Mapped[dict[str, Any]]
    """Factors and values that tell the chosen condition from the others."""
    remark: Mapped[str | None]
    reason: Mapped[str]
    by: Mapped[str]
    at: Mapped[dt.datetime]


class Dispute(Base, Numbered):
    """An answer to a number, published beside it: a maker's, a reader's, or the bench's own reply."""

    __tablename__ = "dispute"

    measurement_id: Mapped[int | None] = column(ForeignKey("measurement.id"), index=True)
    material_id: Mapped[int | None] = column(ForeignKey("material.id"), index=True)
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

    results: Mapped[list["OtherResult"]] = relationship("OtherResult", order_by="OtherResult.id")


class OtherResult(Base, Numbered):
    """A result that another bench published, with its own IDs."""

    __tablename__ = "other_result"
    __table_args__ = (
        UniqueConstraint("bench_id", "measurement", "quantity"),
        Index(None, "quantity"),
    )

    bench_id: Mapped[int] = column(ForeignKey("other_bench.id"))
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
    relation: Mapped[str] = column(default="=")
    counted: Mapped[bool]
    factors: Mapped[dict[str, Any] | None]
    """Factors of the specimen by name: a number in the unit its name ends in, or a word."""
