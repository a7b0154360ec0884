"""A log of a job: looked at first, kept when it is in its place; and drawn over the layers of a specimen."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.responses import Response

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
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.ids import Ident
from tracker.kinds import fetch
from tracker.web.acting import acted
from tracker.web.bench import Bench
from tracker.web.pages.plate import ident_of_kind, plate_page
from tracker.web.refusals import plainly
from tracker.web.render import page, picture
from tracker.web.uploads import recordings_sent
from tracker.web.visitors import Form, Here, Reader, Visitor, Writer

router = APIRouter()

Text = Annotated[str, Path(max_length=400)]
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
        told = piece_log(fetch(session, ident))
    made_of = ("log", str(ident)) if told is None else told.made_of
    made = bench.pictures.get(
        made_of, lambda: piece_log_chart(bench.book, bench.plugged, str(ident)).encode()
    )
    return picture(request, made.value)
