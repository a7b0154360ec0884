"""The whole schema of a book against the one that its migrations make: what is missing, other, or foreign.

A row that fits its journal is not enough. A trigger can change what the next act writes, a constraint that
is gone lets through what cannot be, and an index that is missing makes a question take hours.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from sqlalchemy import (
    JSON,
    Boolean,
    Connection,
    Date,
    DateTime,
    Float,
    Inspector,
    Integer,
    String,
    create_engine,
    inspect,
)
from sqlalchemy import text as sql
from sqlalchemy.pool import StaticPool

from tracker import migrations

Kind = Literal["missing", "other", "foreign"]

_VERSIONS: Final = "alembic_version"
_TYPES: Final = (
    (Boolean, "yes or no"), (Integer, "whole number"), (Float, "number"), (DateTime, "moment"), (Date, "day"),
    (JSON, "document"), (String, "text"),
)  # fmt: skip
_REEL: Final = "column reel of table spool"
"""Revision 0002 was once shorter: books made with that form lack this, until revision 0011 puts it there."""


@dataclass(frozen=True)
class SchemaDifference:
    """One thing in the schema that is not as it should be.

    Attributes:
        kind: It is missing, is there in another form, or is nothing that the program made.
        what: Kind and name of it, as ``trigger t_x on table job``.
        acts: Whether it changes what is written, as triggers and rules do.
    """

    kind: Kind
    what: str
    acts: bool = False

    def __str__(self) -> str:
        """The difference as a sentence without its end."""
        if self.kind == "foreign":
            return f"The {self.what} is none that the program made"
        return f"The {self.what} {'is missing' if self.kind == 'missing' else 'is not as it was made'}"


@dataclass
class _Schema:
    things: dict[str, Any] = field(default_factory=dict)
    acting: set[str] = field(default_factory=set)


def schema_differences(connection: Connection, revision: str) -> list[SchemaDifference]:
    """Return what in a database's schema differs from that of a revision.

    Args:
        connection: To a book of that revision.
        revision: Of the program, or of an older book that is to be upgraded.
    """
    wanted, found = _made_by_migrations(revision, tuple(migrations.LOCATIONS)).things, _of(connection)
    out = [
        SchemaDifference("missing" if name not in found.things else "other", name)
        for name, value in wanted.items()
        if found.things.get(name) != value
    ]
    out = [each for each in out if not (each.what == _REEL and revision < "0011")]
    # Of a table that is foreign or gone only the table is named, not all that is in it.
    tables = {name for name in {*wanted, *found.things} if name.startswith("table ")}
    lone = {name for name in tables if (name in wanted) != (name in found.things)}
    out += [
        SchemaDifference("foreign", name, name in found.acting) for name in found.things if name not in wanted
    ]
    return [each for each in out if each.what in lone or not any(each.what.endswith(f"of {t}") for t in lone)]


@functools.cache
def _made_by_migrations(revision: str, _locations: tuple[Path, ...]) -> _Schema:
    engine = create_engine("sqlite://", poolclass=StaticPool)
    try:
        with engine.begin() as connection:
            migrations.upgrade(connection, revision)
            return _of(connection)
    finally:
        engine.dispose()


_KNOWN: Final[dict[tuple[Any, ...], _Schema]] = {}
_MOST_KNOWN: Final = 8


def _of(connection: Connection) -> _Schema:
    if connection.dialect.name != "sqlite":
        return _read(connection)
    # A file holds the statements that made it: what they made is read once, which takes longer than to verify
    # a small book.
    asked = sql("SELECT type, name, tbl_name, sql FROM sqlite_master")
    statements = tuple(tuple(row) for row in connection.execute(asked))
    if statements not in _KNOWN:
        if len(_KNOWN) >= _MOST_KNOWN:
            _KNOWN.clear()
        _KNOWN[statements] = _read(connection)
    return _KNOWN[statements]


def _read(connection: Connection) -> _Schema:
    schema = _Schema()
    look = inspect(connection)
    _take_tables(look, [name for name in look.get_table_names() if name != _VERSIONS], schema.things)
    for view in look.get_view_names():
        schema.things[f"view {view}"] = True
    for name, table in connection.execute(sql(_ACTING[connection.dialect.name])):
        what = f"trigger or rule {name} on table {table}"
        schema.things[what] = True
        schema.acting.add(what)
    return schema


def _take_tables(look: Inspector, tables: list[str], things: dict[str, Any]) -> None:
    """Note what is in tables; all are asked about at once, for a server is asked again for each question."""
    for name in tables:
        things[f"table {name}"] = True
    for (_, table), primary in look.get_multi_pk_constraint(filter_names=tables).items():
        things[f"primary key of table {table}"] = tuple((primary or {}).get("constrained_columns", ()))
    for (_, table), columns in look.get_multi_columns(filter_names=tables).items():
        for column in columns:
            kind = next((word for type_, word in _TYPES if isinstance(column["type"], type_)), "")
            things[f"column {column['name']} of table {table}"] = (kind, bool(column["nullable"]))
    for (_, table), keys in look.get_multi_foreign_keys(filter_names=tables).items():
        for key in keys:
            own, to = ", ".join(key["constrained_columns"]), key["referred_table"]
            things[f"reference of {own} to {to} of table {table}"] = tuple(key["referred_columns"])
    _take_rules(look, tables, things)


def _take_rules(look: Inspector, tables: list[str], things: dict[str, Any]) -> None:
    """Note what columns must be: unique, quick to find, within bounds."""
    unique = look.get_multi_unique_constraints(filter_names=tables)
    for (_, table), constraints in unique.items():
        for constraint in constraints:
            things[f"uniqueness of {', '.join(constraint['column_names'])} of table {table}"] = True
    for whose, indexes in look.get_multi_indexes(filter_names=tables).items():
        constrained = {each["name"] for each in unique.get(whose, ())}
        for index in indexes:
            # A server lists the index behind a uniqueness once more.
            if index["name"] not in constrained and not index.get("duplicates_constraint"):
                form = (tuple(index["column_names"]), bool(index["unique"]))
                things[f"index {index['name']} of table {whose[1]}"] = form
    for (_, table), checks in look.get_multi_check_constraints(filter_names=tables).items():
        for check in checks:
            things[f"check {check['name']} of table {table}"] = _words(str(check["sqltext"]))


def _words(condition: str) -> tuple[str, ...]:
    """Return the words of a condition, without those that only one of the databases writes."""
    found = re.findall(r"'[^']*'|[a-z_][a-z_0-9]*|[0-9.]+|<>|!=|[<>]=?", condition.lower())
    return tuple(sorted(word for word in found if word not in _SPELLING))


_SPELLING: Final = frozenset({"in", "any", "array", "text"})
"""A server writes ``x IN ('a', 'b')`` as ``x = ANY (ARRAY['a'::text, 'b'::text])``."""


_ACTING: Final = {
    "sqlite": "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": (
        "SELECT t.tgname, c.relname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "JOIN pg_namespace n ON n.oid = c.relnamespace "
        "WHERE NOT t.tgisinternal AND n.nspname = current_schema() "
        "UNION ALL SELECT rulename, tablename FROM pg_rules WHERE schemaname = current_schema()"
    ),
}
