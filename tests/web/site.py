"""A bench page that really runs, on a book of its own, and what asks it."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest
import uvicorn

from tests.databases import KINDS
from tests.desk.bench import a_calibrated_rig, a_job
from tracker.book import Book
from tracker.plugins import Plugged
from tracker.web import Bench, Serving, make_app

ON_BOTH = pytest.mark.parametrize("web_book", KINDS, indirect=True)
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


class Browser(httpx.Client):
    """A browser without scripts: it fetches a page for its token before it sends a form."""

    def __init__(self, url: str, **how: Any) -> None:
        super().__init__(base_url=url, timeout=60, follow_redirects=True, **how)

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

    def pair(self, code: str, name: str = "phone") -> httpx.Response:
        """Ask to be let in."""
        return self.fill("/pair", {"code": code, "name": name}, page="/pair")


@contextmanager
def running(book: Book, plugged: Plugged, **how: Any) -> Iterator[Site]:
    """Run a page on a book with one job."""
    job = a_job(book)
    site = Site("", book, job.also, job.id, rig=a_calibrated_rig(book))
    with served(site, book, plugged, **how):
        yield site


@contextmanager
def served(site: Site, book: Book, plugged: Plugged, **how: Any) -> Iterator[str]:
    """Run a page on the book of a site, the only one or a further one; give its address."""
    serving = Serving(
        book, plugged, "Ada Bench", b"k" * 32, announce=site.codes.append, clock=lambda: site.clock[0], **how
    )
    with socket.create_server(("127.0.0.1", 0)) as listening:
        url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        site.url = site.url or url
        app = make_app(serving)
        BENCHES[url] = app.state.bench
        server = uvicorn.Server(uvicorn.Config(app, log_level="error", lifespan="off"))
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.005)
        yield url
        server.should_exit = True
        thread.join(20)
