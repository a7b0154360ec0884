"""Which records of a list a filter holds of: one rule for the lists of the command line and of the page."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import ColumnElement, select, tuple_

from tracker.book import Book
from tracker.factors import REGISTRY
from tracker.forms import column_named
from tracker.ids import read_id
from tracker.kinds import count_of, kind_named, listed
from tracker.model import Specimen
from tracker.plugins import Plugged
from tracker.records import factor_table
from tracker.selection import (
    OWN_NAMES,
    Filter,
    Narrowed,
    Of,
    check_filter,
    check_names,
    measured_where,
    narrowed,
    parse_filter,
    term_without,
    why_none,
)
from tracker.table.filtering import results_where, why_nothing


@dataclass(frozen=True)
class Asked:
    """A filter of a list: conditions of the database, and what is asked of each row that they let through.

    Attributes:
        conditions: Of the statement that lists the kind.
        held: Keys of the rows of which the filter holds (see :func:`key_of`), and why there are none; None
            where the conditions say it all.
        why_none: Says why the conditions let nothing through.
    """

    conditions: Sequence[Any]
    held: tuple[set[Any], str] | None
    why_none: Callable[[], str]

    def kept(
        self, kind: str, rows: Iterable[Mapping[str, Any]], note: Callable[[str], None]
    ) -> Iterator[Mapping[str, Any]]:
        """Yield those of the rows of which the filter holds; where it holds of none, ``note`` is told why."""
        none = True
        for row in rows:
            if self.held is None or key_of(kind, row) in self.held[0]:
                none = False
                yield row
        if none:
            note(self.why_none() if self.held is None else self.held[1])


def asked_of(book: Book, plugged: Plugged, kind: str, where: str, *, voided: bool = False) -> Asked:
    """Return a filter of a list as it was typed.

    Results and measurements are asked as a table asks, by every factor of their piece; specimens by their
    columns and factors; all others by their columns.

    Args:
        book: Read only.
        plugged: Its plugins, which may add factors.
        kind: What is listed.
        where: The filter as typed.
        voided: Those are listed that were taken back.

    Raises:
        FilterError: It is no filter, or asks of what is recorded nowhere.
    """
    typed, form = parse_filter(where), kind_named(kind).form
    wanted = Filter(tuple(replace(term, name=column_named(form, term.name)) for term in typed.terms))
    if voided or kind not in (*_TESTED, "specimens"):
        return Asked((), _by_columns(book, plugged, wanted, kind, voided), str)
    within = _within(book, plugged, wanted, kind)
    by = _by_results if kind in _TESTED else _by_columns
    if kind != "measurements":
        conditions = (*within.conditions, *within.of_results)
    else:
        conditions = measured_where(within) if within.whole else within.conditions

    def why() -> str:
        with book.connect() as connection:
            if count_of(connection, kind) > _SMALL:
                return term_without(connection, wanted, "specimens" if kind == "specimens" else "results")
        return by(book, plugged, wanted, kind)[1]

    return Asked(conditions, None if within.whole else by(book, plugged, wanted, kind), why)


def conditions_of(book: Book, plugged: Plugged, kind: str, where: str) -> Sequence[ColumnElement[bool]]:
    """Return a filter of a list as conditions alone, for any kind but results; else as :func:`asked_of`."""
    asked = asked_of(book, plugged, kind, where)
    if asked.held is None:
        return asked.conditions
    held, model = sorted(asked.held[0]), kind_named(kind).model
    if kind == "materials":
        return [model.name.in_(held)]
    idents = [read_id(str(key))[0] for key in held]
    if kind == "specimens":
        return [tuple_(Specimen.job_id, Specimen.piece).in_([(each.number, each.piece) for each in idents])]
    return [model.id.in_([each.number for each in idents])]


def key_of(kind: str, row: Mapping[str, Any]) -> Any:
    """Return what tells a row of a list apart: its ID; a result has none, and is its measurement's."""
    return (row["measurement"], row["quantity"]) if kind == "results" else row["id"]


def _within(book: Book, plugged: Plugged, wanted: Filter, kind: str) -> Narrowed:
    of: Of = "specimens" if kind == "specimens" else "results"
    add = plugged.adds_factors
    with book.connect() as connection:
        if connection.scalar(select(kind_named(kind).model.id).limit(1)) is not None:
            check_filter(connection, wanted, _SHOWN if kind == "specimens" else OWN_NAMES, plugins_add=add)
        return narrowed(connection, wanted, of, plugins_add=add)


_SHOWN = ("id", "job", "name", "material", "orientation", "outcome", "remark")
_TESTED = ("results", "measurements")
_SMALL = 50_000
"""So many records are gone through again to say why none was found."""


def _by_results(book: Book, plugged: Plugged, wanted: Filter, kind: str) -> tuple[set[Any], str]:
    found = results_where(book, wanted, plugged=plugged)
    if not found:
        return set(), why_nothing(book, wanted, plugged=plugged)
    keys = {(row.measurement, row.quantity) if kind == "results" else row.measurement for row in found}
    return keys, ""


def _by_columns(
    book: Book, plugged: Plugged, wanted: Filter, kind: str, voided: bool = False
) -> tuple[set[Any], str]:
    with book.connect() as connection:
        known = {key_of(kind, row): dict(row) for row in listed(connection, kind, voided=voided)}
        # A job is named by its ID or its name, in every list: its own too.
        jobs = {row["id"]: row["name"] for row in listed(connection, "jobs")}
    if kind == "jobs":
        known = {key: {**row, "job": key} for key, row in known.items()}
    names = {name for row in known.values() for name in row}
    if kind == "specimens":
        for row in factor_table(book, plugged, bases=False):
            # What the list shows wins: a factor called as a column must not hide it.
            known[row["id"]] = {**row, **known[row["id"]]}
        names |= {name for row in known.values() for name in row} | {factor.name for factor in REGISTRY}
    if known:
        check_names(wanted, names)
    held = {key for key, row in known.items() if _holds(wanted, row, jobs)}
    return held, "" if held else why_none(wanted, list(known.values()))


def _holds(wanted: Filter, row: Mapping[str, Any], jobs: Mapping[str, str | None]) -> bool:
    """Whether a filter holds of a record; a job is named by its ID or its name."""
    job = row.get("job")
    named = [each for each in (job, jobs.get(str(job))) if each is not None]
    rest = Filter(tuple(term for term in wanted.terms if term.name != "job"))
    of_job = [term for term in wanted.terms if term.name == "job"]
    hits = [(term.sign == "!=", [term.holds(each) for each in named]) for term in of_job]
    return rest.holds(row) and all(all(found) if unlike else any(found) for unlike, found in hits)
