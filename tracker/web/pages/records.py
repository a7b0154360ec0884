"""Records: whatever stands on a label opened, new ones entered, what is wrong corrected, verdicts given."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Path, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker import kinds
from tracker.desk import correcting
from tracker.desk.correcting import Correctable, changed, correctable
from tracker.desk.doubts import Done
from tracker.desk.entering import add_record
from tracker.desk.voiding import judge, void
from tracker.errors import Refused
from tracker.forms import when_at
from tracker.ids import Ident
from tracker.kinds import Card, Kind, NotFoundError, card_of, find, find_row, ident_of, material_named
from tracker.stating import shown
from tracker.web.acting import acted, is_sure
from tracker.web.bench import Bench
from tracker.web.inputs import Input, Of, asked, offered, text_of, typed_asks
from tracker.web.pages.acts import acts_on
from tracker.web.pages.measuring import piece_page
from tracker.web.pages.plate import plate_page
from tracker.web.pages.spool import spool_page
from tracker.web.refusals import plainly
from tracker.web.render import linked, page, there
from tracker.web.visitors import Form, Here, Keeper, Reader, Visitor

router = APIRouter()
labels = APIRouter()
"""Its one address takes whatever stands on a label, and so comes after all others."""


@labels.get("/{text}")
def opened(
    request: Request,
    bench: Here,
    visitor: Reader,
    text: Annotated[str, Path(max_length=400)],
    method: Annotated[str, Query(max_length=100)] = "",
    stored: Annotated[str, Query(max_length=40)] = "",
) -> Response:
    """Open what an ID or a label's text names."""
    # Of measurements every act may make one, or take one back; what else there is comes by other acts.
    mark = visitor.state if text[:1] in "Mm" else bench.changed.mark_of_records(visitor.state)
    ident, voided = bench.of_state(("ident", text), lambda: _named(bench, text), mark)
    if str(ident) != text:
        return there(f"/{quote(str(ident))}")
    if voided:
        return _record_page(request, bench, visitor, ident)
    if ident.kind == "specimen" or (ident.kind == "spool" and (method or stored)):
        return piece_page(request, bench, visitor, ident, method, stored)
    if ident.kind == "job":
        return plate_page(request, bench, visitor, ident)
    if ident.kind == "spool":
        return spool_page(request, bench, visitor, ident)
    return _record_page(request, bench, visitor, ident)


def _named(bench: Bench, text: str) -> tuple[Ident, bool]:
    """Return which ID of this book a text names, and whether its record was taken back.

    Raises:
        Refused: None; the text says why.
    """
    with bench.book.read() as session:
        row = find(bench.book, session, text, voided=True)
        return ident_of(row), row.voided is not None


def _record_page(request: Request, bench: Bench, visitor: Visitor, ident: Ident) -> Response:
    def read() -> Card:
        with bench.book.read() as session:
            return card_of(session, find(bench.book, session, str(ident), voided=True), bench.book.zone)

    card: Card = bench.of_state(("record", ident), read, visitor.state)
    files = card.data["files"] if ident.kind == "measurement" else {}
    pictures = [{"field": field, "name": file["name"]} for field, file in files.items()]
    return page(
        request, bench, visitor, "record", ident=ident, card=card, pictures=pictures, acts=acts_on(ident.kind)
    )


KINDS: Final[Mapping[str, Kind]] = {name: kind for name, kind in kinds.KINDS.items() if kind.title}
"""Kinds that one form enters."""


def material_path(name: str) -> str:
    """Return the page of a material, which has no ID."""
    return f"/material?{urlencode({'name': name})}"


def _entered_path(kind: Kind, name: str) -> str:
    """Return the page of what was entered; of a kind without IDs it is where it can be corrected."""
    if kind.name == "material":
        return material_path(name)
    return f"/{quote(name)}" if kind.has_id or kind.part else f"/correct?{urlencode({'of': name})}"


def _kind(what: str) -> Kind:
    """Return a kind that one form enters.

    Raises:
        NotFoundError: There is none of that name, or it has acts of its own.
    """
    if what not in KINDS:
        raise NotFoundError(f"There is no form for {what[:40]!r}")
    return KINDS[what]


