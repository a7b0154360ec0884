"""Pictures and files of records, drawn once and kept by what they were drawn from; photographs taken in."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated, Final

from fastapi import APIRouter, Path, Query, Request
from starlette.datastructures import FormData
from starlette.responses import JSONResponse, Response

from tracker.desk.curves import DrawnCurve, curve_of, spark_svg
from tracker.desk.doubts import Done
from tracker.desk.measuring import computed_again, readings_of
from tracker.desk.method_inputs import piece_of
from tracker.desk.photographs import add_photograph, photograph_of, picture_kind, thumbnail
from tracker.errors import Refused
from tracker.history import SpoolDays, spool_days, water_at_many
from tracker.ids import Ident
from tracker.kinds import NotFoundError, card_of, find, ident_of
from tracker.lazy_modules import lazy
from tracker.trace import trace
from tracker.web.acting import acted
from tracker.web.bench import Bench
from tracker.web.inputs import text_of
from tracker.web.pages.measuring import refused_page
from tracker.web.pages.plate import ident_of_kind, plate_page
from tracker.web.render import download, picture, templated
from tracker.web.uploads import photograph_sent
from tracker.web.visitors import Form, Here, Reader, Visitor, Writer

if TYPE_CHECKING:
    from tracker import exposure
else:
    exposure = lazy("tracker.exposure")

router = APIRouter()

Text = Annotated[str, Path(max_length=400)]
_POINTS = 160
_STEP_S = 600
"""A spool's days go on all the time; a picture of them is ten minutes old at most."""


@router.get("/{text}/days.svg")
def days(request: Request, bench: Here, visitor: Reader, text: Text) -> Response:
    """Draw where a spool was, and the water in it."""
    del visitor
    book = bench.book
    now = book.clock()
    until = now - dt.timedelta(seconds=now.timestamp() % _STEP_S)
    with book.read() as session:
        history = spool_days(session, find(book, session, text, "spool"), until)
    return picture(
        request, bench.pictures.get(("days", repr(history)), lambda: _days_drawn(history, until)).value
    )


def _days_drawn(history: SpoolDays, until: dt.datetime) -> bytes:
    began = history.timeline.began
    if began is None or began >= until:
        return exposure.days_svg(history.timeline, title=history.spool)
    step = (until - began) / _POINTS
    moments = [began + step * place for place in range(_POINTS + 1)]
    try:
        water = water_at_many(history, moments)
    except Refused:
        # Of a family whose water is not known the places alone are drawn.
        water = None
    return exposure.days_svg(history.timeline, water, title=history.spool)


@router.get("/{text}/trace.svg")
def way_back(request: Request, bench: Here, visitor: Reader, text: Text) -> Response:
    """Draw the whole way back."""
    drawn = bench.of_state(
        ("trace.svg", text),
        lambda: trace(bench.book, text, titles=bench.titles).svg().encode(),
        visitor.state,
    )
    return picture(request, drawn)


@router.get("/{text}/figure.svg")
def figure(request: Request, bench: Here, visitor: Reader, text: Text) -> Response:
    """Draw a measurement's readings with its results, as its method does."""
    return picture(request, bench.of_state(("figure", text), lambda: _figure(bench, text), visitor.state))


def _figure(bench: Bench, text: str) -> bytes:
    book, plugged = bench.book, bench.plugged
    with book.read() as session:
        row = find(book, session, text, "measurement")
        readings = readings_of(book, plugged, row)
        subject = row.specimen if row.specimen is not None else row.spool
        outcomes = computed_again(book, plugged, row).outcomes
        drawn = plugged.figure(row.method, readings, piece_of(subject), outcomes)
    if drawn is None:
        raise NotFoundError(f"{text} has no picture")
    return drawn


def _curve(bench: Bench, text: str) -> DrawnCurve:
    def read() -> DrawnCurve | None:
        with bench.book.read() as session:
            row = find(bench.book, session, text, "measurement")
            subject = row.specimen if row.specimen is not None else row.spool
            return curve_of(bench.book, bench.plugged, row, str(ident_of(subject)))

    found = bench.of_state(("curve", text), read)
    if found is None:
        raise NotFoundError(f"{text} has no curve")
    return found


@router.get("/{text}/curve.json")
def curve(bench: Here, visitor: Reader, text: Text) -> Response:
    """Give the curve of a measurement, to be drawn by the page."""
    del visitor
    return JSONResponse({"kind": "curve", "curves": [_curve(bench, text).as_json()]})


MOST_CURVES: Final = 12
"""Curves laid over each other: more cannot be told apart."""


@router.get("/curves.json")
def curves(bench: Here, visitor: Reader, of: Annotated[str, Query(max_length=400)]) -> Response:
    """Give the curves of several measurements, to be laid over each other; those without one are left out."""
    del visitor
    found = []
    for text in of.split(",")[:MOST_CURVES]:
        try:
            found.append(_curve(bench, text).as_json())
        except Refused:
            continue
    if not found:
        raise NotFoundError("None of them has a curve")
    return JSONResponse({"kind": "curve", "curves": found})


@router.get("/{text}/spark.svg")
def spark(request: Request, bench: Here, visitor: Reader, text: Text) -> Response:
    """Draw the curve of a measurement in small."""
    del visitor
    drawn = spark_svg(_curve(bench, text).points)
    return picture(request, templated("spark", path=drawn).encode())


@router.get("/{text}/file/{field}")
def file(
    request: Request, bench: Here, visitor: Reader, text: Text, field: Annotated[str, Path(max_length=100)]
) -> Response:
    """Give a file of a measurement: photographs are shown, everything else is saved."""
    del visitor
    with bench.book.read() as session:
        card = card_of(session, find(bench.book, session, text, "measurement"), bench.book.zone)
    kept = card.data["files"].get(field)
    if kept is None:
        raise NotFoundError(f"{text} has no file {field!r}")
    data = bench.book.files.get(kept["sha256"])
    kind = picture_kind(data)
    return picture(request, data, kind) if kind else download(data, kept["name"])


@router.post("/{text}/photograph")
def taken(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Keep a photograph with its note."""
    ident = ident_of_kind(bench, text, "job", "specimen")

    def keep() -> Done:
        name, data = photograph_sent(form, "photograph")
        note = text_of(form, "photograph_note")
        return add_photograph(bench.book, visitor.who, str(ident), name, data, note)

    return acted(
        request, bench, form, str(ident), keep,
        lambda refusal: _again(request, bench, visitor, ident, form, refusal),
    )  # fmt: skip


def _again(
    request: Request, bench: Bench, visitor: Visitor, ident: Ident, form: FormData, refusal: Refused
) -> Response:
    if ident.kind == "job":
        return plate_page(request, bench, visitor, ident, form=form, refusal=refusal)
    return refused_page(request, bench, visitor, ident, refusal, text_of(form, "photograph_note"))


Number = Annotated[int, Path(ge=1, le=2**31)]


@router.get("/{text}/photograph/{number}")
def shown(request: Request, bench: Here, visitor: Reader, text: Text, number: Number) -> Response:
    """Show a photograph as what its first bytes say it is; nothing in it is run."""
    del visitor
    data, kind, _ = photograph_of(bench.book, text, number)
    return picture(request, data, kind)


@router.get("/{text}/photograph/{number}/small")
def small(request: Request, bench: Here, visitor: Reader, text: Text, number: Number) -> Response:
    """Show a small copy of a photograph, made once."""
    del visitor

    def make() -> bytes:
        return thumbnail(photograph_of(bench.book, text, number)[0])

    return picture(request, bench.pictures.get(("small", text, number), make).value, "image/jpeg")
