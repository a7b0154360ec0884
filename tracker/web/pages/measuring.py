"""The page of a piece: what it is, the form of a method, and what came of the readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.api import Method, Recording, fields
from tracker.book import Book
from tracker.desk.logs import PieceLog, piece_log
from tracker.desk.measuring import MEASURE_FORM, IncompleteError, last_readings, last_rigs, measure
from tracker.desk.method_inputs import rigs_serving
from tracker.desk.overtime import Running, append, running
from tracker.desk.platemaps import bed_of, things_of
from tracker.errors import Refused
from tracker.forms import when_at
from tracker.history import spool_days
from tracker.ids import Ident, rig_id
from tracker.kinds import Card, card_of, fetch, find, ident_of, resolve
from tracker.platefile import PlateObject
from tracker.programme import still_wanted
from tracker.scanning import first_lines, fitting_methods, warning
from tracker.web.acting import acted, check_no_scan, followed, is_sure
from tracker.web.bench import Bench
from tracker.web.inputs import READING, Input, key_of, of_form, of_readings, text_of, typed, typed_asks
from tracker.web.pages.acts import acts_on
from tracker.web.pages.rigmode import RigChoice, choice_of, offer_taken, rig_page, rigs_asked
from tracker.web.platemap import PlateMap, Points, plate_map
from tracker.web.refusals import plainly
from tracker.web.render import page, remembered, there
from tracker.web.uploads import recordings_sent
from tracker.web.visitors import Form, Here, Visitor, Writer

router = APIRouter()


@dataclass(frozen=True)
class PieceFacts:
    """What the page shows of a piece or spool; it hangs on the book alone.

    Attributes:
        lines: At most five.
        stop: What should make the person stop; empty where nothing does.
        methods: Id and title of the methods that are done on it.
        map: Its plate from above, itself marked; None where no plate is known.
        measurements: ID, method and results of what was measured.
        wanted: What its programme still wants of such pieces, in one line; empty for a spool.
        running: Tests over days that go on with it.
        running: Tests over days that go on with it.
        photographs: Those of the piece, as ``show --json`` has them.
        log: What the logs of its job say of it; None where none was kept, and for a spool.
    """

    lines: tuple[str, ...]
    stop: str
    methods: tuple[tuple[str, str], ...]
    map: PlateMap | None
    measurements: tuple[Mapping[str, Any], ...]
    wanted: str = ""
    log: PieceLog | None = None
    photographs: tuple[Mapping[str, Any], ...] = ()
    running: tuple[Running, ...] = ()


@dataclass(frozen=True)
class Sent:
    """What was sent and could not be stored as it is, and why."""

    refusal: Refused
    readings: Mapping[str, str] = field(default_factory=dict)
    about: Mapping[str, str] = field(default_factory=dict)
    rigs: tuple[str, ...] = ()
    key: str = ""
    files: tuple[str, ...] = ()
    photograph_note: str = ""

    @property
    def incomplete(self) -> bool:
        """Whether the readings give no result: they are kept where the person says so."""
        return isinstance(self.refusal, IncompleteError)


def piece_page(
    request: Request,
    bench: Bench,
    visitor: Visitor,
    ident: Ident,
    method: str = "",
    stored: str = "",
    sent: Sent | None = None,
) -> Response:
    """Return the page of a piece.

    Args:
        request: What it answers.
        bench: The running page.
        visitor: Who asks.
        ident: Of the piece.
        method: Whose form is open; empty for none.
        stored: ID of the measurement just stored.
        sent: What was just refused.
    """

    def facts() -> dict[str, Any]:
        return _piece_facts(bench, visitor, ident, method, stored, sent)

    if sent is not None:
        return page(request, bench, visitor, "piece", refusal=sent.refusal, **facts())
    # A spool's open-air hours go on by themselves; what is said of a piece ended with its print.
    minute = int(bench.book.clock().timestamp() // 60) if ident.kind == "spool" else 0
    query = request.query_params
    what = (ident, method, stored, query.get("done", ""), query.get("key", ""), minute)
    # A form shows what was read last by its method, on any specimen.
    own = ident.kind == "specimen" and not method
    mark = bench.changed.mark_of_job(ident.number, visitor.state) if own else ""
    return remembered(request, bench, visitor, "piece", what, facts, mark)


def refused_page(
    request: Request, bench: Bench, visitor: Visitor, ident: Ident, refusal: Refused, note: str = ""
) -> Response:
    """Return the page of a piece with why something sent from it was not kept, and the photograph's note."""
    return piece_page(request, bench, visitor, ident, sent=Sent(refusal, photograph_note=note))


