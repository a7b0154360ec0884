"""Acts on one record that are done now and then: each is one form, made from what the desk asks for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.desk.doubts import Done
from tracker.desk.entering import choose
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import SPOOL_USE_FORM, add_specimens, use_spool
from tracker.desk.merging import CUT_FORM, WIND_FORM, cut_specimen, exchange_labels, merge, wind_spool
from tracker.errors import Refused
from tracker.forms import Ask, when_at
from tracker.ids import IdError
from tracker.kinds import NotFoundError, find, ident_of, material_named
from tracker.table import Choosable, choosable, meant_by
from tracker.web.acting import acted, is_sure
from tracker.web.bench import Bench
from tracker.web.inputs import Choices, Of, asked, text_of, typed_asks
from tracker.web.refusals import plainly
from tracker.web.render import page
from tracker.web.visitors import Form, Here, Keeper, Reader, Visitor

router = APIRouter()

_REASON: Final = Ask("reason", "Why", required=True)


@dataclass(frozen=True)
class OneAct:
    """An act on a record.

    Attributes:
        title: What is done, as a heading; ``{}`` is the record.
        link: What leads to it, on the page of the record.
        button: What its button says.
        help: What becomes of the record, in a sentence.
        form: What is asked.
        do: Does it: book and methods, who, the record, the answers, whether what is unusual is meant.
        kinds: Of records that it is offered on.
        offers: For fields that are chosen from a list: what makes the list of the record.
    """

    title: str
    link: str
    button: str
    help: str
    form: tuple[Ask, ...]
    do: Callable[[Bench, str, str, Mapping[str, str], bool], Done]
    kinds: tuple[str, ...]
    offers: Mapping[str, Callable[[Bench, str], Choices]] = field(default_factory=dict)


def _words(text: str) -> list[str]:
    return [each.strip() for each in text.replace("\n", ",").split(",") if each.strip()]


def _merge(bench: Bench, who: str, of: str, typed: Mapping[str, str], sure: bool) -> Done:
    return merge(bench.book, who, of, typed["other"], typed["reason"], sure=sure)


def _cut(bench: Bench, who: str, of: str, typed: Mapping[str, str], sure: bool) -> Done:
    return cut_specimen(bench.book, who, of, _words(typed["parts"]), typed, sure=sure)


def _wind(bench: Bench, who: str, of: str, typed: Mapping[str, str], sure: bool) -> Done:
    return wind_spool(bench.book, who, of, typed, sure=sure)


def _exchange(bench: Bench, who: str, of: str, typed: Mapping[str, str], sure: bool) -> Done:
    del sure
    return exchange_labels(bench.book, who, bench.plugged, of, typed["other"], typed["reason"])


def _use_spool(bench: Bench, who: str, of: str, typed: Mapping[str, str], sure: bool) -> Done:
    return use_spool(bench.book, who, of, typed, sure=sure)


def _specimens(bench: Bench, who: str, of: str, typed: Mapping[str, str], sure: bool) -> Done:
    del sure
    return add_specimens(bench.book, who, of, [read_piece(each) for each in _words(typed["pieces"])])


def _choose(bench: Bench, who: str, of: str, typed: Mapping[str, str], sure: bool) -> Done:
    del sure
    # A setting may hold a comma: what was chosen from the list is taken as it is.
    listed = next((each for each in choosable(bench.book, of) if _as_sent(each) == typed["condition"]), None)
    settings = listed.settings if listed is not None else _words(typed["condition"])
    found = meant_by(bench.book, of, settings)
    done = choose(
        bench.book, who, found.material, found.settings, typed["reason"], typed["remark"].strip() or None
    )
    rows = "; ".join(found.rows)
    several = [f"{len(found.rows)} conditions have this and are published together: {rows}."]
    return Done(done.id, [f"Published from now on: {rows}."] if len(found.rows) == 1 else several)


_ONLY: Final = "the only one"


def _as_sent(condition: Choosable) -> str:
    return ", ".join(condition.settings) or _ONLY


def _conditions(bench: Bench, of: str) -> Choices:
    """Return the conditions of a material that can be published, each with what it is in words."""
    return [
        (_as_sent(each), f"{each.words}{' (published now)' if each.published else ''}")
        for each in choosable(bench.book, of)
    ]


ACTS: Final[Mapping[str, OneAct]] = {
    "merge": OneAct(
        "Merge another record into {}", "Merge with another", "Merge them",
        "For one thing that was entered twice. What hung on either hangs on this one; both IDs lead here.",
        (Ask("other", "ID or name of the other", required=True), _REASON), _merge,
        ("material", "spool", "rig"),
    ),
    "cut": OneAct(
        "Cut {} into parts", "Cut into parts", "Enter the parts",
        "Each part becomes a specimen of its own with its own ID; the whole is used up.",
        (Ask("parts", "What the parts are called, with commas between", required=True), *CUT_FORM), _cut,
        ("specimen",),
    ),
    "relabel": OneAct(
        "Exchange the labels of {} and another", "Exchange labels", "Exchange them",
        "For labels that were mixed up. Tests and photographs go to the other; results are computed again.",
        (Ask("other", "ID of the other specimen", required=True), _REASON), _exchange, ("specimen",),
    ),
    "wind": OneAct(
        "Wind {} onto another reel", "Wind onto another reel", "Enter the new reel",
        "The new reel becomes a spool of its own; water and drying of the filament follow it.",
        WIND_FORM, _wind, ("spool",),
    ),
    "spool": OneAct(
        "Another spool that {} was printed from", "Another spool", "Enter the spool",
        "Of another tool, from a layer on, or for some of the pieces.",
        SPOOL_USE_FORM, _use_spool, ("job",),
    ),
    "pieces": OneAct(
        "Specimens of {}", "Enter specimens", "Enter the specimens",
        "For a job that was entered before anybody knew what was on its plate.",
        (Ask("pieces", "NAME:ORIENTATION:COUNT, with commas between, as in bar:ZXY:5", required=True),),
        _specimens, ("job",),
    ),
    "choose": OneAct(
        "What is published of {}", "Choose what is published", "Choose it",
        "The condition whose results are published.",
        (
            Ask("condition", "Condition", required=True),
            _REASON, Ask("remark", "What is shown beside the published values"),
        ),
        _choose, ("material",), {"condition": _conditions},
    ),
}  # fmt: skip


def acts_on(kind: str) -> list[tuple[str, str]]:
    """Return the acts that are offered on records of a kind, each with the words that lead to it."""
    return [(name, each.link) for name, each in ACTS.items() if kind in each.kinds]


def _one(name: str) -> OneAct:
    """Return an act.

    Raises:
        NotFoundError: There is none of that name.
    """
    if name not in ACTS:
        raise NotFoundError(f"There is no form for {name[:40]!r}")
    return ACTS[name]


@router.get("/act/{name}")
def ask(request: Request, bench: Here, visitor: Reader, name: str, of: Of) -> Response:
    """Show the form of an act on a record."""
    return _asked(request, bench, visitor, name, _record(bench, _one(name), of))


def _record(bench: Bench, one: OneAct, of: str) -> str:
    """Return the name of the record that is meant, as its page has it.

    Raises:
        Refused: There is none, or the act is none of its kind.
    """
    with bench.book.read() as session:
        if one.kinds == ("material",):
            return str(material_named(session, of).name)
        try:
            return str(ident_of(find(bench.book, session, of, *one.kinds)))
        except IdError:
            if "material" not in one.kinds:
                raise
            return str(material_named(session, of).name)


def _asked(
    request: Request, bench: Bench, visitor: Visitor, name: str, of: str,
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    one = _one(name)
    held = typed_asks(form, one.form) if form is not None else None
    moments = [each.name for each in one.form if each.kind == "moment"]
    offers = {name: make(bench, of) for name, make in one.offers.items()}
    inputs = asked(one.form, when_at(bench.book), held, plainly(refusal)[1], offers, now=moments)
    return page(
        request, bench, visitor, "act", refusal=refusal, act=name, one=one, of=of,
        heading=one.title.split("{}"), where=page_of(of), inputs=inputs, key=text_of(form, "key"),
    )  # fmt: skip


def page_of(name: str) -> str:
    """Return the page of a record, by its ID or a material's name."""
    ident = name[:1] in "SJMDR" and name[1:5].isdigit()
    return f"/{quote(name)}" if ident else f"/material?{urlencode({'name': name})}"


@router.post("/act/{name}")
def done(request: Request, bench: Here, visitor: Keeper, form: Form, name: str, of: Of) -> Response:
    """Do an act on a record; refused, its form stands again."""
    one = _one(name)

    def act() -> Done:
        typed: Mapping[str, str] = {each.name: text_of(form, each.name) for each in one.form}
        lacking: Sequence[str] = [
            each.label for each in one.form if each.required and not typed[each.name].strip()
        ]
        if lacking:
            raise Refused(f"{lacking[0]}: nothing is typed there")
        return one.do(bench, visitor.who, of, typed, is_sure(form))

    return acted(
        request, bench, form, page_of, act,
        lambda refusal: _asked(request, bench, visitor, name, of, form, refusal),
    )  # fmt: skip
