"""Lists of one kind of record, newest last: one statement each, streamed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any, Final

from sqlalchemy import Connection, func, select

from tracker.book import WITH_VOIDED
from tracker.kinds.registry import kind_named
from tracker.moments import local_time
from tracker.stating import state

_FIGURES: Final = frozenset(state(None).data())


def listed(
    connection: Connection, plural: str, zone: dt.tzinfo | None = None, *, voided: bool = False
) -> Iterator[dict[str, Any]]:
    """Yield the records of a kind; each has ``id`` (a result: ``measurement`` and ``specimen``).

    Args:
        connection: To the book.
        plural: Of the kind, as ``spools``.
        zone: For people: moments are text in this zone, to the minute. Without it they are RFC 3339 in
            UTC, for machines.
        voided: List those alone that were taken back.

    Raises:
        Refused: There is no such list.
    """
    kind = kind_named(plural)
    statement = kind.listing()
    if voided:
        statement = statement.where(kind.model.voided.is_not(None)).execution_options(**{WITH_VOIDED: True})
    result = connection.execution_options(yield_per=2000).execute(statement)
    for row in result:
        shaped = {key: _plain(value, zone) for key, value in kind.listed(row).items()}
        yield _for_people(shaped) if zone is not None and kind.name == "result" else shaped


def count_voided(connection: Connection, plural: str) -> int:
    """Return how many records of a kind were taken back."""
    model = kind_named(plural).model
    asked = select(func.count()).select_from(model).where(model.voided.is_not(None))
    return int(connection.execute(asked, execution_options={WITH_VOIDED: True}).scalar_one())


def _for_people(result: dict[str, Any]) -> dict[str, Any]:
    """Put the statement in the place of its figures; machines get all of them."""
    told = {name: value for name, value in result.items() if name not in _FIGURES}
    return {**told, "stated": None if result["value"] is None else result["stated"]}


def _plain(value: Any, zone: dt.tzinfo | None) -> Any:
    if isinstance(value, dt.datetime) and zone is not None:
        return local_time(value, zone)
    return value.isoformat() if isinstance(value, (dt.datetime, dt.date)) else value
