"""A bench page that really runs, on a book of its own, and what asks it."""

from __future__ import annotations

import itertools
import re
import socket
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import httpx
import pytest
import uvicorn
from fastapi import FastAPI

from tests.databases import KINDS
from tests.desk.bench import a_calibrated_rig, a_job
from tracker.book import Book
from tracker.plugins import Plugged
from tracker.web import Bench, Serving, acting, make_app, tasks
from tracker.web.bench import Answers
from tracker.web.pages import why

ON_BOTH = pytest.mark.parametrize("prepared", KINDS, indirect=True)
"""Marks a test that writes: the page is tried on each database in turn."""

PULL = {"r-max_force": "1 830 N", "r-width": "10.00", "r-thickness": "4.00"}
"""1830 N on 40 mm² are 45.75 MPa."""


BENCHES: dict[str, Bench] = {}
"""The running pages by their address."""


@dataclass
class Site:
    """A running page.

    Attributes:
        url: Where it is.
        book: Its book.
        pieces: IDs of three pieces of its one job, all still on the bed.
        job: ID of the job.
        spool: ID of its spool.
        rig: ID of a rig that reads force.
        codes: Pairing codes that were announced, the newest last.
        clock: Seconds of the pairing code's clock; a test sets it.
    """

    url: str
    book: Book
    pieces: list[str]
    job: str
    spool: str = "S0001-R"
    rig: str = ""
    codes: list[str] = field(default_factory=list)
    clock: list[float] = field(default_factory=lambda: [0.0])

    def browser(self, **how: Any) -> Browser:
        """Return something that keeps cookies and sends forms."""
        return Browser(self.url, **how)


PATIENCE_S = 300
"""How long an answer is waited for: how busy the machine is says nothing about the page."""


class Browser(httpx.Client):
    """A browser without scripts: it fetches a page for its token before it sends a form."""

    def __init__(self, url: str, **how: Any) -> None:
        # Nothing here goes over TLS, and to read a system's certificates for each client takes a while.
        given = {"timeout": PATIENCE_S, "follow_redirects": True, "verify": False, **how}
        super().__init__(base_url=url, **given)

    def token(self, page: str = "/") -> str:
        """Return the token for forms of this browser."""
        found = re.search(r'name="csrf" value="([0-9a-f]+)"', self.get(page).text)
        assert found is not None
        return found[1]

    def fill(
        self, path: str, fields: Mapping[str, Any] | None = None, page: str = "/", **how: Any
    ) -> httpx.Response:
        """Send a form with its token."""
        return self.post(path, data={"csrf": self.token(page), **(fields or {})}, **how)

    def until(self, path: str, words: str) -> str:
        """Ask for a page until what is worked on beside it is there; return its text."""
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            text = self.get(path).text
            if words in text:
                return text
            time.sleep(0.05)
        raise AssertionError(f"{path} never said {words!r}: {text}")

    def pair(self, code: str, name: str = "phone") -> httpx.Response:
        """Ask to be let in."""
        return self.fill("/pair", {"code": code, "name": name}, page="/pair")


class Steps:
    """A clock in which everything takes a moment too short to count, however busy the machine is."""

    def __init__(self) -> None:
        self._steps = itertools.count()

    def __call__(self) -> float:
        """Return the seconds, more than the last time."""
        return next(self._steps) * 1e-6


@dataclass
class _Server:
    """A server of this process: started once, it serves one test's page after the other's.

    To make the application and to start a server costs more than most tests do.
    """

    app: FastAPI
    url: str
    server: uvicorn.Server
    thread: threading.Thread


_IDLE: list[_Server] = []


def _start(serving: Serving) -> _Server:
    # Whoever asks gets the answer, and not the page that says how far it is.
    tasks.WAIT_S = why._LONG_S = PATIENCE_S
    # What was just entered can be undone, however long ago that is on a busy machine.
    acting.UNDO_S = 3600
    # Named as TCP: only then asyncio sends an answer's parts at once, and does not wait 40 ms between them.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.bind(("127.0.0.1", 0))
    listening.listen(100)
    app = make_app(serving)
    # A connection is not closed for having waited: that may cross with the next request on its way.
    config = uvicorn.Config(app, log_level="error", lifespan="off", timeout_keep_alive=2 * PATIENCE_S)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.002)
    return _Server(app, f"http://127.0.0.1:{listening.getsockname()[1]}", server, thread)


def stop_servers() -> None:
    """Stop the servers of this process, at the end of all tests."""
    while _IDLE:
        idle = _IDLE.pop()
        idle.server.should_exit = True
        idle.thread.join(20)


def bench_of(book: Book) -> Site:
    """Enter one job and a calibrated rig into an empty book; give the site that will show them."""
    job = a_job(book)
    return Site("", book, job.also, job.id, rig=a_calibrated_rig(book))


@contextmanager
def running(book: Book, plugged: Plugged, site: Site | None = None, **how: Any) -> Iterator[Site]:
    """Run a page on a book: on an empty one with a job of its own, else on that of a site."""
    shown = bench_of(book) if site is None else replace(site, url="", book=book, codes=[], clock=[0.0])
    with served(shown, book, plugged, **how):
        yield shown


@contextmanager
def served(site: Site, book: Book, plugged: Plugged, **how: Any) -> Iterator[str]:
    """Run a page on the book of a site, the only one or a further one; give its address."""
    serving = Serving(
        book, plugged, "Ada Bench", b"k" * 32, announce=site.codes.append, clock=lambda: site.clock[0], **how
    )
    server = _IDLE.pop() if _IDLE else _start(serving)
    site.url = site.url or server.url
    bench = server.app.state.bench = BENCHES[server.url] = Bench(serving)
    # An answer that took long on a busy machine is made again all the same: tests look at what they stored.
    bench.facts = Answers(512, book.clock, Steps())
    if hasattr(server.app.state, "watch"):
        del server.app.state.watch
    try:
        yield server.url
    finally:
        _IDLE.append(server)
