"""The summary table, its pictures, and how far a material's programme is."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from tracker.errors import Refused
from tracker.kinds import listed
from tracker.programme import standing
from tracker.selection import parse_filter
from tracker.table import SummaryTable, as_csv, graded, remarks, summary_table
from tracker.web.bench import Bench
from tracker.web.render import download, page, picture
from tracker.web.visitors import Here, Reader

router = APIRouter()

Where = Annotated[str, Query(max_length=500)]
Name = Annotated[str, Query(max_length=200)]


def tabled(bench: Bench, where: str, sort: str, of: str = "") -> SummaryTable:
    """Return the summary that a page asks for.

    Raises:
        Refused: The filter cannot be read.
    """

    def make() -> SummaryTable:
        wanted = parse_filter(where) if where.strip() else None
        return summary_table(
            bench.book,
            where=wanted,
            quantities=[of] if of else None,
            ordinal=graded(bench.plugged),
            sort=sort or None,
            plugged=bench.plugged,
        )

    return bench.of_state(("table", where, sort, of), make)


@router.get("/table")
def table(
    request: Request, bench: Here, visitor: Reader, where: Where = "", sort: Name = "", of: Name = ""
) -> Response:
    """Set materials beside each other; every figure leads to the measurements behind it."""
    problem, told = None, SummaryTable([], [], {})
    try:
        told = tabled(bench, where, sort, of)
        every = told if not of else tabled(bench, where, "")
    except Refused as refusal:
        problem, every = refusal, told
    return page(
        request, bench, visitor, "table", refusal=problem,
        table=told, where=where, sort=sort, of=of, remarks=remarks,
        quantities=list(dict.fromkeys(name for name, *_ in every.columns)),
    )  # fmt: skip


@router.get("/table.csv")
def table_file(bench: Here, visitor: Reader, where: Where = "", sort: Name = "") -> Response:
    """Give the table as a file."""
    del visitor
    return download(as_csv(tabled(bench, where, sort)).encode(), "table.csv", "text/csv")


@router.get("/table.svg")
def table_picture(request: Request, bench: Here, visitor: Reader, of: Name, where: Where = "") -> Response:
    """Draw a quantity: every single result, with mean and interval."""
    del visitor
    told = tabled(bench, where, "", of)
    if of not in told.units:
        raise Refused(f"There is nothing to draw of {of}", do="Choose a quantity that has results")
    # What is drawn makes the key: a write that leaves these results alone costs no new picture.
    content = (of, told.caution, tuple(_drawn(told)))
    return picture(request, bench.pictures.get(content, lambda: _chart(told, of)))


def _drawn(told: SummaryTable) -> list[Any]:
    return [
        (row.material, row.words, key, each.values, each.mean, each.low, each.high)
        for row in told.rows
        for key, each in row.cells.items()
    ]


def _chart(told: SummaryTable, of: str) -> bytes:
    from tracker.table.charts import chart  # noqa: PLC0415 - matplotlib follows

    return chart(told, [of])


@router.get("/programme")
def programme(request: Request, bench: Here, visitor: Reader, material: Name = "") -> Response:
    """Show how far each material's programme is, or one material's line by line."""
    with bench.book.connect() as connection:
        names = [each["id"] for each in listed(connection, "materials")]
    chosen = [material] if material else names
    told = bench.of_state(("programme", material), lambda: [standing(bench.book, each) for each in chosen])
    return page(request, bench, visitor, "programme", materials=names, material=material, told=told)
