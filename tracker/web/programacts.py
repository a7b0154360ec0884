"""For programs: every act that the page and the command line know, and a day's sheet; with a token."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Path, Request
from fastapi.concurrency import run_in_threadpool
from pydantic import BaseModel, ConfigDict, Field
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.acts import DoneBefore
from tracker.api import Recording
from tracker.desk.correcting import correct
from tracker.desk.devices import Known
from tracker.desk.doubts import Done
from tracker.desk.dryings import end_drying, start_drying
from tracker.desk.entering import add_record, keep_spool
from tracker.desk.importing.day import enter_day
from tracker.desk.jobs import change_setting, end_job
from tracker.desk.logs import LogFile, add_log, mapped_columns
from tracker.desk.measuring import stored_under
from tracker.desk.offbed import read_outcomes, take_off
from tracker.desk.overtime import append
from tracker.desk.photographs import add_photograph
from tracker.desk.voiding import judge, undo, void
from tracker.errors import Refused
from tracker.kinds import KINDS, NotFoundError
from tracker.web.acting import done_once
from tracker.web.bench import Bench
from tracker.web.inputs import text_of
from tracker.web.pages.acts import ACTS
from tracker.web.pages.daysheet import plan_of_files
from tracker.web.pages.plate import placed_by
from tracker.web.programs import (
    REFUSALS,
    File,
    MeasuredOut,
    Rig,
    described,
    file_bytes,
    measured_out,
    read_body,
)
from tracker.web.refusals import NotAllowedError
from tracker.web.uploads import (
    MOST_RECORDING,
    bytes_of,
    check_unpacked,
    every_recording_sent,
    plain_name,
    sent_file,
)
from tracker.web.visitors import Here, sent_form

router = APIRouter(responses=REFUSALS)

Answer = str | float | bool | list[str] | None


class Sent(BaseModel):
    """An act, as a program sends it."""

    model_config = ConfigDict(extra="forbid")
    of: str = Field("", max_length=400, description="ID or name of the record; with enter its kind.")
    answers: dict[str, Answer] = Field(
        default_factory=dict, max_length=60, description="By field, as the form on the page has them."
    )
    reason: str = Field("", max_length=2000, description="Why; wanted by acts that put something right.")
    sure: bool = Field(False, description="Assume yes to what would be asked.")
    file: File | None = Field(None, description="With log and photograph: the file that is kept.")
    key: str | None = Field(
        None, min_length=1, max_length=100, description="Made by the sender: sent again, it is done once."
    )


class ActOut(BaseModel):
    """An act that was done."""

    id: str
    also: list[str]
    parts: list[str]
    notes: list[str]


Do = Callable[[Bench, str, Sent, dict[str, str]], Done]


def _listed(sent: Sent, name: str) -> list[str]:
    found = sent.answers.get(name)
    return found if isinstance(found, list) else [] if found in (None, "") else [str(found)]


def _offbed(bench: Bench, who: str, sent: Sent, typed: dict[str, str]) -> Done:
    outcomes = [
        each
        for word in ("good", "usable", "failed")
        for text in _listed(sent, word)
        for each in read_outcomes(word, text)
    ]
    rest, ended = typed.get("rest", ""), typed.get("ended", "")
    return take_off(bench.book, who, sent.of, outcomes, rest=rest, end=True, ended=ended)


def _drying(bench: Bench, who: str, sent: Sent, typed: dict[str, str]) -> Done:
    spools = [sent.of, *_listed(sent, "spools")]
    before, after = _listed(sent, "before"), _listed(sent, "after")
    return start_drying(bench.book, who, spools, typed, before=before, after=after, sure=sent.sure)


def _file_of(sent: Sent) -> tuple[str, bytes]:
    """Return the plain name and the bytes of the file of an act.

    Raises:
        Refused: There is none, or it cannot be read.
        TooLargeError: It unpacks to too much.
    """
    if sent.file is None:
        raise Refused("There is no file", do="Send it as file, with name and text or base64")
    data = file_bytes("file", sent.file)
    check_unpacked(sent.file.name, data)
    return PurePath(sent.file.name.replace("\\", "/")).name or "file", data


def _log(bench: Bench, who: str, sent: Sent, typed: dict[str, str]) -> Done:
    name, data = _file_of(sent)
    by, offset_s = placed_by(typed)
    file = LogFile(name, data, mapped_columns(_listed(sent, "columns")), typed.get("zone") or None)
    return add_log(bench.book, who, bench.plugged, sent.of, file, by, offset_s)


_OWN: Final[Mapping[str, Do]] = {
    "enter": lambda bench, who, sent, typed: add_record(bench.book, who, _kind(sent), typed, sure=sent.sure),
    "correct": lambda bench, who, sent, typed: correct(
        bench.book, who, bench.plugged, sent.of, [f"{name}={text}" for name, text in typed.items()],
        sent.reason, sure=sent.sure,
    ),
    "void": lambda bench, who, sent, _: void(
        bench.book, who, bench.plugged, sent.of, sent.reason, sure=sent.sure
    ),
    "bring-back": lambda bench, who, sent, _: void(
        bench.book, who, bench.plugged, sent.of, sent.reason, sure=sent.sure, back=True
    ),
    "undo": lambda bench, who, sent, typed: undo(
        bench.book, who, bench.plugged, entry=_number(typed.get("entry", "")), sure=sent.sure
    ),
    "verdict": lambda bench, who, sent, typed: judge(
        bench.book, who, sent.of, counted=typed.get("counted") == "yes", reason=sent.reason,
        quantity=typed.get("quantity") or None,
    ),
    "append": lambda bench, who, sent, typed: append(
        bench.book, who, bench.plugged, sent.of, _listed(sent, "values"), at=typed.get("at", ""),
        method=typed.get("method") or None, sure=sent.sure,
    ),
    "keep": lambda bench, who, sent, typed: keep_spool(bench.book, who, sent.of, typed, sure=sent.sure),
    "dry": _drying,
    "dry-end": lambda bench, who, sent, typed: end_drying(
        bench.book, who, sent.of, typed, _listed(sent, "after"), sure=sent.sure
    ),
    "change": lambda bench, who, sent, typed: change_setting(
        bench.book, who, sent.of, f"{typed.pop('setting', '')}={typed.pop('value', '')}", typed
    ),
    "end": lambda bench, who, sent, typed: end_job(bench.book, who, sent.of, typed, sure=sent.sure),
    "offbed": _offbed,
    "log": _log,
    "photograph": lambda bench, who, sent, typed: add_photograph(
        bench.book, who, sent.of, *_file_of(sent), typed.get("note", "")
    ),
}  # fmt: skip
_AT_THE_RIG: Final = frozenset(
    {"append", "offbed", "change", "end", "keep", "dry", "dry-end", "log", "photograph"}
)
"""What a device that measures may do; the rest keeps the book, and wants one that does."""

NAMES: Final = (*_OWN, *ACTS)
"""Acts by name."""


def _kind(sent: Sent) -> str:
    if sent.of not in KINDS or not (KINDS[sent.of].title or KINDS[sent.of].part):
        raise NotFoundError(f"There is no form for {sent.of[:40]!r}")
    return sent.of


def _number(text: str) -> int | None:
    if text and not (text.isascii() and text.isdecimal() and len(text) < 16):  # noqa: PLR2004 - longest number
        raise Refused(f"{text[:40]!r} is no number of an entry", do="Give it as the journal has it")
    return int(text) if text else None


def _typed(sent: Sent) -> dict[str, str]:
    """Return the answers as they would be typed; lists are taken by the acts that know them."""
    words = {True: "yes", False: "no"}
    return {
        name: words[each] if isinstance(each, bool) else "" if each is None else str(each)
        for name, each in sent.answers.items()
        if not isinstance(each, list)
    }


async def _sent(request: Request, rig: Rig) -> Sent:
    """Read what a program sends, when its token was found to hold."""
    del rig
    return read_body(Sent, await request.body())


@router.post(
    "/api/acts/{name}", tags=["acts"], response_model=ActOut,
    openapi_extra={
        "requestBody": {"required": True, "content": {"application/json": {"schema": described(Sent)}}}
    },
)  # fmt: skip
async def do_act(
    bench: Here, rig: Rig, sent: Annotated[Sent, Depends(_sent)],
    name: Annotated[str, Path(max_length=40, description=f"One of {', '.join(NAMES)}.")],
) -> ActOut:  # fmt: skip
    """Do an act, as its form on the page does; 409 asks whether something unusual is meant."""
    if name not in NAMES:
        raise NotFoundError(f"There is no act {name[:40]!r}", do=f"There are {', '.join(NAMES)}")
    if rig.role != "keeps" and name not in _AT_THE_RIG:
        raise NotAllowedError("This device does not keep the book")
    done = await run_in_threadpool(_done, bench, rig.name, f"device {rig.number} {name}", sent, name)
    return ActOut(id=done.id, also=list(done.also), parts=list(done.parts), notes=list(done.notes))


def _done(bench: Bench, who: str, sender: str, sent: Sent, name: str) -> Done:
    """Do an act once under the sender's key."""
    typed = _typed(sent)

    def act() -> Done:
        if name in _OWN:
            return _OWN[name](bench, who, sent, typed)
        one = ACTS[name]
        answers = {**{ask.name: "" for ask in one.form}, **typed, "reason": sent.reason}
        return one.do(bench, who, sent.of, answers, sent.sure)

    if sent.key is None:
        return act()
    content = json.dumps(sent.model_dump(exclude={"key", "sure"}), sort_keys=True)
    return done_once(bench, _key_of(sender, sent.key, content), act)


