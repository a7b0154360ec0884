"""What stands before every page: which hosts are ours, how much may be sent, what a browser may do."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BYTES: Final = 40_000_000
"""Most that one request may carry: a plate file of a full bed, or a photograph as phones take them."""

PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
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
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "Cache-Control": "private, no-cache",
}
_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})


class _TooMuchError(Exception):
    """More came than may come."""


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
        with contextlib.suppress(_TooMuchError):
            await self._app(scope, counted.receive, _with_headers(counted.send))
        if counted.over and not counted.answered:
            await _too_much()(scope, receive, _with_headers(send))

    def _refusal(self, method: str, headers: Headers) -> PlainTextResponse | None:
        if _host_of(f"//{headers.get('host', '')}") not in self._hosts:
            return PlainTextResponse("This page is not known under that name.", 421)
        if method not in _SAFE and _foreign(headers):
            return PlainTextResponse("That form was not one of this page.", 403)
        length = headers.get("content-length", "")
        if length and (not length.isascii() or not length.isdigit() or int(length) > MOST_BYTES):
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


class _Counted:
    """Counts what comes in: a sender need not say beforehand how much it will be."""

    def __init__(self, receive: Receive, send: Send) -> None:
        self._receive = receive
        self._send = send
        self._came = 0
        self.over = False
        self.answered = False

    async def receive(self) -> Message:
        """Give the next part.

        Raises:
            _TooMuchError: It is too much by now.
        """
        message = await self._receive()
        self._came += len(message.get("body", b""))
        if self._came > MOST_BYTES:
            self.over = True
            raise _TooMuchError
        return message

    async def send(self, message: Message) -> None:
        """Send an answer; none where too much came, for then it speaks of a body cut off by us."""
        if not self.over:
            self.answered = True
            await self._send(message)


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                # A picture or a download brings a narrower policy of its own.
                headers.setdefault(name, value)
        await send(message)

    return sent
