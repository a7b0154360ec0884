"""The page of one measurement: what came of it, its picture, and the whole way back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from tracker.api import Method
from tracker.publish.gathering import CAUTIONS, Told, name_of
from tracker.publish.markup import esc, grid, link, listed, picture
from tracker.publish.pages import value_of
from tracker.table import html_page
from tracker.trace import WORDS, Station, Trace, corrections, stations


def measurement_page(
    way: Trace,
    results: Sequence[Told],
    slugs: Mapping[str, str],
    method: Method | None,
    files: Mapping[str, str],
    *,
    drawn: bool,
) -> str:
    """Return the page of a measurement.

    Args:
        way: The way back from it.
        results: What came of it.
        slugs: Page names by material.
        method: Where it is installed.
        files: Recordings: their names, and their paths from this page.
        drawn: Whether its method drew a picture.
    """
    material = name_of(results[0].row)
    above = f"{link('../index.html', 'Summary')} · {link(f'../materials/{slugs[material]}.html', material)}"
    title = f"{way.id} {method.title if method else results[0].row.method}"
    parts = [
        _results(results),
        picture(f"{way.id}.svg", f"readings of {way.id}") if drawn else "",
        "<h2>The way back</h2>",
        f"<dl>{''.join(_entries(stations(way)))}</dl>",
        *_open(way),
        *_about(method),
        "<h2>Data</h2>",
        listed(_data(way, files)),
    ]
    return html_page(title, "\n".join(filter(None, parts)), CAUTIONS, above)


def _results(results: Sequence[Told]) -> str:
    rows = (
        (
            esc(told.row.quantity),
            esc(value_of(told)),
            esc(told.standing),
            esc(" ".join(told.row.remarks)),
        )
        for told in results
    )
    return grid(("quantity", "value", "standing", "remarks"), rows)


def _entries(stops: Sequence[Station]) -> Iterator[str]:
    for station in stops:
        shade = "" if station.known else ' class="aside"'
        said = esc("; ".join((station.head, *station.facts)))
        beside = f"<dl>{''.join(_entries(station.sides))}</dl>" if station.sides else ""
        yield f"<dt>{esc(station.label)}</dt><dd{shade}>{said}{beside}</dd>\n"


def _open(way: Trace) -> Iterator[str]:
    """Say what was corrected, and what the book does not hold."""
    said = [esc(f"{what} ({entry.reason})" if entry.reason else what) for what, entry in corrections(way)]
    if said:
        yield f"<h2>Corrected</h2>\n{listed(said)}"
    gaps = ", ".join(WORDS[place] for place in way.missing)
    yield f"<p>Not recorded: {esc(gaps or 'nothing is missing')}.</p>"


def _about(method: Method | None) -> Iterator[str]:
    if method is None:
        return
    yield f"<h2>Method</h2>\n<p>{esc(method.standard)}</p>"
    if method.cautions:
        yield listed(map(esc, [method.cautions] if isinstance(method.cautions, str) else method.cautions))


def _data(way: Trace, files: Mapping[str, str]) -> Iterator[str]:
    yield link(f"{way.id}.json", "all of this, JSON")
    yield link(f"{way.id}.prov.json", "provenance, PROV-JSON")
    for name, path in files.items():
        yield link(path, f"recording {name}")
