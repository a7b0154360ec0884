"""What all tables share: naming of constraints, UTC times, JSON, the number of the last journal entry."""

import datetime as dt
from collections.abc import Iterable
from typing import Any, ClassVar, Final, TypeVar

from sqlalchemy import JSON, BigInteger, DateTime, Dialect, Integer, MetaData, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator, TypeEngine

from tracker.lazy_modules import lazy

_postgresql = lazy("sqlalchemy.dialects.postgresql")

SCHEMA: Final = "0013"
"""Revision that this code reads and writes; the newest one in ``tracker/migrations``."""

NAMES: Final = {
    "ix": "ix_%(column_0_N_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
"""Every constraint is named, so that a later migration can address it on both databases."""


def utc(moment: dt.datetime) -> dt.datetime:
    """Return a moment in UTC.

    Raises:
        ValueError: The moment has no zone; the store would have to guess one.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment} has no time zone")
    return moment.astimezone(dt.UTC)


class UtcTime(TypeDecorator[dt.datetime]):
    """A moment: UTC in the store, always with its zone in Python."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Store UTC.

        Raises:
            ValueError: The moment has no zone.
        """
        if value is None:
            return None
        moment = utc(value)
        # SQLite keeps text; a bare UTC text sorts and compares as it should.
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Give the zone back."""
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


class Document(TypeDecorator[Any]):
    """JSON; on PostgreSQL its binary form, whose dialect is loaded only there: it costs 30 ms."""

    impl = JSON
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Return the type of the database at hand."""
        if dialect.name != "postgresql":
            return dialect.type_descriptor(JSON(none_as_null=True))
        return dialect.type_descriptor(_postgresql.JSONB(none_as_null=True))


class Base(DeclarativeBase):
    """Base of all models."""

    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        dt.datetime: UtcTime(),
        str: Text(),
        # SQLite gives its quick row number only to a column typed INTEGER exactly, and that holds 64 bits
        # anyway.
        int: BigInteger().with_variant(Integer(), "sqlite"),
        # None means "not recorded" and must be SQL's NULL: JSON's own null would not be found by IS NULL.
        dict[str, Any]: Document(none_as_null=True),
        list[Any]: Document(none_as_null=True),
    }


class Entered:
    """Mixin of every table whose rows are written by acts.

    ``entry`` is the number of the journal entry that last wrote the row. The entry holds the row
    as it was before, with *its* ``entry``: so the history of a row is a walk from entry to entry.
    """

    entry: Mapped[int] = mapped_column()


class Voidable(Entered):
    """Mixin of rows that can be taken back; the row stays, and counts nowhere.

    ``voided`` is the number of the journal entry that took it back: who, when and why stand there.
    Statements leave such rows out by themselves (:mod:`tracker.book.engines`).
    """

    voided: Mapped[int | None] = mapped_column()


Taken = TypeVar("Taken", bound=Voidable)


def live(rows: Iterable[Taken]) -> list[Taken]:
    """Return the rows that were not taken back."""
    return [row for row in rows if row.voided is None]


class Numbered(Voidable):
    """Mixin of rows that carry a number; it becomes their ID and is never used again."""

    # Given by the act and not by the database, whose sequences leave gaps after a rollback and on SQLite may
    # give a number twice; a label must never name two things.
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    confirmed: Mapped[list[Any] | None] = mapped_column()
    """What was asked about and confirmed when it was entered or corrected: a sentence each, never removed."""
