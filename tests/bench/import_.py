"""Speed of an import: 200,000 rows from CSV to a durable act, beside a bare ``executemany`` of its rows."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any, Final

from tests.bench._row import Row
from tracker.book import BOOK_FILE, new_book
from tracker.desk.importing import Plan, carry_out, plan_import, read_map
from tracker.plugins import load

MANY: Final = 200_000
MEMORY_MB: Final = 400.0
LIMIT_S: Final = 60.0
_TABLES: Final = ("material", "job", "specimen", "factor", "measurement", "result")
_MAP: Final = b"""
[specimen]
material = "material"
orientation = "orientation"
plate = ["material", "orientation", "session"]
[factors]
printer = "printer"
layer_height_mm = "layer"
line_width_mm = "width"
[readings.tensile]
max_force = { column = "force", unit = "N" }
area = { column = "area", unit = "mm^2", u = "exact" }
"""


def sheet(place: Path, rows: int) -> Path:
    """Write a sheet of so many pulled pieces, five on a plate."""
    draw = random.Random(5)
    with place.open("w", encoding="utf-8") as stream:
        stream.write("material,orientation,session,printer,layer,width,force,area\n")
        for number in range(rows):
            plate = number // 5
            stream.write(
                f"Material {plate % 20},{('XY', 'Z')[plate % 2]},{plate},printer {plate % 3},0.2,0.42,"
                f"{draw.uniform(300, 1500):.2f},{draw.choice((25, 50))}.0\n"
            )
    return place


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return how long some work took in s, and what it gave."""
    began = time.perf_counter()
    given = work()
    return time.perf_counter() - began, given


_LOOK: Final = """
import os, signal, sys, time
here, most, go_on = sys.argv[1], 0, True
def stop(*_):
    global go_on
    go_on = False
signal.signal(signal.SIGTERM, stop)
while go_on:
    held = 0
    for number in {here, *open(f"/proc/{here}/task/{here}/children").read().split()} - {str(os.getpid())}:
        try:
            held += int(open(f"/proc/{number}/smaps_rollup").read().partition("Pss:")[2].split()[0])
        except (OSError, IndexError):
            continue
    most = max(most, held)
    time.sleep(0.3)
print(most / 1024)
"""


@contextmanager
def _memory(found: list[float]) -> Iterator[None]:
    """Note what this process and those that it begins take together at most, in MB; what they share once."""
    # A process of its own: beside another thread an import begins no processes.
    looking = subprocess.Popen(
        [sys.executable, "-c", _LOOK, str(os.getpid())], stdout=subprocess.PIPE, text=True
    )
    try:
        yield
    finally:
        looking.send_signal(signal.SIGTERM)
        found.append(float(looking.communicate()[0]))


def _processor_s() -> float:
    """Return the seconds of processor that this process and those which it ended took."""
    return sum(os.times()[:4])


def _imported(folder: Path, csv: Path, name: str) -> tuple[float, float]:
    """Bring a sheet into a new book; return the times of planning and of carrying out."""
    columns = read_map(_MAP)
    with new_book(str(folder / name), "Ada Bench") as book:
        planning, plan = timed(lambda: plan_import(book, load(), csv, columns))
        assert isinstance(plan, Plan)
        carrying, _done = timed(lambda: carry_out(book, plan, "Ada Bench"))
    return planning, carrying


def _bare(folder: Path, like: str, name: str) -> float:
    """Insert the rows of a book into an empty one of the same tables, all in one durable transaction."""
    with sqlite3.connect(folder / like / BOOK_FILE) as source:
        found = {table: source.execute(f'SELECT * FROM "{table}"').fetchall() for table in _TABLES}  # noqa: S608
    new_book(str(folder / name), "Ada Bench").close()
    target = sqlite3.connect(folder / name / BOOK_FILE, isolation_level=None)
    for pragma in ("journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        target.execute(f"PRAGMA {pragma}")

    def insert() -> None:
        target.execute("BEGIN IMMEDIATE")
        for table, rows in found.items():
            marks = ", ".join("?" * len(rows[0]))
            target.executemany(f'INSERT INTO "{table}" VALUES ({marks})', rows)  # noqa: S608 - our own names
        target.execute("COMMIT")

    took, _ = timed(insert)
    target.close()
    return took


def rows(many: int = MANY) -> list[Row]:
    """Return the rows of this room."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        csv = sheet(folder / "old.csv", many)
        ours, floors, whole, processor = [], [], [], []
        memory: list[float] = []
        for turn in range(2):
            began = _processor_s()
            # Looked at once, before the floor, which holds all rows at once; to look takes time.
            with _memory(memory) if not turn else nullcontext():
                planning, carrying = _imported(folder, csv, f"ours{turn}")
            processor.append(_processor_s() - began)
            ours.append(carrying)
            whole.append(planning + carrying)
            floors.append(_bare(folder, f"ours{turn}", f"bare{turn}"))
    note = f"floor: one minute; {min(processor):.1f} s of processor"
    return [
        Row(
            f"write an import of {many:,} rows, IDs and journal", min(ours), min(floors), "≤ 5.0",
            note="the same rows by executemany (≥ 0.2× its rate)",
        ),
        Row(f"import {many:,} rows, CSV to book", min(whole), LIMIT_S, "≤ 1.0", note=note),
        Row(f"import {many:,} rows: memory", memory[0], MEMORY_MB, "≤ 1.0", "MB", "the bound itself"),
    ]  # fmt: skip


if __name__ == "__main__":
    for row in rows():
        print(f"{row.work:60} {row.ours:10.3f} {row.floor:10.3f} {row.ratio:6.2f} {row.goal:>6} {row.note}")
