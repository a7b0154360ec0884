"""The kinds of records, each described once; lists, cards, forms, labels and corrections loop over them.

A module of this package holds one kind, with the kinds that are parts of it, in its ``KINDS``. A new module
is found by itself: its kind then has a command, a page, a list, a card, a label and corrections.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy.orm import Session

from tracker.book import with_voided
from tracker.cards import Card
from tracker.kinds.base import Kind
from tracker.kinds.registry import (
    KINDS,
    LISTS,
    NotFoundError,
    WrongKindError,
    count_voided,
    fetch,
    find,
    find_pieces,
    find_row,
    has_more_than,
    ident_of,
    judged_in_order,
    kind_named,
    kind_of,
    listed,
    listed_after,
    listed_of,
    material_named,
    newest,
    resolve,
    row_of_label,
    where_listed,
)

__all__ = [
    "KINDS",
    "LISTS",
    "Card",
    "Kind",
    "NotFoundError",
    "WrongKindError",
    "card_of",
    "count_voided",
    "fetch",
    "find",
    "find_pieces",
    "find_row",
    "has_more_than",
    "ident_of",
    "judged_in_order",
    "kind_named",
    "kind_of",
    "listed",
    "listed_after",
    "listed_of",
    "material_named",
    "name_of",
    "newest",
    "resolve",
    "row_of_label",
    "where_listed",
]


def card_of(session: Session, row: Any, zone: dt.tzinfo) -> Card:
    """Return what is shown of a row; parts of it that were taken back are struck through.

    Args:
        session: To read what hangs on it.
        row: Of any kind.
        zone: The bench's, for times.
    """
    with with_voided(session):
        return kind_of(row).card(session, row, zone)


def name_of(row: Any) -> str:
    """Return what a row is called: its ID, its name, or its kind with its number."""
    return kind_of(row).name_of(row)
