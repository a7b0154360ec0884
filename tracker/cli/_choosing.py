"""Which records of a list a filter holds of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from tracker.cli._bench import Bench
from tracker.cli._telling import note
from tracker.factors import REGISTRY
from tracker.forms import column_named
from tracker.kinds import kind_named, listed
from tracker.selection import Filter, check_names, parse_filter, why_none


def chosen(
    bench: Bench, kind: str, where: str, rows: Iterable[Mapping[str, Any]], *, voided: bool = False
) -> Iterator[Mapping[str, Any]]:
    """Yield the records of which a filter holds; where it holds of none, a note says why.

    Results and measurements are asked as a table asks, by every factor of their piece; specimens by their
    columns and factors; all others by their columns.

    Args:
        bench: The book and its plugins.
        kind: What is listed.
        where: The filter as typed.
        rows: All records as they are shown.
        voided: They are those that were taken back.

    Raises:
        FilterError: It is no filter, or asks of what is recorded nowhere.
    """
    typed, form = parse_filter(where), kind_named(kind).form
    wanted = Filter(tuple(replace(term, name=column_named(form, term.name)) for term in typed.terms))
    tested = kind in _TESTED and not voided
    held, why = _by_results(bench, wanted, kind) if tested else _by_columns(bench, wanted, kind, voided)
    if not held:
        note(why)
    return (row for row in rows if _key(kind, row) in held)


_TESTED = ("results", "measurements")


def _key(kind: str, row: Mapping[str, Any]) -> Any:
    return (row["measurement"], row["quantity"]) if kind == "results" else row["id"]


def _by_results(bench: Bench, wanted: Filter, kind: str) -> tuple[set[Any], str]:
    from tracker.table.filtering import results_where, why_nothing  # noqa: PLC0415 - brings numpy

    found = results_where(bench.book, wanted, plugged=bench.plugged)
    if not found:
        return set(), why_nothing(bench.book, wanted, plugged=bench.plugged)
    keys = {(row.measurement, row.quantity) if kind == "results" else row.measurement for row in found}
    return keys, ""


def _by_columns(bench: Bench, wanted: Filter, kind: str, voided: bool) -> tuple[set[Any], str]:
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
