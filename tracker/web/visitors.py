"""Who asks: a paired device by its signed cookie, a rig's computer by its token, or this computer."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import Depends, Request, Response
from itsdangerous import BadSignature, URLSafeSerializer
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException

from tracker.book import files_folder, is_url, shown
from tracker.desk.devices import ROLES, Known, Role, device_of
from tracker.web.bench import Bench
from tracker.web.refusals import NotAllowedError, NotPairedError, StaleFormError, TooLargeError
from tracker.web.uploads import MOST_TEXT

COOKIE: Final = "strandbook"
_KEPT_S: Final = 400 * 24 * 3600
_MOST_FIELDS: Final = 2000
_MOST_FILES: Final = 200
"""A day's sheet may come with a recording for each of its rows."""
_KEY_BYTES: Final = 32


@dataclass(frozen=True)
class Visitor:
    """Who asks.

    Attributes:
        who: As the journal will say it.
        sid: Random text of this browser; its forms are signed with it.
        csrf: Token that its forms must bring back.
        role: What it may do.
        device: The paired device; None for this computer where the page is not shared.
        fresh: The browser has no cookie yet.
        state: Of the book when it asked.
        paired: It may read; a visitor that may not learns nothing of the book.
    """

    who: str
    sid: str
    csrf: str
    role: Role
    device: Known | None = None
    fresh: bool = False
    state: str = ""
    paired: bool = True

    @property
    def writes(self) -> bool:
        """Whether it may enter what is done at the bench."""
        return self.role != "reads"

    @property
    def keeps(self) -> bool:
        """Whether it may also keep the book: new records, corrections, verdicts, devices."""
        return self.role == "keeps"


async def bench_of(request: Request) -> Bench:
    """Return the running page; not worth a thread of its own."""
    bench: Bench = request.app.state.bench
    return bench


Here = Annotated[Bench, Depends(bench_of)]


def csrf_token(key: bytes, sid: str) -> str:
    """Return the token for the forms of a browser."""
    return hmac.new(key, b"form" + sid.encode("utf-8", "replace"), sha256).hexdigest()


def session_of(bench: Bench, request: Request) -> dict[str, Any]:
    """Return what a browser's cookie says; empty where it has none, or one that we did not sign."""
    try:
        held = _signer(bench).loads(request.cookies.get(COOKIE, ""))
    except (BadSignature, ValueError):
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
    """Return who asks, paired or not; without being paired it may neither read nor write."""
    known: Visitor | None = getattr(request.state, "visitor", None)
    if known is not None:
        return known
    held = session_of(bench, request)
    sid = str(held.get("sid") or secrets.token_urlsafe(16))
    device = device_of(bench.book, str(held["secret"])) if held.get("secret") else None
    serving = bench.serving
    paired = not serving.shared or device is not None
    if device is not None:
        bench.seen.note(device.number, bench.book.clock())
    role: Role = "keeps" if device is None else device.role
    if serving.read_only or not paired:
        role = ROLES[0]
    who = device.name if device is not None else serving.who if paired else ""
    # Whoever is not paired learns nothing, not even that something was written.
    state = bench.state_now() if paired else ""
    visitor = Visitor(who, sid, csrf_token(serving.key, sid), role, device, "sid" not in held, state, paired)
    request.state.visitor = visitor
    return visitor


Anyone = Annotated[Visitor, Depends(anyone)]


def reader(request: Request, bench: Here) -> Visitor:
    """Return who asks, if it may read.

    Raises:
        NotPairedError: It is not paired.
    """
    # Called, not depended on: each step of its own would cost a change of thread.
    visitor = anyone(request, bench)
    if not visitor.paired:
        raise NotPairedError(
            "This device is not paired", do="Type the code that is shown on the bench's screen"
        )
    return visitor


Reader = Annotated[Visitor, Depends(reader)]


async def sent_form(request: Request) -> FormData:
    """Return the form that was sent, its parts bounded in number and size.

    Raises:
        TooLargeError: A text is longer than any that a person types.
        HTTPException: It is no form that can be read.
    """
    try:
        form = await request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS, max_part_size=4 * MOST_TEXT)
    except HTTPException as error:
        if "exceeded maximum size" in str(error.detail):
            raise TooLargeError("A text is too long", do="Send it as a file") from error
        raise
    except (LookupError, ValueError) as error:
        # A character set that does not exist, or a boundary that is none.
        raise HTTPException(400, "That form cannot be read") from error
    for name, value in form.multi_items():
        if isinstance(value, str) and len(value) > MOST_TEXT:
            raise TooLargeError(
                f"{name[:60]}: {len(value)} characters are too many",
                why=f"at most {MOST_TEXT} are taken",
                do="Send it as a file",
            )
    return form


Form = Annotated[FormData, Depends(sent_form)]


def check_form(visitor: Visitor, form: Mapping[str, Any]) -> None:
    """Let through only a form that this page gave to this browser.

    Raises:
        StaleFormError: It lacks the token.
    """
    sent = form.get("csrf")
    if not isinstance(sent, str) or not hmac.compare_digest(
        sent.encode("utf-8", "replace"), visitor.csrf.encode()
    ):
        raise StaleFormError("This form is too old, or not one of this page", do="Load the page again")


def sender(visitor: Reader, form: Form) -> Visitor:
    """Return who sent a form that only asks."""
    check_form(visitor, form)
    return visitor


Sender = Annotated[Visitor, Depends(sender)]


def writer(visitor: Sender) -> Visitor:
    """Return who sent a form that enters what is done at the bench.

    Raises:
        NotAllowedError: It may only read.
    """
    if not visitor.writes:
        raise NotAllowedError("This device is read-only", do="Use one that was paired for measuring")
    return visitor


Writer = Annotated[Visitor, Depends(writer)]


def keeper(visitor: Writer) -> Visitor:
    """Return who sent a form that keeps the book.

    Raises:
        NotAllowedError: It may not.
    """
    if not visitor.keeps:
        raise NotAllowedError(
            "This device may measure, not change what the book says", do="Use one that keeps the book"
        )
    return visitor


Keeper = Annotated[Visitor, Depends(keeper)]


def signing_key(place: str) -> bytes:
    """Return the key of a book's page; made once, and kept where only its owner may read.

    A book that cannot be written gets a key that ends with this process: devices then pair again.
    """
    file = _key_file(place)
    kept = _read_key(file)
    if kept:
        return kept
    fresh = secrets.token_bytes(_KEY_BYTES)
    with contextlib.suppress(OSError):
        _write_key(file, fresh)
    # Two servers may begin at once: the file that is there counts.
    return _read_key(file) or fresh


def _key_file(place: str) -> Path:
    if not is_url(place):
        return Path(place) / "page.key"
    # Beside the attachments, where several books may have theirs: a cookie of one must not open another.
    return files_folder(place) / f"page-{hashlib.sha256(shown(place).encode()).hexdigest()[:12]}.key"


def _read_key(file: Path) -> bytes:
    try:
        data = file.read_bytes()
    except OSError:
        return b""
    return data if len(data) == _KEY_BYTES else b""


def _write_key(file: Path, data: bytes) -> None:
    # Readable by nobody else from the first moment on: not made and then narrowed.
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