def _key_of(sender: str, key: str, content: str) -> str:
    """Return what an act is kept under: its sender, the sender's key and what was sent."""
    return hashlib.sha256(f"{sender}\0{key}\0{content}".encode("utf-8", "replace")).hexdigest()[:40]


class DaySheet(BaseModel):
    """A day's sheet of measurements, as a program sends it: a form of several parts."""

    model_config = ConfigDict(extra="forbid")
    sheet: bytes = Field(description="The sheet, CSV: one row a specimen of the book.")
    columns: bytes = Field(description="Its column map, TOML; a file or a text.")
    recordings: list[bytes] = Field(
        default_factory=list, max_length=150,
        description="Files that the sheet names, found by the last part of the path in its cell.",
    )  # fmt: skip
    dry_run: bool = Field(False, description="Write nothing: say what would be stored and asked.")
    incomplete: bool = Field(False, description="Readings that give no result yet are kept.")
    sure: bool = Field(False, description="Assume yes to what would be asked.")
    key: str | None = Field(
        None, min_length=1, max_length=100, description="Made by the sender: sent again, it is stored once."
    )


class LineOut(MeasuredOut):
    """One measurement of a sheet; of a dry run it has no ID."""

    line: str


class DayOut(BaseModel):
    """What came of a sheet."""

    stored: bool
    again: bool = Field(description="It was stored before under this key; what was taken back is left out.")
    questions: list[str] = Field(description="What was asked about, each with its line.")
    notes: list[str]
    unused_columns: list[str]
    measurements: list[LineOut]


