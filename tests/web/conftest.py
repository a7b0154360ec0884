"""Fixtures of this room."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.databases import Places
from tests.web.site import Browser, Site, running
from tracker.book import Book, open_book
from tracker.plugins import Plugged, load


@pytest.fixture(scope="session")
def plugged() -> Plugged:
    """Give the bundled methods, loaded once."""
    return load()


@pytest.fixture
def web_book(request: pytest.FixtureRequest, places: Places) -> Iterator[Book]:
    """Give an empty book at the time of the day: on SQLite, or where a test is marked ``ON_BOTH`` on each."""
    with open_book(places.fresh(getattr(request, "param", "sqlite"))) as book:
        yield book


@pytest.fixture
def site(web_book: Book, plugged: Plugged) -> Iterator[Site]:
    """Give a page for this computer alone."""
    with running(web_book, plugged) as made:
        yield made


@pytest.fixture
def shared(web_book: Book, plugged: Plugged) -> Iterator[Site]:
    """Give a page that other devices may come to."""
    with running(web_book, plugged, shared=True, address="127.0.0.1:8413") as made:
        yield made


@pytest.fixture
def visitors(web_book: Book, plugged: Plugged) -> Iterator[Site]:
    """Give a page on which nobody writes."""
    with running(web_book, plugged, read_only=True) as made:
        yield made


@pytest.fixture
def browser(site: Site) -> Iterator[Browser]:
    """Give a browser of this computer."""
    with site.browser() as made:
        yield made


@pytest.fixture
def phone(shared: Site) -> Iterator[Browser]:
    """Give a device that was let in."""
    with shared.browser() as made:
        made.get("/pair")
        made.pair(_code(shared), "Ada's phone")
        yield made


def _code(shared: Site) -> str:
    """Return the code that holds: asked for by a first wrong try, which makes the page announce one."""
    if not shared.codes:
        with shared.browser() as stranger:
            stranger.pair("WRONG2", "stranger")
    return shared.codes[-1]


@pytest.fixture
def code(shared: Site) -> str:
    """Give the pairing code that holds."""
    return _code(shared)
