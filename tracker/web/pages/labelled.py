"""Whatever stands on a label, opened: the address in the code leads here."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from tracker.desk.finding import find, ident_of, resolve
from tracker.ids import Ident
from tracker.records import Shown, shown_record
from tracker.web.bench import Bench
from tracker.web.pages.measuring import piece_page
from tracker.web.pages.plate import plate_page
from tracker.web.pages.spool import spool_page
from tracker.web.render import page, there
from tracker.web.visitors import Here, Reader, Visitor

router = APIRouter()


@router.get("/{text}")
def opened(
    request: Request,
    bench: Here,
    visitor: Reader,
    text: Annotated[str, Path(max_length=400)],
    method: Annotated[str, Query(max_length=100)] = "",
    done: Annotated[str, Query(max_length=40)] = "",
    said: Annotated[str, Query(max_length=600)] = "",
) -> Response:
    """Open what an ID or a label's text names."""
    ident = bench.of_state(("ident", text), lambda: ident_named(bench, text), visitor.state)
    if str(ident) != text:
        return there(f"/{quote(str(ident))}")
    if ident.kind == "specimen" or (ident.kind == "spool" and (method or done)):
        return piece_page(request, bench, visitor, ident, method, done)
    if ident.kind == "job":
        return plate_page(request, bench, visitor, ident, said)
    if ident.kind == "spool":
        return spool_page(request, bench, visitor, ident, said)
    return _record_page(request, bench, visitor, ident, said)


def ident_named(bench: Bench, text: str) -> Ident:
    """Return which ID of this book a text names.

    Raises:
        Refused: None; the text says why.
    """
    with bench.book.read() as session:
        return resolve(bench.book, session, text)


def shown_of(bench: Bench, text: str, *kinds: str) -> Shown:
    """Return a record as it is shown.

    Raises:
        Refused: There is none of that ID, or it is of another kind.
    """
    with bench.book.read() as session:
        row = find(bench.book, session, text, *kinds)
        return shown_record(session, row, bench.book.zone)


def _record_page(request: Request, bench: Bench, visitor: Visitor, ident: Ident, said: str) -> Response:
    told: Shown = bench.of_state(("record", ident), lambda: shown_of(bench, str(ident)))
    facts: dict[str, Any] = {"ident": ident, "told": told, "said": bench.words_of(said)}
    if ident.kind == "measurement":
        facts["pictures"] = _pictures(told)
    return page(request, bench, visitor, "record", **{"pictures": [], **facts})


def _pictures(told: Shown) -> list[dict[str, str]]:
    return [{"field": field, "name": file["name"]} for field, file in told.data["files"].items()]


def id_of(row: Any) -> str:
    """Return a row's ID as text."""
    return str(ident_of(row))
