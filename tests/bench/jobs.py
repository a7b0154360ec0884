"""Speed of entering a job from its plate file, and of reading the factors of many specimens."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final

from sqlalchemy import text

from tests.bench._row import Row
from tests.plates import plate
from tracker.book import Book, new_book
from tracker.factors import factors_of
from tracker.model import Job, JobSpool, Material, Specimen, Spool

_ROUNDS: Final = 5
_PROGRAM: Final = (sys.executable, "-c", "from tracker.cli import main; main()")
_BARS: Final = {f"bar {n}": (20.0 + 100 * (n % 2), 20.0 + 12.0 * (n // 2), 79.6, 9.6) for n in range(8)}
_IMPORTS: Final = "import numpy, sqlalchemy.orm, click"


def rows() -> list[Row]:
    """Return the rows of this room: one plate of 1 MB, and the factors of 10,000 specimens."""
    with tempfile.TemporaryDirectory() as folder, new_book(f"{folder}/book", "bench") as book:
        return [_job_row(book, Path(folder)), *_factor_rows(book)]


def _job_row(book: Book, folder: Path) -> Row:
    file = folder / "plate.gcode"
    file.write_bytes(plate(_BARS, layers=650))
    with book.act("bench", "bench") as act:
        act.session.add(Material(name="Nordlicht ASA", density_g_cm3=1.07))
    command = [*_PROGRAM, "--book", book.place, "job", "add", str(file), "--material", "Nordlicht ASA"]
    ours, floor = _alternating(lambda: _run(command), lambda: _run([sys.executable, "-c", _IMPORTS]))
    size = file.stat().st_size / 1e6
    note = "whole process; floor: start and import the database, the arrays and the command line alone"
    return Row(f"job add, plate of {size:.1f} MB with eight pieces", ours, floor, "<= 1 s", note=note)


def _run(command: list[str]) -> None:
    subprocess.run(command, check=True, capture_output=True)


def _factor_rows(book: Book) -> list[Row]:
    numbers = _filled(book)
    found = []
    for water, goal in ((False, "about 1 s"), (True, "<= 2 s")):
        with book.read() as session:
            asked = partial(factors_of, session, numbers, water=water)
            ours, floor = _alternating(asked, partial(_documents, session))
        words = "with water" if water else "without water"
        note = "floor: read the same documents whole and parse their JSON"
        found.append(Row(f"factors of {len(numbers):,} specimens, {words}", ours, floor, goal, note=note))
    return found


def _documents(session: Any) -> None:
    for (document,) in session.execute(
        text("SELECT plate_facts FROM specimen WHERE plate_facts IS NOT NULL")
    ):
        json.loads(document)


def _filled(book: Book) -> range:
    """Fill a book with 1,250 jobs of eight pieces from twenty spools; returns the pieces' row ids."""
    reading = {"value": 1.0, "low": 1.0, "high": 2.0, "basis": "commanded"}
    names = ("nozzle_c", "bed_c", "fan_pct", "layer_height_mm", "line_width_mm", "layer_time_s", "flow_mm3_s")
    facts = {
        "section": {"first_layer": 1, "z_mm": [0.0, 40.0], **dict.fromkeys(names, reading)},
        "spans_s": [[50.3 * n, 50.3 * n + 20.7] for n in range(200)],
        "tops_mm": [0.2 * n for n in range(200)],
    }
    began = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    with book.act("bench", "bench") as act:
        first = act.next_number(Specimen.__table__)  # type: ignore[arg-type] # a table it is
        material = Material(name="Nordlicht PETG", family="PETG")
        spools = [Spool(material=material) for _ in range(20)]
        act.session.add_all(spools)
        act.session.flush()
        for number in range(1250):
            job = Job(started_at=began + dt.timedelta(hours=number), printer="P1", nozzle_set_c=250)
            job.spools = [JobSpool(spool=spools[number % 20], tool=0)]
            job.specimens = [
                Specimen(piece=piece, orientation="ZXY", plate_facts=facts) for piece in range(1, 9)
            ]
            act.session.add(job)
        act.session.flush()
    return range(first, first + 10_000)


def _alternating(ours: Callable[[], object], floor: Callable[[], object]) -> tuple[float, float]:
    times = [(_seconds(ours), _seconds(floor)) for _ in range(_ROUNDS)]
    return min(a for a, _ in times), min(b for _, b in times)


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
