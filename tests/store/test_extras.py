"""What is installed by choice: without it the rest works, and what needs it says so in one line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.books import fill
from tests.databases import Places
from tracker.book import open_book

ROOT = Path(__file__).resolve().parents[2]
EVERY = "fastapi,starlette,uvicorn,psycopg,matplotlib,scipy"
WITHOUT = """
import json, os, sys
from importlib.abc import MetaPathFinder
hidden = sys.argv[1].split(",")
class Missing(MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name.partition(".")[0] in hidden:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Missing())
# What every command loads is loaded once; each then runs in a process of its own, forked from this one.
import numpy, pint, pluggy, pydantic, rich.console, sqlalchemy.orm
import tracker.api, tracker.book, tracker.desk.measuring, tracker.kinds, tracker.plugins, tracker.trace
from tracker.cli import main
for number, words in enumerate(json.loads(sys.argv[2])):
    child = os.fork()
    if not child:
        for end in (1, 2):
            os.dup2(os.open(f"{sys.argv[3]}/{number}.{end}", os.O_CREAT | os.O_WRONLY), end)
        sys.argv = ["strandbook", *words]
        sys.exit(main())
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


@dataclass(frozen=True)
class Answer:
    """What a command said.

    Attributes:
        code: It ended with.
        out: What it wrote.
        err: What it said beside that.
    """

    code: int
    out: str
    err: str


def run(place: str, *commands: list[str], without: str = EVERY) -> list[Answer]:
    """Run commands, one after the other, where none of the packages that extras bring is installed."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    options = ["--book", place, "--no-input", "--clock-is-right"]
    words = json.dumps([[*options, *each] for each in commands])
    with tempfile.TemporaryDirectory() as folder:
        asked = [sys.executable, "-c", WITHOUT, without, words, folder]
        codes = subprocess.run(asked, stdout=subprocess.PIPE, text=True, check=True, env=env).stdout.split()
        return [
            Answer(int(code), *(Path(folder, f"{number}.{end}").read_text("utf-8") for end in (1, 2)))
            for number, code in enumerate(codes)
        ]


@pytest.fixture
def place(places: Places) -> str:
    """Give a filled book."""
    place = places.fresh("sqlite")
    with open_book(place) as book:
        fill(book)
    return place


@pytest.mark.parametrize(
    ("without", "needing"),
    [
        (EVERY, {"serve": "web", "table": "statistics", "why J0001-01 J0001-02": "statistics"}),
        ("matplotlib", {"chart tensile.strength -o x.svg": "plots"}),
    ],
)
def test_what_needs_one_says_so(place: str, without: str, needing: dict[str, str]) -> None:
    """One line with the command that installs it."""
    answers = run(place, *(words.split() for words in needing), without=without)
    assert len(answers) == len(needing)
    for answer, (words, extra) in zip(answers, needing.items(), strict=True):
        assert answer.code == 1, (words, answer.out)
        (line,) = answer.err.strip().splitlines()
        assert f"pip install 'strandbook[{extra}]'" in line, words


def test_a_server_needs_its_driver() -> None:
    """Before anything is asked of it."""
    (answer,) = run("postgresql://ada@db/bench?files=/tmp/x", ["list", "spools"])
    assert "pip install 'strandbook[postgres]'" in answer.err


def test_the_rest_works_without_any(place: str) -> None:
    """Book, labels, command line and methods; a refusal, if any, speaks of something else."""
    commands = [
        ["show", "M0001-6"], ["list", "results"], ["trace", "J0001-01-H"], ["verify"], ["methods"],
        ["measure", "J0001-01-H", "appearance", "stringing=1"], ["spool", "days", "M0001-6"], ["due"],
    ]  # fmt: skip
    answers = run(place, *commands)
    assert len(answers) == len(commands)
    for words, answer in zip(commands, answers, strict=True):
        assert (words, answer.out + answer.err) != (words, "")
        assert "not installed" not in answer.err, words
        assert "should not have happened" not in answer.err, words