@dataclass(frozen=True)
class _SentDay:
    sheet: Recording
    columns: Recording
    recordings: list[Recording]
    flags: frozenset[str]
    key: str | None

    def content(self) -> str:
        """Return what is sent as a digest; being sure of it makes it no other sheet."""
        found = hashlib.sha256()
        for each in (self.sheet, self.columns, *self.recordings):
            for part in (each.name.encode("utf-8", "replace"), each.data):
                found.update(b"%d:" % len(part) + part)
        return found.hexdigest()


_FLAGS: Final = ("dry_run", "incomplete", "sure")
_WORDS: Final = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False, "": False}


def _sent_day(form: FormData) -> _SentDay:
    """Read a sheet with its parts.

    Raises:
        Refused: A part is missing, unknown, or not as described.
        TooLargeError: A file is too large, as it is or unpacked.
    """
    strangers = sorted(set(form) - set(DaySheet.model_fields))
    if strangers:
        raise Refused(
            f"There is no part {strangers[0][:60]!r}", do=f"Send {', '.join(DaySheet.model_fields)}"
        )
    flags = {name: _WORDS.get(text_of(form, name).lower()) for name in _FLAGS}
    for name, value in flags.items():
        if value is None:
            raise Refused(f"{name} is {text_of(form, name)[:40]!r}", do="Send true or false")
    key = text_of(form, "key")
    if len(key) > _LONGEST_KEY:
        raise Refused("The key is too long", do=f"Make it of at most {_LONGEST_KEY} characters")
    return _SentDay(
        _part(form, "sheet", "sheet.csv"), _part(form, "columns", "columns.toml"),
        every_recording_sent(form, "recordings"), frozenset(name for name in _FLAGS if flags[name]),
        key or None,
    )  # fmt: skip


