"""The summary table, its pictures, and how far a material's programme is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import JSONResponse, Response

from tracker.errors import Refused
from tracker.kinds import NotFoundError, listed
from tracker.lazy_modules import lazy
from tracker.programme import standing
from tracker.selection import parse_filter
from tracker.stating import shown
from tracker.table import SummaryTable, as_csv, compared, filled_columns, graded, remarks, summary_table
from tracker.web.bench import Answer, Bench
from tracker.web.pages.pictures import MOST_CURVES
from tracker.web.render import download, page, picture
from tracker.web.visitors import Here, Reader

if TYPE_CHECKING:
    from tracker.table import charts
else:
    charts = lazy("tracker.table.charts")

router = APIRouter()

Where = Annotated[str, Query(max_length=500)]
Name = Annotated[str, Query(max_length=200)]


Of = Annotated[list[str] | None, Query(max_length=40)]
ROWS: Final = 16
COLUMNS: Final = 6
"""Materials on a page: below each other, and beside each other."""


def tabled(
    bench: Bench, where: str, sort: str, of: Sequence[str] = (), state: str = "", *, older: bool = True
) -> Answer[SummaryTable]:
    """Return the summary that a page asks for, of a large book perhaps an older one.

    What cannot say of when it is, as a file, is asked for with ``older`` false.

    Raises:
        Refused: The filter cannot be read.
    """

    def make() -> SummaryTable:
        wanted = parse_filter(where) if where.strip() else None
        return summary_table(
            bench.book,
            where=wanted,
            quantities=list(of) or None,
            ordinal=graded(bench.plugged),
            sort=sort or None,
            plugged=bench.plugged,
            held=bench.results,
        )

    state = state or bench.book.state()
    return bench.facts.get(("table", where, sort, tuple(of)), make, state, older=older)


@router.get("/table")
def table(
    request: Request, bench: Here, visitor: Reader, where: Where = "", sort: Name = "", of: Of = None,
    turned: Annotated[str, Query(pattern="^(1)?$")] = "",
    number: Annotated[int, Query(alias="page", ge=1, le=10**6)] = 1,
) -> Response:  # fmt: skip
    """Set materials beside each other; every figure leads to the measurements behind it."""
    problem, summary, as_of = None, SummaryTable([], [], {}), None
    chosen = [each[:200] for each in of or () if each]
    try:
        found = tabled(bench, where, sort, chosen, visitor.state)
        summary, as_of = found.value, found.as_of
        every = summary if not chosen else tabled(bench, where, "", (), visitor.state).value
    except Refused as refusal:
        problem, every = refusal, summary
    size = COLUMNS if turned else ROWS
    parts = [summary.rows[at : at + size] for at in range(0, len(summary.rows), size)] or [[]]
    shown = parts[min(number, len(parts)) - 1]

    rows = compared(summary, _better(bench), shown)

    def address(**changes: Any) -> str:
        asked: list[tuple[str, Any]] = [("of", each) for each in chosen]
        more = {"where": where, "sort": sort, "turned": turned, **changes}
        return f"/table?{urlencode([*asked, *((name, value) for name, value in more.items() if value)])}"

    return page(
        request, bench, visitor, "table", refusal=problem, table=summary, where=where, sort=sort, of=chosen,
        rows=rows, places=filled_columns(rows), remarks=remarks, turned=turned, address=address,
        number=min(number, len(parts)), pages=len(parts),
        quantities=list(dict.fromkeys(name for name, *_ in every.columns)), as_of=as_of,
    )  # fmt: skip


def _better(bench: Bench) -> dict[str, bool | None]:
    """Return of each quantity whether a larger value is better."""
    return {
        quantity.name: quantity.larger_is_better
        for each in bench.plugged.methods.values()
        for quantity in each.method.quantities
    }


@router.get("/table/cell")
def cell(
    request: Request, bench: Here, visitor: Reader, material: Name, quantity: Name, words: Where = "",
    orientation: Name = "", group: Name = "", where: Where = "",
) -> Response:  # fmt: skip
    """Show what is behind one figure: each measurement, with its way back and its curve."""
    answer = tabled(bench, where, "", (), visitor.state)
    summary = answer.value
    found = next(
        (
            each
            for row in summary.rows
            if (row.material, row.words) == (material, words)
            for column, each in row.cells.items()
            if (column.quantity, column.orientation or "", column.group or "")
            == (quantity, orientation, group)
        ),
        None,
    )
    if found is None:
        raise NotFoundError("There is no such figure any more", do="Look at the table again")
    curves = ",".join(found.results[:MOST_CURVES])
    return page(
        request, bench, visitor, "cell", cell=found, material=material, words=words, quantity=quantity,
        orientation=orientation, unit=summary.units[quantity], curves=curves, as_of=answer.as_of,
    )  # fmt: skip


@router.get("/table.json")
def table_chart(bench: Here, visitor: Reader, of: Name, where: Where = "") -> Response:
    """Give every result of a quantity with means and intervals, to be drawn by the page."""
    answer = tabled(bench, where, "", [of], visitor.state)
    summary = answer.value
    rows = [
        {
            "name": " ".join(filter(None, (row.material, row.words, column.orientation, column.group))),
            "values": list(each.values), "mean": each.mean, "low": each.low, "high": each.high,
        }
        for row in summary.rows
        for column, each in row.cells.items()
    ][:ROWS * 2]  # fmt: skip
    unit = shown(summary.units.get(of, ""))
    title = bench.titles.get(of, of)
    if answer.as_of is not None:
        title += f" (as of {answer.as_of.astimezone(bench.book.zone):%H:%M:%S})"
    return JSONResponse({"kind": "results", "title": title, "unit": unit, "rows": rows})


@router.get("/table.csv")
def table_file(bench: Here, visitor: Reader, where: Where = "", sort: Name = "") -> Response:
    """Give the table as a file."""
    del visitor
    return download(as_csv(tabled(bench, where, sort, older=False).value).encode(), "table.csv", "text/csv")


@router.get("/table.svg")
def table_picture(request: Request, bench: Here, visitor: Reader, of: Name, where: Where = "") -> Response:
    """Draw a quantity: every single result, with mean and interval."""
    del visitor
    summary = tabled(bench, where, "", [of], older=False).value
    if of not in summary.units:
        raise Refused(f"There is nothing to draw of {of}", do="Choose a quantity that has results")
    # What is drawn makes the key: a write that leaves these results alone costs no new picture.
    content = (of, summary.caution, tuple(_drawn(summary)))
    return picture(request, bench.pictures.get(content, lambda: charts.chart(summary, [of])).value)


def _drawn(summary: SummaryTable) -> list[Any]:
    return [
        (row.material, row.words, key, each.values, each.mean, each.low, each.high)
        for row in summary.rows
        for key, each in row.cells.items()
    ]


PROGRAMMES: Final = 8
"""Materials on a page of programmes: each is counted from all of its results."""


@router.get("/programme")
def programme(
    request: Request, bench: Here, visitor: Reader, material: Name = "",
    number: Annotated[int, Query(alias="page", ge=1, le=10**6)] = 1,
) -> Response:  # fmt: skip
    """Show how far each material's programme is, or one material's line by line."""
    names = bench.of_state("materials", lambda: _materials(bench), visitor.state)
    pages = max(1, -(-len(names) // PROGRAMMES))
    at = min(number, pages)
    chosen = [material] if material else names[(at - 1) * PROGRAMMES : at * PROGRAMMES]
    states = bench.of_state(
        ("programme", *chosen), lambda: [standing(bench.book, each) for each in chosen], visitor.state
    )
    return page(
        request, bench, visitor, "programme", materials=names, material=material, wanted=states, number=at,
        pages=1 if material else pages,
    )  # fmt: skip


def _materials(bench: Bench) -> list[str]:
    with bench.book.connect() as connection:
        return sorted(str(each["id"]) for each in listed(connection, "materials"))