def _piece_facts(
    bench: Bench, visitor: Visitor, ident: Ident, method: str, stored: str, sent: Sent | None
) -> dict[str, Any]:
    seen = facts_of(bench, ident)
    chosen = bench.plugged.method(method) if method else None
    facts: dict[str, Any] = {
        "ident": ident, "seen": seen, "chosen": chosen, "sent": sent,
        "stored": _just_stored(bench, stored) if stored else None,
        "scan_first": chosen is None, "acts": acts_on(ident.kind),
    }  # fmt: skip
    if chosen is not None:
        facts |= _form_facts(bench, chosen, visitor, sent)
    if sent is not None and sent.key:
        facts["key"] = sent.key
    return facts


def facts_of(bench: Bench, ident: Ident) -> PieceFacts:
    """Return what the page shows of a piece or spool."""
    book = bench.book
    with book.read() as session:
        row = fetch(session, ident)
        names = fitting_methods(bench.plugged, row)
        shown = card_of(session, row, book.zone)
        pieces: list[dict[str, Any]] = []
        things: Mapping[str, PlateObject] = {}
        bed: Points = ()
        if ident.kind == "specimen":
            job: Any = fetch(session, Ident("job", ident.number))
            things, bed = things_of(job), bed_of(job)
            pieces = card_of(session, job, book.zone).data["specimens"]
        facts = [
            card_of(session, find(book, session, each), book.zone).data
            for each in shown.data.get("measurements", ())
        ]
        lines, stop = _lines(book, session, row)
        running_tests = (
            tuple(running(book, bench.plugged, str(ident))) if ident.kind == "specimen" and facts else ()
        )
        return PieceFacts(
            lines,
            stop or warning(row, bench.book.zone),
            tuple((name, bench.plugged.method(name).title) for name in names),
            plate_map(pieces, str(ident), things, bed),
            tuple(facts),
            still_wanted(session, row, bench.method_titles) if ident.kind == "specimen" else "",
            piece_log(row) if ident.kind == "specimen" else None,
            tuple(shown.data.get("photographs", ())),
            running=running_tests,
        )


def _lines(book: Book, session: Any, row: Any) -> tuple[tuple[str, ...], str]:
    """Return what is shown of a piece or spool first, and what is wrong with it.

    Records that cannot all be true are corrected from this page: it must not be refused for them.
    """
    try:
        lines = tuple(first_lines(book, session, row))
    except Refused as refusal:
        return (), str(refusal)
    if ident_of(row).kind != "spool":
        return lines, ""
    found = spool_days(session, row, book.clock()).timeline.conflicts
    refusals = [Refused(each.what, why=each.why, do=each.do) for each in found]
    return lines, " ".join(line for each in refusals for line in plainly(each)[0])


def _just_stored(bench: Bench, text: str) -> Mapping[str, Any] | None:
    try:
        with bench.book.read() as session:
            row = find(bench.book, session, text)
            card: Card = card_of(session, row, bench.book.zone)
    except Refused:
        return None
    return card.data if "results" in card.data else None


def _form_facts(bench: Bench, method: Method, visitor: Visitor, sent: Sent | None) -> dict[str, Any]:
    last, rigs, usual = bench.of_state(("form", method.id), lambda: _hints(bench, method), visitor.state)
    problems = plainly(sent.refusal)[1] if sent else {}
    readings = of_readings(method, last, sent.readings if sent else None, problems)
    about = of_form(
        MEASURE_FORM, sent.about if sent else None, now=("at",), when=when_at(bench.book), problems=problems
    )
    own = [visitor.device.rig] if visitor.device is not None and visitor.device.rig else usual
    return {
        "inputs": readings,
        "about": [_with_person(each, visitor) for each in about],
        "rigs": rigs,
        "rigs_on": sent.rigs if sent else tuple(own),
    }


def _with_person(each: Input, visitor: Visitor) -> Input:
    if each.name != "operator" or each.value:
        return each
    return replace(each, value=visitor.who)


