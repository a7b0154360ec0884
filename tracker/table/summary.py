"""The running summary: materials and conditions down, quantities and ways of lying across."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.book import Book
from tracker.model import Choice, Material, Spool
from tracker.moments import local_day
from tracker.plugins import Plugged
from tracker.selection import Filter, ResultRow
from tracker.table.cells import Cell, Ratio, cell, interlayer_ratio
from tracker.table.conditions import (
    Condition,
    Origins,
    departures,
    measured_by_job,
    origins,
    spools_by_job,
    told_apart,
    words,
)
from tracker.table.filtering import results_where, why_nothing
from tracker.table.points import Point, lie_of, moment_of, points

CAUTION: Final = (
    "Comparisons between printed pieces on home-made rigs: not design allowables, not a certification. "
    "Intervals hold the scatter of the pieces tested, not of other lots, printers or rigs."
)

STRENGTH: Final = "tensile.strength"
_LIES: Final = ("flat", "on edge", "upright")


@dataclass
class TableRow:
    """A material under one condition.

    Attributes:
        material: Name.
        family: Polymer family, or None.
        condition: Settings by name, as far as recorded.
        words: The settings in which it differs from the material's other rows.
        supply: How the spools behind its figures came, each once.
        departures: Where what was measured while printing was not what was meant, in words.
        last: Day of the newest measurement.
        cells: By quantity and way of lying.
        ratio: Upright over flat, of the tensile strength.
        published: Whether this condition was chosen to be published.
        choice: Remark and reason of the choice.
        jobs: Numbers of the jobs behind its figures.
        spools: Numbers of the spools that were tested themselves.
    """

    material: str
    family: str | None
    condition: dict[str, Any]
    words: str
    supply: tuple[str, ...] = ()
    last: dt.date | None = None
    cells: dict[tuple[str, str], Cell] = field(default_factory=dict)
    ratio: Ratio | None = None
    published: bool = False
    choice: str = ""
    departures: tuple[str, ...] = ()
    jobs: frozenset[int] = frozenset()
    spools: frozenset[int] = frozenset()

    def as_json(self) -> dict[str, Any]:
        """Return the row as plain JSON values."""
        return {
            "material": self.material, "family": self.family, "condition": self.condition,
            "supply": list(self.supply), "departures": list(self.departures),
            "last": self.last.isoformat() if self.last else None,
            "published": self.published, "choice": self.choice,
            "cells": [{"lie": lie, **each.as_json()} for (_, lie), each in self.cells.items()],
            "interlayer_ratio": self.ratio.as_json() if self.ratio else None,
        }  # fmt: skip


@dataclass
class SummaryTable:
    """The table.

    Attributes:
        rows: Sorted as asked.
        columns: Quantity and way of lying, in order.
        units: By quantity.
        caution: To stand at its foot.
        why_empty: Why there are no rows, a sentence; empty where there are some.
    """

    rows: list[TableRow]
    columns: list[tuple[str, str]]
    units: dict[str, str]
    caution: str = CAUTION
    why_empty: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the table as plain JSON values."""
        return {
            "columns": [{"quantity": q, "lie": lie, "unit": self.units[q]} for q, lie in self.columns],
            "rows": [row.as_json() for row in self.rows],
            "caution": self.caution,
            "why_empty": self.why_empty,
        }


def summary_table(
    book: Book,
    *,
    where: Filter | None = None,
    quantities: Sequence[str] | None = None,
    ordinal: Iterable[str] = (),
    sort: str | None = None,
    plugged: Plugged | None = None,
) -> SummaryTable:
    """Return the summary of a book.

    Args:
        book: To be read.
        where: Only results of which this holds.
        quantities: Only these; all that have values where None.
        ordinal: Names of quantities that are grades.
        sort: Quantity by whose best mean materials are sorted; by name where None.
        plugged: Plugins whose factors a filter may ask of.

    Raises:
        FilterError: ``where`` asks of something that is recorded nowhere.
    """
    among = None if where is None else _numbers(results_where(book, where, quantities, plugged))
    with book.connect() as connection:
        found = points(connection, quantities, among)
        known = origins(connection)
        spools = spools_by_job(connection)
        supply = _supplies(connection)
        measured = measured_by_job(connection)
        chosen = _choices(connection)
    lines = _grouped(found, known, frozenset(ordinal), spools, book.zone)
    for line in lines:
        line.supply = tuple(sorted({supply[spool] for spool in _spools_of(line, spools) if spool in supply}))
        line.departures = departures(measured[job] for job in sorted(line.jobs) if job in measured)
        line.published, line.choice = _choice_of(line, chosen, book.zone)
    _sort(lines, sort)
    columns = columns_of(lines)
    units = {each.quantity: each.unit for each in found}
    told = SummaryTable(lines, columns, units)
    if not lines:
        told.why_empty = _why_empty(book, where, quantities, plugged)
    return told


def _why_empty(
    book: Book, where: Filter | None, quantities: Sequence[str] | None, plugged: Plugged | None
) -> str:
    of = f" of {', '.join(quantities)}" if quantities else ""
    with book.connect() as connection:
        if not points(connection, quantities):
            return f"There are no results{of} in this book yet."
    return why_nothing(book, where, quantities, plugged) if where is not None else ""


