"""The running summary: materials and conditions down, quantities and ways of lying across."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.book import Book
from tracker.ids import job_id
from tracker.model import Choice, Job, JobSpool, Material, Spool
from tracker.orientation import in_words
from tracker.selection import Filter, ResultRow, result_rows, selected
from tracker.table.cells import Cell, Ratio, cell, interlayer_ratio
from tracker.table.conditions import Condition, conditions, spools_by_job, told_apart, words

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
        supply: How its spools came, each once.
        last: Day of the newest measurement.
        cells: By quantity and way of lying.
        ratio: Upright over flat, of the tensile strength.
        published: Whether this condition was chosen to be published.
        choice: Remark and reason of the choice.
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

    def as_json(self) -> dict[str, Any]:
        """Return the row as plain JSON values."""
        return {
            "material": self.material, "family": self.family, "condition": self.condition,
            "supply": list(self.supply), "last": self.last.isoformat() if self.last else None,
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
    """

    rows: list[TableRow]
    columns: list[tuple[str, str]]
    units: dict[str, str]
    caution: str = CAUTION

    def as_json(self) -> dict[str, Any]:
        """Return the table as plain JSON values."""
        return {
            "columns": [{"quantity": q, "lie": lie, "unit": self.units[q]} for q, lie in self.columns],
            "rows": [row.as_json() for row in self.rows],
            "caution": self.caution,
        }


def summary_table(
    book: Book,
    *,
    where: Filter | None = None,
    quantities: Sequence[str] | None = None,
    ordinal: Iterable[str] = (),
    sort: str | None = None,
) -> SummaryTable:
    """Return the summary of a book.

    Args:
        book: To be read.
        where: Only results of which this holds.
        quantities: Only these; all that have values where None.
        ordinal: Names of quantities that are grades.
        sort: Quantity by whose best mean materials are sorted; by name where None.
    """
    with book.connect() as connection:
        rows = [row for row in result_rows(connection, quantities=quantities) if row.value is not None]
        if where is not None:
            rows = selected(rows, where)
        meant = conditions(connection)
        spools = {job_id(job): each for job, each in spools_by_job(connection).items()}
        supply = _supplies(connection)
        chosen = _choices(connection)
    lines = _grouped(rows, meant, frozenset(ordinal), spools, book.zone)
    for line in lines:
        line.supply = supply.get(line.material, ())
        line.published, line.choice = _choice_of(line, chosen)
    _sort(lines, sort)
    columns = _columns(lines)
    units = {row.quantity: row.unit for row in rows}
    return SummaryTable(lines, columns, units)


def _grouped(
    rows: Sequence[ResultRow],
    meant: Mapping[int, Condition],
    ordinal: frozenset[str],
    spools: dict[str, frozenset[int]],
    zone: dt.tzinfo,
) -> list[TableRow]:
    groups: dict[tuple[str, str | None], dict[Condition, list[ResultRow]]] = {}
    for row in rows:
        key = (row.material or "not recorded", row.family)
        condition = meant.get(row.specimen_row or 0, ())
        groups.setdefault(key, {}).setdefault(condition, []).append(row)
    lines = []
    for (material, family), by_condition in groups.items():
        names = told_apart(by_condition)
        for condition, members in by_condition.items():
            line = TableRow(material, family, dict(condition), words(condition, names))
            line.cells = _cells(members, ordinal)
            line.ratio = _ratio(members, spools)
            days = [row.at.astimezone(zone).date() for row in members if row.at is not None]
            line.last = max(days, default=None)
            lines.append(line)
    return lines


def lie_of(row: ResultRow) -> str:
    """Return how the piece of a result lay; empty where that is not recorded or makes no sense."""
    return in_words(row.orientation) if row.orientation else ""


def _cells(rows: Sequence[ResultRow], ordinal: frozenset[str]) -> dict[tuple[str, str], Cell]:
    by_key: dict[tuple[str, str], list[ResultRow]] = {}
    for row in rows:
        by_key.setdefault((row.quantity, lie_of(row)), []).append(row)
    return {key: cell(members, ordinal=key[0] in ordinal) for key, members in by_key.items()}


def _ratio(rows: Sequence[ResultRow], spools: dict[str, frozenset[int]]) -> Ratio | None:
    strong = [row for row in rows if row.quantity == STRENGTH and row.counted and row.relation == "="]
    upright, flat = ([row for row in strong if lie_of(row) == lie] for lie in ("upright", "flat"))
    return interlayer_ratio(upright, flat, spools)


def _supplies(connection: Connection) -> dict[str, tuple[str, ...]]:
    statement = (
        select(Material.name, Spool.supplied, Spool.supplied_by)
        .join(Spool, Spool.material_id == Material.id)
        .join(JobSpool, JobSpool.spool_id == Spool.id)
        .join(Job, Job.id == JobSpool.job_id)
        .distinct()
    )
    found: dict[str, list[str]] = {}
    for name, supplied, by in connection.execute(statement):
        told = " by ".join(part for part in (supplied, by) if part)
        if told:
            found.setdefault(name, []).append(told)
    return {name: tuple(sorted(all_of)) for name, all_of in found.items()}


def _choices(connection: Connection) -> dict[str, Any]:
    statement = (
        select(Material.name, Choice.condition, Choice.remark, Choice.reason, Choice.by, Choice.at)
        .join(Material, Material.id == Choice.material_id)
        .order_by(Choice.id)
    )
    return {row.name: row for row in connection.execute(statement)}


def _choice_of(line: TableRow, chosen: Mapping[str, Any]) -> tuple[bool, str]:
    choice = chosen.get(line.material)
    if choice is None or any(line.condition.get(name) != value for name, value in choice.condition.items()):
        return False, ""
    return True, f"{choice.remark or choice.reason} ({choice.by}, {choice.at:%Y-%m-%d})"


def _sort(lines: list[TableRow], quantity: str | None) -> None:
    def best(line: TableRow) -> float:
        means = [
            each.mean for (name, _), each in line.cells.items() if name == quantity and each.mean is not None
        ]
        return -max(means, default=float("-inf"))

    lines.sort(key=lambda line: (best(line) if quantity else 0.0, line.material.casefold(), line.words))


def _columns(lines: Sequence[TableRow]) -> list[tuple[str, str]]:
    found = {
        key for line in lines for key, each in line.cells.items() if each.n or each.limits or each.set_aside
    }
    order = {lie: place for place, lie in enumerate(_LIES)}
    return sorted(found, key=lambda key: (key[0], order.get(key[1], len(order))))
