"""The pages of a site: what each shows, put into templates; every text that people typed is escaped there."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from tracker.api import Method
from tracker.book import Book
from tracker.factors import factor_named, in_registry_order, value_words
from tracker.ids import read_id, spool_id
from tracker.lineage import Lineage
from tracker.moments import local_day
from tracker.publish.describing import schema_org
from tracker.publish.drawing import Strip
from tracker.publish.evidence import Leaves, provenance_path, recipe
from tracker.publish.gathering import CAUTIONS, LICENCES, Gathered, Told, lies, name_of
from tracker.publish.tables import TABLES
from tracker.stating import state_row
from tracker.table import Column, SummaryTable, TableRow
from tracker.trace import WORDS, Station, Trace, corrections, stations
from tracker.trace.walk import Path
from tracker.trace.way import Way

_WILSON: Final = 1.959964


@cache
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("tracker.publish"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )


def page(found: Gathered, template: str, up: str, **facts: Any) -> str:
    """Return a page.

    Args:
        found: What is published.
        template: Name of the template, without ending.
        up: From the page to the root of the site: ``""`` or ``"../"``.
        facts: What it shows.
    """
    about = found.about
    return (
        _templates()
        .get_template(f"{template}.html")
        .render(
            about=about,
            up=up,
            cautions=CAUTIONS,
            licence=LICENCES.get(about.licence),
            **{"above": [], **facts},
        )
    )


@dataclass(frozen=True)
class ResultLine:
    """A result as a line of a table."""

    measurement: str
    specimen: str
    title: str
    text: str
    number: str
    lying: str
    day: str
    standing: str
    remarks: Sequence[str]
    look: str
    figure: str
    how: str


def result_line(told: Told, book: Book) -> ResultLine:
    """Return a result as a line of a table: stated with U, its day in the bench's zone."""
    row = told.row
    # Figure, uncertainty and unit stay on one line.
    text = "–" if row.value is None else state_row(row).text.replace(" ", "\u00a0")
    return ResultLine(
        row.measurement,
        row.specimen,
        told.title.partition(" [")[0],
        text,
        "" if row.value is None else f"{row.value:.9g}",
        lies(row.orientation),
        "" if row.at is None else f"{local_day(row.at, book.zone)}",
        told.standing,
        row.remarks,
        "" if row.value is not None and row.counted else "hollow",
        "–" if row.value is None else state_row(row).short,
        "" if row.value is None else text.replace("\u00a0", " ").removeprefix(state_row(row).short).strip(),
    )


def front(found: Gathered) -> SummaryTable:
    """Return the rows of the first page: of a material of which a condition was chosen, that one alone."""
    chosen = {row.material for row in found.whole.rows if row.published}
    rows = [row for row in found.whole.rows if row.published or row.material not in chosen]
    return SummaryTable(rows, found.whole.columns, found.whole.units, found.whole.caution)


def index_page(found: Gathered, pictures: Sequence[tuple[str, str]], titles: Mapping[str, str]) -> str:
    """Return the first page: pictures, the table by method, what failed, and where the data lie."""
    table = front(found)
    several = sorted(
        {row.material for row in table.rows if not row.published and _several(table, row.material)}
    )
    tested = {name_of(told.row) for told in found.all() if told.row.value is not None}
    without = [(name, f"materials/{found.slugs[name]}.html") for name in found.slugs if name not in tested]
    return page(
        found,
        "index",
        "",
        title=found.about.title,
        pictures=pictures,
        dataset=schema_org(found),
        tables=list(_tables(found, table, titles)),
        unchosen=", ".join(several),
        without=without,
        failures=failure_lines(found),
        aside=len(found.set_aside()),
        data=[(each.path, each.title) for each in TABLES],
    )


def _several(table: SummaryTable, material: str) -> bool:
    return sum(row.material == material for row in table.rows) > 1


def _tables(
    found: Gathered, table: SummaryTable, titles: Mapping[str, str]
) -> Iterable[tuple[str, list[str], list[Any]]]:
    """Yield a table for each method: side by side, all quantities would be wider than any page."""
    for method in dict.fromkeys(column.quantity.partition(".")[0] for column in table.columns):
        columns = [key for key in table.columns if key.quantity.partition(".")[0] == method]
        columns = [key for key in columns if any(_shown(row, key) for row in table.rows)]
        rows = [row for row in table.rows if any(_shown(row, key) for key in columns)]
        if rows:
            head = [_heading(found, column) for column in columns]
            yield titles.get(method, method), head, [_row(found, row, columns) for row in rows]


