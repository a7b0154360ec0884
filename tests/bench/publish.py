"""Speed and size of publishing: 2,000 pulled pieces with a recording each, and one verdict changed."""

from __future__ import annotations

import gzip
import math
import random
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from tests.bench._largebook import FOLDER, say
from tests.bench._row import Row
from tracker.api import Recording
from tracker.book import Book, new_book, open_book
from tracker.desk.entering import add_record
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.desk.measuring import Wanted, measure_all
from tracker.desk.voiding import judge
from tracker.ids import measurement_id
from tracker.model import SCHEMA
from tracker.plugins import Plugged, load
from tracker.publish import publish
from tracker.publish.checking import check_site

PIECES: Final = 2_000
_ON_A_PLATE, _MATERIALS, _WHO = 8, 20, "Ada Bench"
_TYPED: Final = {"width": "10.02", "thickness": "4.01", "gauge_length": "50"}
_FIRST_S, _AGAIN_S, _MB = 60.0, 5.0, 40.0


def book_of_pulls(pieces: int = PIECES) -> Path:
    """Return the folder of a book of so many pulled pieces, making it if it is not there yet."""
    place = FOLDER / f"pulls-{pieces}-{SCHEMA}-3"
    if not place.exists():
        FOLDER.mkdir(exist_ok=True)
        begun = FOLDER / f"begun-pulls-{pieces}"
        shutil.rmtree(begun, ignore_errors=True)
        say(f"making a book of {pieces:,} pulled pieces, once ({place})")
        with new_book(str(begun), _WHO) as book:
            _fill(book, load(), pieces)
        begun.rename(place)
    return place


def _fill(book: Book, plugged: Plugged, pieces: int) -> None:
    draw = random.Random(15)
    force = {"name": "Gantry", "role": "rig", "measures": "force", "capacity": "5 kN", "resolution": "2 N"}
    rig = add_record(book, _WHO, "rig", force).id
    add_record(book, _WHO, "calibration", {"rig": rig, "uncertainty": "3 N"})
    spools = []
    for number in range(_MATERIALS):
        name = f"Nordlicht {number + 1}"
        add_record(book, _WHO, "material", {"name": name, "family": "ASA", "drying_max_c": 85})
        spools.append(add_record(book, _WHO, "spool", {"material": name, "lot": f"L-{number}"}).id)
    for plate in range(pieces // _ON_A_PLATE):
        typed = {
            "nozzle_set_c": 240 + 10 * (plate // _MATERIALS % 4), "layer_height_mm": 0.2, "bed_set_c": 100,
            "printer": "the enclosed one", "nozzle": "0.4 mm hardened", "line_width_mm": 0.45,
            "started_at": f"2026-03-{1 + plate % 28:02d} 09:00", "room_c": 21, "room_rh_pct": 45,
        }  # fmt: skip
        wanted = [read_piece(f"bar:XYZ:{_ON_A_PLATE // 2}"), read_piece(f"bar:ZXY:{_ON_A_PLATE // 2}")]
        spool = spools[plate % _MATERIALS]
        made = add_job(book, _WHO, typed, spools=(spool,), pieces=wanted, sure=True).also
        air = {"room_c": 22, "room_rh_pct": 48}
        strong = [draw.gauss(1_900 - 20 * (plate % _MATERIALS), 40) for _ in made]
        pulls = [
            (piece, Wanted(piece, "tensile", _TYPED, {"curve": recording(most * half, draw)}, (rig,), air))
            for piece, most, half in zip(made, strong, [1.0, 0.5] * _ON_A_PLATE, strict=False)
        ]
        measure_all(book, _WHO, plugged, pulls, sure=True)


def recording(most_n: float, draw: random.Random, lines: int = 700) -> Recording:
    """Return a recording of a pull as a home-made rig writes it: every 10 ms, in steps of its converter."""
    text = ["time_ms,force_N,extension_mm"]
    for number in range(lines):
        share = number / lines
        force = most_n * math.sin(share * math.pi / 1.8) if 0.02 < share < 0.97 else 0.0
        counts = round((force + draw.gauss(0, 1)) / 2.1064)
        text.append(f"{number * 10 + draw.randrange(3)},{counts * 2.1064},{max(0, share - 0.02) * 3:.3f}")
    return Recording("pull.csv.gz", gzip.compress("\n".join(text).encode(), mtime=0))


def measured(work: Any) -> tuple[float, float, Any]:
    """Return the processor time of some work in s, its time by the clock, and what it gave."""
    began, clock = time.process_time(), time.perf_counter()
    given = work()
    return time.process_time() - began, time.perf_counter() - clock, given


def size_of(folder: Path) -> tuple[float, float]:
    """Return the bytes of a folder's files, and of the blocks of 4 KiB that they take, in MB."""
    every = [(path.is_file(), path.stat()) for path in folder.rglob("*")]
    plain = sum(each.st_size for is_file, each in every if is_file)
    return plain / 1e6, sum(each.st_blocks * 512 for _, each in every) / 1e6


def rows(pieces: int = PIECES) -> Iterator[Row]:
    """Yield the rows of this room."""
    plugged = load()
    with tempfile.TemporaryDirectory() as name:
        shutil.copytree(book_of_pulls(pieces), Path(name) / "book")
        site = Path(name) / "site"
        with open_book(str(Path(name) / "book")) as book:
            cpu, clock, told = measured(lambda: publish(book, plugged, site))
            plain, blocks = size_of(site)
            note = f"processor time; {clock:.0f} s by the clock; {told.files:,} files"
            yield Row(f"publish {pieces:,} pieces for the first time", cpu, _FIRST_S, "≤ 1.0", note=note)
            note = f"bytes of the files; {blocks:.1f} MB in blocks of 4 KiB"
            yield Row("the size of that site", plain, _MB, "≤ 1.0", "MB", note)
            judge(book, _WHO, measurement_id(7), counted=False, reason="slipped", quantity="tensile.strength")
            cpu, clock, told = measured(lambda: publish(book, plugged, site))
            note = f"processor time; {clock:.1f} s by the clock; {told.changed} files written"
            yield Row("publish again after one verdict", cpu, _AGAIN_S, "≤ 1.0", note=note)
        cpu, clock, found = measured(lambda: check_site(site, plugged))
        note = f"processor time; {len(found.of('holds')):,} numbers hold; floor: the time of publishing"
        yield Row(f"check {pieces:,} pieces", cpu, _FIRST_S, "-", note=note)