def _hints(bench: Bench, method: Method) -> tuple[dict[str, Any], list[tuple[str, str]], list[str]]:
    """Return the last readings by a method, the rigs that serve it, and those used last."""
    asked = fields(method.Readings)
    units = {each.unit for each in asked if each.unit} | {
        unit for each in asked for unit in each.units if unit
    }
    with bench.book.read() as session:
        rigs = [(rig_id(rig.id), rig.name) for rig in rigs_serving(session, method.id, units)]
        return last_readings(session, method.id), rigs, last_rigs(session, method.id)


@router.post("/{text}/measure/{method}")
def measured(
    request: Request,
    bench: Here,
    visitor: Writer,
    form: Form,
    text: Annotated[str, Path(max_length=400)],
    method: Annotated[str, Path(max_length=100)],
) -> Response:
    """Store readings, and show what they give; what is refused comes back as it was typed."""
    chosen = bench.plugged.method(method)
    with bench.book.read() as session:
        ident = resolve(bench.book, session, text)
    names = [each.name for each in fields(chosen.Readings)]
    key = str(form.get("key") or "")[:60]
    choice = choice_of(text_of(form, "back"))
    try:
        check_no_scan(bench, form)
        act = measure(
            bench.book, visitor.who, bench.plugged, str(ident), chosen.id, typed(form, names, READING),
            files=_recordings(bench, visitor, form, chosen), rigs=_rigs_sent(form),
            about=typed_asks(form, MEASURE_FORM), key=key_of(form, request.url.path) or None,
            incomplete=form.get("incomplete") == "1", sure=is_sure(form),
        )  # fmt: skip
    except Refused as refusal:
        if choice is not None:
            return rig_page(request, bench, visitor, choice, str(ident), form=form, refusal=refusal)
        sent = _refused(form, names, key, refusal)
        return piece_page(request, bench, visitor, ident, chosen.id, sent=sent)
    if choice is not None:
        _drop_offer(bench, visitor, choice, form)
    path = followed(
        request, bench, form, f"/{ident}?stored={quote(act.id)}", f"Stored as {act.id}.", *act.notes
    )
    return there(path if choice is None else f"{path}&{urlencode({'stored': act.id})}")


def _recordings(bench: Bench, visitor: Visitor, form: FormData, method: Method) -> dict[str, Recording]:
    """Return the recordings of a form; the first one is that of the rig's computer, where it was taken."""
    names = [each.name for each in fields(method.Readings)]
    found = recordings_sent(form, names, READING)
    choice, first = (
        choice_of(text_of(form, "back")),
        next((each.name for each in fields(method.Readings) if each.kind == "file"), None),
    )
    number = text_of(form, "offer")
    if choice is not None and first is not None and first not in found and number.isdecimal():
        offer = offer_taken(bench, visitor, choice, int(number))
        if offer is None:
            raise Refused("The recording is not here any more", do="Choose its file, or record it again")
        found[first] = Recording(offer.name, offer.data)
    return found


def _drop_offer(bench: Bench, visitor: Visitor, choice: RigChoice, form: FormData) -> None:
    number = text_of(form, "offer")
    if number.isdecimal():
        for rig in rigs_asked(visitor, choice):
            bench.offers.drop(rig, int(number))


def _rigs_sent(form: FormData) -> tuple[str, ...]:
    return tuple(each for each in form.getlist("rigs") if isinstance(each, str) and each)


def _refused(form: FormData, names: list[str], key: str, refusal: Refused) -> Sent:
    return Sent(
        refusal=refusal,
        readings=typed(form, names, READING),
        about=typed_asks(form, MEASURE_FORM),
        rigs=_rigs_sent(form),
        key=key,
        files=tuple(name for name in names if not isinstance(form.get(READING + name), str | None)),
    )


@router.post("/{text}/append")
def appended(
    request: Request, bench: Here, visitor: Writer, form: Form, text: Annotated[str, Path(max_length=400)]
) -> Response:
    """Add a reading to a test over days; the clock gives its time unless one is typed."""
    with bench.book.read() as session:
        ident = resolve(bench.book, session, text)
    values = [each for each in form.getlist("part") if isinstance(each, str)]
    return acted(
        request, bench, form, str(ident),
        lambda: append(
            bench.book, visitor.who, bench.plugged, text_of(form, "test"), values,
            at=text_of(form, "at"), sure=is_sure(form),
        ),
        lambda refusal: refused_page(request, bench, visitor, ident, refusal),
    )  # fmt: skip
