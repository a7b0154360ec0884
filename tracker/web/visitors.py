"""Who asks: a paired device by its signed cookie, a rig's computer by its token, or this computer."""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass
from hashlib import sha256
from typing import Annotated, Any, Final

from fastapi import Depends, Request, Response
from itsdangerous import BadSignature, URLSafeSerializer
from starlette.datastructures import FormData

from tracker.desk.devices import Known, device_of
from tracker.errors import Refused
from tracker.records.marks import state_of
from tracker.web.bench import Bench

COOKIE: Final = "strandbook"
_KEPT_S: Final = 400 * 24 * 3600
_MOST_FIELDS: Final = 2000
_MOST_FILES: Final = 20
_MOST_TEXT: Final = 1_000_000


class NotPairedError(Refused):
    """A device asks that was not let in."""


class NotAllowedError(Refused):
    """A device asks for what it may not do."""


class StaleFormError(Refused):
    """A form came without the token of this page."""


@dataclass(frozen=True)
class Visitor:
    """Who asks.

    Attributes:
        who: As the journal will say it.
        sid: Random text of this browser; its forms are signed with it.
        csrf: Token that its forms must bring back.
        writes: Whether it may write.
        device: The paired device; None for this computer where the page is not shared.
        fresh: The browser has no cookie yet.
        state: Of the book when it asked.
    """

    who: str
    sid: str
    csrf: str
    writes: bool
    device: Known | None = None
    fresh: bool = False
    state: str = ""


async def bench_of(request: Request) -> Bench:
    """Return the running page; not worth a thread of its own."""
    bench: Bench = request.app.state.bench
    return bench


Here = Annotated[Bench, Depends(bench_of)]


def csrf_token(key: bytes, sid: str) -> str:
    """Return the token for the forms of a browser."""
    return hmac.new(key, b"form" + sid.encode(), sha256).hexdigest()


def session_of(bench: Bench, request: Request) -> dict[str, Any]:
    """Return what a browser's cookie says; empty where it has none, or one that we did not sign."""
    try:
        held = _signer(bench).loads(request.cookies.get(COOKIE, ""))
    except BadSignature:
        return {}
    return held if isinstance(held, dict) else {}


def keep_session(bench: Bench, request: Request, response: Response, **held: Any) -> None:
    """Give a browser its cookie: signed, out of reach of scripts, not sent along by other sites' forms."""
    response.set_cookie(
        COOKIE,
        _signer(bench).dumps(held),
        max_age=_KEPT_S,
        httponly=True,
        # Not "strict": a label scanned with the phone's own camera opens the page from outside.
        samesite="lax",
        secure=request.url.scheme == "https",
        path="/",
    )


def _signer(bench: Bench) -> URLSafeSerializer:
    return URLSafeSerializer(bench.serving.key, salt="visit")


def anyone(request: Request, bench: Here) -> Visitor:
    """Return who asks, let in or not; without being let in it may neither read nor write."""
    held = session_of(bench, request)
    sid = str(held.get("sid") or secrets.token_urlsafe(16))
    device = device_of(bench.book, str(held["secret"])) if held.get("secret") else None
    serving = bench.serving
    here = not serving.shared
    writes = not serving.read_only and (here or (device is not None and not device.read_only))
    who = device.name if device is not None else serving.who
    return Visitor(
        who, sid, csrf_token(serving.key, sid), writes, device, "sid" not in held, state_of(bench.book)
    )


Anyone = Annotated[Visitor, Depends(anyone)]


def reader(request: Request, bench: Here) -> Visitor:
    """Return who asks, if it may read.

    Raises:
        NotPairedError: It was not let in.
    """
    # Called, not depended on: each step of its own would cost a change of thread.
    visitor = anyone(request, bench)
    if bench.serving.shared and visitor.device is None:
        raise NotPairedError(
            "This device is not paired", do="Type the code that stands on the bench's screen"
        )
    return visitor


Reader = Annotated[Visitor, Depends(reader)]


async def sent_form(request: Request) -> FormData:
    """Return the form that was sent, its parts bounded in number and size."""
    return await request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS, max_part_size=_MOST_TEXT)


Form = Annotated[FormData, Depends(sent_form)]


def check_form(visitor: Visitor, form: FormData) -> None:
    """Let through only a form that this page gave to this browser.

    Raises:
        StaleFormError: It lacks the token.
    """
    sent = form.get("csrf")
    if not isinstance(sent, str) or not hmac.compare_digest(sent.encode(), visitor.csrf.encode()):
        raise StaleFormError("This form is too old, or not one of this page", do="Load the page again")


def sender(visitor: Reader, form: Form) -> Visitor:
    """Return who sent a form that only asks."""
    check_form(visitor, form)
    return visitor


Sender = Annotated[Visitor, Depends(sender)]


def writer(visitor: Sender) -> Visitor:
    """Return who sent a form that writes.

    Raises:
        NotAllowedError: It may only read.
    """
    if not visitor.writes:
        raise NotAllowedError("This device may look, not write", do="Use one that was paired for writing")
    return visitor


Writer = Annotated[Visitor, Depends(writer)]
