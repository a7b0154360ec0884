"""Which records of a list a filter holds of: one rule for the lists of the command line and of the page.

What the database can decide it decides. The rest is asked of the records that it lets through, some at a time
in the order of the list: the first page comes at once, and no list is held in memory.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, select

from tracker import ids
from tracker.book import Book
from tracker.factors import OF_DAYS, REGISTRY, days_of, factors_of
from tracker.forms import column_named
from tracker.kinds import has_more_than, kind_named, listed
from tracker.kinds.registry import Judge
from tracker.model import Job
from tracker.plugins import Plugged
from tracker.records import factor_table
from tracker.selection import (
    OWN_NAMES,
    Filter,
    Narrowed,
    Of,
    Term,
    check_filter,
    check_names,
    column_without,
    measured_on,
    measured_where,
    narrowed,
    narrowed_columns,
    parse_filter,
    recorded_names,
    selected,
    term_without,
    why_none,
)
from tracker.table.filtering import results_among, why_nothing


@dataclass(frozen=True)
class Asked:
    """A filter of a list: conditions of the database, and what is asked of each row that they let through.

    Attributes:
        conditions: Of the statement that lists the kind.
        judge: Says of some of the rows that they let through, of which the filter holds; None where the
            conditions say it all.
        why_none: Says why it holds of none, after all of them were judged.
    """

    conditions: Sequence[Any]
    judge: Judge | None
    why_none: Callable[[], str]

    def kept(
        self, rows: Iterable[Mapping[str, Any]], note: Callable[[str], None]
    ) -> Iterator[Mapping[str, Any]]:
        """Yield the rows of which the filter holds; where there are none, ``note`` is told why."""
        none = True
        for row in rows:
            none = False
            yield row
        if none:
            note(self.why_none())


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
        return _by_columns(book, wanted, kind, voided)
    within = _within(book, plugged, wanted, kind)
    if kind == "measurements":
        conditions = measured_where(within)
    else:
        conditions = (*within.conditions, *within.of_results)
    led = _rig_term(plugged, kind, within)
    if led is not None:
        with book.connect() as connection:
            on = measured_on(connection, led)
        led, conditions = (None, conditions) if on is None else (led, (*conditions, on))
    judge = _Judge(plugged, kind, within)
    if not within.whole:
        _check_added(book, kind, conditions, judge)

    def why() -> str:
        with book.connect() as connection:
            if has_more_than(connection, kind, _SMALL):
                of = _of(kind)
                return term_without(connection, wanted, of, rest=within.rest, held=judge.held, led=led)
        if kind == "specimens":
            return why_none(wanted, _pieces_known(book, plugged))
        return why_nothing(book, wanted, plugged=plugged)

    return Asked(conditions, None if within.whole else judge, why)


def _rig_term(plugged: Plugged, kind: str, within: Narrowed) -> Term | None:
    """Return the condition by whose rigs the database can narrow what Python is left to ask, if any."""
    if kind not in _TESTED or plugged.adds_factors:
        return None
    return next((term for term in within.rest.terms if term.name == "rig"), None)


def _of(kind: str) -> Of:
    return "specimens" if kind == "specimens" else "results"


def _within(book: Book, plugged: Plugged, wanted: Filter, kind: str) -> Narrowed:
    add = plugged.adds_factors
    with book.connect() as connection:
        if connection.scalar(select(kind_named(kind).model.id).limit(1)) is not None:
            check_filter(connection, wanted, _SHOWN if kind == "specimens" else OWN_NAMES, plugins_add=add)
        return narrowed(connection, wanted, _of(kind), plugins_add=add)


_SHOWN = frozenset({"id", "job", "name", "material", "orientation", "outcome", "remark"})
_TESTED = ("results", "measurements")
_SMALL = 50_000
"""So many records are gone through again to say why none was found."""


class _Judge:
    """Asks results, measurements or specimens, some at a time, what a filter leaves to Python.

    Attributes:
        names: Of all factors that those judged had.
        held: Conditions that held of any of them.
    """

    def __init__(self, plugged: Plugged, kind: str, within: Narrowed) -> None:
        self._plugged, self._kind, self._within = plugged, kind, within
        self.names: set[str] = set()
        self.held: set[Term] = set()

    @property
    def rest(self) -> Filter:
        """What it asks."""
        return self._within.rest

    def __call__(self, connection: Connection, rows: Rows) -> Collection[int]:
        """Return the numbers of those of which all of it holds."""
        ask = self._pieces if self._kind == "specimens" else self._results
        holding = ask(connection, rows)
        found, terms = holding(self.rest), self.rest.terms
        if found:
            self.held.update(terms)
        elif len(terms) > 1:
            self.held.update(each for each in terms if each not in self.held and holding(Filter((each,))))
        return found

    def _pieces(self, connection: Connection, rows: Rows) -> Callable[[Filter], set[int]]:
        asked = self.rest.names()
        names, shown = asked - _SHOWN, asked & _SHOWN
        # What the list shows is put into form for those alone of which it is asked.
        known: dict[int, Mapping[str, Any]] = dict(rows) if shown else {number: {} for number in rows}
        if names:
            factors = _factors_of(connection, list(rows), self._plugged, names)
            self.names.update(name for each in factors.values() for name in each)
            # What the list shows wins: a factor called as a column must not hide it.
            known = {number: {**factors.get(number, {}), **row} for number, row in known.items()}
        jobs = _job_names(connection, known, self.rest)
        return lambda wanted: {number for number, row in known.items() if _holds(wanted, row, jobs)}

    def _results(self, connection: Connection, rows: Rows) -> Callable[[Filter], set[int]]:
        if self._kind == "results":
            found = results_among(connection, self._within, self._plugged, results=list(rows))
            numbers = {row.result: row.result for row in found}
        else:
            found = results_among(connection, self._within, self._plugged, measurements=list(rows))
            numbers = {row.result: ids.read_id(row.measurement)[0].number for row in found}
        self.names.update(name for row in found for name in row.factors)
        return lambda wanted: {numbers[row.result] for row in selected(found, wanted)}


Rows = Mapping[int, Mapping[str, Any]]


def _factors_of(
    connection: Connection, numbers: Sequence[int], plugged: Plugged, names: Collection[str]
) -> dict[int, dict[str, Any]]:
    # A plugin is told all that is known of a piece.
    add = plugged.adds_factors
    water = add or any(name.startswith("water") for name in names)
    days = water or bool(OF_DAYS.intersection(names))
    if OF_DAYS.issuperset(names) and not add:
        found = days_of(connection, numbers, water=water)
    else:
        found = factors_of(connection, numbers, plugged if add else None, water=water, days=days)
    return {number: {name: each.value for name, each in own.items()} for number, own in found.items()}


def _check_added(book: Book, kind: str, conditions: Sequence[Any], judge: _Judge) -> None:
    """Hold names that only a plugin may know against what it adds, before any record is shown.

    Raises:
        FilterError: A name is recorded of none of those that the database lets through.
    """
    asked, own = judge.rest.names(), _SHOWN if kind == "specimens" else OWN_NAMES
    known = own.union(factor.name for factor in REGISTRY)
    if asked <= known:
        return
    with book.connect() as connection:
        known = known.union(recorded_names(connection))
        if asked <= known:
            return
        none = True

        def see(connection: Connection, rows: Rows) -> Collection[int]:
            judge(connection, rows)
            return rows

        for _ in listed(connection, kind, where=conditions, judge=see):
            none = False
            if asked <= known | judge.names:
                return
    if not none:
        check_names(judge.rest, known | judge.names)


def _pieces_known(book: Book, plugged: Plugged) -> list[dict[str, Any]]:
    """Return all specimens with their columns and factors; for a book that is not large."""
    with book.connect() as connection:
        known = {row["id"]: row for row in listed(connection, "specimens")}
    for row in factor_table(book, plugged, bases=False):
        known[row["id"]] = {**row, **known[row["id"]]}
    return list(known.values())


def _by_columns(book: Book, wanted: Filter, kind: str, voided: bool) -> Asked:
    """Ask of the columns that a list shows; of words and numbers among them the database is asked."""
    listing = kind_named(kind).listing()
    with book.connect() as connection:
        first = next(listed(connection, kind, voided=voided), None)
        if first is not None:
            names = {*_with_job(kind, first)}
            if kind == "specimens":
                names |= {factor.name for factor in REGISTRY}
            check_names(wanted, names)
        within = Narrowed((), (), wanted)
        if not voided and first is not None:
            within = narrowed_columns(connection, wanted, listing)

    def judge(connection: Connection, rows: Rows) -> Collection[int]:
        known = {number: _with_job(kind, row) for number, row in rows.items()}
        jobs = _job_names(connection, known, within.rest)
        return {number for number, row in known.items() if _holds(within.rest, row, jobs)}

    def why() -> str:
        with book.connect() as connection:
            told = "" if voided or first is None else column_without(connection, wanted, listing)
            rows = (_with_job(kind, row) for row in listed(connection, kind, voided=voided))
            asked = wanted.names()
            return told or why_none(wanted, [{name: row.get(name) for name in asked} for row in rows])

    return Asked(within.conditions, None if within.whole else judge, why)


def _with_job(kind: str, row: Mapping[str, Any]) -> Mapping[str, Any]:
    # A job is named by its ID or its name, in every list: its own too.
    return {**row, "job": row["id"]} if kind == "jobs" else row


def _job_names(connection: Connection, rows: Rows, wanted: Filter) -> dict[str, str | None]:
    """Return the names of the jobs of some records by their IDs, where a filter asks of jobs."""
    if "job" not in wanted.names():
        return {}
    texts = {row["job"] for row in rows.values() if row.get("job") is not None}
    asked = select(Job.id, Job.name).where(Job.id.in_([ids.read_id(text)[0].number for text in texts]))
    return {ids.job_id(number): name for number, name in connection.execute(asked)}


def _holds(wanted: Filter, row: Mapping[str, Any], jobs: Mapping[str, str | None]) -> bool:
    """Whether a filter holds of a record; a job is named by its ID or its name."""
    job = row.get("job")
    named = [each for each in (job, jobs.get(str(job))) if each is not None]
    rest = Filter(tuple(term for term in wanted.terms if term.name != "job"))
    of_job = [term for term in wanted.terms if term.name == "job"]
    hits = [(term.sign == "!=", [term.holds(each) for each in named]) for term in of_job]
    return rest.holds(row) and all(all(found) if unlike else any(found) for unlike, found in hits)
