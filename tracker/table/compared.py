"""The table as it is compared on a screen: for each figure a bar beside its like, and the best marked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tracker.table.cells import Cell
from tracker.table.results import Column
from tracker.table.summary import SummaryTable, TableRow


@dataclass(frozen=True)
class ComparedCell:
    """One figure.

    Attributes:
        cell: Of the table.
        bar_pct: Length of its bar, 0 to 100, by the greatest of its column; None without a mean, or where a
            column has values of both signs.
        best: The best of its column, by what its quantity calls better; never where it has only one figure.
    """

    cell: Cell
    bar_pct: float | None
    best: bool


@dataclass(frozen=True)
class ComparedRow:
    """A material in one condition; ``cells`` in the order of the columns, None where there is nothing."""

    row: TableRow
    cells: tuple[ComparedCell | None, ...]


def compared(
    table: SummaryTable, better: Mapping[str, bool | None], rows: Sequence[TableRow] | None = None
) -> list[ComparedRow]:
    """Return rows of a table with each figure held beside all others of its column.

    Args:
        table: All that is compared: bars and the best are by all of its rows.
        better: By quantity: whether a larger value is better, or None where neither is.
        rows: Those to be returned; all where None.
    """
    scales = {column: _scale(table, column, better.get(column.quantity)) for column in table.columns}
    return [
        ComparedRow(row, tuple(_cell(row.cells.get(column), *scales[column]) for column in table.columns))
        for row in (table.rows if rows is None else rows)
    ]


def _scale(table: SummaryTable, column: Column, larger: bool | None) -> tuple[float | None, float | None]:
    """Return the greatest absolute mean of a column, and its best one; None where there is no such thing."""
    means = [
        row.cells[column].mean
        for row in table.rows
        if column in row.cells and row.cells[column].mean is not None
    ]
    found = [each for each in means if each is not None]
    if not found:
        return None, None
    one_sign = min(found) >= 0 or max(found) <= 0
    best = None if larger is None or len(found) < 2 else (max(found) if larger else min(found))  # noqa: PLR2004 - of one none is best
    return (max(abs(each) for each in found) or None) if one_sign else None, best


def _cell(cell: Cell | None, most: float | None, best: float | None) -> ComparedCell | None:
    if cell is None:
        return None
    bar = None if most is None or cell.mean is None else round(100.0 * abs(cell.mean) / most, 1)
    return ComparedCell(cell, bar, best is not None and cell.mean == best)


def filled_columns(rows: Sequence[ComparedRow]) -> list[int]:
    """Return the places of the columns that hold anything in some rows, the fullest first."""
    counts = [
        sum(one is not None for one in cells) for cells in zip(*(each.cells for each in rows), strict=True)
    ]
    return sorted((at for at, count in enumerate(counts) if count), key=lambda at: -counts[at])
