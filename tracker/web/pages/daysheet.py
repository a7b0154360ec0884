"""A day's sheet of measurements: shown with its questions first, then stored as one act or not at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from fastapi import APIRouter, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.api import Recording
from tracker.desk.doubts import Done
from tracker.desk.importing.day import DayPlan, enter_day, plan_sent_day, read_day_map
from tracker.desk.measuring import Measured
from tracker.errors import Refused
from tracker.web.acting import acted, is_sure
from tracker.web.bench import Bench
from tracker.web.inputs import text_of
from tracker.web.refusals import UploadError
from tracker.web.render import page
from tracker.web.uploads import (
    MOST_RECORDING,
    MOST_TEXT,
    bytes_of,
    every_recording_sent,
    plain_name,
    sent_file,
)
from tracker.web.visitors import Form, Here, Reader, Visitor, Writer

router = APIRouter()

_SHOWN_IDS = 12


@dataclass(frozen=True)
class HeldDay:
    """What was sent of a day's sheet so far: the words by which its files are held for their sender.

    Attributes:
        sheet: Of the sheet; empty where none was sent.
        columns: Of the column map.
        recordings: Of the recordings by their names.
    """

    sheet: str = ""
    columns: str = ""
    recordings: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class DayLook:
    """What a day's sheet would store.

    Attributes:
        lines: Each measurement with its line; it has no ID yet.
        asked: What will be asked about, each with its line.
        notes: What was decided on the way, and what the results lack.
        refused: Lines that cannot be read; with one of them nothing is stored.
    """

    lines: Sequence[tuple[str, Measured]] = ()
    asked: Sequence[str] = ()
    notes: Sequence[str] = ()
    refused: Sequence[str] = ()

    @property
    def asked_of(self) -> str:
        """How many questions each line raises: what a yes was an answer to.

        Not their words: a time that is written as "1 h ago" makes them other ones a minute later.
        """
        counted = Counter(each.partition(":")[0].removeprefix("line ") for each in self.asked)
        return " ".join(f"{line}:{count}" for line, count in counted.items())


def plan_of_files(
    bench: Bench, sheet: Recording, columns: Recording, recordings: Sequence[Recording]
) -> DayPlan:
    """Read a day's sheet with its column map, as both were sent.

    Raises:
        ImportRefusedError: One of them cannot be read.
        MapError: The map is wrong, or does not fit the sheet.
    """
    wanted = read_day_map(columns.data, columns.name)
    return plan_sent_day(bench.plugged, sheet.name, sheet.data, wanted, recordings)


@router.get("/sheet")
def ask(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show what a day's sheet is entered by."""
    return _page(request, bench, visitor, HeldDay())


@router.post("/sheet/look")
def looked_at(request: Request, bench: Here, visitor: Writer, form: Form) -> Response:
    """Show what a day's sheet would store and what will be asked; nothing is written."""
    held = _held_before(bench, visitor, form)
    try:
        # Held one by one: a wrong file among them must not cost the choosing of the others.
        for name in ("sheet", "columns"):
            held = _with_file(bench, visitor, form, held, name)
        typed = text_of(form, "columns_text")
        if typed.strip() and sent_file(form, "columns") is None:
            held = replace(held, columns=bench.held.put("columns.toml", typed.encode(), visitor.sid))
        sent = every_recording_sent(form, "recordings")
        words = {each.name: bench.held.put(each.name, each.data, visitor.sid) for each in sent}
        held = replace(held, recordings=held.recordings | words)
        look = _look(bench, visitor, held, form)
    except Refused as refusal:
        return _page(request, bench, visitor, held, form, refusal=refusal)
    return _page(request, bench, visitor, held, form, look)


def _with_file(bench: Bench, visitor: Visitor, form: FormData, held: HeldDay, name: str) -> HeldDay:
    file = sent_file(form, name)
    if file is None:
        return held
    word = bench.held.put(plain_name(file), bytes_of(file, MOST_RECORDING), visitor.sid)
    return replace(held, sheet=word) if name == "sheet" else replace(held, columns=word)


