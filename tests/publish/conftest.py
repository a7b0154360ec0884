"""One book of two materials: on both databases for what is read of it, and its site made once."""

from __future__ import annotations

import gzip
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import begun_with
from tests.databases import BEGUN_BY
from tests.publish.scene import fill_bench
from tracker.book import Book, new_book
from tracker.plugins import Plugged, load
from tracker.publish import publish
from tracker.publish.evidence import packed_json


@pytest.fixture(scope="session")
def plugged() -> Plugged:
    """Load the methods once."""
    return load()


book_place = begun_with(filled=lambda book: fill_bench(book, load()))


@pytest.fixture
def filled(book: Book) -> Book:
    """Give a filled book, on each database in turn."""
    return book


@pytest.fixture(scope="session")
def published_once(plugged: Plugged, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Publish such a book once, into ``site`` beside its ``book``."""
    root = tmp_path_factory.mktemp("published")
    with new_book(str(root / "book"), BEGUN_BY) as book:
        fill_bench(book, plugged)
        publish(book, plugged, root / "site")
    return root


@pytest.fixture
def site(published_once: Path, tmp_path: Path) -> Path:
    """Give a copy of that site."""
    return Path(shutil.copytree(published_once / "site", tmp_path / "site"))


def change_document(place: Path, ident: str, change: Callable[[dict[str, Any]], object]) -> None:
    """Change a measurement in a document of a site as somebody might who wants another number."""
    document = json.loads(gzip.decompress(place.read_bytes()))
    own = next(each for each in document["measurements"] if each["id"] == ident)
    whole = {**document["shared"], **own}
    change(whole)
    document["measurements"] = [whole if each is own else each for each in document["measurements"]]
    place.write_bytes(packed_json(document))
