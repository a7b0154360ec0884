"""Fixtures of this room."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.databases import Places
from tests.web.site import Browser, Site, bench_of, running, stop_servers
from tracker.book import Book, open_book
from tracker.plugins import Plugged, load


@pytest.fixture(scope="session")
def plugged() -> Plugged:
    """Give the bundled methods, loaded once."""
    return load()


@pytest.fixture(scope="session")
def bench_template(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Site]:
    """Give a folder that holds a SQLite book with one job and a rig, to be copied, and what is in it."""
    folder = tmp_path_factory.mktemp("bench") / "book"
    shutil.copytree(book_template, folder)
    with open_book(str(folder)) as book:
        return folder, bench_of(book)


@pytest.fixture
def prepared(
    request: pytest.FixtureRequest, places: Places, bench_template: tuple[Path, Site], tmp_path: Path
) -> Iterator[Site]:
    """Give a book with one job and a rig: on SQLite, or where a test is marked ``ON_BOTH`` on each."""
    kind = getattr(request, "param", "sqlite")
    if kind == "sqlite":
        folder, site = bench_template
        shutil.copytree(folder, tmp_path / "bench")
        with open_book(str(tmp_path / "bench")) as book:
            yield replace(site, book=book)
    else:
        with open_book(places.fresh(kind)) as book:
            yield bench_of(book)


@pytest.fixture
def web_book(request: pytest.FixtureRequest, places: Places) -> Iterator[Book]:
    """Give an empty book without a page; on SQLite where a test does not say otherwise."""
    with open_book(places.fresh(getattr(request, "param", "sqlite"))) as book:
        yield book


@pytest.fixture
def site(prepared: Site, plugged: Plugged) -> Iterator[Site]:
    """Give a page for this computer alone."""
    with running(prepared.book, plugged, prepared) as made:
        yield made


@pytest.fixture
def shared(prepared: Site, plugged: Plugged) -> Iterator[Site]:
    """Give a page that other devices may come to."""
    with running(prepared.book, plugged, prepared, shared=True, address="127.0.0.1:8413") as made:
        yield made


@pytest.fixture
def visitors(prepared: Site, plugged: Plugged) -> Iterator[Site]:
    """Give a page on which nobody writes."""
    with running(prepared.book, plugged, prepared, read_only=True) as made:
        yield made


@pytest.fixture(scope="session", autouse=True)
def _servers_stop() -> Iterator[None]:
    yield
    stop_servers()


@contextmanager
def _lasting(
    template: tuple[Path, Site], factory: pytest.TempPathFactory, plugged: Plugged, **how: Any
) -> Iterator[Site]:
    folder, site = template
    place = factory.mktemp("lasting") / "book"
    shutil.copytree(folder, place)
    with open_book(str(place)) as book, running(book, plugged, site, **how) as made:
        yield made


@pytest.fixture(scope="session")
def steady(
    bench_template: tuple[Path, Site], tmp_path_factory: pytest.TempPathFactory, plugged: Plugged
) -> Iterator[Site]:
    """Give a page for all tests in which nothing is stored."""
    with _lasting(bench_template, tmp_path_factory, plugged) as made:
        yield made


@pytest.fixture(scope="session")
def steady_shared(
    bench_template: tuple[Path, Site], tmp_path_factory: pytest.TempPathFactory, plugged: Plugged
) -> Iterator[Site]:
    """Give a page that other devices may come to, for all tests in which none is let in."""
    how = {"shared": True, "address": "127.0.0.1:8413"}
    with _lasting(bench_template, tmp_path_factory, plugged, **how) as made:
        yield made


@pytest.fixture
def looking(steady: Site) -> Iterator[Browser]:
    """Give a browser of this computer, with which nothing is stored."""
    with steady.browser() as made:
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
