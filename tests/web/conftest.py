"""Fixtures of this room."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.web.site import Browser, Site, running
from tracker.book import Book, open_book
from tracker.plugged import Plugged, load


@pytest.fixture(scope="session")
def plugged() -> Plugged:
    """Give the bundled methods, loaded once."""
    return load()


@pytest.fixture
def web_book(book_template: Path, tmp_path: Path) -> Iterator[Book]:
    """Give an empty book on SQLite, at the time of the day."""
    shutil.copytree(book_template, tmp_path / "book")
    with open_book(str(tmp_path / "book")) as book:
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