def _heading(found: Gathered, column: Column) -> str:
    """Return the heading of a column: quantity, unit, orientation and break type."""
    return ", ".join(
        filter(None, (f"{found.heading(column.quantity)} {column.orientation}".strip(), column.group))
    )


def _shown(row: TableRow, key: Column) -> bool:
    cell = row.cells.get(key)
    return cell is not None and bool(cell.n or cell.limits)


def _row(found: Gathered, row: TableRow, columns: Sequence[Column]) -> dict[str, Any]:
    cells = []
    for key in columns:
        cell = row.cells[key] if _shown(row, key) else None
        cells.append(
            {
                "text": "" if cell is None else cell.text(),
                "number": "" if cell is None or cell.mean is None else f"{cell.mean:.9g}",
                "title": "" if cell is None else " ".join(cell.results[:40]),
                "count": "",
            }
        )
    return {
        "material": row.material,
        "condition": row.words + (" (published)" if row.published else ""),
        "page": f"materials/{found.slugs[row.material]}.html",
        "cells": cells,
    }


def failure_lines(found: Gathered) -> list[dict[str, Any]]:
    """Return failure rates by material and orientation, each with its 95 % interval (Wilson 1927)."""
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for lineage in found.pieces.values():
        row = lineage.specimen
        if row is not None and row.outcome is not None:
            groups[
                lineage.material.name if lineage.material else "not recorded", lies(row.orientation)
            ].append(row.outcome)
    lines = []
    for (material, lying), outcomes in sorted(groups.items()):
        failed = outcomes.count("failed")
        low, high = wilson(failed, len(outcomes))
        lines.append(
            {
                "material": material,
                "lying": lying or "not recorded",
                "printed": len(outcomes),
                "failed": failed,
                "rate": f"{failed / len(outcomes):.4f}",
                "text": f"{100 * failed / len(outcomes):.0f} % ({100 * low:.0f} to {100 * high:.0f} %)",
            }
        )
    return lines if any(line["failed"] for line in lines) else []


def wilson(hits: int, of: int) -> tuple[float, float]:
    """Return the 95 % score interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927, 209–212)."""
    z, p = _WILSON, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * (p * (1 - p) / of + z * z / (4 * of * of)) ** 0.5
    return max(0.0, middle - half), min(1.0, middle + half)


def strips_of(found: Gathered, table: SummaryTable, quantity: str, *, one: bool = False) -> list[Strip]:
    """Return the lines of a picture of a quantity: a material, condition and orientation each.

    Results that were set aside, and limits, are hollow; beside each line stands how many pieces failed.
    """
    told = [each for each in found.all() if each.row.quantity == quantity and each.row.value is not None]
    lines = []
    for row in table.rows:
        own = [each for each in told if _in_row(each.row.job, row) and name_of(each.row) == row.material]
        for column, cell in row.cells.items():
            if column.quantity != quantity:
                continue
            here = [each.row for each in own if lies(each.row.orientation) == column.orientation]
            aside = [each.value for each in here if not each.counted and each.value is not None]
            limits = [
                each.value
                for each in here
                if each.counted and each.relation != "=" and each.value is not None
            ]
            if not (cell.values or aside or limits):
                continue
            lying = ", ".join(filter(None, (column.orientation, column.group)))
            words = (lying, row.words) if one else (row.material, lying, row.words)
            interval = (None, None) if cell.uninformative or cell.ordinal else (cell.low, cell.high)
            only = f", {len(limits)} limits" if limits else ""
            lines.append(
                Strip(
                    " · ".join(w for w in words if w),
                    cell.values,
                    aside,
                    cell.mean,
                    *interval,
                    f"n {cell.n}{only}{_failed(found, row, column.orientation)}",
                    limits,
                )
            )
    return lines


def _in_row(job: str | None, row: TableRow) -> bool:
    return job is None or read_id(job)[0].number in row.jobs


def _failed(found: Gathered, row: TableRow, orientation: str) -> str:
    """Return how many of the pieces of a row's jobs failed: ``, 1 of 8 failed``; empty where none did."""
    outcomes = [
        each.specimen.outcome
        for each in found.pieces.values()
        if each.specimen is not None
        and each.specimen.outcome is not None
        and each.specimen.job_id in row.jobs
        and lies(each.specimen.orientation) == orientation
    ]
    return f", {outcomes.count('failed')} of {len(outcomes)} failed" if "failed" in outcomes else ""


