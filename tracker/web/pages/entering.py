"""What comes in, entered from a page: a material, a spool, a rig, its calibration.

Fields, units and what is usually answered come from the desk's forms, as prompts and options do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Literal
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.finding import material_named
from tracker.desk.forms import Ask
from tracker.desk.materials import MATERIAL_FORM, add_material
from tracker.desk.moments import when_at
from tracker.desk.rigs import CALIBRATION_FORM, OF_RIG, RIG_FORM, add_rig, calibrate
from tracker.desk.spools import OF_MATERIAL, SPOOL_FORM, add_spool
from tracker.errors import Refused
from tracker.records import shown_record
from tracker.web.bench import Bench
from tracker.web.choosing import offered
from tracker.web.inputs import asked, text_of, typed_asks
from tracker.web.pages.acting import acted
from tracker.web.refusals import plainly, status_of
from tracker.web.render import page
from tracker.web.visitors import Form, Here, Reader, Visitor, Writer

router = APIRouter()

Answers = Mapping[str, str]
What = Literal["material", "spool", "rig", "calibration"]


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


def _material(name: str) -> str:
    return f"/material?{urlencode({'name': name})}"


def _add_spool(book: Book, who: str, answers: Answers) -> Done:
    return add_spool(book, who, answers.get("material", ""), answers)


def _calibrate(book: Book, who: str, answers: Answers) -> Done:
    return calibrate(book, who, answers.get("rig", ""), answers)


KINDS: Final[Mapping[What, Entered]] = {
    "material": Entered("A new material", MATERIAL_FORM, add_material, _material),
    "spool": Entered("A spool arrives", (OF_MATERIAL, *SPOOL_FORM), _add_spool, _record),
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
    words, problems = plainly(refusal)
    given = {kind.form[0].name: of} if of else {}
    inputs = asked(kind.form, when_at(bench.book), held, problems, offered(bench), given)
    return page(
        request, bench, visitor, "entering",
        status=status_of(refusal) if refusal else 200,
        what=what, kind=kind, inputs=inputs, problem=words,
        key=text_of(form, "key"),
        lacking=any(each.kind == "choice" and each.required and not each.choices for each in inputs),
    )  # fmt: skip


@router.post("/new/{what}")
def enter(request: Request, bench: Here, visitor: Writer, form: Form, what: What) -> Response:
    """Enter a record; what is refused stands in its form again."""
    kind = KINDS[what]
    return acted(
        request, bench, form, kind.where,
        lambda: kind.store(bench.book, visitor.who, typed_asks(form, kind.form)),
        lambda refusal: _asked(request, bench, visitor, what, form=form, refusal=refusal),
    )  # fmt: skip


@router.get("/material")
def material(
    request: Request, bench: Here, visitor: Reader,
    name: Annotated[str, Query(max_length=400)], said: Annotated[str, Query(max_length=60)] = "",
) -> Response:  # fmt: skip
    """Show a material: its data sheet as it is recorded."""
    with bench.book.read() as session:
        row = material_named(session, name)
        told = shown_record(session, row, bench.book.zone)
    return page(request, bench, visitor, "material", named=row.name, told=told, said=bench.words_of(said))
