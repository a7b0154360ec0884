"""How much memory reading takes: a process that reads one input of each kind, and prints what each took.

``python -m tests.ground.peaks FOLDER`` prints JSON: of each kind the megabytes that its largest input takes,
beside the program itself. Inputs are a share of their largest size, and what they take is proportional to it.
A sheet of many rows is measured by ``python -m tests.bench import_``.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import random
import struct
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from PIL import Image

from tests.desk.importing.sheets import MAP
from tracker.api import Recording, read_curve, read_sound
from tracker.api.sound import _MOST_SAMPLES
from tracker.benches import import_site
from tracker.book import new_book
from tracker.chamberlog import read_csv_log
from tracker.desk.importing import carry_out, plan_import, read_map
from tracker.desk.photographs import _BYTES_A_PIXEL, _UNPACKED, MOST_PIXELS, thumbnail
from tracker.inputs import LIMITS
from tracker.platefile.gauge import _own
from tracker.plugins import load
from tracker.web.guard import MOST_BYTES
from tracker.web.programs import Post, read_body

Read = Callable[[], object]
Making = Callable[[float], Read]

_STATUS = Path("/proc/self/status")
_RESET = Path("/proc/self/clear_refs")


def now_mb(which: str) -> float:
    """Return a figure of this process, in MB: ``VmRSS``, or ``VmHWM`` for the most since it was reset."""
    line = next(each for each in _STATUS.read_text().splitlines() if each.startswith(which))
    return int(line.split()[1]) / 1024


def growth_mb(make: Making, share: float) -> float:
    """Return what reading an input that is a share of the largest takes at most, in MB."""
    read = make(share)
    there, here = os.pipe()
    child = os.fork()
    if not child:
        # A process of its own: what an earlier reading gave back to the heap would be taken again unseen.
        _RESET.write_text("5")
        before = now_mb("VmRSS")
        read()
        os.write(here, f"{now_mb('VmHWM') - before:.2f}".encode())
        os._exit(0)
    os.close(here)
    with os.fdopen(there) as answer:
        os.waitpid(child, 0)
        return float(answer.read())


def peak_mb(make: Making, share: float, smaller: float = 0.0) -> float:
    """Return what the largest input of a kind takes, in MB, from one that is a share of it.

    Args:
        make: Makes an input that is a share of the largest, and what reads it.
        share: What is tried.
        smaller: A second one, where part of what is taken is always the same.
    """
    found = growth_mb(make, share)
    if not smaller:
        return found / share
    grows = (found - growth_mb(make, smaller)) / (share - smaller)
    return found + grows * (1 - share)


def kinds(folder: Path) -> Iterator[tuple[str, Making, float, float]]:
    """Yield kinds with what makes an input that is a share of the largest, and the share to be tried."""
    draw = random.Random(7)
    plugged, columns = load(), read_map(MAP.encode())
    head = "material,orientation,session,printer,layer,force,area,note,curve\n"

    def sheet(rows: int, note: str) -> Read:
        place = Path(tempfile.mkdtemp(dir=folder))
        file = place / "old.csv"
        lines = (
            f"Basalt PA,Z,{n // 5},left,0.2,{draw.uniform(900, 1100):.1f},25,{note},\n" for n in range(rows)
        )
        file.write_text(head + "".join(lines))
        book = new_book(str(place / "book"), "Ada Bench")
        return lambda: carry_out(book, plan_import(book, plugged, file, columns), "Ada Bench", sure=True)

    # Beyond some hundred rows as long nothing grows but what is kept of any row.
    yield "a sheet of long rows", lambda share: sheet(round(250 * share), "x" * 60_000), 1.0, 0.0

    def lines(most: int, share: float) -> str:
        return "time,chamber\n" + "".join(
            f"{n},{draw.uniform(50, 60):.2f}\n" for n in range(max(100, round(most * share / 12)))
        )

    def log(share: float) -> Read:
        text = lines(LIMITS["log"], share).encode()
        return lambda: read_csv_log(text)

    def curve(share: float) -> Read:
        text = lines(LIMITS["recording"], share).replace("chamber", "force").encode()
        return lambda: read_curve(Recording("c.csv", text))

    yield "a log", log, 0.05, 0.0
    yield "a curve", curve, 0.05, 0.0
    yield "a sound", lambda share: partial(heard, tap(max(4096, round(_MOST_SAMPLES * share)))), 0.2, 0.0
    for kind, saved in _PICTURES.items():
        most = min(MOST_PIXELS, _UNPACKED // _BYTES_A_PIXEL[kind])
        yield f"a photograph, {kind}", partial(photograph, most, saved), 0.2, 0.0

    def site(share: float) -> Read:
        place = Path(tempfile.mkdtemp(dir=folder))
        results_of(place / "site", max(10, round(LIMITS["table of a site"] * share / 90)))
        book = new_book(str(place / "book"), "Ada Bench")
        return lambda: import_site(book, "Ada Bench", place / "site")

    yield "a table of a site", site, 0.06, 0.03

    def templates(share: float) -> Read:
        file = Path(tempfile.mkdtemp(dir=folder)) / "t.toml"
        file.write_text("[[piece]]\n" * round(LIMITS["settings file"] * share / 10))
        return lambda: refused(lambda: _own(file))

    yield "a file of templates", templates, 0.2, 0.0

    def values(share: float) -> Read:
        wanted = {"specimen": "J1", "method": "m", "readings": {"a": [[1.5]] * round(49_000 * share)}}
        return lambda: refused(lambda: read_body(Post, json.dumps(wanted).encode()))

    def text(share: float) -> Read:
        data = b'{"specimen": "J1", "method": "m", "files": {"c": {"name": "c", "text": "'
        data += b"1,2\\n" * round(MOST_BYTES * share / 5) + b'"}}}'
        return lambda: refused(lambda: read_body(Post, data))

    yield "values sent by a program", values, 0.5, 0.0
    yield "a text sent by a program", text, 0.1, 0.0


def heard(sound: Recording) -> None:
    """Read a sound and take its spectrum."""
    read_sound(sound).spectrum()


def refused(read: Callable[[], object]) -> None:
    """Read what need not be right: only what reading takes counts."""
    try:
        read()
    except Exception as error:  # noqa: BLE001 - see above
        del error


def tap(samples: int) -> Recording:
    """Return a sound of so many samples."""
    body = bytes(draw.randrange(256) for draw in [random.Random(3)] for _ in range(2 * 4096)) * (
        samples // 4096
    )
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, 48000, 96000, 2, 16)
    whole = b"WAVE" + form + struct.pack("<4sI", b"data", len(body)) + body
    return Recording("tap.wav", struct.pack("<4sI", b"RIFF", len(whole)) + whole)


_PICTURES: dict[str, dict[str, object]] = {
    "JPEG": {"format": "JPEG", "subsampling": 0},
    "JPEG, progressive": {"format": "JPEG", "subsampling": 0, "progressive": True},
    "PNG": {"format": "PNG", "compress_level": 1},
    "GIF": {"format": "GIF"},
    "WEBP": {"format": "WEBP", "lossless": True, "method": 0},
}


def photograph(most: int, saved: dict[str, object], share: float) -> Read:
    """Return what reads a picture of a share of so many pixels."""
    made = io.BytesIO()
    Image.new("RGB", (5000, round(most * share) // 5000), (10, 200, 30)).save(made, **saved)
    return partial(thumbnail, made.getvalue())


def results_of(site: Path, rows: int) -> None:
    """Write the two tables of a published site, with their manifest."""
    (site / "data").mkdir(parents=True)
    names = ("measurement,specimen,material,family,orientation,quantity,value,unit,relation,uncertainty,"
             "counted,method,method_version,job")  # fmt: skip
    results = names + "\n" + "".join(
        f"M{n:04d}-X,J{n:04d}-1-X,Basalt PA,PA,Z,tensile.strength,45.{n},MPa,=,0.2,true,tensile,1,J{n:04d}\n"
        for n in range(rows)
    )  # fmt: skip
    factors = "specimen,factor,value,text,unit\n" + "".join(
        f"J{n:04d}-1-X,factor_{k}_mm,{n}.5,,mm\n" for n in range(rows) for k in range(3)
    )
    listed = []
    for name, text in (("results", results), ("factors", factors)):
        (site / f"data/{name}.csv").write_text(text)
        listed.append(f"{hashlib.sha256(text.encode()).hexdigest()}  data/{name}.csv")
    (site / "manifest-sha256.txt").write_text("\n".join(listed) + "\n")
    package = {"id": "urn:strandbook:7QX", "title": "Another bench"}
    (site / "datapackage.json").write_text(json.dumps(package))


def main(folder: Path) -> None:
    """Measure every kind, each once its code has run with something small."""
    found = {}
    for name, make, share, smaller in kinds(folder):
        make(0.001 if share < 1 else 0.01)()
        found[name] = round(peak_mb(make, share, smaller))
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