def measured_by(plugged: Plugged) -> list[str]:
    """Return the quantities that the installed methods give."""
    return [quantity.name for each in plugged.methods.values() for quantity in each.method.quantities]


def graded(plugged: Plugged) -> list[str]:
    """Return the quantities of the installed methods that are grades: ranked, never averaged."""
    return [
        quantity.name
        for each in plugged.methods.values()
        for quantity in each.method.quantities
        if quantity.scale == "ordinal"
    ]


def _numbers(rows: Iterable[ResultRow]) -> frozenset[int]:
    return frozenset(row.result for row in rows)


_ByColumn = dict[tuple[str, str], list[Point]]


def _grouped(
    found: Sequence[Point],
    known: Origins,
    ordinal: frozenset[str],
    spools: Mapping[int, frozenset[int]],
    zone: dt.tzinfo,
) -> list[TableRow]:
    lines = []
    for (material, family), by_condition in _sorted_out(found, known).items():
        names = told_apart(by_condition)
        for condition, by_column in by_condition.items():
            line = TableRow(
                material or "not recorded", family, dict(condition), words(condition, names),
                last=_last(by_column, zone),
            )  # fmt: skip
            line.cells = {key: cell(rows, ordinal=key[0] in ordinal) for key, rows in by_column.items()}
            line.ratio = _ratio(by_column, spools)
            every = [point for rows in by_column.values() for point in rows]
            line.jobs = frozenset(point.job for point in every if point.job is not None)
            line.spools = frozenset(point.spool for point in every if point.spool is not None)
            lines.append(line)
    return lines


def _sorted_out(
    found: Sequence[Point], known: Origins
) -> dict[tuple[str | None, str | None], dict[Condition, _ByColumn]]:
    """Put results under material, condition, quantity and way of lying, in one pass."""
    # First by what is quick to compare, the plate and letters; then by what these mean, once for each.
    alike: dict[tuple[Any, ...], list[Point]] = {}
    for point in found:
        special = point.specimen if point.specimen in known.special else None
        key = (point.job, point.spool, special, point.quantity, point.orientation)
        held = alike.get(key)
        if held is None:
            alike[key] = [point]
        else:
            held.append(point)
    groups: dict[tuple[str | None, str | None], dict[Condition, _ByColumn]] = {}
    for rows in alike.values():
        material, family, condition = known.of(rows[0])
        by_column = groups.setdefault((material, family), {}).setdefault(condition, {})
        by_column.setdefault((rows[0].quantity, lie_of(rows[0])), []).extend(rows)
    return groups


def _last(by_column: _ByColumn, zone: dt.tzinfo) -> dt.date | None:
    moments = [point.at for rows in by_column.values() for point in rows if point.at is not None]
    return local_day(moment_of(max(moments)), zone) if moments else None


def _ratio(by_column: _ByColumn, spools: Mapping[int, frozenset[int]]) -> Ratio | None:
    upright, flat = (
        [row for row in by_column.get((STRENGTH, lie), ()) if row.counted and row.relation == "="]
        for lie in ("upright", "flat")
    )
    return interlayer_ratio(upright, flat, spools)


def _spools_of(line: TableRow, by_job: Mapping[int, frozenset[int]]) -> frozenset[int]:
    """Return the spools that a row's pieces were printed from, or that were tested themselves."""
    return line.spools.union(*(by_job.get(job, frozenset()) for job in line.jobs))


def _supplies(connection: Connection) -> dict[int, str]:
    """Return how each spool came, by its number."""
    rows = connection.execute(select(Spool.id, Spool.supplied, Spool.supplied_by))
    told = {spool: " by ".join(part for part in (supplied, by) if part) for spool, supplied, by in rows}
    return {spool: text for spool, text in told.items() if text}


def _choices(connection: Connection) -> dict[str, Any]:
    statement = (
        select(Material.name, Choice.condition, Choice.remark, Choice.reason, Choice.by, Choice.at)
        .join(Material, Material.id == Choice.material_id)
        .order_by(Choice.id)
    )
    return {row.name: row for row in connection.execute(statement)}


def _choice_of(line: TableRow, chosen: Mapping[str, Any], zone: dt.tzinfo) -> tuple[bool, str]:
    choice = chosen.get(line.material)
    if choice is None or any(line.condition.get(name) != value for name, value in choice.condition.items()):
        return False, ""
    return True, f"{choice.remark or choice.reason} ({choice.by}, {local_day(choice.at, zone)})"


def _sort(lines: list[TableRow], quantity: str | None) -> None:
    def best(line: TableRow) -> float:
        means = [
            each.mean for (name, _), each in line.cells.items() if name == quantity and each.mean is not None
        ]
        return -max(means, default=float("-inf"))

    lines.sort(key=lambda line: (best(line) if quantity else 0.0, line.material.casefold(), line.words))


def columns_of(lines: Sequence[TableRow]) -> list[tuple[str, str]]:
    """Return quantities and ways of lying of which rows have something to say, in order."""
    found = {
        key for line in lines for key, each in line.cells.items() if each.n or each.limits or each.set_aside
    }
    order = {lie: place for place, lie in enumerate(_LIES)}
    return sorted(found, key=lambda key: (key[0], order.get(key[1], len(order))))
