"""Going through all that is published, once, and writing it down."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath

from tracker.api import Method
from tracker.book import Book
from tracker.errors import Refused
from tracker.ids import read_id
from tracker.model import Measurement
from tracker.plugins import Plugged
from tracker.publish.folder import Site, written
from tracker.publish.gathering import Gathered, gather, of_material, quantities_of, slug
from tracker.publish.measurementpage import measurement_page
from tracker.publish.opendata import (
    json_text,
    measurement_data,
    prov_text,
    result_data,
    results_csv,
)
from tracker.publish.pages import index_page, material_page, set_aside_page
from tracker.selection import Filter
from tracker.table import as_csv
from tracker.table.charts import chart, curve_chart, stored, stored_picture
from tracker.trace import described_by, trace

Step = Callable[[int, int], None]
"""Is told of progress: measurements done, of all."""


@dataclass(frozen=True)
class Published:
    """What was written.

    Attributes:
        folder: Where.
        materials: Pages of materials.
        measurements: Pages of measurements.
        files: Files in all.
    """

    folder: Path
    materials: int
    measurements: int
    files: int


def publish(
    book: Book, plugged: Plugged, folder: Path, where: Filter | None = None, step: Step | None = None
) -> Published:
    """Write the summary of a book, and everything behind it, into a folder of pages and data.

    The same book gives the same bytes.

    Args:
        book: Read only.
        plugged: The methods.
        folder: New, empty, or published before: then it is replaced as a whole.
        where: Only results of which this holds.
        step: Is told how far it is.

    Raises:
        Refused: There is nothing to publish, or the folder holds something else or cannot be written.
    """
    found = gather(book, plugged, where)
    with written(folder) as site:
        site.put("index.html", index_page(found, _titles(plugged)))
        site.put("set-aside.html", set_aside_page(found))
        _data(site, found)
        for name in quantities_of(found.front):
            site.put(f"charts/{slug(name)}.svg", chart(found.front, [name]))
        for material in found.slugs:
            _material(site, book, plugged, found, material)
        _measurements(site, book, plugged, found, step or (lambda *_: None))
        count = site.count
    return Published(folder, len(found.slugs), len(found.measurements), count)


def _titles(plugged: Plugged) -> dict[str, str]:
    return {name: each.method.title for name, each in plugged.methods.items()}


def _data(site: Site, found: Gathered) -> None:
    site.put("data/table.json", json_text(found.whole.as_json()))
    site.put("data/table.csv", as_csv(found.whole))
    site.put("data/results.json", json_text({"results": [result_data(told) for told in found.all()]}))
    site.put("data/results.csv", results_csv(found.all()))


def _material(site: Site, book: Book, plugged: Plugged, found: Gathered, material: str) -> None:
    table, name = of_material(found.whole, material), found.slugs[material]
    pictures = []
    drawn = quantities_of(table)
    if drawn:
        site.put(f"charts/material-{name}.svg", chart(table, drawn))
        pictures.append((f"../charts/material-{name}.svg", f"every single result of {material}"))
    for method in sorted({quantity.partition(".")[0] for quantity in drawn} & set(plugged.methods)):
        try:
            curves = curve_chart(book, plugged, table, method)
        except Refused:
            # Most methods record no curves; the results are drawn all the same.
            continue
        path = f"charts/material-{name}-{method}.svg"
        site.put(path, curves)
        pictures.append((f"../{path}", f"{method} of {material}, piece over piece"))
    site.put(f"materials/{name}.html", material_page(found, _titles(plugged), material, pictures))


def _measurements(site: Site, book: Book, plugged: Plugged, found: Gathered, step: Step) -> None:
    numbers = {read_id(ident)[0].number: ident for ident in found.measurements}
    describe = described_by(plugged)
    with stored(book, list(numbers)) as rows:
        for done, row in enumerate(rows):
            ident = numbers[row.id]
            way = trace(book, read_id(ident)[0], describe=describe)
            picture = _drawn(book, plugged, row)
            if picture is not None:
                site.put(f"measurements/{ident}.svg", picture)
            page = measurement_page(
                way, found.measurements[ident], found.slugs, _method(plugged, row.method),
                _recordings(site, book, row), drawn=picture is not None,
            )  # fmt: skip
            site.put(f"measurements/{ident}.html", page)
            site.put(f"measurements/{ident}.json", json_text(measurement_data(way)))
            site.put(f"measurements/{ident}.prov.json", prov_text(way))
            step(done + 1, len(numbers))


def _drawn(book: Book, plugged: Plugged, row: Measurement) -> bytes | None:
    try:
        return stored_picture(book, plugged, row)
    except Refused:
        # A number without readings, or a method that is gone, is published without its picture.
        return None


def _method(plugged: Plugged, name: str) -> Method | None:
    loaded = plugged.methods.get(name)
    return None if loaded is None else loaded.method


def _recordings(site: Site, book: Book, row: Measurement) -> Mapping[str, str]:
    """Copy the recordings of a measurement, named by what they hold; returns their paths from its page."""
    found = {}
    for each in row.files:
        ending = slug(PurePath(each.name).suffix)
        path = f"files/{each.sha256}" + (f".{ending}" if ending else "")
        try:
            site.put(path, book.files.get(each.sha256))
        except Refused:
            # A recording that is gone is named by verify; what was computed from it still stands.
            continue
        found[each.name] = f"../{path}"
    return found
