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


def _of(connection: Connection) -> _Schema:
    schema = _Schema()
    look = inspect(connection)
    for table in look.get_table_names():
        if table != _VERSIONS:
            _take_table(look, table, schema.things)
    for view in look.get_view_names():
        schema.things[f"view {view}"] = True
    for name, table in connection.execute(sql(_ACTING[connection.dialect.name])):
        what = f"trigger or rule {name} on table {table}"
        schema.things[what] = True
        schema.acting.add(what)
    return schema


def _take_table(look: Any, table: str, things: dict[str, Any]) -> None:
    things[f"table {table}"] = True
    primary = look.get_pk_constraint(table)
    things[f"primary key of table {table}"] = tuple(primary["constrained_columns"])
    for column in look.get_columns(table):
        kind = next((word for type_, word in _TYPES if isinstance(column["type"], type_)), "")
        things[f"column {column['name']} of table {table}"] = (kind, bool(column["nullable"]))
    for key in look.get_foreign_keys(table):
        columns, to = ", ".join(key["constrained_columns"]), key["referred_table"]
        things[f"reference of {columns} to {to} of table {table}"] = tuple(key["referred_columns"])
    unique = {constraint["name"] for constraint in look.get_unique_constraints(table)}
    for constraint in look.get_unique_constraints(table):
        things[f"uniqueness of {', '.join(constraint['column_names'])} of table {table}"] = True
    for index in look.get_indexes(table):
        # A server lists the index behind a uniqueness once more.
        if index["name"] not in unique and not index.get("duplicates_constraint"):
            form = (tuple(index["column_names"]), bool(index["unique"]))
            things[f"index {index['name']} of table {table}"] = form
    for check in look.get_check_constraints(table):
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
