"""The table put down: CSV, Markdown, HTML, lines for a terminal; and compared on a screen.

Compared, each figure has a bar beside its like, and the best is marked.
"""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from tracker.safe_text import cell, markdown
from tracker.stating import shown
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


def heading(table: SummaryTable, column: Column) -> str:
    """Return a column's heading: title of the quantity, orientation, group, unit."""
    unit, called = shown(table.units[column.quantity]), table.called(column)
    return f"{called} [{unit}]" if unit else called


def _head(table: SummaryTable) -> list[str]:
    return [
        "material", "condition", *(heading(table, column) for column in table.columns),
        "interlayer ratio (upright/flat)", "supply", "last", "remark",
    ]  # fmt: skip


def _line(table: SummaryTable, row: TableRow) -> list[str]:
    cells = [row.cells[column].text() if column in row.cells else "–" for column in table.columns]
    return [
        row.material,
        row.words + (" (published)" if row.published else ""),
        *cells,
        row.ratio.text() if row.ratio else "–",
        "; ".join(row.supply),
        row.last.isoformat() if row.last else "",
        "; ".join(remarks(table, row)),
    ]


def remarks(table: SummaryTable, row: TableRow) -> Sequence[str]:
    """Return what should be read beside a row: the choice, notes, what intervals rest on, hints, the ratio.

    What is said of several quantities is said once, with their names.
    """
    of: dict[str, list[str]] = {}
    for column, each in row.cells.items():
        for text in (*each.hints, *each.caveats()):
            of.setdefault(text, []).append(table.called(column))
    remarks = [*([row.choice] if row.choice else []), *row.departures, *row.notes]
    for text, names in of.items():
        others = [name for name in map(table.called, row.cells) if name not in names]
        # What holds of the whole row needs no list of its quantities, and of most of it the shorter list.
        if len(names) > len(others) and len(row.cells) > 1:
            remarks.append(f"{text} (all but {'; '.join(others)})" if others else text)
        else:
            remarks.append(f"{text} ({'; '.join(names)})")
    if row.ratio is not None:
        remarks += [f"interlayer ratio: {reason}" for reason in row.ratio.reasons]
    return remarks


_CSV = (
    "material", "family", "condition", "quantity", "lie", "unit", "n", "mean", "sd", "low", "high", "limits",
    "set_aside", "published", "supply", "last", "measurements", "remarks", "orientation", "group", "share",
    "plates", "s_r", "s_L", "U", "k", "nu", "basis", "mean_with_limits", "hints", "caution",
)  # fmt: skip


def as_csv(table: SummaryTable) -> str:
    """Return one line a cell, with the measurements behind it: data alone, for other programs."""
    text = io.StringIO()
    lines = csv.writer(text, lineterminator="\n")
    lines.writerow(_CSV)
    for row in table.rows:
        for column, each in row.cells.items():
            lines.writerow([cell(value) for value in _csv_line(table, row, column, each)])
    return text.getvalue()


def _csv_line(table: SummaryTable, row: TableRow, column: Column, each: Cell) -> list[Any]:
    found, limited = each.found, each.limited
    return [
        row.material, row.family or "", row.words, column.quantity, column.orientation, each.unit, each.n,
        each.mean, each.sd, each.low, each.high, "; ".join(each.limits), each.set_aside,
        "yes" if row.published else "", "; ".join(row.supply), row.last or "", " ".join(each.results),
        "; ".join([*row.departures, *each.remarks, *each.caveats()]), column.orientation, column.group,
        each.share, each.plates, *(
            (found.s_r, found.s_l, found.expanded, found.k, found.nu, found.basis) if found else (None,) * 6
        ),
        limited.mean if limited else None, "; ".join(each.hints), table.caution,
    ]  # fmt: skip


def as_markdown(table: SummaryTable) -> str:
    """Return the table as Markdown, its caution below."""
    head = _head(table)
    lines = [head, ["---"] * len(head), *(_line(table, row) for row in table.rows)]
    body = "\n".join("| " + " | ".join(map(markdown, line)) + " |" for line in lines)
    return f"{body}\n\n{table.caution}\n"


@cache
def _pages() -> Environment:
    return Environment(
        loader=PackageLoader("tracker.table", "pages"), autoescape=True, undefined=StrictUndefined
    )


_IN_TITLE = 60
"""Measurements named in the title of a figure; the data files name all."""


def as_html(table: SummaryTable) -> str:
    """Return the table as an HTML page that needs nothing beside itself; figures name their measurements."""
    columns: list[Column | None] = [None, None, *table.columns, *([None] * 4)]
    lines = [_line(table, row) for row in table.rows]
    # What is empty in all rows would only push the rest off the page.
    kept = [place for place in range(len(columns)) if any(line[place] not in ("", "–") for line in lines)]
    body = [
        [{"text": line[place], "title": _in_title(row, columns[place])} for place in kept]
        for row, line in zip(table.rows, lines, strict=True)
    ]
    head = [_head(table)[place] for place in kept]
    page = _pages().get_template("page.html")
    return page.render(title="Summary", head=head, lines=body, foot=table.caution) + "\n"


def _in_title(row: TableRow, column: Column | None) -> str | None:
    cell = row.cells.get(column) if column is not None else None
    if cell is None:
        return None
    names = cell.results
    more = f" and {len(names) - _IN_TITLE} more" if len(names) > _IN_TITLE else ""
    return " ".join(names[:_IN_TITLE]) + more


def as_lines(table: SummaryTable, width: int = 0) -> Iterator[str]:
    """Yield the table for a terminal: a material a paragraph, a quantity a line.

    Args:
        table: What to write down.
        width: Columns into which sentences are wrapped; 0 for as long as they are.
    """
    for row in table.rows:
        title = " · ".join(
            part for part in (row.material, row.words, "published" if row.published else "") if part
        )
        yield from _wrapped(title, width, "", "  ")
        yield from _figures(table, row, width)
        beside = [*remarks(table, row), *([f"supplied: {'; '.join(row.supply)}"] if row.supply else [])]
        for text in beside:
            yield from _wrapped(text, width, "    ", "      ")
    if table.rows:
        yield ""
    yield from _wrapped(table.caution, width, "", "")


_NAME: Final = 26
"""Letters of a name beside which its figures stand; those of a longer one are not in line with the others."""


def _figures(table: SummaryTable, row: TableRow, width: int) -> Iterator[str]:
    figures = [
        (table.called(c), row.cells[c].text(table.units[c.quantity])) for c in table.columns if c in row.cells
    ]
    if row.ratio is not None:
        figures.append(("Interlayer ratio (upright/flat)", row.ratio.text()))
    # One long name would push the figures of all others to the right.
    wide = max((len(name) for name, _ in figures if len(name) <= _NAME), default=0)
    for name, text in figures:
        line = f"  {name:<{wide}}  {text}".rstrip()
        # Too long for the terminal, the figures go below their name, whole.
        if width and len(line) > width:
            yield f"  {name}"
            yield from _wrapped(text, width, "    ", "      ")
        else:
            yield line


def _wrapped(text: str, width: int, first: str, rest: str) -> list[str]:
    if not width:
        return [f"{first}{text}"]
    return textwrap.wrap(
        text, max(width, 40), initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )
