"""Whether a filter asks of what is recorded at all, and why one holds of nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.errors import Refused
from tracker.model import Result
from tracker.selection.filters import ORIENTATION, Filter, FilterError, Term
from tracker.suggest import did_you_mean

_FEW: Final = 6
"""So many values are listed whole."""

_FACTORS: Final = "strandbook list specimens --factors shows what is recorded"


def check_names(wanted: Filter, known: Iterable[str]) -> None:
    """Hold the names of a filter against what can be asked of.

    A misspelt name is recorded nowhere: ``=`` of it would hold of nothing and ``!=`` of everything.

    Args:
        wanted: The filter.
        known: Names that there are.

    Raises:
        FilterError: A name is none of them; near ones are named.
    """
    names = frozenset(known)
    for term in wanted.terms:
        if term.name not in names:
            raise FilterError(
                f"Nothing is recorded under the name {term.name!r}",
                do=did_you_mean(term.name, names, _FACTORS),
            )


def why_none(wanted: Filter, known: Sequence[Mapping[str, Any]]) -> str:
    """Return in a sentence why a filter holds of nothing.

    Args:
        wanted: The filter.
        known: What is known of each record by name; none of them fulfils the filter.
    """
    if not known:
        return "There is nothing to choose from yet."
    for term in wanted.terms:
        if not any(term.holds(each.get(term.name)) for each in known):
            return f"{term} holds of nothing. {_instead(term, known)}".rstrip()
    return f"{wanted}: each of these holds of something, all together of nothing."


def _instead(term: Term, known: Sequence[Mapping[str, Any]]) -> str:
    """Return what would have been found under the name of a condition."""
    values = [value for value in (each.get(term.name) for each in known) if value is not None]
    if not values:
        return f"{term.name} is not recorded of any."
    if all(isinstance(value, (int, float)) for value in values):
        return f"Recorded is {min(values):g} to {max(values):g}."
    texts = sorted({str(value) for value in values})
    few = texts if len(texts) <= _FEW else []
    listed = f"There is {', '.join(few)}." if few else ""
    return listed if term.name == ORIENTATION else did_you_mean(term.value, texts, listed)


def check_quantities(connection: Connection, asked: Iterable[str], declared: Iterable[str]) -> None:
    """Hold names of quantities against those that methods give and that the book has results of.

    Args:
        connection: To the book.
        asked: What was typed.
        declared: Quantities of the installed methods.

    Raises:
        Refused: A name is none of them; near ones are named.
    """
    names = set(declared)
    if names.issuperset(asked):
        return
    # Numbers may come by import without any method; to read all names costs a walk through the results, so
    # it is done only for a name that no method has.
    names |= set(connection.scalars(select(Result.quantity).distinct()))
    for name in asked:
        if name not in names:
            raise Refused(
                f"There is no quantity {name!r}",
                do=did_you_mean(name, names, "strandbook methods shows what is measured"),
            )
