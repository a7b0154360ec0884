"""Putting right what was entered wrong, and giving verdicts: both always with a reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.desk.amendable import Amendable, amendable, changed
from tracker.desk.corrections import amend
from tracker.desk.doubts import Done
from tracker.desk.finding import find
from tracker.desk.verdicts import judge
from tracker.errors import Refused
from tracker.records import shown_record
from tracker.units import shown
from tracker.web.bench import Bench
from tracker.web.inputs import Input, text_of
from tracker.web.pages.acting import acted
from tracker.web.refusals import plainly, status_of
from tracker.web.render import linked, page
from tracker.web.visitors import Form, Here, Reader, Visitor, Writer

router = APIRouter()

Of = Annotated[str, Query(max_length=400)]
_SENT, _WAS = "a-", "was-"


@router.get("/amend")
def ask(request: Request, bench: Here, visitor: Reader, of: Of) -> Response:
    """Show what can be put right of a record, each with what is recorded."""
    return _asked(request, bench, visitor, of)


def _asked(
    request: Request, bench: Bench, visitor: Visitor, of: str,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    name, found = amendable(bench.book, bench.plugged, of)
    words, problems = plainly(refusal)
    sent = _texts(form, _SENT) if form is not None else {each.name: each.was for each in found}
    was = _texts(form, _WAS) if form is not None else sent
    return page(
        request, bench, visitor, "amend",
        status=status_of(refusal) if refusal else 200,
        named=name, where=_where(name), problem=words,
        reason=text_of(form, "reason"), key=text_of(form, "key"),
        inputs=[(_input(each, sent, problems), was.get(each.name, "")) for each in found],
    )  # fmt: skip


def _input(each: Amendable, sent: Mapping[str, str], problems: Mapping[str, str]) -> Input:
    return Input(
        name=_SENT + each.name,
        label=each.label,
        kind="choice" if each.choices else "text",
        unit=shown(each.unit),
        choices=each.choices,
        help=f"recorded: {each.was or 'not recorded'}",
        value=sent.get(each.name, ""),
        problem=problems.get(each.name, ""),
    )


def _texts(form: FormData, before: str) -> dict[str, str]:
    return {
        name.removeprefix(before): value
        for name, value in form.items()
        if name.startswith(before) and isinstance(value, str)
    }


def _where(name: str) -> str:
    """Return the page of a record; that of a material, which has no ID, by its name."""
    opens = any(found for _, found in linked(name)) or name.startswith("R")
    return f"/{quote(name)}" if opens and "-" in name else f"/material?{urlencode({'name': name})}"


@router.post("/amend")
def put_right(request: Request, bench: Here, visitor: Writer, form: Form, of: Of) -> Response:
    """Put right what was changed in the form."""

    def act() -> Done:
        _, found = amendable(bench.book, bench.plugged, of)
        changes = changed(_texts(form, _SENT), _texts(form, _WAS), found)
        return amend(bench.book, visitor.who, bench.plugged, of, changes, text_of(form, "reason"))

    return acted(
        request, bench, form, _where, act,
        lambda refusal: _asked(request, bench, visitor, of, form, refusal),
    )  # fmt: skip


@router.get("/verdict")
def ask_verdict(request: Request, bench: Here, visitor: Reader, of: Of) -> Response:
    """Show what was measured on a piece, a spool or the pieces of a job, each to be counted or set aside."""
    return _judged(request, bench, visitor, of)


def _judged(
    request: Request, bench: Bench, visitor: Visitor, of: str,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    return page(
        request, bench, visitor, "verdict",
        status=status_of(refusal) if refusal else 200,
        of=of, told=_measured(bench, of), problem=str(refusal) if refusal else "",
        held={name: text_of(form, name) for name in ("measurement", "counted", "quantity", "reason", "key")},
    )  # fmt: skip


def _measured(bench: Bench, of: str) -> list[Mapping[str, Any]]:
    """Return the measurements that hang on a record, with their results."""
    with bench.book.read() as session:

        def data(name: str, *kinds: str) -> Mapping[str, Any]:
            return shown_record(session, find(bench.book, session, name, *kinds), bench.book.zone).data

        top = data(of, "measurement", "specimen", "spool", "job")
        if "results" in top:
            return [top]
        subjects = [data(each["id"]) for each in top["specimens"]] if "specimens" in top else [top]
        return [data(name) for each in subjects for name in each.get("measurements", ())]


@router.post("/verdict")
def give(request: Request, bench: Here, visitor: Writer, form: Form, of: Of) -> Response:
    """Count the results of a measurement, or set them aside."""

    def act() -> Done:
        counted = text_of(form, "counted")
        if counted not in ("yes", "no"):
            raise Refused("Count it or set it aside", do="Choose one of the two")
        return judge(
            bench.book, visitor.who, text_of(form, "measurement"), counted=counted == "yes",
            reason=text_of(form, "reason"), quantity=text_of(form, "quantity") or None,
        )  # fmt: skip

    return acted(
        request, bench, form, lambda name: f"/{quote(name)}", act,
        lambda refusal: _judged(request, bench, visitor, of, form, refusal),
    )  # fmt: skip
