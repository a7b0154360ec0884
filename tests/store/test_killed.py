"""A program killed in the middle of any write leaves the act whole or not there."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.books import fill
from tests.compiled import MIGRATE
from tests.databases import Places
from tracker.backup import backup, restore
from tracker.book import BookError, new_book, open_book
from tracker.verify import verify

ROOT = Path(__file__).resolve().parents[2]
_LINGERS_S = 0.03


class Nursery:
    """Starts and kills children that write."""

    def __init__(self) -> None:
        self._program = subprocess.Popen(
            [sys.executable, "-m", "tests.store.victim"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            cwd=ROOT,
        )

    def kill_one(self, work: str, place: str, seed: int, after: float | None) -> int:
        """Start a child, kill it, and return the last number it promised.

        Args:
            work: What it does.
            place: Where.
            seed: Of its choices.
            after: Seconds of work until it is killed; None waits for its first promise.
        """
        assert self._program.stdin is not None
        self._program.stdin.write(f"{work} {place} {seed}\n")
        promised = child = 0
        for line in self._lines():
            if line.startswith("begun"):
                child = int(line.split()[1])
                if after is not None:
                    time.sleep(after)
                    _kill(child)
            else:
                promised = int(line)
                if after is None:
                    _kill(child)
        return promised

    def _lines(self) -> Iterator[str]:
        assert self._program.stdout is not None
        while (line := self._program.stdout.readline().strip()) != "ended":
            assert line, "the program that starts the children has ended"
            yield line

    def close(self) -> None:
        """End the program."""
        assert self._program.stdin is not None
        self._program.stdin.close()
        self._program.wait()


def _kill(child: int) -> None:
    with suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)


@pytest.fixture(scope="module")
def nursery() -> Iterator[Nursery]:
    """Give a program that starts children."""
    program = Nursery()
    yield program
    program.close()


def _seconds_of(work: Callable[[], object]) -> float:
    """Do something as the children do, with Alembic's own migrations, and return what it takes.

    By the processor's time: where the machine stood still meanwhile all would be killed too late.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("alembic.command.upgrade", MIGRATE)
        began = time.process_time()
        work()
        return time.process_time() - began


def _check_after_kills(nursery: Nursery, place: str, times: int, seed: int) -> None:
    """Kill children writing to one book, and look at the book after each."""
    chance = random.Random(seed)
    for number in range(times):
        promised = nursery.kill_one("write", place, seed * 1000 + number, chance.uniform(0, _LINGERS_S))
        with open_book(place) as book:
            findings = verify(book)
            assert findings.clean, findings.lines()
            if promised:
                assert findings.counts["entries"] in (promised, promised + 1)


@pytest.mark.parametrize("seed", range(1, 9))
def test_killed_while_writing(places: Places, nursery: Nursery, seed: int) -> None:
    """Killed 15 times at random moments, a book has every act it promised, and is clean each time."""
    place = places.fresh("sqlite")
    with open_book(place) as book:
        fill(book)

    _check_after_kills(nursery, place, 15, seed)


@pytest.mark.parametrize("seed", [11, 12])
def test_killed_while_writing_to_a_server(places: Places, nursery: Nursery, seed: int) -> None:
    """The same on a server, 12 times: the client is killed, the server goes on."""
    place = places.fresh("postgresql")
    with open_book(place) as book:
        fill(book)

    _check_after_kills(nursery, place, 12, seed)


def test_killed_while_a_book_is_made(tmp_path: Path, nursery: Nursery) -> None:
    """Killed while it made a book, the program leaves a book, or a place where one can be made."""
    outcomes = set()
    takes = _seconds_of(lambda: new_book(str(tmp_path / "once"), "Ada").close())
    for number in range(20):
        place = str(tmp_path / f"b{number}")
        # The last one is killed when it has said that the book is made, so that both outcomes are seen.
        nursery.kill_one("make", place, 0, takes * number / 13 if number < 19 else None)
        try:
            open_book(place).close()
            outcomes.add("made")
        except BookError:
            new_book(place, "Ada").close()
            outcomes.add("not made")
        with open_book(place) as book:
            assert verify(book).clean
    assert outcomes == {"made", "not made"}


def test_killed_while_backing_up(places: Places, nursery: Nursery, tmp_path: Path) -> None:
    """A file with the name of a backup is a whole one, whenever the program was killed."""
    place = places.fresh("sqlite")
    with open_book(place) as book:
        fill(book)

        takes = _seconds_of(lambda: backup(book, tmp_path / "0.backup"))

    # The first ones are killed in the middle of theirs; the last one has said that its first is whole.
    for seed in range(8):
        nursery.kill_one("save", place, seed, min(takes, 2.0) * seed / 3 if seed < 7 else None)

    found = sorted(tmp_path.glob("*.backup"))
    assert len(found) > 1
    for number, file in enumerate(found[:6]):
        assert restore(file, str(tmp_path / f"again{number}")).code


def test_killed_while_restoring(places: Places, nursery: Nursery, tmp_path: Path) -> None:
    """Killed while it restored, the program leaves the whole book, or a place to restore to."""
    with open_book(places.fresh("sqlite")) as book:
        fill(book)
        backup(book, tmp_path / "whole")
    takes = _seconds_of(lambda: restore(tmp_path / "whole", str(tmp_path / "once")))

    for number in range(8):
        place = tmp_path / f"r{number}"
        (tmp_path / f"r{number}.backup").hardlink_to(tmp_path / "whole")
        nursery.kill_one("restore", str(place), 0, takes * number / 6)
        try:
            open_book(str(place)).close()
        except BookError:
            restore(tmp_path / "whole", str(place))
        with open_book(str(place)) as book:
            assert verify(book).clean
