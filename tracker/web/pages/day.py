"""The first page: the field for labels, what is due, and the lists behind it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from tracker.kinds import LISTS, listed
from tracker.programme import due
from tracker.web.bench import Bench
from tracker.web.render import page
from tracker.web.visitors import Here, Reader, Visitor

router = APIRouter()

_NEWEST = 200
"""Rows of a list that a phone can still be asked to show; the newest, for those are asked for."""


@router.get("/")
def first(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show the field for labels and what is due."""
    return first_page(request, bench, visitor)


def first_page(
    request: Request, bench: Bench, visitor: Visitor, message: str | None = None, status: int = 200
) -> Response:
    """Return the first page, with what became of a scan."""
    return page(
        request, bench, visitor, "first",
        status=status, message=message, scan_first=True, waiting=due(bench.book), kinds=LISTS,
    )  # fmt: skip


@router.get("/list/{kind}")
def all_of(
    request: Request, bench: Here, visitor: Reader, kind: Annotated[str, Path(pattern="^[a-z]{1,20}$")]
) -> Response:
    """Show the newest records of a kind."""
    if kind not in LISTS:
        return first_page(request, bench, visitor, f"There is no list of {kind}.", 404)
    with bench.book.connect() as connection:
        rows = list(listed(connection, kind, bench.book.zone))
    newest = rows[-_NEWEST:][::-1]
    columns = list(newest[0]) if newest else []
    return page(
        request, bench, visitor, "list",
        kind=kind, kinds=LISTS, rows=newest, columns=columns, left_out=len(rows) - len(newest),
    )  # fmt: skip
