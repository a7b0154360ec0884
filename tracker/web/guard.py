"""What is before every page: hosts, how much may be sent and how slowly, what a browser may do."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tracker.lazy_modules import lazy

if TYPE_CHECKING:
    from uvicorn.protocols.http import auto
else:
    auto = lazy("uvicorn.protocols.http.auto")

MOST_BYTES: Final = 40_000_000
"""Most that one request may carry: a plate file of a full bed, or a photograph as phones take them."""

PART_S: Final = 20.0
"""Longest pause in what a client sends or takes, in seconds."""

MOST_S: Final = 300.0
"""Longest that one request may take to arrive: a photograph over a poor radio link, with room to spare."""

CHART_STYLE: Final = "'sha256-jSYQUrW7J0b3jPqhZP9C2Xh1PyJKHKXd4s0fpGGKrww='"
"""Digest of the one style sheet that the plotting library writes into each chart; no other one is applied."""

PAGE_POLICY: Final = (
    f"default-src 'none'; script-src 'self'; style-src 'self' {CHART_STYLE}; img-src 'self' data: blob:; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": PAGE_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not "no-referrer": a form would then say nothing of where it came from, and could not be checked.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    # Browsers offer the camera to a trusted connection only; this page asks for it on a press of its button.
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=(), payment=(), usb=()",
    "Cache-Control": "private, no-cache",
}
_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
_DIGITS: Final = 12


class _TooMuchError(Exception):
    """More came than may come."""


class _TooSlowError(Exception):
    """It came too slowly."""


class Guard:
    """Refuses foreign hosts, foreign forms and too much; puts the security headers on every answer.

    Args:
        app: What answers the rest.
        hosts: Names and addresses under which this page may be asked for, without port. A page of
            somebody else that makes its name point here is refused by it.
    """

    def __init__(self, app: ASGIApp, hosts: Iterable[str]) -> None:
        self._app = app
        self._hosts = frozenset(host.lower() for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope["method"], headers)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        counted = _Counted(receive, send)
        with contextlib.suppress(_TooMuchError, _TooSlowError):
            await self._app(scope, counted.receive, _with_headers(counted.send))
        if counted.refusal is not None and not counted.answered:
            await counted.refusal(scope, receive, _with_headers(send))

    def _refusal(self, method: str, headers: Headers) -> PlainTextResponse | None:
        if _host_of(f"//{headers.get('host', '')}") not in self._hosts:
            return PlainTextResponse("This page is not known under that name.", 421)
        if method not in _SAFE and _foreign(headers):
            return PlainTextResponse("That form was not one of this page.", 403)
        length = headers.get("content-length", "")
        if length and (not length.isascii() or not length.isdigit() or len(length) > _DIGITS
                       or int(length) > MOST_BYTES):  # fmt: skip
            return _too_much()
        return None


def _too_much() -> PlainTextResponse:
    return PlainTextResponse(f"That is more than {MOST_BYTES // 1_000_000} MB; nothing was stored.", 413)


def _host_of(url: str) -> str:
    try:
        return (urlsplit(url).hostname or "").lower()
    except ValueError:
        return ""


def _foreign(headers: Headers) -> bool:
    """Whether a browser says that a write comes from somebody else's page."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return True
    origin = headers.get("origin")
    return origin is not None and netloc_of(origin) != headers.get("host", "").lower()


def netloc_of(origin: str) -> str:
    """Return host and port of an origin; empty where it is none (``null``)."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _too_slow() -> PlainTextResponse:
    return PlainTextResponse("It came too slowly; nothing was stored.", 408, {"Connection": "close"})


class _Counted:
    """Counts what comes in, and waits for each part no longer than :data:`PART_S`.

    A sender need not state beforehand how much it will be, and one that sends a byte now and then would
    hold a connection for ever.
    """

    def __init__(self, receive: Receive, send: Send) -> None:
        self._receive = receive
        self._send = send
        self._came = 0
        self._complete = False
        self._until = 0.0
        self.refusal: PlainTextResponse | None = None
        self.answered = False

    async def receive(self) -> Message:
        """Give the next part.

        Raises:
            _TooMuchError: It is too much by now.
            _TooSlowError: The next part did not come in time.
        """
        if self._complete:
            # What is waited for now is the end of the connection: as long as an answer is being sent.
            return await self._receive()
        now = asyncio.get_running_loop().time()
        self._until = self._until or now + MOST_S
        try:
            async with asyncio.timeout(min(PART_S, max(0.0, self._until - now))):
                message = await self._receive()
        except TimeoutError as error:
            self.refusal = _too_slow()
            raise _TooSlowError from error
        self._complete = not message.get("more_body", False)
        self._came += len(message.get("body", b""))
        if self._came > MOST_BYTES:
            self.refusal = _too_much()
            raise _TooMuchError
        return message

    async def send(self, message: Message) -> None:
        """Send an answer; none where too much came, for then it speaks of a body cut off by us."""
        if self.refusal is not None:
            return
        self.answered = True
        try:
            async with asyncio.timeout(PART_S):
                await self._send(message)
        except TimeoutError as error:
            # The client takes nothing: what it has not read by now it will not read.
            raise _TooSlowError from error


def patient_protocol(head_s: float = PART_S) -> Any:
    """Return uvicorn's protocol, with a bound on how long a client may take over the head of a request.

    The server itself waits for ever for the rest of a head; a few hundred such connections from one
    computer would leave none for the bench.

    Args:
        head_s: Seconds from the opening of a connection, or from the first byte of a further request.
    """
    base: Any = auto.AutoHTTPProtocol

    class PatientProtocol(base):  # type: ignore[misc]
        """Closes a connection whose request does not come to its end in time."""

        _late: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            """Begin to count."""
            super().connection_made(transport)
            self._late = self.loop.call_later(head_s, transport.close)

        def data_received(self, data: bytes) -> None:
            """Stop counting once a request is being answered."""
            super().data_received(data)
            cycle = self.cycle
            if cycle is not None and not cycle.response_complete:
                self._stop()
            elif self._late is None:
                self._late = self.loop.call_later(head_s, self.transport.close)

        def on_response_complete(self) -> None:
            """An answer was given: the next request is waited for."""
            self._stop()
            super().on_response_complete()

        def connection_lost(self, exc: Exception | None) -> None:
            """Count no longer."""
            self._stop()
            super().connection_lost(exc)

        def _stop(self) -> None:
            if self._late is not None:
                self._late.cancel()
                self._late = None

    return PatientProtocol


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                # A picture or a download brings a narrower policy of its own.
                headers.setdefault(name, value)
        await send(message)

    return sent
