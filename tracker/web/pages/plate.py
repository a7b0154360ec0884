"""A job: its plate, changes by hand, its end; the plate at the bed, tapped, with its labels; its logs.

A log is looked at first, kept when it is in its place, and drawn over the layers of a specimen.
"""

from __future__ import annotations

from base64 import b64encode
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response
from tracker_labels import Sheet, stocks

from tracker.desk.jobs import change_setting, end_job, offered_end
from tracker.desk.labelling import label_sheet, print_pdf, print_queues
from tracker.desk.logs import (
    ALIGNMENTS,
    By,
    LogFile,
    add_log,
    look_at_log,
    mapped_columns,
    offset_typed,
    piece_log,
    piece_log_chart,
)
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.desk.platemaps import bed_of, things_of
from tracker.errors import Refused
from tracker.forms import Ask, FormError, when_at
from tracker.ids import Ident
from tracker.kinds import Card, card_of, fetch, find, ident_of
from tracker.kinds.job import END_FORM, SETTINGS
from tracker.kinds.specimen import OUTCOMES, check_outcome
from tracker.platefile import PlateObject
from tracker.web.acting import acted, followed, is_sure
from tracker.web.bench import Bench
from tracker.web.inputs import of_form, text_of, typed_asks
from tracker.web.pages.acts import acts_on
from tracker.web.platemap import Points, plate_map
from tracker.web.refusals import plainly
from tracker.web.render import download, page, picture, remembered, there
from tracker.web.uploads import recordings_sent
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
    request: Request, bench: Bench, visitor: Visitor, ident: Ident,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    """Return the page of a job.

    Args:
        request: What it answers.
        bench: The running page.
        visitor: Who asks.
        ident: Of the job.
        form: What was sent and refused; it is in the fields again.
        refusal: Why.
    """
    mark = bench.changed.mark_of_job(ident.number, visitor.state)

    def facts() -> dict[str, Any]:
        return _plate_facts(bench, ident, mark, form, refusal)

    if form is not None or refusal is not None:
        return page(request, bench, visitor, "plate", refusal=refusal, **facts())
    # Its forms hold the present moment, to the minute.
    minute = int(bench.book.clock().timestamp() // 60)
    query = request.query_params
    what = (ident, query.get("done", ""), query.get("key", ""))
    return remembered(request, bench, visitor, "plate", what, facts, f"{mark} {minute}")


def _plate_facts(
    bench: Bench, ident: Ident, mark: str, form: FormData | None, refusal: Refused | None
) -> dict[str, Any]:
    card, things, bed = bench.of_state(("job", ident), lambda: _shown(bench, ident), mark)
    pieces = card.data["specimens"]
    held = {key: value for key, value in form.items() if isinstance(value, str)} if form is not None else None
    problems = plainly(refusal)[1]
    when = when_at(bench.book)
    # Long after its plan the present is no answer: the end has to be typed.
    ended_now = ("ended_at",) if offered_end(bench.book, str(ident)) else ()
    return {
        "ident": ident, "card": card, "pieces": pieces, "map": plate_map(pieces, things=things, bed=bed),
        "waiting": sum(1 for each in pieces if each["outcome"] is None), "settings": SETTINGS,
        "places": of_form(_PLACES, held, now=("at",), when=when, problems=problems),
        "ending": of_form(END_FORM, held, now=ended_now, when=when, problems=problems), "held": held or {},
        "ways": ALIGNMENTS, "acts": [each for each in acts_on("job") if each[0] != "pieces" or not pieces],
    }  # fmt: skip


def _shown(bench: Bench, ident: Ident) -> tuple[Card, Mapping[str, PlateObject], Points]:
    with bench.book.read() as session:
        row: Any = fetch(session, ident)
        return card_of(session, row, bench.book.zone), things_of(row), bed_of(row)


CAUSES: Final = ("stringy", "warped", "came loose", "under-extruded")
"""What mostly becomes of a specimen: chosen with a finger, so that no keyboard is needed at the bed."""


@router.get("/{text}/bed")
def at_the_bed(request: Request, bench: Here, visitor: Reader, text: Text) -> Response:
    """Show the plate to be tapped while it is taken off the bed."""
    return _bed_page(request, bench, visitor, _job_of(bench, text))


def _bed_page(
    request: Request, bench: Bench, visitor: Visitor, ident: Ident,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    mark = bench.changed.mark_of_job(ident.number, visitor.state)
    card, things, bed = bench.of_state(("job", ident), lambda: _shown(bench, ident), mark)
    pieces = card.data["specimens"]
    held = {key: value for key, value in form.items() if isinstance(value, str)} if form is not None else {}
    return page(
        request, bench, visitor, "bed", refusal=refusal, ident=ident, pieces=pieces, held=held,
        map=plate_map(pieces, things=things, bed=bed), outcomes=OUTCOMES, causes=CAUSES,
        problems=defaultdict(str, _beside(form) if refusal is not None and form is not None else {}),
        waiting=sum(1 for each in pieces if each["outcome"] is None),
        stocks=sorted(stocks()), stock=_STOCK, queues=print_queues(),
    )  # fmt: skip


def _beside(form: FormData) -> dict[int, str]:
    """Return what is wrong with single specimens, to be shown beside each."""
    found = {}
    for each in _outcomes(form):
        try:
            check_outcome(each.piece, each.outcome, each.words)
        except Refused as refusal:
            found[each.piece] = refusal.what
    return found


@router.post("/{text}/offbed")
def offbed(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Enter what became of specimens."""
    ident = _job_of(bench, text)
    rest = "good" if form.get("rest") == "good" else ""
    return acted(
        request, bench, form, lambda name: f"/{quote(name)}/bed",
        lambda: take_off(bench.book, visitor.who, str(ident), _outcomes(form), rest=rest, end=True),
        lambda refusal: _bed_page(request, bench, visitor, ident, form=form, refusal=refusal),
    )  # fmt: skip


def _outcomes(form: FormData) -> Sequence[PieceOutcome]:
    found = []
    for name, value in form.items():
        number = name.removeprefix("p")
        if name != number and number.isascii() and number.isdecimal() and isinstance(value, str) and value:
            # The word that was chosen and those typed beside it both stand on the screen, and both are kept.
            words = (text_of(form, f"{kind}{number}").strip() for kind in ("c", "w"))
            found.append(PieceOutcome(int(number), value, ": ".join(filter(None, words))))
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
        lambda: end_job(
            bench.book, visitor.who, str(ident), typed_asks(form, END_FORM), sure=is_sure(form)
        ),
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
    show: Annotated[str, Query(pattern="^(page)?$")] = "",
) -> Response:
    """Draw the labels of a job's specimens, or of one record.

    With ``show`` the browser opens them instead of saving: its print dialogue then has the exact page.
    """
    del visitor
    sheet = _labels(bench, text, stock, start_at)
    return download(sheet.pdf(), f"labels-{text}.pdf", "application/pdf", saved=not show)


@router.post("/{text}/labels/print")
def print_labels(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Hand the labels to a printer of this computer, at their exact size."""
    ident = _job_of(bench, text)
    start = text_of(form, "from") or "1"
    try:
        sheet = _labels(bench, text, text_of(form, "stock"), int(start) if start.isdecimal() else 1)
        notes = print_pdf(sheet.pdf(), text_of(form, "queue"), f"labels of {ident}")
    except Refused as refusal:
        return _bed_page(request, bench, visitor, ident, form, refusal)
    return there(followed(request, bench, form, f"/{ident}/bed", notes))


def _labels(bench: Bench, text: str, stock: str, start_at: int) -> Sheet:
    # Only bundled stocks: a file's name from the network would be a file of this computer.
    if stock not in stocks():
        raise Refused(f"There is no label stock {stock!r}", do=f"There are {', '.join(sorted(stocks()))}")
    return label_sheet(bench.book, [text], stock, start_at=start_at)


_TYPED = ("by", "offset", "columns", "zone")


@router.post("/{text}/log/look")
def looked_at(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Show what a log would be, and hold it for its sender; nothing is kept."""
    ident = ident_of_kind(bench, text, "job")
    try:
        name, data = _sent(bench, visitor, form)
    except Refused as refusal:
        return plate_page(request, bench, visitor, ident, form=form, refusal=refusal)
    # Held before it is read: a column named wrongly must not cost the choosing of the file.
    held = bench.held.put(name, data, visitor.sid)
    return _log_page(request, bench, visitor, ident, form, (held, name, data))


def _log_page(
    request: Request, bench: Bench, visitor: Visitor, ident: Ident, form: FormData,
    file: tuple[str, str, bytes], problem: Refused | None = None,
) -> Response:  # fmt: skip
    held, name, data = file
    look, words = None, ""
    try:
        look = look_at_log(bench.book, bench.plugged, str(ident), _file(name, data, form), *placed_by(form))
        words = look.refusal
    except Refused as refusal:
        problem = refusal
    drawn = f"data:image/svg+xml;base64,{b64encode(look.chart.encode()).decode()}" if look else ""
    return page(
        request, bench, visitor, "log", refusal=problem or (Refused(words) if words else None),
        ident=ident, file=name, look=look, drawn=drawn, held=held, ways=ALIGNMENTS,
        typed={each: _word(form, each) for each in _TYPED},
        offset_problem=plainly(problem)[1].get("offset", ""),
    )  # fmt: skip


@router.post("/{text}/log")
def kept(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Keep a log of the job, placed beside it by its clock or as the form says."""
    ident = ident_of_kind(bench, text, "job")

    def keep() -> Any:
        name, data = _sent(bench, visitor, form)
        file, (by, offset_s) = _file(name, data, form), placed_by(form)
        return add_log(bench.book, visitor.who, bench.plugged, str(ident), file, by, offset_s)

    def again(refusal: Refused) -> Response:
        file = bench.held.get(_word(form, "held"), visitor.sid)
        if file is None:
            return plate_page(request, bench, visitor, ident, form=form, refusal=refusal)
        return _log_page(
            request, bench, visitor, ident, form, (_word(form, "held"), file.name, file.data), refusal
        )

    return acted(request, bench, form, str(ident), keep, again)


def _sent(bench: Bench, visitor: Visitor, form: FormData) -> tuple[str, bytes]:
    """Return name and bytes of a log: the one chosen now, else the one that is held.

    Raises:
        Refused: There is none, or it is held no longer.
    """
    sent = recordings_sent(form, ["log"], "")
    if sent:
        return sent["log"].name, sent["log"].data
    token = _word(form, "held")
    if not token:
        raise Refused("No log was chosen", do="Choose the file that the logger wrote")
    file = bench.held.get(token, visitor.sid)
    if file is None:
        raise Refused("The log is held no longer", why="it was looked at too long ago", do="Choose it again")
    return file.name, file.data


def _file(name: str, data: bytes, form: FormData) -> LogFile:
    columns = [each for each in _word(form, "columns").split(";") if each.strip()]
    return LogFile(name, data, mapped_columns(columns), _word(form, "zone") or None)


def placed_by(form: Mapping[str, Any]) -> tuple[By, float | None]:
    """Return how the log is placed beside the job.

    Raises:
        FormError: An offset is typed and the log is to be placed by something else: one of the two would be
            dropped without a word.
    """
    by = next((each for each in ALIGNMENTS if each == form.get("by")), ALIGNMENTS[0])
    typed = _word(form, "offset")
    if typed and by != "own offset":
        raise FormError(
            f"An offset of {typed} is typed, and the log is to be placed by its {by}",
            do="Choose 'own offset', or empty the field",
            fields={"offset": "It counts only with 'own offset'"},
        )
    return by, offset_typed(typed)


def _word(form: Mapping[str, Any], name: str) -> str:
    value = form.get(name)
    return value.strip()[:400] if isinstance(value, str) else ""


@router.get("/{text}/log.svg")
def drawn(request: Request, bench: Here, visitor: Reader, text: Text) -> Response:
    """Draw the job's logs over the layers of a piece; once, as long as nothing it hangs on changes."""
    del visitor
    ident = ident_of_kind(bench, text, "specimen")
    with bench.book.read() as session:
        log = piece_log(fetch(session, ident))
    made_of = ("log", str(ident)) if log is None else log.made_of
    made = bench.pictures.get(
        made_of, lambda: piece_log_chart(bench.book, bench.plugged, str(ident)).encode()
    )
    return picture(request, made.value)