def dry_and_wet(found: Gathered, quantity: str) -> list[Strip]:
    """Return pairs of lines, dried beside not dried, of materials and orientations that have both.

    A piece counts as dried where a drying of its spool is recorded before the print and the open air since
    then is at most two days; common practice, no source.
    """
    groups: dict[tuple[str, str], dict[bool, list[float]]] = defaultdict(lambda: {True: [], False: []})
    for told in found.all():
        row = told.row
        if row.quantity != quantity or row.value is None or not row.counted or row.relation != "=":
            continue
        factors = found.factors.get(row.specimen, {})
        air = factors.get("open_air_h")
        if air is None or not isinstance(air.value, (int, float)):
            continue
        dried = "drying_h" in factors and air.value <= _STILL_DRY_H
        groups[name_of(row), lies(row.orientation)][dried].append(row.value)
    lines = []
    for (material, lying), pair in sorted(groups.items()):
        if pair[True] and pair[False]:
            for dried, values in pair.items():
                words = "dried" if dried else "not dried"
                lines.append(
                    Strip(
                        f"{material} · {lying} · {words}",
                        values,
                        (),
                        sum(values) / len(values),
                        note=f"n {len(values)}",
                    )
                )
    return lines


_STILL_DRY_H: Final = 48.0


def material_page(found: Gathered, book: Book, material: str, pictures: Sequence[tuple[str, str]]) -> str:
    """Return the page of one material: all its conditions, all its results, and what failed."""
    rows = [told for told in found.all() if name_of(told.row) == material]
    makers = {s.material.name: s.material.maker or "" for s in found.spools().values()}
    means = [
        {
            "title": found.heading(quantity),
            "lying": lying,
            "condition": row.words,
            "text": cell.text(),
            "number": "" if cell.mean is None else f"{cell.mean:.9g}",
            "count": cell.n,
        }
        for row in found.whole.rows
        if row.material == material
        for (quantity, lying, *_), cell in row.cells.items()
    ]
    failed = [
        (
            ident,
            f"{lies(each.specimen.orientation)}, {each.specimen.cause or each.specimen.remark or 'failed'}",
        )
        for ident, each in found.pieces.items()
        if each.specimen is not None
        and each.specimen.outcome == "failed"
        and each.material is not None
        and each.material.name == material
    ]
    return page(
        found,
        "material",
        "../",
        title=material,
        family=found.families.get(material, ""),
        maker=makers.get(material, ""),
        pictures=pictures,
        means=means,
        rows=[result_line(told, book) for told in rows],
        failed=failed,
        replies=found.answers.get(material, ()),
    )


def aside_page(found: Gathered, book: Book) -> str:
    """Return the page of the results that verdicts keep out of the means."""
    rows = [result_line(told, book) for told in found.set_aside()]
    return page(found, "aside", "", title="Set aside", rows=rows)


def _linked(found: Gathered, stops: Iterable[Station]) -> list[dict[str, Any]]:
    """Return stations with links from every ID that has a page to that page."""
    return [
        {
            "label": stop.label,
            "head": stop.head,
            "facts": list(stop.facts),
            "known": stop.known,
            "link": _link(found, stop.head),
            "sides": [
                {"label": s.label, "head": s.head, "facts": list(s.facts), "known": s.known}
                for s in stop.sides
            ],
        }
        for stop in stops
    ]


_IDENT: Final = re.compile(r"^[JSM]\d{4,}(-\d\d+)?-[0-9A-Z*]")


def _link(found: Gathered, head: str) -> str:
    match = _IDENT.match(head)
    return f"../{found.about.path(match[0])}index.html" if match else ""


