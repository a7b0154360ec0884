"""Which results a filter lets into a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection, select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.factors import OF_DAYS, REGISTRY, factors_of
from tracker.model import FactorRecord, Result
from tracker.plugins import Plugged
from tracker.selection import (
    Filter,
    Narrowed,
    ResultRow,
    check_asked,
    check_filter,
    narrowed,
    pieces_of,
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


def results_among(
    connection: Connection,
    within: Narrowed,
    plugged: Plugged,
    *,
    results: Sequence[int] | None = None,
    measurements: Sequence[int] | None = None,
) -> list[ResultRow]:
    """Return some results that a filter lets through as far as the database decides it.

    They have what its :attr:`~tracker.selection.Narrowed.rest` asks of, which is still to be asked.

    Args:
        connection: To the book.
        within: The filter.
        plugged: Plugins, which may add factors.
        results: Numbers of these results, a few thousand at most, of which the conditions hold.
        measurements: Or numbers of these measurements.
    """
    if results is not None:
        rows = result_rows(connection, results=results)
    else:
        rows = result_rows(connection, narrowed=within, measurements=measurements)
    with Session(connection) as session:
        _put_factors(session, rows, within.rest.names() - OWN_NAMES, plugged)
    return rows


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
        _put_factors(session, rows, asked, plugged)
    if where is not None and rows:
        check_asked(rows, where, (factor.name for factor in REGISTRY))
    return rows


def _put_factors(
    session: Session, rows: Sequence[ResultRow], asked: frozenset[str], plugged: Plugged | None
) -> None:
    """Put beside results what is asked of them, and more where that comes with it.

    Factors of a large book take seconds to gather, and most filters name a material.
    """
    if not asked:
        return
    plugins = plugged is not None and plugged.adds_factors
    of_pieces: Mapping[int, Mapping[str, Any]] = {}
    if plugins or not asked <= _OF_TESTS or _given(session, asked):
        of_pieces = factors_of(
            session,
            pieces_of(rows),
            plugged if plugins else None,
            water=any(map(_wet, asked)),
            days=plugins or bool(asked & OF_DAYS),
        )
    with_factors(session, rows, of_pieces)


_OF_TESTS: Final = frozenset({"rig", "age_h"})
"""Factors that no piece has, unless one was given them outright."""


def _given(session: Session, names: frozenset[str]) -> bool:
    asked = select(FactorRecord.specimen_id).where(FactorRecord.name.in_(names)).limit(1)
    return session.scalar(asked) is not None


def _wet(name: str) -> bool:
    """Whether a factor needs the estimate of water, which walks through every spool's days."""
    return name.startswith("water")
