"""The first page: the day board, which renews itself, and the place where a label is scanned.

The board says what runs, what waits, what is due and what was measured today. A label is typed by a scanner
or a hand, or photographed.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import JSONResponse, Response
from tracker_labels import LabelError, read_codes

from tracker.browse import search
from tracker.comparing import watched
from tracker.day import Day, day_board
from tracker.errors import Refused
from tracker.scanning import scan
from tracker.web.bench import Bench
from tracker.web.platemap import mini_map
from tracker.web.render import page, there
from tracker.web.tasks import of_book
from tracker.web.uploads import picture_sent
from tracker.web.visitors import Form, Here, Reader, Sender, Visitor

router = APIRouter()


@router.get("/")
def first(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show the day."""
    return first_page(request, bench, visitor)


def first_page(
    request: Request, bench: Bench, visitor: Visitor, message: str | None = None, status: int = 200
) -> Response:
    """Return the day board, with what became of a scan."""
    # What is due and how long a spool was in the open go on by themselves: a minute old at most.
    minute = int(bench.book.clock().timestamp() // 60)
    # As part of the mark: of another question there would be no older answer to give.
    found = bench.lately("day", lambda: day_board(bench.book, bench.plugged), f"{visitor.state} {minute}")
    day: Day = found.value
    return page(
        request, bench, visitor, "day", status=status, message=message, scan_first=True, day=day,
        minis={each.id: mini_map(each.outlines) for each in day.jobs}, watch=_watch(bench),
        late=_late, as_of=found.as_of,
    )  # fmt: skip


def _late(at: dt.datetime | None, now: dt.datetime) -> bool:
    return at is not None and at < now


_SLOT_S = 600.0


def _watch(bench: Bench) -> list[str] | None:
    """Return what stands out among all results, as far as it is known: looked over once in ten minutes.

    After each write would be too often: in a large book it takes minutes.
    """
    slot = int(bench.serving.clock() // _SLOT_S)
    task = bench.tasks.ask(("watched", slot), lambda _: of_book(bench.serving.book, bench.plugged, watched))
    if not task.ready(0):
        return None
    try:
        found, _ = task.answer()
    except Exception:  # noqa: BLE001 - a board without drift is worth more than none
        return []
    lines = (line for each in found for line in each.sentences(10_000))
    return [line for line in lines if not line.endswith("nothing stands out.")]


@router.get("/scan")
def scanned(
    request: Request,
    bench: Here,
    visitor: Reader,
    text: Annotated[str, Query(max_length=2000)] = "",
    answer: Annotated[str, Query(pattern="^(page|json)$")] = "page",
    into: Annotated[str, Query(max_length=400)] = "",
) -> Response:
    """Go where a label points, or look for the words; or say why not, with the field ready again.

    ``into`` is the page at the rig, which a scanned specimen is shown on.
    """
    where, words = _answer(bench, text, into)
    if answer == "json":
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


@router.post("/scan/frame")
def seen(bench: Here, visitor: Sender, form: Form) -> Response:
    """Read a picture of the camera as it comes; one that shows no label is no fault."""
    del visitor
    try:
        found = read_codes(picture_sent(form, "picture"))
    except (Refused, LabelError):
        found = []
    if len(found) != 1:
        return JSONResponse({"where": "", "words": ""})
    where, words = _answer(bench, found[0])
    return JSONResponse({"where": where, "words": words})


_TYPED_ID: Final = re.compile(r"^[SJMDRsjmdr]\d{3,}|://|\.[0-9A-Za-z]{3}$|^/")
"""What is meant as an ID or a label, right or wrong; anything else is looked for."""


def _answer(bench: Bench, text: str, into: str = "") -> tuple[str, str]:
    """Return where a label points or where the words are looked for, and what to say of it."""
    if not text.strip():
        return "", "Nothing was scanned."
    try:
        # Never ``look``: it would take the name of a file on this computer for a picture.
        with bench.book.read() as session:
            found = scan(bench.book, session, text.strip())
    except Refused as refusal:
        if not _TYPED_ID.search(text.strip()) and (search(bench.book, text) or " " in text.strip()):
            return f"/search?{urlencode({'text': text.strip()})}", f"looking for {text.strip()}"
        return "", str(refusal)
    if not found.belongs:
        return "", found.why_not
    if into.startswith("/rig?") and found.ident.kind == "specimen":
        return f"{into}&{urlencode({'of': str(found.ident)})}", f"{found.ident}"
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