def measurement_page(
    found: Gathered,
    book: Book,
    ident: str,
    way: Trace,
    files: Sequence[Leaves],
    method: Method | None,
    *,
    picture: bool,
) -> str:
    """Return the page of a measurement: what came of it, its curve, its way back, and how to repeat it."""
    told = found.measurements[ident]
    material = name_of(told[0].row)
    cautions = () if method is None else method.cautions
    return page(
        found,
        "measurement",
        "../",
        title=f"{ident} {method.title if method else told[0].row.method}",
        ident=ident,
        method_title=method.title if method else told[0].row.method,
        above=[(material, f"materials/{found.slugs[material]}.html")],
        told=[result_line(each, book) for each in told],
        replies=found.answers.get(ident, ()),
        picture=picture,
        stops=_linked(found, stations(way)),
        corrected=[f"{what} ({entry.reason})" if entry.reason else what for what, entry in corrections(way)],
        gaps=", ".join(WORDS[place] for place in way.missing),
        recipe=recipe(way),
        standard="" if method is None else method.standard,
        formulas=[] if method is None else [str(each) for each in method.formulas],
        cautions_of_method=[cautions] if isinstance(cautions, str) else list(cautions),
        recordings=[(each.name, each.path) for each in files if each.path],
        kept=[(each.name, each.why) for each in files if not each.path],
        provenance=provenance_path(way.path),
    )


def specimen_page(found: Gathered, book: Book, ident: str, lineage: Lineage, taken: Sequence[str]) -> str:
    """Return the page of a specimen: its way back, its results, the factors in force."""
    path = Path(read_id(ident)[0], lineage, lineage.given)
    way = Way(found.about.code, path, zone=book.zone)
    rows = [result_line(told, book) for each in taken for told in found.measurements[each]]
    factors = [
        {
            "title": factor_named(each.name).words,
            "text": value_words(each),
            "basis": each.basis,
            "source": each.source,
        }
        for each in in_registry_order(found.factors.get(ident, {}))
    ]
    row = lineage.specimen
    title = f"{ident} {row.name or ''}".rstrip() if row is not None else ident
    return page(
        found,
        "record",
        "../",
        title=title,
        stops=_linked(found, stations(way)),
        rows=rows,
        pieces=[],
        factors=factors,
        many=False,
        above=_above(found, lineage.material),
    )


def job_page(found: Gathered, book: Book, ident: str) -> str:
    """Return the page of a job: its way back and its pieces, those that failed as hollow marks."""
    printed = found.prints[ident]
    path = Path(read_id(ident)[0], Lineage(printed=printed))
    own = {
        name: each
        for name, each in found.pieces.items()
        if each.specimen is not None and each.specimen.job_id == printed.job.id
    }
    path.pieces = [each.specimen for each in own.values() if each.specimen is not None]
    way = Way(found.about.code, path, zone=book.zone)
    return page(
        found,
        "record",
        "../",
        title=f"{ident} {printed.job.name or ''}".rstrip(),
        stops=_linked(found, stations(way)),
        rows=[],
        factors=[],
        many=True,
        pieces=[(name, *_came_out(each)) for name, each in own.items()],
        above=_above(found, printed.material),
    )


def spool_page(found: Gathered, book: Book, ident: str, history: Any) -> str:
    """Return the page of a spool: its storage and dryings, and the jobs printed from it."""
    path = Path(read_id(ident)[0], alone=[history])
    jobs = [
        (name, each)
        for name, each in found.prints.items()
        if any(spool_id(s.spool.id) == ident for s in each.spools)
    ]
    path.hangs = [
        {
            "id": name,
            "name": each.job.name,
            "started_at": each.job.started_at,
            "specimens": sum(
                1 for p in found.pieces.values() if p.specimen and p.specimen.job_id == each.job.id
            ),
            "measurements": sum(
                1 for p in found.paths.values() if p.job is not None and p.job.id == each.job.id
            ),
        }
        for name, each in jobs
    ]
    way = Way(found.about.code, path, zone=book.zone)
    rows = [
        result_line(told, book)
        for each in found.measurements.values()
        for told in each
        if told.row.job is None and told.row.specimen == ident
    ]
    return page(
        found,
        "record",
        "../",
        title=f"{ident} {history.material.name}",
        stops=_linked(found, stations(way)),
        rows=rows,
        pieces=[(name, each.job.name or "", False) for name, each in jobs],
        factors=[],
        many=False,
        above=_above(found, history.material),
    )


def _came_out(lineage: Lineage) -> tuple[str, bool]:
    row = lineage.specimen
    if row is None:
        return "", False
    said = ", ".join(filter(None, (lies(row.orientation), row.outcome, row.cause or row.remark)))
    return said, row.outcome == "failed"


def _above(found: Gathered, material: Any) -> list[tuple[str, str]]:
    if material is None or material.name not in found.slugs:
        return []
    return [(material.name, f"materials/{found.slugs[material.name]}.html")]