@router.get("/new")
def choose(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show what can be entered."""
    return page(request, bench, visitor, "new", kinds=KINDS)


@router.get("/new/{what}")
def ask(
    request: Request, bench: Here, visitor: Reader, what: str,
    of: Annotated[str, Query(max_length=200)] = "",
) -> Response:  # fmt: skip
    """Show a form; ``of`` names the material of a spool, or the rig of a calibration."""
    return _asked(request, bench, visitor, what, of)


def _asked(
    request: Request, bench: Bench, visitor: Visitor, what: str, of: str = "",
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    kind = _kind(what)
    held = typed_asks(form, kind.form) if form is not None else None
    _, problems = plainly(refusal)
    given = {kind.form[0].name: of} if of else {}
    inputs = asked(kind.form, when_at(bench.book), held, problems, offered(bench), given)
    return page(
        request, bench, visitor, "entering", refusal=refusal,
        what=what, kind=kind, inputs=inputs, key=text_of(form, "key"),
        lacking=any(each.kind == "choice" and each.required and not each.choices for each in inputs),
    )  # fmt: skip


@router.post("/new/{what}")
def enter(request: Request, bench: Here, visitor: Keeper, form: Form, what: str) -> Response:
    """Enter a record; what is refused is in its form again."""
    kind = _kind(what)
    return acted(
        request, bench, form, lambda name: _entered_path(kind, name),
        lambda: add_record(bench.book, visitor.who, what, typed_asks(form, kind.form), sure=is_sure(form)),
        lambda refusal: _asked(request, bench, visitor, what, form=form, refusal=refusal),
    )  # fmt: skip


@router.get("/material")
def material(request: Request, bench: Here, visitor: Reader, name: Of) -> Response:
    """Show a material: its data sheet as it is recorded."""
    with bench.book.read() as session:
        row = material_named(session, name)
        card = card_of(session, row, bench.book.zone)
    return page(request, bench, visitor, "material", named=row.name, card=card, acts=acts_on("material"))


_SENT, _WAS = "a-", "was-"


@router.get("/correct")
def ask_correction(request: Request, bench: Here, visitor: Reader, of: Of) -> Response:
    """Show what can be corrected of a record, each with what is recorded."""
    return _correcting(request, bench, visitor, of)


def _correcting(
    request: Request, bench: Bench, visitor: Visitor, of: str,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    name, found = correctable(bench.book, bench.plugged, of)
    _, problems = plainly(refusal)
    sent = _texts(form, _SENT) if form is not None else {each.name: each.was for each in found}
    was = _texts(form, _WAS) if form is not None else sent
    return page(
        request, bench, visitor, "correct", refusal=refusal,
        named=name, where=_where(name), reason=text_of(form, "reason"), key=text_of(form, "key"),
        inputs=[(_input(each, sent, problems), was.get(each.name, "")) for each in found],
    )  # fmt: skip


def _input(each: Correctable, sent: Mapping[str, str], problems: Mapping[str, str]) -> Input:
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
    return f"/{quote(name.partition('.')[0])}" if opens and "-" in name else material_path(name)


@router.post("/correct")
def correct(request: Request, bench: Here, visitor: Keeper, form: Form, of: Of) -> Response:
    """Correct what was changed in the form."""

    def act() -> Done:
        _, found = correctable(bench.book, bench.plugged, of)
        changes = changed(_texts(form, _SENT), _texts(form, _WAS), found)
        return correcting.correct(
            bench.book, visitor.who, bench.plugged, of, changes, text_of(form, "reason"), sure=is_sure(form)
        )

    return acted(
        request, bench, form, _where, act,
        lambda refusal: _correcting(request, bench, visitor, of, form, refusal),
    )  # fmt: skip


@router.get("/void")
def ask_void(request: Request, bench: Here, visitor: Reader, of: Of) -> Response:
    """Ask why a record is taken back, or brought back."""
    # A recording is meant by the ID of its measurement and its field, with a dot between.
    named = of.partition(".")[0] if any(found for _, found in linked(of)) else of
    with bench.book.read() as session:
        find_row(bench.book, session, named, voided=True)
    return _voiding(request, bench, visitor, of)


def _voiding(
    request: Request, bench: Bench, visitor: Visitor, of: str,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    return page(
        request, bench, visitor, "void", refusal=refusal, of=of, where=_where(of),
        reason=text_of(form, "reason"), back=text_of(form, "bring") == "back", key=text_of(form, "key"),
    )  # fmt: skip


@router.post("/void")
def take_back(request: Request, bench: Here, visitor: Keeper, form: Form, of: Of) -> Response:
    """Take a record back: it stays, struck through, and counts nowhere; or bring it back."""
    return acted(
        request, bench, form, lambda _: _where(of),
        lambda: void(
            bench.book, visitor.who, bench.plugged, of, text_of(form, "reason"),
            sure=is_sure(form), back=text_of(form, "bring") == "back",
        ),
        lambda refusal: _voiding(request, bench, visitor, of, form, refusal),
    )  # fmt: skip


@router.get("/verdict")
def ask_verdict(request: Request, bench: Here, visitor: Reader, of: Of) -> Response:
    """Show what was measured on a specimen, a spool or those of a job, each to be counted or set aside."""
    return _judged(request, bench, visitor, of)


def _judged(
    request: Request, bench: Bench, visitor: Visitor, of: str,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    return page(
        request, bench, visitor, "verdict", refusal=refusal, of=of, measured=_measured(bench, of),
        held={name: text_of(form, name) for name in ("measurement", "counted", "quantity", "reason", "key")},
    )  # fmt: skip


def _measured(bench: Bench, of: str) -> list[Mapping[str, Any]]:
    """Return the measurements that hang on a record, with their results."""
    with bench.book.read() as session:

        def data(name: str, *kinds: str) -> Mapping[str, Any]:
            return card_of(session, find(bench.book, session, name, *kinds), bench.book.zone).data

        top = data(of, "measurement", "specimen", "spool", "job")
        if "results" in top:
            return [top]
        subjects = [data(each["id"]) for each in top["specimens"]] if "specimens" in top else [top]
        return [data(name) for each in subjects for name in each.get("measurements", ())]


@router.post("/verdict")
def give(request: Request, bench: Here, visitor: Keeper, form: Form, of: Of) -> Response:
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
