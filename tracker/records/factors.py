"""Factors of specimens as they are shown: all of one piece, or a table of all pieces."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import ColumnElement, select

from tracker import ids
from tracker.book import Book
from tracker.cards import Card
from tracker.factors import REGISTRY, factor_data, factor_words, factors_of, in_registry_order
from tracker.model import Specimen
from tracker.plugins import Plugged


def factors_with_basis(book: Book, specimen: int, plugged: Plugged | None = None) -> list[dict[str, Any]]:
    """Return the factors of a specimen as JSON, in the order of the registry.

    Args:
        book: Read only.
        specimen: Row id.
        plugged: Plugins that may add some.
    """
    with book.read() as session:
        found = factors_of(session, [specimen], plugged).get(specimen, {})
    return [factor_data(value) for value in in_registry_order(found)]


def shown_factors(book: Book, row: Specimen, plugged: Plugged | None = None) -> Card:
    """Return the factors of a specimen as they are shown; what is not recorded is named at the end."""
    with book.read() as session:
        found = factors_of(session, [row.id], plugged).get(row.id, {})
    name = ids.specimen_id(row.job_id, row.piece)
    told = Card(f"{name}  {row.name or ''}".rstrip(), data={"id": name})
    for value in in_registry_order(found):
        told.add(value.name, factor_words(value))
    missing = [factor.name for factor in REGISTRY if not factor.of_test and factor.name not in found]
    if missing:
        told.add("not recorded", ", ".join(missing))
    told.data |= {
        "factors": [factor_data(value) for value in in_registry_order(found)],
        "not_recorded": missing,
    }
    return told


def factor_table(
    book: Book,
    plugged: Plugged | None = None,
    *,
    bases: bool = True,
    where: Sequence[ColumnElement[bool]] = (),
) -> Iterator[dict[str, Any]]:
    """Yield every specimen with its factors, a column each.

    Columns are the same for all: those of the registry that are recorded anywhere, then the others by name.

    Args:
        book: Read only.
        plugged: Plugins that may add some.
        bases: Whether a column with the basis follows each.
        where: Conditions over specimens.
    """
    with book.read() as session:
        rows = session.execute(
            select(Specimen.id, Specimen.job_id, Specimen.piece, Specimen.name)
            .where(*where)
            .order_by(Specimen.job_id, Specimen.piece)
        ).all()
        found = factors_of(session, [row.id for row in rows], plugged)
    recorded = {name for factors in found.values() for name in factors}
    known = [factor.name for factor in REGISTRY if factor.name in recorded]
    columns = [*known, *sorted(recorded - set(known))]
    for row in rows:
        factors = found[row.id]
        told = {"id": ids.specimen_id(row.job_id, row.piece), "name": row.name}
        for column in columns:
            value = factors.get(column)
            told[column] = value.value if value is not None else None
            if bases:
                told[f"{column} basis"] = value.basis if value is not None else "not recorded"
        yield told
