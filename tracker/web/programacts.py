"""For programs: every act that the page and the command line know, by its name and with a token."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Path, Request
from fastapi.concurrency import run_in_threadpool
from pydantic import BaseModel, ConfigDict, Field

from tracker.desk.correcting import correct
from tracker.desk.doubts import Done
from tracker.desk.dryings import end_drying, start_drying
from tracker.desk.entering import add_record, keep_spool
from tracker.desk.jobs import change_setting, end_job
from tracker.desk.offbed import read_outcomes, take_off
from tracker.desk.overtime import append
from tracker.desk.voiding import judge, undo, void
from tracker.errors import Refused
from tracker.kinds import KINDS, NotFoundError
from tracker.web.acting import done_once
from tracker.web.bench import Bench
from tracker.web.pages.acts import ACTS
from tracker.web.programs import REFUSALS, Rig, described, read_body
from tracker.web.refusals import NotAllowedError
from tracker.web.visitors import Here

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
    sure: bool = Field(False, description="What would be asked about is meant.")
    key: str | None = Field(
        None, min_length=1, max_length=100, description="Made by the sender: sent again, it is done once."
    )


class ActOut(BaseModel):
    """An act that was done."""

    id: str
    also: list[str]
    parts: list[str]
    says: list[str]


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
}  # fmt: skip
_AT_THE_RIG: Final = frozenset({"append", "offbed", "change", "end", "keep", "dry", "dry-end"})
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
    return ActOut(id=done.id, also=list(done.also), parts=list(done.parts), says=list(done.says))


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
    key = hashlib.sha256(f"{sender}\0{sent.key}\0{content}".encode("utf-8", "replace")).hexdigest()[:40]
    return done_once(bench, key, act)
