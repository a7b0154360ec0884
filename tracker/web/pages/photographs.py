"""Photographs of a plate or a piece: taken, kept in one act, shown."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.desk.doubts import Done
from tracker.desk.photographs import add_photograph, photograph_of
from tracker.errors import Refused
from tracker.ids import Ident
from tracker.web.bench import Bench
from tracker.web.pages.acting import acted
from tracker.web.pages.measuring import refused_page
from tracker.web.pages.plate import ident_of_kind, plate_page
from tracker.web.render import picture
from tracker.web.uploads import photograph_sent
from tracker.web.visitors import Form, Here, Reader, Visitor, Writer

router = APIRouter()

Text = Annotated[str, Path(max_length=400)]


@router.post("/{text}/photograph")
def taken(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Keep a photograph with its note."""
    ident = ident_of_kind(bench, text, "job", "specimen")

    def keep() -> Done:
        name, data = photograph_sent(form, "photograph")
        note = form.get("photograph_note")
        return add_photograph(
            bench.book, visitor.who, str(ident), name, data, note if isinstance(note, str) else ""
        )

    return acted(
        request, bench, form, str(ident), keep,
        lambda refusal: _again(request, bench, visitor, ident, form, refusal),
    )  # fmt: skip


def _again(
    request: Request, bench: Bench, visitor: Visitor, ident: Ident, form: FormData, refusal: Refused
) -> Response:
    if ident.kind == "job":
        return plate_page(request, bench, visitor, ident, form=form, refusal=refusal)
    return refused_page(request, bench, visitor, ident, refusal)


@router.get("/{text}/photograph/{number}")
def shown(
    request: Request, bench: Here, visitor: Reader, text: Text, number: Annotated[int, Path(ge=1, le=2**31)]
) -> Response:
    """Show a photograph as what its first bytes say it is; nothing in it is run."""
    del visitor
    data, kind, _ = photograph_of(bench.book, text, number)
    return picture(request, data, kind)
