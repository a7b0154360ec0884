"""Which results a filter lets into a table."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select

from tracker.book import Book
from tracker.factors import OF_DAYS, REGISTRY, factors_of, measurement_factors
from tracker.ids import read_id
from tracker.model import Result
from tracker.plugins import Plugged
from tracker.selection import (
    Filter,
    Narrowed,
    ResultRow,
    check_asked,
    check_filter,
    narrowed,
    result_rows,
    selected,
    why_not,
    with_factors,
)
from tracker.selection.rows import OWN_NAMES


def narrowed_by(book: Book, where: Filter, plugged: Plugged | None = None) -> Narrowed:
    """Return a filter over results as conditions of the database, and what is left to be asked in Python.

    Args:
        book: Read only.
        where: May ask of any factor.
        plugged: Plugins, which may add factors.

    Raises:
        FilterError: It asks of something that is recorded nowhere.
    """
    add = plugged is not None and plugged.adds_factors
    with book.connect() as connection:
        if connection.scalar(select(Result.id).limit(1)) is not None:
            check_filter(connection, where, OWN_NAMES, plugins_add=add)
        return narrowed(connection, where, "results", plugins_add=add)


def results_where(
    book: Book, where: Filter | None, quantities: Sequence[str] | None = None, plugged: Plugged | None = None
) -> list[ResultRow]:
    """Return the results of which a filter holds; all of them where there is none.

    Args:
        book: Read only.
        where: May ask of any factor.
        quantities: Only these; all where None.
        plugged: Plugins, which may add factors; none are asked where it is None.

    Raises:
        FilterError: It asks of something that is recorded nowhere.
    """
    if where is None:
        return _asked_of(book, None, quantities, plugged)
    within = narrowed_by(book, where, plugged)
    rows = _asked_of(book, within.rest, quantities, plugged, within)
    return rows if within.whole else selected(rows, within.rest)


def why_nothing(
    book: Book, where: Filter, quantities: Sequence[str] | None = None, plugged: Plugged | None = None
) -> str:
    """Return in a sentence why :func:`results_where` finds nothing; same arguments."""
    return why_not(_asked_of(book, where, quantities, plugged), where)


def _asked_of(
    book: Book,
    where: Filter | None,
    quantities: Sequence[str] | None,
    plugged: Plugged | None,
    within: Narrowed | None = None,
) -> list[ResultRow]:
    """Return all results, or those within what is asked already, with what the filter asks of."""
    with book.read() as session:
        rows = result_rows(session.connection(), quantities=quantities, narrowed=within)
        asked = frozenset() if where is None else where.names() - OWN_NAMES
        plugins = plugged is not None and plugged.adds_factors
        # Factors of a large book take seconds to gather, and most filters name a material.
        if asked:
            pieces = {row.specimen_row for row in rows if row.specimen_row is not None}
            names = {read_id(row.measurement)[0].number: row.measurement for row in rows}
            of_pieces = factors_of(
                session,
                sorted(pieces),
                plugged,
                water=any(map(_wet, asked)),
                days=plugins or bool(asked & OF_DAYS),
            )
            own = measurement_factors(session, names)
            with_factors(rows, of_pieces, {names[number]: each for number, each in own.items()})
    if where is not None and rows:
        check_asked(rows, where, (factor.name for factor in REGISTRY))
    return rows


def _wet(name: str) -> bool:
    """Whether a factor needs the estimate of water, which walks through every spool's days."""
    return name.startswith("water")
