"""The pages of a site: what each shows, put into templates; every text that people typed is escaped there."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, ClassVar, Final

from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PackageLoader, StrictUndefined

from tracker.api import FactorValue, Method
from tracker.book import Book
from tracker.cards import TEMPLATES, Card, CardTable, Fact
from tracker.factors import factor_named, in_registry_order, value_words
from tracker.ids import job_id, measurement_id, read_id
from tracker.lineage import Lineage, SpoolHistory
from tracker.moments import local_day
from tracker.orientation import oriented
from tracker.publish.describing import schema_org
from tracker.publish.drawing import Strip
from tracker.publish.evidence import PublishedRecording, repeating
from tracker.publish.gathering import (
    CAUTIONS,
    LICENCES,
    Answer,
    Gathered,
    PublishedResult,
    name_of,
    number_of_job,
    slug,
)
from tracker.publish.tables import TABLES
from tracker.selection import ResultRow
from tracker.stating import shown, state_row
from tracker.table import Cell, Column, SummaryTable, TableRow
from tracker.trace import WORDS, Station, Trace, corrections, stations
from tracker.trace.stations import Tested
from tracker.trace.walk import Path
from tracker.trace.way import UNKNOWN, Way

_WILSON: Final = 1.959964


@cache
def _templates() -> Environment:
    return Environment(
        loader=ChoiceLoader([PackageLoader("tracker.publish"), FileSystemLoader(TEMPLATES)]),
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
    orientation: str
    day: str
    standing: str
    remarks: Sequence[str]
    look: str
    figure: str
    how: str


def result_line(result: PublishedResult, book: Book) -> ResultLine:
    """Return a result as a line of its own: stated with U, its day in the bench's zone."""
    row, stated = result.row, state_row(result.row)
    valued = row.value is not None
    return ResultLine(
        row.measurement,
        row.specimen,
        result.title.partition(" [")[0],
        oriented(row.orientation),
        "" if row.at is None else f"{local_day(row.at, book.zone)}",
        result.standing,
        [text for text in row.remarks if text not in result.refused],
        "" if valued and row.counted else "hollow",
        stated.short if valued else "–",
        f"({stated.how})" if valued and stated.how else "",
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
    tested = {name_of(result.row) for result in found.all() if result.row.value is not None}
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
                lineage.material.name if lineage.material else "not recorded", oriented(row.orientation)
            ].append(row.outcome)
    lines = []
    for (material, orientation), outcomes in sorted(groups.items()):
        failed = outcomes.count("failed")
        low, high = wilson(failed, len(outcomes))
        lines.append(
            {
                "material": material,
                "orientation": orientation or "not recorded",
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
    lines = []
    for row in table.rows:
        own = [
            each.row
            for each in found.of(row.material, quantity)
            if each.row.job is None or number_of_job(each.row.job) in row.jobs
        ]
        for column, cell in row.cells.items():
            here = [each for each in own if oriented(each.orientation) == column.orientation]
            if column.quantity == quantity and (cell.values or any(map(_hollow, here))):
                note = _failed(found, row, column.orientation)
                orientation = ", ".join(filter(None, (column.orientation, column.group)))
                title = " · ".join(filter(None, ("" if one else row.material, orientation, row.words)))
                lines.append(_strip(title, cell, here, note))
    return lines


def _hollow(row: ResultRow) -> bool:
    """Whether a result is drawn hollow: it was set aside, or is a limit."""
    return row.value is not None and (not row.counted or row.relation != "=")


def _strip(title: str, cell: Cell, results: Sequence[ResultRow], failed: str) -> Strip:
    hollow = [(each.counted, each.value) for each in results if each.value is not None and _hollow(each)]
    limits = [value for counted, value in hollow if counted]
    interval = (None, None) if cell.uninformative or cell.ordinal else (cell.low, cell.high)
    only = f", {len(limits)} limits" if limits else ""
    aside = [value for counted, value in hollow if not counted]
    return Strip(title, cell.values, aside, cell.mean, *interval, f"n {cell.n}{only}{failed}", limits)


def _failed(found: Gathered, row: TableRow, orientation: str) -> str:
    """Return how many of the pieces of a row's jobs failed: ``, 1 of 8 failed``; empty where none did."""
    outcomes = [
        each.specimen.outcome
        for job in row.jobs
        for each in found.pieces_of(job_id(job)).values()
        if each.specimen is not None
        and each.specimen.outcome is not None
        and oriented(each.specimen.orientation) == orientation
    ]
    return f", {outcomes.count('failed')} of {len(outcomes)} failed" if "failed" in outcomes else ""


def dry_and_wet(found: Gathered, quantity: str) -> list[Strip]:
    """Return pairs of lines, dried beside not dried, of materials and orientations that have both.

    A piece counts as dried where a drying of its spool is recorded before the print and the open air since
    then is at most two days; common practice, no source.
    """
    groups: dict[tuple[str, str], dict[bool, list[float]]] = defaultdict(lambda: {True: [], False: []})
    for result in found.all():
        row = result.row
        if row.quantity != quantity or row.value is None or not row.counted or row.relation != "=":
            continue
        factors = found.factors.get(row.specimen, {})
        air = factors.get("open_air_h")
        if air is None or not isinstance(air.value, (int, float)):
            continue
        dried = "drying_h" in factors and air.value <= _STILL_DRY_H
        groups[name_of(row), oriented(row.orientation)][dried].append(row.value)
    lines = []
    for (material, orientation), pair in sorted(groups.items()):
        if pair[True] and pair[False]:
            for dried, values in pair.items():
                words = "dried" if dried else "not dried"
                lines.append(
                    Strip(
                        f"{material} · {orientation} · {words}",
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
    own = found.of(material)
    rows = [result for result in own if result.row.value is not None]
    makers = {s.material.name: s.material.maker or "" for s in found.spools().values()}
    means = [
        {
            "title": found.heading(quantity),
            "orientation": orientation,
            "condition": row.words,
            "text": cell.text(),
            "number": "" if cell.mean is None else f"{cell.mean:.9g}",
            "count": cell.n,
        }
        for row in found.whole.rows
        if row.material == material
        for (quantity, orientation, *_), cell in row.cells.items()
    ]
    failed = [
        (
            ident,
            ", ".join(
                (oriented(each.specimen.orientation), each.specimen.cause or each.specimen.remark or "failed")
            ),
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
        rows=results_tables(found, rows, book),
        without=len(own) - len(rows),
        failed=failed,
        replies=found.answers.get(material, ()),
    )


def aside_page(found: Gathered, book: Book) -> str:
    """Return the page of the results that verdicts keep out of the means."""
    rows = results_tables(found, found.set_aside(), book)
    return page(found, "aside", "", title="Set aside", rows=rows)


def _cell(result: PublishedResult | None) -> dict[str, str] | None:
    """Return a result as a cell: its figure, a number to sort by, and a mark where it was set aside."""
    if result is None:
        return None
    row = result.row
    number = "" if row.value is None else f"{row.value:.7g}"
    return {"plain": state_row(row).number, "number": number, "look": "" if row.counted else "hollow"}


def results_tables(
    found: Gathered, results: Sequence[PublishedResult], book: Book
) -> list[tuple[str, list[str], list[dict[str, Any]]]]:
    """Return results as a table for each method, a line for each measurement: title, headings, lines."""
    by_method: dict[str, dict[str, list[PublishedResult]]] = defaultdict(lambda: defaultdict(list))
    for result in results:
        by_method[result.row.method][result.row.measurement].append(result)
    tables = []
    for name, measurements in by_method.items():
        quantities = list(dict.fromkeys(t.row.quantity for each in measurements.values() for t in each))
        rows: list[dict[str, Any]] = []
        for ident, own in measurements.items():
            cells = {result.row.quantity: result for result in own}
            first = own[0].row
            aside = [f"{t.title.partition(' [')[0]}: {t.standing}" for t in own if t.set_aside]
            rows.append(
                {
                    "measurement": ident, "specimen": first.specimen,
                    "orientation": oriented(first.orientation),
                    "day": "" if first.at is None else f"{local_day(first.at, book.zone)}",
                    "cells": [_cell(cells.get(quantity)) for quantity in quantities],
                    "standing": "; ".join(aside),
                }
            )  # fmt: skip
        method = found.methods.get(name, name)
        tables.append((method, [found.heading(quantity) for quantity in quantities], rows))
    return tables


def _linked(found: Gathered, stops: Iterable[Station]) -> list[dict[str, Any]]:
    """Return stations with links from every ID that has a page to that page."""
    return [
        {
            "label": stop.label,
            "head": stop.head,
            "facts": list(stop.facts),
            "known": stop.known,
            "link": _link(found, stop.head),
            "card": _card_of(stop),
        }
        for stop in stops
    ]


def _card_of(stop: Station) -> Card:
    """Return what is shown beside a station as a card: a fact for each, None where the book holds nothing."""
    facts = [
        Fact(s.label, None if (s.head, s.facts) == (UNKNOWN, ()) else "; ".join((s.head, *s.facts)))
        for s in stop.sides
    ]
    return Card(stop.head, facts=facts)


_IDENT: Final = re.compile(r"^[JSM]\d{4,}(-\d\d+)?-[0-9A-Z*]")


def _link(found: Gathered, head: str) -> str:
    match = _IDENT.match(head)
    return f"../{found.about.path(match[0])}index.html" if match else ""


@dataclass(frozen=True)
class Test:
    """A measurement as a section of the page of what was tested.

    Attributes:
        ident: Its ID, which is the section's anchor.
        title: Of its method.
        method: Page of the method, from the root; empty where it is not installed.
        results: What came of it.
        picture: Its curve as SVG; empty where there is none.
        stops: How it was taken, as stations of the way back.
        corrected: What was corrected, with the reason.
        formulas: Of the method, in words.
        recordings: Names and paths of those published; ``kept`` those that stay, with why.
        gaps: What is not recorded.
    """

    __test__: ClassVar[bool] = False

    ident: str
    title: str
    method: str
    results: Sequence[ResultLine]
    replies: Sequence[Answer]
    picture: str
    stops: Sequence[Mapping[str, Any]]
    corrected: Sequence[str]
    formulas: Sequence[str]
    recordings: Sequence[tuple[str, str]]
    kept: Sequence[tuple[str, str]]
    gaps: str


def section(
    found: Gathered,
    book: Book,
    ident: str,
    way: Trace,
    files: Sequence[PublishedRecording],
    method: Method | None,
    picture: str,
) -> Test:
    """Return the section of a measurement: what came of it, its curve, how it was taken and is repeated."""
    results = found.measurements[ident]
    chosen = way.chosen
    taken = [] if chosen is None else [Tested(way).measurement(chosen)]
    more = [Station(label, text, known=text != UNKNOWN) for label, text in repeating(way.path)]
    stops = [replace(stop, sides=(*stop.sides, *more)) for stop in taken]
    return Test(
        ident,
        method.title if method else results[0].row.method,
        method_path(method) if method else "",
        _together([result_line(each, book) for each in results]),
        found.answers.get(ident, ()),
        picture,
        _linked(found, stops),
        [f"{what} ({entry.reason})" if entry.reason else what for what, entry in corrections(way)],
        [] if method is None else [each.text for each in method.formulas],
        [(each.name, each.path) for each in files if each.path],
        [(each.name, each.why) for each in files if not each.path],
        ", ".join(WORDS[place] for place in way.missing),
    )


def _together(lines: Iterable[ResultLine]) -> list[ResultLine]:
    """Return lines with those that have no value for one and the same reason made into one."""
    found: dict[Any, ResultLine] = {}
    for place, line in enumerate(lines):
        key = (line.standing, tuple(line.remarks)) if line.figure == "–" else place
        had = found.get(key)
        found[key] = line if had is None else replace(had, title=f"{had.title}, {line.title}")
    return list(found.values())


def method_path(method: Method) -> str:
    """Return where the page of a method is in the site."""
    return f"methods/{slug(method.id)}-{slug(method.version)}.html"


def method_page(found: Gathered, method: Method) -> str:
    """Return the page of a method: what it follows, its formulas with their source, its cautions."""
    cautions = method.cautions
    return page(
        found,
        "method",
        "../",
        title=f"{method.title}, version {method.version}",
        standard=method.standard,
        formulas=[(each.text, each.symbols, each.source) for each in method.formulas],
        quantities=[(each.title or each.name, shown(each.unit), each.name) for each in method.quantities],
        cautions_of_method=[cautions] if isinstance(cautions, str) else list(cautions),
    )


def moved_page(found: Gathered, ident: str, to: str) -> str:
    """Return the page at the permalink of a measurement: it leads to its section on the page of its piece."""
    return page(found, "moved", "../", title=ident, ident=ident, subject=to)


def subject_page(
    found: Gathered, book: Book, ident: str, tests: Sequence[Test], group: str, shared: Collection[str]
) -> str:
    """Return the page of a specimen: its tests, its way back, the factors in force that it does not share.

    Args:
        found: What is published.
        book: For its zone.
        ident: Of the specimen.
        tests: Its measurements.
        group: Its job.
        shared: Names of the factors that all specimens of the job have alike.
    """
    lineage = found.pieces[ident]
    path = Path(read_id(ident)[0], replace(lineage, measured=()), lineage.given)
    way = Way(found.about.code, path, zone=book.zone)
    row = lineage.specimen
    return _record_page(
        found,
        f"{ident} {row.name or ''}".rstrip() if row is not None else ident,
        lineage.material,
        tests=tests,
        stops=_stops(found, way, "measured"),
        factors=_factor_card(
            each for each in found.factors.get(ident, {}).values() if each.name not in shared
        ),
        job=group if shared else "",
        group=group if tests else "",
    )


def _factor_card(factors: Iterable[FactorValue]) -> Card | None:
    rows = tuple(
        (factor_named(each.name).words, value_words(each), each.basis, each.source)
        for each in in_registry_order({each.name: each for each in factors})
    )
    columns = ("factor", "value", "basis", "source")
    return Card("", tables=[CardTable("Factors in force", columns, rows)]) if rows else None


def shared_factors(found: Gathered, pieces: Iterable[str]) -> dict[str, FactorValue]:
    """Return the factors that all of several pieces have alike; none of a piece that is alone."""
    every = [found.factors.get(ident, {}) for ident in pieces]
    if len(every) <= 1:
        return {}
    return {name: each for name, each in every[0].items() if all(o.get(name) == each for o in every[1:])}


def job_page(
    found: Gathered, book: Book, ident: str, pieces: Mapping[str, Lineage], shared: Mapping[str, FactorValue]
) -> str:
    """Return the page of a job: its pieces, those that failed as hollow marks, and what they have alike."""
    printed = found.prints[ident]
    path = Path(read_id(ident)[0], Lineage(printed=printed))
    path.pieces = [each.specimen for each in pieces.values() if each.specimen is not None]
    way = Way(found.about.code, path, zone=book.zone)
    return _record_page(
        found,
        f"{ident} {printed.job.name or ''}".rstrip(),
        printed.material,
        pieces=[(name, *_came_out(found, each)) for name, each in pieces.items()],
        stops=_stops(found, way, "specimens"),
        factors=_factor_card(shared.values()),
        group=ident if any(each.measured for each in pieces.values()) else "",
    )


def spool_page(found: Gathered, book: Book, ident: str, history: SpoolHistory, tests: Sequence[Test]) -> str:
    """Return the page of a spool: its tests, its storage and dryings, and the jobs printed from it."""
    path = Path(read_id(ident)[0], alone=[history])
    path.hangs = [
        {
            "id": name,
            "name": found.prints[name].job.name,
            "started_at": found.prints[name].job.started_at,
            "specimens": specimens,
            "measurements": measurements,
        }
        for name, specimens, measurements in found.printed_from(history.spool.id)
    ]
    way = Way(found.about.code, path, zone=book.zone)
    return _record_page(
        found,
        f"{ident} {history.material.name}",
        history.material,
        tests=tests,
        pieces=[(each["id"], each["name"] or "", False) for each in path.hangs],
        stops=_stops(found, way, ""),
        group=ident if tests else "",
    )


def _stops(found: Gathered, way: Way, without: str) -> list[dict[str, Any]]:
    """Return the way back but for a station shown elsewhere, and what more it takes to repeat."""
    stops = [stop for stop in stations(way) if stop.label != without]
    job = way.path.job
    if job is None:
        return _linked(found, stops)
    more = [Station("printed with", "; ".join(filter(None, (job.nozzle, job.surface))) or UNKNOWN)]
    return _linked(found, [replace(s, sides=(*s.sides, *more)) if s.label == "job" else s for s in stops])


def _record_page(found: Gathered, title: str, material: Any, **facts: Any) -> str:
    nothing: dict[str, Any] = {"tests": (), "pieces": (), "factors": None, "group": "", "job": ""}
    above = []
    if material is not None and material.name in found.slugs:
        above = [(material.name, f"materials/{found.slugs[material.name]}.html")]
    return page(found, "record", "../", **{**nothing, "title": title, "above": above, **facts})


def _came_out(found: Gathered, lineage: Lineage) -> tuple[str, bool]:
    """Return how a piece came out and what its tests gave, and whether it failed."""
    row = lineage.specimen
    if row is None:
        return "", False
    idents = [measurement_id(each.measurement.id) for each in lineage.measured]
    results = [each for ident in idents for each in found.measurements[ident] if each.row.value is not None]
    key = [f"{each.title.partition(' [')[0]} {state_row(each.row).short}" for each in results[:1]]
    facts = ", ".join(filter(None, (oriented(row.orientation), row.outcome, row.cause or row.remark, *key)))
    return facts, row.outcome == "failed"
