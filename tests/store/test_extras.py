"""What is installed by choice: without it the rest works, and what needs it says so in one line."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.books import fill
from tests.databases import Places
from tracker.book import open_book

ROOT = Path(__file__).resolve().parents[2]
EVERY = "fastapi,starlette,uvicorn,psycopg,matplotlib,scipy"
WITHOUT = """
import sys
from importlib.abc import MetaPathFinder
hidden = sys.argv.pop(1).split(",")
class Missing(MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name.partition(".")[0] in hidden:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Missing())
from tracker.cli import main
main()
"""


def run(place: str, *arguments: str, without: str = EVERY) -> subprocess.CompletedProcess[str]:
    """Run a command where none of the packages that extras bring is installed."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    options = ["--book", place, "--no-input", "--clock-is-right"]
    command = [sys.executable, "-c", WITHOUT, without, *options, *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=env)


@pytest.fixture
def place(places: Places) -> str:
    """Give a filled book."""
    place = places.fresh("sqlite")
    with open_book(place) as book:
        fill(book)
    return place


@pytest.mark.parametrize(
    ("arguments", "without", "extra"),
    [
        (["serve"], EVERY, "web"),
        (["chart", "tensile.strength", "-o", "x.svg"], "matplotlib", "plots"),
        (["table"], EVERY, "statistics"),
        (["why", "J0001-01", "J0001-02"], EVERY, "statistics"),
    ],
)
def test_what_needs_one_says_so(place: str, arguments: list[str], without: str, extra: str) -> None:
    """One line with the command that installs it."""
    answer = run(place, *arguments, without=without)
    assert answer.returncode == 1, answer.stdout
    (line,) = answer.stderr.strip().splitlines()
    assert f"pip install 'strandbook[{extra}]'" in line


def test_a_server_needs_its_driver() -> None:
    """Before anything is asked of it."""
    answer = run("postgresql://ada@db/bench?files=/tmp/x", "list", "spools")
    assert "pip install 'strandbook[postgres]'" in answer.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["show", "M0001-6"], ["list", "results"], ["trace", "J0001-01-H"], ["verify"], ["methods"],
        ["measure", "J0001-01-H", "appearance", "stringing=1"], ["spool", "days", "M0001-6"], ["due"],
    ],
)  # fmt: skip
def test_the_rest_works_without_any(place: str, arguments: list[str]) -> None:
    """Book, labels, command line and methods; a refusal, if any, speaks of something else."""
    answer = run(place, *arguments)
    assert "not installed" not in answer.stderr
    assert "should not have happened" not in answer.stderr
