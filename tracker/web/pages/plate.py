"""The page of a job: its plate, what became of each piece, changes by hand, its end, its labels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response
from tracker_labels import stocks

from tracker.desk.changes import SETTINGS, change_setting
from tracker.desk.finding import fetch, find, ident_of
from tracker.desk.forms import Ask
from tracker.desk.jobforms import END_FORM
from tracker.desk.jobs import end_job
from tracker.desk.labelling import label_sheet
from tracker.desk.logs import ALIGNMENTS
from tracker.desk.offbed import OUTCOMES, PieceOutcome, take_off
from tracker.desk.platemaps import outlines_of
from tracker.errors import Refused
from tracker.ids import Ident
from tracker.records import Shown, shown_record
from tracker.web.bench import Bench
from tracker.web.inputs import of_form, typed_asks
from tracker.web.pages.acting import acted
from tracker.web.platemap import Points, plate_map
from tracker.web.refusals import status_of
from tracker.web.render import download, page
from tracker.web.visitors import Form, Here, Reader, Visitor, Writer

router = APIRouter()

Text = Annotated[str, Path(max_length=400)]
_PLACES = (
    Ask("at", "When", "moment"),
    Ask("layer", "or from layer", "whole"),
    Ask("height_mm", "or from height", "number", "mm"),
    Ask("note", "Why"),
)
_STOCK = "a4-3x8"


def plate_page(
    request: Request, bench: Bench, visitor: Visitor, ident: Ident, said: str = "",
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    """Return the page of a job.

    Args:
        request: What it answers.
        bench: The running page.
        visitor: Who asks.
        ident: Of the job.
        said: What the last act said.
        form: What was sent and refused; it stands in the fields again.
        refusal: Why.
    """
    told, outlines = bench.of_state(("job", ident), lambda: _shown(bench, ident))
    pieces = told.data["specimens"]
    held = {key: value for key, value in (form or {}).items() if isinstance(value, str)}
    return page(
        request, bench, visitor, "plate",
        status=status_of(refusal) if refusal else 200,
        ident=ident, told=told, pieces=pieces, map=plate_map(pieces, outlines=outlines), outcomes=OUTCOMES,
        waiting=sum(1 for each in pieces if each["outcome"] is None), settings=SETTINGS,
        places=of_form(_PLACES, held), ending=of_form(END_FORM, held), held=held,
        ways=ALIGNMENTS, stocks=sorted(stocks()), stock=_STOCK, problem=str(refusal) if refusal else "",
        said=bench.words_of(said),
    )  # fmt: skip


def _shown(bench: Bench, ident: Ident) -> tuple[Shown, Mapping[str, Points]]:
    with bench.book.read() as session:
        row: Any = fetch(session, ident)
        return shown_record(session, row, bench.book.zone), outlines_of(row)


@router.post("/{text}/offbed")
def offbed(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Enter what became of pieces."""
    ident = _job_of(bench, text)
    rest = "good" if form.get("rest") == "good" else ""
    return acted(
        request, bench, form, str(ident),
        lambda: take_off(bench.book, visitor.who, str(ident), _outcomes(form), rest=rest),
        lambda refusal: plate_page(request, bench, visitor, ident, form=form, refusal=refusal),
    )  # fmt: skip


def _outcomes(form: FormData) -> Sequence[PieceOutcome]:
    found = []
    for name, value in form.items():
        number = name.removeprefix("p")
        if name != number and number.isascii() and number.isdecimal() and isinstance(value, str) and value:
            words = form.get(f"w{number}")
            found.append(PieceOutcome(int(number), value, words.strip() if isinstance(words, str) else ""))
    return found


@router.post("/{text}/change")
def changed(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Enter a setting changed by hand; from now on where nothing else is said."""
    ident = _job_of(bench, text)
    assignment = f"{form.get('setting') or ''}={form.get('value') or ''}"
    return acted(
        request, bench, form, str(ident),
        lambda: change_setting(bench.book, visitor.who, str(ident), assignment, typed_asks(form, _PLACES)),
        lambda refusal: plate_page(request, bench, visitor, ident, form=form, refusal=refusal),
    )  # fmt: skip


@router.post("/{text}/end")
def ended(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Enter how a job ended."""
    ident = _job_of(bench, text)
    return acted(
        request, bench, form, str(ident),
        lambda: end_job(bench.book, visitor.who, str(ident), typed_asks(form, END_FORM)),
        lambda refusal: plate_page(request, bench, visitor, ident, form=form, refusal=refusal),
    )  # fmt: skip


def _job_of(bench: Bench, text: str) -> Ident:
    return ident_of_kind(bench, text, "job")


def ident_of_kind(bench: Bench, text: str, *kinds: str) -> Ident:
    """Return the ID that a text names.

    Raises:
        Refused: It names none of this book, or one of another kind.
    """
    with bench.book.read() as session:
        found: Any = find(bench.book, session, text, *kinds)
        return ident_of(found)


@router.get("/{text}/labels.pdf")
def labels(
    bench: Here,
    visitor: Reader,
    text: Text,
    stock: Annotated[str, Query(max_length=60)] = _STOCK,
    start_at: Annotated[int, Query(alias="from", ge=1, le=500)] = 1,
) -> Response:
    """Draw the labels of a job's pieces, or of one record."""
    del visitor
    # Only bundled stocks: a file's name from the network would be a file of this computer.
    if stock not in stocks():
        raise Refused(f"There is no label stock {stock!r}", do=f"There are {', '.join(sorted(stocks()))}")
    sheet = label_sheet(bench.book, [text], stock, start_at=start_at)
    return download(sheet.pdf(), f"labels-{text}.pdf", "application/pdf")
