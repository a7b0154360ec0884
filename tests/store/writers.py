"""Several processes that write to one book at once, for the tests and the table of speeds."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from subprocess import PIPE

from tracker.book import open_book
from tracker.model import Job, Specimen

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Writing:
    """What writers did.

    Attributes:
        acts: How many were done.
        longest_s: The longest that one act took, waiting and all.
        seconds: From the start signal to the end of the last writer.
    """

    acts: int
    longest_s: float
    seconds: float


def write(place: str, job: int, acts: int, begin: Callable[[], None]) -> float:
    """Record specimens of a job, an act each, and return the longest time one took."""
    longest = 0.0
    with open_book(place) as book:
        begin()
        for piece in range(1, acts + 1):
            began = time.perf_counter()
            with book.act("offbed", f"writer {job}") as act:
                act.session.add(Specimen(job_id=job, piece=piece, outcome="good"))
            longest = max(longest, time.perf_counter() - began)
    return longest


def run(place: str, writers: int, acts: int) -> Writing:
    """Let writers, a process each, do that many acts together, all beginning at once."""
    with open_book(place) as book, book.act("job add", "Ada") as act:
        act.session.add_all(Job(name=f"writer {number}") for number in range(writers))
    command = [sys.executable, "-m", "tests.store.writers", place, str(writers), str(acts // writers)]
    with subprocess.Popen(command, stdin=PIPE, stdout=PIPE, text=True, cwd=ROOT) as program:
        assert program.stdin is not None
        assert program.stdout is not None
        assert [program.stdout.readline() for _ in range(writers)] == ["ready\n"] * writers
        began = time.perf_counter()
        # The writers wait for the end of what they all read.
        program.stdin.close()
        said = program.stdout.read().split()
        seconds = time.perf_counter() - began
    assert not program.returncode, f"{program.returncode} writers ended with an error"
    assert len(said) == writers
    return Writing(acts, max(map(float, said)), seconds)


def _begin_together() -> None:
    os.write(1, b"ready\n")
    os.read(0, 1)


def _fork(place: str, job: int, acts: int) -> int:
    child = os.fork()
    if not child:
        code = 1
        try:
            os.write(1, f"{write(place, job, acts, _begin_together)}\n".encode())
            code = 0
        finally:
            os._exit(code)
    return child


if __name__ == "__main__":
    # Forked, so that Python and the program are loaded once; each writer opens the book for itself.
    children = [_fork(sys.argv[1], number + 1, int(sys.argv[3])) for number in range(int(sys.argv[2]))]
    sys.exit(sum(os.waitpid(child, 0)[1] != 0 for child in children))