def _held_before(bench: Bench, visitor: Visitor, form: FormData) -> HeldDay:
    """Return what is held since an earlier look; what is held no longer is left out, and asked for."""

    def there(word: str) -> str:
        return word if bench.held.get(word, visitor.sid) is not None else ""

    recordings = {}
    for word in text_of(form, "held-recordings").split():
        found = bench.held.get(word, visitor.sid)
        if found is not None:
            recordings[found.name] = word
    return HeldDay(there(text_of(form, "held-sheet")), there(text_of(form, "held-columns")), recordings)


def _plan(bench: Bench, visitor: Visitor, held: HeldDay) -> DayPlan:
    """Read what is held.

    Raises:
        UploadError: Sheet or column map was not sent, or is held no longer.
    """
    files = [bench.held.get(word, visitor.sid) for word in (held.sheet, held.columns)]
    for found, what in zip(files, ("sheet", "column map"), strict=True):
        if found is None:
            raise UploadError(
                f"The {what} is not here", why="none was chosen, or too long ago", do="Choose it"
            )
    sheet, columns = (Recording(each.name, each.data) for each in files if each is not None)
    sent = [
        Recording(each.name, each.data)
        for word in held.recordings.values()
        if (each := bench.held.get(word, visitor.sid)) is not None
    ]
    return plan_of_files(bench, sheet, columns, sent)


def _look(bench: Bench, visitor: Visitor, held: HeldDay, form: FormData) -> DayLook:
    plan = _plan(bench, visitor, held)
    unused = [f"The column map does not name {', '.join(plan.unused)}."] if plan.unused else []
    notes = [*plan.notes, *unused]
    if plan.refused:
        return DayLook(refused=[str(each) for each in plan.refused], notes=notes)
    done, asked = enter_day(
        bench.book, visitor.who, bench.plugged, plan,
        incomplete=form.get("incomplete") == "1", rehearse=True,
    )  # fmt: skip
    # The same remark comes with many lines of a day: it is said once, with how many it is true of.
    counted = Counter(words for each in done for words in each.notes)
    notes += [f"{words} ({count} of {len(done)})" for words, count in counted.items()]
    return DayLook([(line, each) for (line, _), each in zip(plan.wanted, done, strict=True)], asked, notes)


@router.post("/sheet")
def stored(request: Request, bench: Here, visitor: Writer, form: Form) -> Response:
    """Store a day's sheet that was looked at: all of it, or nothing."""
    held = _held_before(bench, visitor, form)

    def act() -> Done:
        # A yes holds for the questions that stood above it: the book may raise others since.
        sure = is_sure(form) and text_of(form, "asked") == _look(bench, visitor, held, form).asked_of
        done, _ = enter_day(
            bench.book, visitor.who, bench.plugged, _plan(bench, visitor, held),
            incomplete=form.get("incomplete") == "1", sure=sure,
        )  # fmt: skip
        for word in (held.sheet, held.columns, *held.recordings.values()):
            bench.held.drop(word)
        ids = ", ".join(each.id for each in done[:_SHOWN_IDS])
        more = f" and {len(done) - _SHOWN_IDS} more" if len(done) > _SHOWN_IDS else ""
        count = "1 measurement" if len(done) == 1 else f"{len(done)} measurements"
        return Done(done[0].id, [f"{count} stored: {ids}{more}."])

    def again(refusal: Refused) -> Response:
        try:
            look = _look(bench, visitor, held, form)
        except Refused:
            return _page(request, bench, visitor, held, form, refusal=refusal)
        return _page(request, bench, visitor, held, form, look, refusal)

    return acted(request, bench, form, lambda _: "/list/measurements", act, again)


def _page(
    request: Request, bench: Bench, visitor: Visitor, held: HeldDay, form: FormData | None = None,
    look: DayLook | None = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    sheet, columns = (bench.held.get(word, visitor.sid) for word in (held.sheet, held.columns))
    text = "" if columns is None else columns.data.decode("utf-8", "replace")
    # It is there to be mended; a browser sends each end of line as two characters.
    fits = len(text) + text.count("\n") <= MOST_TEXT
    return page(
        request, bench, visitor, "daysheet", refusal=refusal, held=held, look=look,
        sheet="" if sheet is None else sheet.name, columns="" if columns is None else columns.name,
        columns_text=text if fits else "", incomplete=form is not None and form.get("incomplete") == "1",
    )  # fmt: skip