_LONGEST_KEY: Final = 100


def _part(form: FormData, name: str, usual: str) -> Recording:
    file = sent_file(form, name)
    if file is not None:
        return Recording(plain_name(file), bytes_of(file, MOST_RECORDING))
    if not text_of(form, name):
        raise Refused(f"There is no {name}", do="Send it as a file of multipart/form-data, or as text")
    return Recording(usual, text_of(form, name).encode("utf-8", "replace"))


async def _day_form(request: Request, rig: Rig) -> FormData:
    """Read a form, when its token was found to hold."""
    del rig
    return await sent_form(request)


@router.post(
    "/api/sheets", status_code=201, tags=["measurements"], response_model=DayOut,
    responses={200: {"model": DayOut, "description": "A dry run, or it was stored before."}},
    openapi_extra={
        "requestBody": {
            "required": True, "content": {"multipart/form-data": {"schema": described(DaySheet)}},
        }
    },
)  # fmt: skip
async def post_sheet(
    bench: Here, rig: Rig, form: Annotated[FormData, Depends(_day_form)], response: Response
) -> DayOut:
    """Store a day's sheet of measurements as one act, or nothing of it; 409 asks, by line.

    Rigs are those that the sheet names: the token's own rig is not taken for a line that names none.
    """
    out = await run_in_threadpool(lambda: _stored_day(bench, rig, _sent_day(form)))
    response.status_code = 201 if out.stored and not out.again else 200
    return out


def _stored_day(bench: Bench, rig: Known, sent: _SentDay) -> DayOut:
    dry = "dry_run" in sent.flags
    key = ""
    if sent.key is not None and not dry:
        key = _key_of(f"device {rig.number} sheet", sent.key, sent.content())
    plan = plan_of_files(bench, sent.sheet, sent.columns, sent.recordings)
    lines = [line for line, _ in plan.wanted]
    asked: list[str] = []
    again = False
    try:
        bench.book.check_new(key)
        with bench.storing(key):
            done, asked = enter_day(
                bench.book, rig.name, bench.plugged, plan, source="posted",
                incomplete="incomplete" in sent.flags, sure="sure" in sent.flags, rehearse=dry,
            )  # fmt: skip
    except DoneBefore:
        again = True
        done = stored_under(bench.book, key)
        # Where some were taken back since, which line is whose is not known any more.
        lines = lines if len(lines) == len(done) else [""] * len(done)
    measured = [
        LineOut(line=line, **measured_out(each).model_dump()) for line, each in zip(lines, done, strict=True)
    ]
    return DayOut(
        stored=not dry, again=again, questions=asked, notes=list(plan.notes),
        unused_columns=list(plan.unused), measurements=measured,
    )  # fmt: skip
