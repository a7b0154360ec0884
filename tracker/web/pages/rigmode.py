"""At the rig: method, rig and person chosen once; then scan, number or file, Enter, and the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Final
from urllib import parse
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.api import Field, Method, fields
from tracker.desk.curves import spark_svg, thinned_curve
from tracker.desk.measuring import MEASURE_FORM, IncompleteError
from tracker.desk.method_inputs import rigs_serving
from tracker.errors import Refused
from tracker.forms import when_at
from tracker.ids import rig_id
from tracker.kinds import card_of, find, ident_of, row_of_label
from tracker.lazy_modules import lazy
from tracker.scanning import first_lines, warning
from tracker.web.bench import Bench, Offer
from tracker.web.inputs import Input, of_form, of_readings
from tracker.web.refusals import plainly
from tracker.web.render import page
from tracker.web.visitors import Here, Reader, Visitor

if TYPE_CHECKING:
    from tracker import api
    from tracker.desk import measuring
else:
    measuring = lazy("tracker.desk.measuring")
    api = lazy("tracker.api")

router = APIRouter()

Word = Annotated[str, Query(max_length=200)]
_LINES: Final = 2
_UNITS: Final = frozenset({"mm", "mm^2"})


@dataclass(frozen=True)
class RigChoice:
    """What was chosen once for all that follows; it is in the page's address and so outlives everything.

    Attributes:
        method: Id of the method.
        rigs: IDs of what is measured with.
        who: Whose readings they are; the device's name where empty.
        same: Lengths of the section are taken over from the specimen before.
    """

    method: str
    rigs: tuple[str, ...]
    who: str
    same: bool

    def address(self, **more: str) -> str:
        """Return the page of this choice."""
        asked: list[tuple[str, str]] = [("method", self.method), *(("rigs", each) for each in self.rigs)]
        asked += [("who", self.who)] if self.who else []
        asked += [("same", "1")] if self.same else []
        return f"/rig?{urlencode([*asked, *more.items()])}"


@router.get("/rig")
def at_the_rig(
    request: Request, bench: Here, visitor: Reader,
    method: Word = "", who: Word = "", same: Word = "", of: Word = "", stored: Word = "",
    rigs: Annotated[list[str] | None, Query(max_length=8)] = None,
) -> Response:  # fmt: skip
    """Choose once, then show the specimen that was scanned, or wait for the next one."""
    chosen = tuple(each[:40] for each in rigs or () if each)
    choice = RigChoice(method, chosen, who.strip()[:100], same == "1")
    return rig_page(request, bench, visitor, choice, of, stored)


def rig_page(
    request: Request, bench: Bench, visitor: Visitor, choice: RigChoice, of: str = "", stored: str = "",
    form: FormData | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    """Return the page at the rig; with a form, the one that was refused.

    Args:
        request: What it answers.
        bench: The running page.
        visitor: Who asks.
        choice: What was chosen once.
        of: ID or label text of the specimen; empty while the next one is waited for.
        stored: ID of the measurement just stored.
        form: What was sent and refused.
        refusal: Why.
    """
    methods = {
        name: each.method for name, each in bench.plugged.methods.items() if each.method.subject == "specimen"
    }
    method = methods.get(choice.method)
    facts: dict[str, Any] = {
        "choice": choice, "methods": [(name, each.title) for name, each in methods.items()], "method": method,
        "rigs": _rigs(bench) if method is None else [], "of": "", "scan_first": True,
        "stored": _stored(bench, stored), "offer": None, "lasts": (),
        "scan_to": choice.address() if method is not None else "",
        "incomplete": isinstance(refusal, IncompleteError),
    }  # fmt: skip
    if method is None:
        return page(request, bench, visitor, "rig", **facts)
    offer = newest_offer(bench, visitor, choice)
    facts["offer"] = _shown_offer(offer) if offer is not None else None
    if of:
        try:
            facts |= _specimen(bench, visitor, choice, method, of, form, refusal, offer)
        except Refused as error:
            refusal = refusal or error
    return page(request, bench, visitor, "rig", refusal=refusal, **facts)


def _rigs(bench: Bench) -> list[tuple[str, str, str]]:
    """Return ID, name and what is read of all rigs: which method they are for is chosen beside them."""
    with bench.book.read() as session:
        return [(rig_id(rig.id), rig.name, rig.measures or "") for rig in rigs_serving(session, None)]


def _stored(bench: Bench, name: str) -> Mapping[str, Any] | None:
    if not name:
        return None
    try:
        with bench.book.read() as session:
            data = card_of(session, find(bench.book, session, name, "measurement"), bench.book.zone).data
    except Refused:
        return None
    found: Mapping[str, Any] = data
    return found


def _specimen(
    bench: Bench, visitor: Visitor, choice: RigChoice, method: Method, of: str,
    form: FormData | None, refusal: Refused | None, offer: Offer | None,
) -> dict[str, Any]:  # fmt: skip
    with bench.book.read() as session:
        row = row_of_label(bench.book, session, of)
        lines, stop = first_lines(bench.book, session, row)[:_LINES], warning(row, bench.book.zone)
    problems = plainly(refusal)[1]
    held = {name: value for name, value in form.items() if isinstance(value, str)} if form is not None else {}
    typed = {name.removeprefix("r-"): value for name, value in held.items() if name.startswith("r-")}
    if form is None and choice.same:
        typed = _section(bench, method)
    inputs = of_readings(method, {}, typed, problems)
    about = of_form(
        [ask for ask in MEASURE_FORM if ask.name in ("at", "remark")], held if form is not None else None,
        now=("at",), when=when_at(bench.book), problems=problems,
    )  # fmt: skip
    return {
        "of": str(ident_of(row)), "lines": lines, "stop": stop, "about": about, "key": held.get("key", ""),
        "inputs": [each for each in inputs if not _offered(each, offer)],
        "scan_first": False, "operator": choice.who or visitor.who,
    }  # fmt: skip


def _offered(each: Input, offer: Offer | None) -> bool:
    """Whether a field is filled by the recording that came; another file can be chosen under More."""
    return offer is not None and each.kind == "file"


def _section(bench: Bench, method: Method) -> dict[str, str]:
    """Return the lengths that were last typed with a method."""
    with bench.book.read() as session:
        last = measuring.last_readings(session, method.id)
    return {
        each.name: f"{last[each.name]:g}"
        for each in fields(method.Readings)
        if _is_section(each) and isinstance(last.get(each.name), int | float)
    }


def _is_section(each: Field) -> bool:
    return each.kind == "number" and each.unit in _UNITS


def newest_offer(bench: Bench, visitor: Visitor, choice: RigChoice) -> Offer | None:
    """Return the newest recording of the rigs that were chosen, or of the rig whose computer asks."""
    found = [bench.offers.newest(rig) for rig in rigs_asked(visitor, choice)]
    return max((each for each in found if each is not None), key=lambda each: each.number, default=None)


def rigs_asked(visitor: Visitor, choice: RigChoice) -> tuple[str, ...]:
    """Return the rigs whose recordings are taken: those chosen, and that of the computer that asks."""
    own = (visitor.device.rig,) if visitor.device is not None and visitor.device.rig else ()
    return (*choice.rigs, *own)


def offer_taken(bench: Bench, visitor: Visitor, choice: RigChoice, number: int) -> Offer | None:
    """Return the recording that a form takes; None where it is gone."""
    found = (bench.offers.get(rig, number) for rig in rigs_asked(visitor, choice))
    return next((each for each in found if each is not None), None)


@dataclass(frozen=True)
class ShownOffer:
    """A recording that came, ready to be shown: its number and name, its curve in small, what was noticed."""

    number: int
    name: str
    spark: str
    notes: Sequence[str]


def _shown_offer(offer: Offer) -> ShownOffer:
    recording = api.Recording(offer.name, offer.data)
    try:
        curve = api.read_curve(recording)
        spark = spark_svg(thinned_curve(recording, "", 160).points)
    except Refused as refusal:
        return ShownOffer(offer.number, offer.name, "", [str(refusal)])
    return ShownOffer(offer.number, offer.name, spark, [*curve.how, *curve.problems])


def choice_of(back: str) -> RigChoice | None:
    """Return the choice that the address of a page at the rig stands for; None for any other address."""
    parts = parse.urlsplit(back)
    if parts.path != "/rig" or parts.netloc or parts.scheme:
        return None
    asked = parse.parse_qs(parts.query)
    return RigChoice(
        (asked.get("method") or [""])[0], tuple(asked.get("rigs") or ()), (asked.get("who") or [""])[0],
        asked.get("same") == ["1"],
    )  # fmt: skip
