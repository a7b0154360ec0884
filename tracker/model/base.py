"""What all tables share: naming of constraints, UTC times, JSON, the number of the last journal entry."""

import datetime as dt
import inspect
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, ClassVar, Final, NamedTuple, TypeVar, cast

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Date,
    DateTime,
    Dialect,
    Double,
    Integer,
    MetaData,
    Table,
    Text,
)
from sqlalchemy import column as sql_column
from sqlalchemy.orm import Mapped, Relationship
from sqlalchemy.orm import registry as mapped_models
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


# None means "not recorded" and must be SQL's NULL: JSON's own null would not be found by IS NULL.
_DOCUMENT: Final = Document(none_as_null=True)
_PLAIN: Final[dict[Any, TypeEngine[Any]]] = {
    dt.datetime: UtcTime(),
    dt.date: Date(),
    str: Text(),
    float: Double(),
    bool: Boolean(),
    # SQLite gives its quick row number only to a column typed INTEGER exactly, and that holds 64 bits
    # anyway.
    int: BigInteger().with_variant(Integer(), "sqlite"),
    dict[str, Any]: _DOCUMENT,
    list[Any]: _DOCUMENT,
}
_TYPES: Final[dict[Any, tuple[TypeEngine[Any], bool]]] = {
    **{kind: (stored, False) for kind, stored in _PLAIN.items()},
    **{kind | None: (stored, True) for kind, stored in _PLAIN.items()},
}
"""What an annotation says of its column: the type that is stored, and whether it may be NULL."""


class _Column(NamedTuple):
    """What a column is beside its type: arguments of :class:`sqlalchemy.Column`."""

    rules: tuple[Any, ...]
    options: dict[str, Any]


_NOTHING: Final = _Column((), {})


def column(*rules: Any, **options: Any) -> Any:
    """Return what a model says of a column beside its type.

    Args:
        *rules: References to other tables.
        **options: ``primary_key``, ``index``, ``unique``, ``default`` and what else
            :class:`sqlalchemy.Column` takes.
    """
    return _Column(rules, options)


class Base:
    """Base of all models: each annotation ``name: Mapped[type]`` of a model and its mixins is a column.

    SQLAlchemy's own declarative base reads many more kinds of annotations, and takes 1.6 times the
    instructions for the tables of a book: time that every command would pay for.
    """

    metadata: ClassVar[MetaData] = MetaData(naming_convention=NAMES)
    registry: ClassVar[mapped_models] = mapped_models(metadata=metadata)
    __tablename__: ClassVar[str]
    __table__: ClassVar[Table]
    __table_args__: ClassVar[tuple[Any, ...]] = ()

    if TYPE_CHECKING:
        # SQLAlchemy's own, which refuses names that are none of the model's.
        def __init__(self, **values: Any) -> None: ...

    def __init_subclass__(cls) -> None:
        """Make the table of a model, and map the model to it."""
        super().__init_subclass__()
        columns: list[Column[Any]] = []
        related: dict[str, Any] = {}
        for part in cls.__mro__:
            if part is Base:
                continue
            for name, annotation in inspect.get_annotations(part).items():
                given = part.__dict__.get(name)
                if isinstance(given, Relationship):
                    related[name] = given
                    continue
                rules, options = given if isinstance(given, _Column) else _NOTHING
                stored, optional = _TYPES[annotation.__args__[0]]
                columns.append(Column(name, stored, *rules, nullable=optional, **options))
        table = Table(cls.__tablename__, cls.metadata, *columns, *cls.__table_args__)
        # Each by name: a mixin's own attribute of that name would hide the column.
        related.update((each.key, each) for each in columns)
        cls.registry.map_imperatively(cls, table, properties=related)


class Entered:
    """Mixin of every table whose rows are written by acts.

    ``entry`` is the number of the journal entry that last wrote the row. The entry holds the row
    as it was before, with *its* ``entry``: so the history of a row is a walk from entry to entry.
    """

    entry: Mapped[int]


class Voidable(Entered):
    """Mixin of rows that can be taken back; the row stays, and counts nowhere.

    ``voided`` is the number of the journal entry that took it back: who, when and why stand there.
    Statements leave such rows out by themselves (:mod:`tracker.book.engines`).
    """

    # What is to hold of every such model is asked of the mixin first, which has no table.
    voided: Mapped[int | None] = cast("Any", sql_column("voided"))


Taken = TypeVar("Taken", bound=Voidable)


def live(rows: Iterable[Taken]) -> list[Taken]:
    """Return the rows that were not taken back."""
    return [row for row in rows if row.voided is None]


class Numbered(Voidable):
    """Mixin of rows that carry a number; it becomes their ID and is never used again."""

    # Given by the act and not by the database, whose sequences leave gaps after a rollback and on SQLite may
    # give a number twice; a label must never name two things.
    id: Mapped[int] = column(primary_key=True, autoincrement=False)
    confirmed: Mapped[list[Any] | None]
    """What was asked about and confirmed when it was entered or corrected: a sentence each, never removed."""
