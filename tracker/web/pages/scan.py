"""A label scanned: typed by a scanner or a hand, or photographed."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from starlette.responses import JSONResponse, Response
from tracker_labels import LabelError, read_codes

from tracker.desk.scanning import scan
from tracker.errors import Refused
from tracker.web.bench import Bench
from tracker.web.pages.day import first_page
from tracker.web.render import there
from tracker.web.uploads import picture_sent
from tracker.web.visitors import Form, Here, Reader, Sender

router = APIRouter()


@router.get("/scan")
def scanned(
    request: Request,
    bench: Here,
    visitor: Reader,
    text: Annotated[str, Query(max_length=2000)] = "",
    told: Annotated[str, Query(pattern="^(page|json)$")] = "page",
) -> Response:
    """Go where a label points; or say why not, with the field ready again."""
    where, words = _answer(bench, text)
    if told == "json":
        return JSONResponse({"where": where, "words": words})
    return there(where) if where else first_page(request, bench, visitor, words, 404)


@router.post("/scan/picture")
def photographed(request: Request, bench: Here, visitor: Sender, form: Form) -> Response:
    """Read the one label in a picture, and go where it points."""
    try:
        text = _text_in(picture_sent(form, "picture"))
    except Refused as refusal:
        return first_page(request, bench, visitor, str(refusal), 422)
    where, words = _answer(bench, text)
    return there(where) if where else first_page(request, bench, visitor, words, 404)


def _answer(bench: Bench, text: str) -> tuple[str, str]:
    """Return where a label points, and what to say of it."""
    if not text.strip():
        return "", "Nothing was scanned."
    try:
        # Never ``look``: it would take the name of a file on this computer for a picture.
        with bench.book.read() as session:
            found = scan(bench.book, session, text.strip())
    except Refused as refusal:
        return "", str(refusal)
    if not found.belongs:
        return "", found.why_not
    return f"/{quote(str(found.ident))}", f"{found.ident}, {found.ident.kind}"


def _text_in(data: bytes) -> str:
    try:
        found = read_codes(data)
    except LabelError as error:
        raise Refused(str(error)) from error
    if len(found) != 1:
        what = f"{len(found)} different labels" if found else "no label that can be read"
        raise Refused(f"The picture shows {what}", do="Take it of one label, closer and in better light")
    return found[0]
