"""The page of a spool: its days, where it is put, what it weighs, and what is measured on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.desk.dryings import DRYING_FORM, end_drying, start_drying
from tracker.desk.entering import add_record, keep_spool
from tracker.desk.jobs import offered_end
from tracker.errors import Refused
from tracker.forms import Ask, when_at
from tracker.ids import Ident
from tracker.kinds import KINDS, Card, card_of, fetch, find
from tracker.kinds.spool import PLACES
from tracker.web.acting import acted, is_sure
from tracker.web.bench import Bench
from tracker.web.inputs import Input, of_form, typed_asks
from tracker.web.pages.acts import acts_on
from tracker.web.pages.measuring import facts_of
from tracker.web.pages.plate import ident_of_kind
from tracker.web.refusals import plainly
from tracker.web.render import page
from tracker.web.visitors import Form, Here, Visitor, Writer

router = APIRouter()
STORAGE_FORM: Final = KINDS["storage"].form[1:]
WEIGHING_FORM: Final = KINDS["weighing"].form[1:]
Text = Annotated[str, Path(max_length=400)]


def spool_page(
    request: Request, bench: Bench, visitor: Visitor, ident: Ident,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    """Return the page of a spool; arguments as for the page of a job."""
    card = bench.of_state(("spool", ident), lambda: _shown(bench, ident), visitor.state)
    held = {key: value for key, value in form.items() if isinstance(value, str)} if form is not None else None
    drying, problems, when = _open_drying(bench, card), plainly(refusal)[1], when_at(bench.book)

    def inputs(asks: Sequence[Ask], *now: str) -> list[Input]:
        return of_form(asks, held, now=now, when=when, problems=problems)

    return page(
        request, bench, visitor, "spool", refusal=refusal,
        ident=ident, card=card, seen=facts_of(bench, ident), places=PLACES,
        staying=inputs([ask for ask in STORAGE_FORM if ask.name != "place"], "began_at"),
        weighing=inputs(WEIGHING_FORM, "at"),
        drying=inputs(DRYING_FORM, *_drying_now(bench, drying)),
        open_drying=drying, held=held or {}, acts=acts_on("spool"),
    )  # fmt: skip


def _drying_now(bench: Bench, drying: str) -> tuple[str, ...]:
    """Return which moment of a drying is the present one: its end only where that can be by its plan."""
    if not drying:
        return ("began_at",)
    return ("ended_at",) if offered_end(bench.book, drying) else ()


def _shown(bench: Bench, ident: Ident) -> Card:
    with bench.book.read() as session:
        return card_of(session, fetch(session, ident), bench.book.zone)


def _open_drying(bench: Bench, card: Card) -> str:
    """Return the ID of the drying that the spool is in; empty where it is in none."""
    with bench.book.read() as session:
        for name in reversed(card.data["dryings"]):
            row = find(bench.book, session, name, "drying")
            if card_of(session, row, bench.book.zone).data["ended_at"] is None:
                return str(name)
    return ""


@router.post("/{text}/keep")
def kept(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Put a spool somewhere, from now on where nothing else is said."""
    ident = ident_of_kind(bench, text, "spool")
    return acted(
        request, bench, form, str(ident),
        lambda: keep_spool(
            bench.book, visitor.who, str(ident), typed_asks(form, STORAGE_FORM), sure=is_sure(form)
        ),
        lambda refusal: spool_page(request, bench, visitor, ident, form=form, refusal=refusal),
    )  # fmt: skip


@router.post("/{text}/weigh")
def weighed(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Enter what the scales show."""
    ident = ident_of_kind(bench, text, "spool")
    return acted(
        request, bench, form, str(ident),
        lambda: add_record(
            bench.book, visitor.who, "weighing", {"spool": str(ident), **typed_asks(form, WEIGHING_FORM)},
            sure=is_sure(form),
        ),
        lambda refusal: spool_page(request, bench, visitor, ident, form=form, refusal=refusal),
    )  # fmt: skip


@router.post("/{text}/dry")
def dried(request: Request, bench: Here, visitor: Writer, form: Form, text: Text) -> Response:
    """Put a spool into the dryer, or take it out: with a drying's ID the drying ends."""
    ident = ident_of_kind(bench, text, "spool")
    drying, mass = str(form.get("drying") or ""), str(form.get("mass") or "").strip()
    masses = [mass] if mass else []
    answers = typed_asks(form, DRYING_FORM)
    return acted(
        request, bench, form, str(ident),
        lambda: end_drying(bench.book, visitor.who, drying, answers, masses, sure=is_sure(form))
        if drying
        else start_drying(
            bench.book, visitor.who, [str(ident)], answers, before=masses, sure=is_sure(form)
        ),
        lambda refusal: spool_page(request, bench, visitor, ident, form=form, refusal=refusal),
    )  # fmt: skip
