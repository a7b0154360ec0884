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
_NUMBER: Final = "row_number"


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


def listed_after(
    connection: Connection, plural: str, after: int, most: int
) -> tuple[list[dict[str, Any]], int | None]:
    """Return records of a kind behind one that was given before, as :func:`listed` shows them to machines.

    By the row's number and not by counting: a record that is taken back meanwhile shifts none of the others,
    and the last part of a long list costs as much as the first.

    Args:
        connection: To the book.
        plural: Of the kind, as ``spools``.
        after: Number of the last one that was given; 0 for the first part.
        most: How many at most.

    Returns:
        The records, by number, and the number of the last one where there are more behind it.

    Raises:
        Refused: There is no such list.
    """
    kind = kind_named(plural)
    number = kind.model.id
    statement = kind.listing().add_columns(number.label(_NUMBER)).where(number > after).order_by(None)
    rows = connection.execute(statement.order_by(number).limit(most + 1)).all()
    shown = [
        {key: _plain(value, None) for key, value in kind.listed(row).items() if key != _NUMBER}
        for row in rows[:most]
    ]
    return shown, getattr(rows[most - 1], _NUMBER) if len(rows) > most else None


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
