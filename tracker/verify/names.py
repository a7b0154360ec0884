"""What people call a row: its ID, or the words that lead to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.ids import KINDS, Ident, specimen_id
from tracker.model import Specimen
from tracker.rawrows import raw

_WORDS: Final = {
    "job_spool": "spool in a job",
    "change": "change of a setting",
    "drying_spool": "spool in a drying",
    "measurement_file": "file",
    "measurement_rig": "rig used",
    "book": "record of the book itself",
}
_OWNERS: Final = ("measurement", "specimen", "job", "drying", "spool", "rig")
_OWN_WORDS: Final = ("name", "quantity", "field", "setting")


def id_of(table: str, values: Mapping[str, Any]) -> str:
    """Return the ID that a row's label would carry, or nothing."""
    try:
        if table == "specimen":
            return specimen_id(int(values["job_id"]), int(values["piece"]))
        return str(Ident(table, int(values["id"]))) if table in KINDS.values() else ""
    except (KeyError, TypeError, ValueError):
        return ""


def named(connection: Connection, table: str, key: object, values: Mapping[str, Any]) -> tuple[str, str]:
    """Return ``(id, words)`` for a row: of an owner's ID where it has none itself."""
    own = id_of(table, values)
    if own:
        return own, f"{table} {own}"
    kind = _WORDS.get(table, table)
    words = next((f" {str(values[name])[:60]!r}" for name in _OWN_WORDS if values.get(name)), f" {key}")
    # In this order: a result belongs to its measurement before it belongs to a piece.
    for owner in _OWNERS:
        number = values.get(f"{owner}_id")
        if number is not None and owner != table:
            identity = _owner_id(connection, owner, number)
            return identity, f"{kind}{words} of {owner} {identity or number}"
    return "", kind if table == "book" else f"{kind}{words}"


def _owner_id(connection: Connection, owner: str, number: Any) -> str:
    if owner != "specimen":
        return id_of(owner, {"id": number})
    # Its ID is made of job and piece, which only its own row holds.
    found = connection.execute(
        select(raw(Specimen.job_id), raw(Specimen.piece)).where(Specimen.id == number)
    ).one_or_none()
    return id_of("specimen", {"job_id": found[0], "piece": found[1]}) if found else ""
