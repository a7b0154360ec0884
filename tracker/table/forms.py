"""The table written down: CSV, Markdown, HTML, and lines for a terminal."""

from __future__ import annotations

import csv
import html
import io
import textwrap
from collections.abc import Callable, Iterator, Sequence

from tracker.table.cells import Cell
from tracker.table.look import html_page
from tracker.table.summary import SummaryTable, TableRow
from tracker.units import shown


def heading(table: SummaryTable, quantity: str, lie: str) -> str:
    """Return a column's heading: quantity, way of lying, unit."""
    unit = shown(table.units[quantity])
    return " ".join(part for part in (quantity, lie, f"[{unit}]" if unit else "") if part)


def _head(table: SummaryTable) -> list[str]:
    return [
        "material", "condition", *(heading(table, *column) for column in table.columns),
        "upright/flat", "supply", "last", "remark",
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
        "; ".join(remarks(row)),
    ]


def remarks(row: TableRow) -> Sequence[str]:
    """Return what should be read beside a row: the choice, remarks, hints, what was set aside, the ratio.

    What is said of several quantities is said once, with their names.
    """
    of: dict[str, list[str]] = {}
    for (quantity, lie), each in row.cells.items():
        for text in _said_of(each):
            of.setdefault(text, []).append(f"{quantity} {lie}".strip())
    said = [*([row.choice] if row.choice else []), *row.departures]
    said += [f"{text} ({', '.join(names)})" for text, names in of.items()]
    if row.ratio is not None:
        said += [f"upright/flat: {reason}" for reason in row.ratio.reasons]
    return said


def _said_of(each: Cell) -> Iterator[str]:
    yield from each.remarks
    yield from each.hints
    if each.limits and each.n:
        yield f"not in the mean: {each.limits_text()}"
    if each.set_aside:
        yield f"{each.set_aside} set aside"
    if each.uninformative:
        yield "1 result, no interval" if each.n == 1 else "2 results, the interval says next to nothing"


def as_csv(table: SummaryTable) -> str:
    """Return one line a cell, with the measurements behind it: easy to read by other programs."""
    text = io.StringIO()
    lines = csv.writer(text, lineterminator="\n")
    lines.writerow([
        "material", "family", "condition", "quantity", "lie", "unit", "n", "mean", "sd", "low", "high",
        "limits", "set_aside", "published", "supply", "last", "measurements", "remarks",
    ])  # fmt: skip
    for row in table.rows:
        for (quantity, lie), each in row.cells.items():
            lines.writerow([
                row.material, row.family or "", row.words, quantity, lie, each.unit,
                each.n, each.mean, each.sd, each.low, each.high, " ".join(each.limits), each.set_aside,
                "yes" if row.published else "",
                "; ".join(row.supply), row.last or "", " ".join(each.results),
                "; ".join([*row.departures, *each.remarks]),
            ])  # fmt: skip
    lines.writerow([])
    lines.writerow([table.caution])
    return text.getvalue()


def as_markdown(table: SummaryTable) -> str:
    """Return the table as Markdown, its caution below."""
    head = _head(table)
    lines = [head, ["---"] * len(head), *(_line(table, row) for row in table.rows)]
    body = "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)
    return f"{body}\n\n{table.caution}\n"


def as_html(table: SummaryTable) -> str:
    """Return the table as an HTML page of its own; each figure names its measurements in its title."""
    return html_page("Summary", html_table(table), table.caution)


Target = Callable[[TableRow, tuple[str, str] | None], str]
"""From a row, and the column of a figure or None for the material, to the address of what lies behind it."""


def html_table(table: SummaryTable, target: Target | None = None) -> str:
    """Return the table as markup.

    Args:
        table: What to write down.
        target: Says where materials and figures lead; they lead nowhere where None.
    """
    columns: list[tuple[str, str] | None] = [None, None, *table.columns, *([None] * 4)]
    lines = [_line(table, row) for row in table.rows]
    # What is empty in all rows would only push the rest off the page.
    kept = [place for place in range(len(columns)) if any(line[place] not in ("", "–") for line in lines)]
    head = "".join(
        f'<th scope="col">{html.escape(text)}</th>' for text in map(_head(table).__getitem__, kept)
    )
    body = "".join(
        f"<tr>{''.join(_html_cell(row, columns[place], line[place], target, place) for place in kept)}</tr>\n"
        for row, line in zip(table.rows, lines, strict=True)
    )
    return (
        f'<div class="wide" tabindex="0"><table><thead><tr>{head}</tr></thead>\n'
        f"<tbody>\n{body}</tbody></table></div>"
    )


def _html_cell(
    row: TableRow, column: tuple[str, str] | None, text: str, target: Target | None, place: int
) -> str:
    cell = row.cells.get(column) if column is not None else None
    said = html.escape(text)
    if target is not None and (cell is not None or place == 0):
        said = f'<a href="{html.escape(target(row, column))}">{said}</a>'
    if cell is None:
        return f"<td>{said}</td>"
    return f'<td class="n" title="{html.escape(" ".join(cell.results))}">{said}</td>'


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
        yield from _figures(table, row)
        beside = [*remarks(row), *([f"supplied: {'; '.join(row.supply)}"] if row.supply else [])]
        for text in beside:
            yield from _wrapped(text, width, "    ", "      ")
    if table.rows:
        yield ""
    yield from _wrapped(table.caution, width, "", "")


def _figures(table: SummaryTable, row: TableRow) -> Iterator[str]:
    wide = max((len(" ".join(column).strip()) for column in row.cells), default=0)
    for column in table.columns:
        if column in row.cells:
            cell = row.cells[column]
            yield f"  {' '.join(column).strip():<{wide}}  {cell.text(shown(table.units[column[0]]))}".rstrip()
    if row.ratio is not None:
        yield f"  {'upright/flat':<{wide}}  {row.ratio.text()}"


def _wrapped(text: str, width: int, first: str, rest: str) -> list[str]:
    if not width:
        return [f"{first}{text}"]
    return textwrap.wrap(
        text, max(width, 40), initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )
