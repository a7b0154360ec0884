"""What is published: every result of the book that a filter lets in, and how each of them stands."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from sqlalchemy import Connection, select

from tracker.book import Book
from tracker.errors import Refused
from tracker.model import Result, Verdict
from tracker.plugins import Plugged
from tracker.selection import Filter, ResultRow
from tracker.table import (
    CAUTION,
    STRENGTH,
    SummaryTable,
    TableRow,
    columns_of,
    graded,
    results_where,
    summary_table,
)

CAUTIONS: Final = (
    f"{CAUTION} Local codes, the maker's safety data sheet and licensed practice come before anything "
    "written here."
)
"""On every page and in every data file: numbers travel further than the table they stood in."""


@dataclass(frozen=True)
class Told:
    """A result and how it stands.

    Attributes:
        row: The result with its piece and material.
        reason: Why a verdict set it aside or counts it; empty where nobody said.
        refused: Why it has no value; empty where it has one.
    """

    row: ResultRow
    reason: str = ""
    refused: str = ""

    @property
    def standing(self) -> str:
        """How it stands, in words."""
        if self.row.value is None:
            return f"no value: {self.refused or 'not recorded why'}"
        if not self.row.counted:
            return f"set aside: {self.reason or 'not recorded why'}"
        return f"counted: {self.reason}" if self.reason else "counted"


@dataclass
class Gathered:
    """All that is published.

    Attributes:
        whole: The table with all conditions of all materials.
        front: Of it what stands on the first page: counted figures; of a material of which a condition was
            chosen, that one alone.
        measurements: Results by the ID of their measurement, in order.
        slugs: Of every material by its name: what its page is called.
    """

    whole: SummaryTable
    front: SummaryTable
    measurements: dict[str, list[Told]] = field(default_factory=dict)
    slugs: dict[str, str] = field(default_factory=dict)

    def all(self) -> Iterable[Told]:
        """Return all results."""
        return (told for each in self.measurements.values() for told in each)

    def set_aside(self) -> list[Told]:
        """Return the results that have a value and are kept out of the means."""
        return [told for told in self.all() if told.row.value is not None and not told.row.counted]


def gather(book: Book, plugged: Plugged, where: Filter | None = None) -> Gathered:
    """Return what of a book is published.

    Raises:
        Refused: There is nothing to publish.
    """
    whole = summary_table(book, where=where, ordinal=graded(plugged), plugged=plugged)
    whole.caution = CAUTIONS
    rows = results_where(book, where, plugged=plugged)
    with book.connect() as connection:
        reasons, refused = _reasons(connection), _refused(connection)
    if not rows:
        raise Refused(
            "There is nothing to publish", why="no result is in question", do="strandbook list results"
        )
    found = Gathered(whole, _front(whole), slugs=slugs(name_of(row) for row in rows))
    for row in rows:
        told = Told(row, reasons.get(row.result, ""), refused.get(row.result, ""))
        found.measurements.setdefault(row.measurement, []).append(told)
    return found


def name_of(row: ResultRow) -> str:
    """Return the name of a result's material, as the table has it."""
    return row.material or "not recorded"


def _reasons(connection: Connection) -> dict[int, str]:
    """Return the reason of the newest verdict on each result: the one that holds."""
    statement = select(Verdict.result_id, Verdict.reason).order_by(Verdict.id)
    return {row.result_id: row.reason for row in connection.execute(statement)}


def _refused(connection: Connection) -> dict[int, str]:
    statement = select(Result.id, Result.refused).where(Result.refused.is_not(None))
    return {row.id: row.refused or "" for row in connection.execute(statement)}


def _front(whole: SummaryTable) -> SummaryTable:
    chosen = {row.material for row in whole.rows if row.published}
    rows = [_counted(row) for row in whole.rows if row.published or row.material not in chosen]
    rows = [row for row in rows if row.cells]
    return SummaryTable(rows, columns_of(rows), whole.units, whole.caution)


def _counted(row: TableRow) -> TableRow:
    """Return a row without the figures of which nothing is counted."""
    return replace(row, cells={key: each for key, each in row.cells.items() if each.n or each.limits})


def of_material(whole: SummaryTable, material: str) -> SummaryTable:
    """Return the rows of one material, with the columns that they fill."""
    rows = [row for row in whole.rows if row.material == material]
    return SummaryTable(rows, columns_of(rows), whole.units, whole.caution)


def by_method(table: SummaryTable) -> dict[str, SummaryTable]:
    """Return a table for each method: side by side, all quantities would be wider than any page."""
    found = {}
    for method in dict.fromkeys(quantity.partition(".")[0] for quantity, *_ in table.columns):
        rows = [
            replace(
                row,
                cells={key: each for key, each in row.cells.items() if key[0].partition(".")[0] == method},
                ratio=row.ratio if STRENGTH.startswith(f"{method}.") else None,
            )
            for row in table.rows
        ]
        rows = [row for row in rows if row.cells]
        found[method] = SummaryTable(rows, columns_of(rows), table.units, table.caution)
    return found


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Return a file name for each name: letters that every disk and browser takes, each once."""
    taken: dict[str, str] = {}
    for name in dict.fromkeys(names):
        plain = slug(name) or "material"
        number, made = 1, plain
        while made in taken.values():
            number += 1
            made = f"{plain}-{number}"
        taken[name] = made
    return taken


def slug(name: str) -> str:
    """Return a name in small letters, digits, full stops and dashes; empty where nothing is left."""
    letters = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9.]+", "-", letters).strip("-.")[:60]


def quantities_of(table: SummaryTable) -> Sequence[str]:
    """Return the quantities of a table of which something can be drawn, in order."""
    drawn = {name for row in table.rows for (name, *_), each in row.cells.items() if each.values}
    return [name for name in dict.fromkeys(name for name, *_ in table.columns) if name in drawn]
