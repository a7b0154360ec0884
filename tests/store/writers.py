"""Several processes that write to one book at once, for the tests and the table of speeds."""

from __future__ import annotations

import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

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


def write(place: str, job: int, acts: int) -> float:
    """Record specimens of a job, an act each, and return the longest time one took."""
    longest = 0.0
    with open_book(place) as book:
        print("ready", flush=True)
        sys.stdin.readline()
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
    programs = [_start(place, number + 1, acts // writers) for number in range(writers)]
    for program in programs:
        assert program.stdout is not None
        assert program.stdout.readline() == "ready\n"
    began = time.perf_counter()
    for program in programs:
        assert program.stdin is not None
        program.stdin.write("go\n")
        program.stdin.flush()
    said = [program.communicate()[0] for program in programs]
    seconds = time.perf_counter() - began
    failed = [program.returncode for program in programs if program.returncode]
    assert not failed, f"{len(failed)} writers ended with an error"
    return Writing(acts, max(map(float, said)), seconds)


def _start(place: str, job: int, acts: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.store.writers", place, str(job), str(acts)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT)


if __name__ == "__main__":
    print(write(sys.argv[1], int(sys.argv[2]), int(sys.argv[3])))
