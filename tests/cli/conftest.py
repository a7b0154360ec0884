"""Fixtures of this room."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.cli.bench import Cli, Filled, Terminal


@pytest.fixture
def cli(book_template: Path, tmp_path: Path) -> Cli:
    """Give the command line on an empty book."""
    shutil.copytree(book_template, tmp_path / "book")
    return Cli(tmp_path / "book")


@pytest.fixture(scope="session")
def filled_once(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Filled:
    """Give a filled book, to be copied."""
    place = tmp_path_factory.mktemp("filled") / "book"
    shutil.copytree(book_template, place)
    return Filled(place).fill()


@pytest.fixture
def filled(filled_once: Filled, tmp_path: Path) -> Filled:
    """Give the command line on a book with one of everything."""
    shutil.copytree(filled_once.place, tmp_path / "filled")
    copy = Filled(tmp_path / "filled")
    vars(copy).update({name: value for name, value in vars(filled_once).items() if isinstance(value, str)})
    return copy


@pytest.fixture
def terminal(cli: Cli) -> Iterator[Callable[..., Terminal]]:
    """Give the program at a pseudo-terminal, on the book of ``cli``."""
    opened: list[Terminal] = []

    def open_one(*words: str, **env: str) -> Terminal:
        place = env.pop("book", str(cli.place))
        opened.append(Terminal(*words, env={"STRANDBOOK": place, "STRANDBOOK_WHO": "Ada Bench", **env}))
        return opened[-1]

    yield open_one
    for each in opened:
        each.close()
