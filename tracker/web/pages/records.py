"""Records: whatever stands on a label opened, new ones entered, what is wrong corrected, verdicts given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Path, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.book import Book
from tracker.desk.amendable import Amendable, amendable, changed
from tracker.desk.corrections import amend
from tracker.desk.doubts import Done
from tracker.desk.finding import find, material_named, resolve
from tracker.desk.forms import Ask
from tracker.desk.materials import MATERIAL_FORM, add_material
from tracker.desk.moments import when_at
from tracker.desk.rigs import CALIBRATION_FORM, OF_RIG, RIG_FORM, add_rig, calibrate
from tracker.desk.spools import OF_MATERIAL, SPOOL_FORM, add_spool
from tracker.desk.verdicts import judge
from tracker.errors import Refused
from tracker.ids import Ident
from tracker.records import Shown, shown_record
from tracker.units import shown
from tracker.web.acting import acted
from tracker.web.bench import Bench
from tracker.web.inputs import Input, asked, offered, text_of, typed_asks
from tracker.web.pages.measuring import piece_page
from tracker.web.pages.plate import plate_page
from tracker.web.pages.spool import spool_page
from tracker.web.refusals import plainly
from tracker.web.render import linked, page, there
from tracker.web.visitors import Form, Here, Keeper, Reader, Visitor

router = APIRouter()
labels = APIRouter()
"""Its one address takes whatever stands on a label, and so comes after all others."""

Answers = Mapping[str, str]
What = Literal["material", "spool", "rig", "calibration"]
Of = Annotated[str, Query(max_length=400)]


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
    ident = bench.of_state(("ident", text), lambda: ident_named(bench, text), visitor.state)
    if str(ident) != text:
        return there(f"/{quote(str(ident))}")
    if ident.kind == "specimen" or (ident.kind == "spool" and (method or stored)):
        return piece_page(request, bench, visitor, ident, method, stored)
    if ident.kind == "job":
        return plate_page(request, bench, visitor, ident)
    if ident.kind == "spool":
        return spool_page(request, bench, visitor, ident)
    return _record_page(request, bench, visitor, ident)


def ident_named(bench: Bench, text: str) -> Ident:
    """Return which ID of this book a text names.

    Raises:
        Refused: None; the text says why.
    """
    with bench.book.read() as session:
        return resolve(bench.book, session, text)


def _record_page(request: Request, bench: Bench, visitor: Visitor, ident: Ident) -> Response:
    def read() -> Shown:
        with bench.book.read() as session:
            return shown_record(session, find(bench.book, session, str(ident)), bench.book.zone)

    told: Shown = bench.of_state(("record", ident), read, visitor.state)
    files = told.data["files"] if ident.kind == "measurement" else {}
    pictures = [{"field": field, "name": file["name"]} for field, file in files.items()]
    return page(request, bench, visitor, "record", ident=ident, told=told, pictures=pictures)


@dataclass(frozen=True)
class Entered:
    """A kind of record that one form enters.

    Attributes:
        title: Heading of its page.
        form: What is asked.
        store: Enters it.
        where: Page of what was entered.
    """

    title: str
    form: tuple[Ask, ...]
    store: Callable[[Book, str, Answers], Done]
    where: Callable[[str], str]


def _record(name: str) -> str:
    return f"/{quote(name)}"


def material_path(name: str) -> str:
    """Return the page of a material, which has no ID."""
    return f"/material?{urlencode({'name': name})}"


def _add_spool(book: Book, who: str, answers: Answers) -> Done:
    return add_spool(book, who, answers.get("material", ""), answers)


def _calibrate(book: Book, who: str, answers: Answers) -> Done:
    return calibrate(book, who, answers.get("rig", ""), answers)


KINDS: Final[Mapping[What, Entered]] = {
    "material": Entered("A new material", MATERIAL_FORM, add_material, material_path),
    "spool": Entered("A new spool", (OF_MATERIAL, *SPOOL_FORM), _add_spool, _record),
    "rig": Entered("A new rig or instrument", RIG_FORM, add_rig, _record),
    "calibration": Entered("A calibration", (OF_RIG, *CALIBRATION_FORM), _calibrate, _record),
}


@router.get("/new")
def choose(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show what can be entered."""
    return page(request, bench, visitor, "new", kinds=KINDS)


@router.get("/new/{what}")
def ask(
    request: Request, bench: Here, visitor: Reader, what: What,
    of: Annotated[str, Query(max_length=200)] = "",
) -> Response:  # fmt: skip
    """Show a form; ``of`` names the material of a spool, or the rig of a calibration."""
    return _asked(request, bench, visitor, what, of)


def _asked(
    request: Request, bench: Bench, visitor: Visitor, what: What, of: str = "",
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    kind = KINDS[what]
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
def enter(request: Request, bench: Here, visitor: Keeper, form: Form, what: What) -> Response:
    """Enter a record; what is refused stands in its form again."""
    kind = KINDS[what]
    return acted(
        request, bench, form, kind.where,
        lambda: kind.store(bench.book, visitor.who, typed_asks(form, kind.form)),
        lambda refusal: _asked(request, bench, visitor, what, form=form, refusal=refusal),
    )  # fmt: skip


@router.get("/material")
def material(
    request: Request, bench: Here, visitor: Reader, name: Annotated[str, Query(max_length=400)]
) -> Response:
    """Show a material: its data sheet as it is recorded."""
    with bench.book.read() as session:
        row = material_named(session, name)
        told = shown_record(session, row, bench.book.zone)
    return page(request, bench, visitor, "material", named=row.name, told=told)


_SENT, _WAS = "a-", "was-"


@router.get("/correct")
def ask_correction(request: Request, bench: Here, visitor: Reader, of: Of) -> Response:
    """Show what can be corrected of a record, each with what is recorded."""
    return _correcting(request, bench, visitor, of)


def _correcting(
    request: Request, bench: Bench, visitor: Visitor, of: str,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    name, found = amendable(bench.book, bench.plugged, of)
    _, problems = plainly(refusal)
    sent = _texts(form, _SENT) if form is not None else {each.name: each.was for each in found}
    was = _texts(form, _WAS) if form is not None else sent
    return page(
        request, bench, visitor, "correct", refusal=refusal,
        named=name, where=_where(name), reason=text_of(form, "reason"), key=text_of(form, "key"),
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
    return f"/{quote(name)}" if opens and "-" in name else material_path(name)


@router.post("/correct")
def correct(request: Request, bench: Here, visitor: Keeper, form: Form, of: Of) -> Response:
    """Correct what was changed in the form."""

    def act() -> Done:
        _, found = amendable(bench.book, bench.plugged, of)
        changes = changed(_texts(form, _SENT), _texts(form, _WAS), found)
        return amend(bench.book, visitor.who, bench.plugged, of, changes, text_of(form, "reason"))

    return acted(
        request, bench, form, _where, act,
        lambda refusal: _correcting(request, bench, visitor, of, form, refusal),
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
        request, bench, visitor, "verdict", refusal=refusal, of=of, told=_measured(bench, of),
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
        request, bench, form, _record, act,
        lambda refusal: _judged(request, bench, visitor, of, form, refusal),
    )  # fmt: skip
