"""Pages of the summary: the first one, one for each material, one for what was set aside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from tracker.publish.gathering import (
    CAUTIONS,
    Gathered,
    Told,
    by_method,
    name_of,
    of_material,
    quantities_of,
    slug,
)
from tracker.publish.markup import esc, grid, link, listed, picture
from tracker.stating import state_row
from tracker.table import Column, SummaryTable, TableRow, html_page, html_table
from tracker.table.forms import Target

_DATA = (
    ("data/table.csv", "the table, CSV"),
    ("data/table.json", "the table, JSON"),
    ("data/results.csv", "every result, CSV"),
    ("data/results.json", "every result, JSON"),
)

_LEAD: Final = (
    "<p>Means with 95&nbsp;% intervals of the results that count. Every figure leads to the pieces behind "
    "it, and from each of these the way goes back to its print and its spool.</p>"
)
_ON_DATA: Final = (
    '<p class="faint">Each measurement has its own JSON, from which its numbers can be computed again, and '
    "its provenance as PROV-JSON.</p>"
)


def index_page(found: Gathered, titles: Mapping[str, str]) -> str:
    """Return the first page: the table, its pictures, and where everything else lies.

    Args:
        found: What is published.
        titles: Of the methods by their ids.
    """

    def target(row: TableRow, column: Column | None) -> str:
        return f"materials/{found.slugs[row.material]}.html" + ("" if column is None else "#results")

    charts = (picture(f"charts/{slug(name)}.svg", name) for name in quantities_of(found.front))
    aside = len(found.set_aside())
    parts = [
        _LEAD,
        *_unchosen(found),
        *_tables(found.front, titles, target),
        "" if found.front.rows else "<p>No result counts yet.</p>",
        f"<p>{link('set-aside.html', f'Set aside: {aside}')}, each with its reason.</p>",
        "<h2>Every single result</h2>",
        *charts,
        "<h2>Data</h2>",
        listed(link(path, text) for path, text in _DATA),
        _ON_DATA,
    ]
    return html_page("Summary", "\n".join(parts), CAUTIONS)


def _tables(table: SummaryTable, titles: Mapping[str, str], target: Target | None = None) -> list[str]:
    return [
        f"<h2>{esc(titles.get(method, method))}</h2>\n{html_table(each, target)}"
        for method, each in by_method(table).items()
    ]


def _unchosen(found: Gathered) -> list[str]:
    """Say of which materials several conditions stand side by side because none was chosen."""
    rows = found.front.rows
    names = [row.material for row in rows if not row.published]
    several = sorted({name for name in names if names.count(name) > 1})
    if not several:
        return []
    return [f'<p class="faint">No condition was chosen yet of {esc(", ".join(several))}: all are shown.</p>']


def material_page(
    found: Gathered, titles: Mapping[str, str], material: str, pictures: Sequence[tuple[str, str]]
) -> str:
    """Return the page of one material: all its conditions, and all its results.

    Args:
        found: What is published.
        titles: Of the methods by their ids.
        material: Its name.
        pictures: Paths from this page, and what they show.
    """
    results = [told for told in found.all() if name_of(told.row) == material]
    parts = [
        *_tables(of_material(found.whole, material), titles),
        *(picture(path, text) for path, text in pictures),
        '<h2 id="results">All results</h2>',
        results_grid(results),
    ]
    return html_page(material, "\n".join(parts), CAUTIONS, link("../index.html", "Summary"))


def set_aside_page(found: Gathered) -> str:
    """Return the page of the results that verdicts keep out of the means."""
    told = found.set_aside()
    body = results_grid(told, up="") if told else "<p>Nothing was set aside.</p>"
    return html_page("Set aside", body, CAUTIONS, link("index.html", "Summary"))


def results_grid(results: Sequence[Told], up: str = "../") -> str:
    """Return results as a table, each with a link to its way back."""
    rows = (
        (
            link(f"{up}measurements/{told.row.measurement}.html", told.row.measurement),
            esc(told.row.specimen),
            esc(told.row.quantity),
            esc(value_of(told)),
            esc(told.row.orientation or ""),
            esc(f"{told.row.at:%Y-%m-%d}" if told.row.at else ""),
            esc(told.standing),
        )
        for told in results
    )
    return grid(("measurement", "piece", "quantity", "value", "orientation", "day", "standing"), rows)


def value_of(told: Told) -> str:
    """Return a result's value with its expanded uncertainty and unit."""
    row = told.row
    if row.value is None:
        return "–"
    # Figure, uncertainty and unit stay on one line.
    return state_row(row).text.replace(" ", "\u00a0")
