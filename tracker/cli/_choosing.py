"""Which records of a list a filter holds of."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from tracker.cli._bench import Bench
from tracker.cli._telling import note
from tracker.factors import REGISTRY
from tracker.forms import column_named
from tracker.kinds import count_of, kind_named, listed
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


@dataclass(frozen=True)
class Asked:
    """A filter of a list: conditions of the database, and what is asked of each row that they let through.

    Attributes:
        conditions: Of the statement that lists the kind.
        kept: Gives those of the rows of which the filter holds; where it holds of none, a note says why.
    """

    conditions: Sequence[Any]
    kept: Callable[[Iterable[Mapping[str, Any]]], Iterator[Mapping[str, Any]]]


def asked_of(bench: Bench, kind: str, where: str, *, voided: bool = False) -> Asked:
    """Return a filter of a list as it was typed.

    Results and measurements are asked as a table asks, by every factor of their piece; specimens by their
    columns and factors; all others by their columns.

    Args:
        bench: The book and its plugins.
        kind: What is listed.
        where: The filter as typed.
        voided: Those are listed that were taken back.

    Raises:
        FilterError: It is no filter, or asks of what is recorded nowhere.
    """
    typed, form = parse_filter(where), kind_named(kind).form
    wanted = Filter(tuple(replace(term, name=column_named(form, term.name)) for term in typed.terms))
    if voided or kind not in (*_TESTED, "specimens"):
        return Asked((), lambda rows: _held(rows, kind, *_by_columns(bench, wanted, kind, voided)))
    with bench.book.connect() as connection:
        within = _within(bench, connection, wanted, kind)
    if within.whole:
        conditions = (
            measured_where(within) if kind == "measurements" else (*within.conditions, *within.of_results)
        )
        return Asked(conditions, lambda rows: _some(rows, lambda: _why_none(bench, wanted, kind)))
    of_results = () if kind == "measurements" else within.of_results
    by = _by_results if kind in _TESTED else _by_columns
    return Asked((*within.conditions, *of_results), lambda rows: _held(rows, kind, *by(bench, wanted, kind)))


def _within(bench: Bench, connection: Any, wanted: Filter, kind: str) -> Narrowed:
    of: Of = "specimens" if kind == "specimens" else "results"
    add = bench.plugged.adds_factors
    if count_of(connection, kind):
        check_filter(connection, wanted, _SHOWN if kind == "specimens" else OWN_NAMES, plugins_add=add)
    return narrowed(connection, wanted, of, plugins_add=add)


_SHOWN = ("id", "job", "name", "material", "orientation", "outcome", "remark")
_TESTED = ("results", "measurements")
_SMALL = 50_000
"""So many records are gone through again to say why none was found."""


def _some(rows: Iterable[Mapping[str, Any]], why: Callable[[], str]) -> Iterator[Mapping[str, Any]]:
    """Yield rows; where there are none, say why."""
    none = True
    for row in rows:
        none = False
        yield row
    if none:
        note(why())


def _held(
    rows: Iterable[Mapping[str, Any]], kind: str, held: set[Any], why: str
) -> Iterator[Mapping[str, Any]]:
    if not held:
        note(why)
    return (row for row in rows if _key(kind, row) in held)


def _why_none(bench: Bench, wanted: Filter, kind: str) -> str:
    with bench.book.connect() as connection:
        if count_of(connection, kind) > _SMALL:
            return term_without(connection, wanted, "specimens" if kind == "specimens" else "results")
    return (_by_results if kind in _TESTED else _by_columns)(bench, wanted, kind)[1]


def _key(kind: str, row: Mapping[str, Any]) -> Any:
    return (row["measurement"], row["quantity"]) if kind == "results" else row["id"]


def _by_results(bench: Bench, wanted: Filter, kind: str) -> tuple[set[Any], str]:
    from tracker.table.filtering import results_where, why_nothing  # noqa: PLC0415 - brings numpy

    found = results_where(bench.book, wanted, plugged=bench.plugged)
    if not found:
        return set(), why_nothing(bench.book, wanted, plugged=bench.plugged)
    keys = {(row.measurement, row.quantity) if kind == "results" else row.measurement for row in found}
    return keys, ""


def _by_columns(bench: Bench, wanted: Filter, kind: str, voided: bool = False) -> tuple[set[Any], str]:
    with bench.book.connect() as connection:
        known = {_key(kind, row): dict(row) for row in listed(connection, kind, voided=voided)}
        # A job is named by its ID or its name, in every list: its own too.
        jobs = {row["id"]: row["name"] for row in listed(connection, "jobs")}
    if kind == "jobs":
        known = {key: {**row, "job": key} for key, row in known.items()}
    names = {name for row in known.values() for name in row}
    if kind == "specimens":
        from tracker.records.factors import factor_table  # noqa: PLC0415 - brings numpy

        for row in factor_table(bench.book, bench.plugged, bases=False):
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
