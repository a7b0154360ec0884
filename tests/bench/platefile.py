"""Speed of reading plate files, beside reading a file and counting its line ends."""

from __future__ import annotations

import math
import random
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.bench._row import Row
from tracker.platefile import read_plate

_MB = 1_000_000
_OBJECTS = 8
_ROUNDS = 6
_SETTINGS = 400
_MANY = 50_000


def _outline(random_: random.Random, x: float, y: float, radius: float) -> Iterator[str]:
    """Yield the short moves of a closed, slightly uneven wall."""
    for n in range(1, 161):
        angle = math.tau * n / 160
        r = radius + random_.uniform(-0.05, 0.05)
        amount = random_.uniform(0.015, 0.05)
        yield f"G1 X{x + r * math.cos(angle):.3f} Y{y + r * math.sin(angle):.3f} E{amount:.5f}"


def _infill(random_: random.Random, x: float, y: float, radius: float) -> Iterator[str]:
    """Yield long moves to and fro with short ones between."""
    for n in range(60):
        reach = radius * (0.5 + 0.4 * random_.random())
        sign = 1 if n % 2 else -1
        level = y - radius + 2 * radius * n / 60
        yield f"G1 X{x + sign * reach:.3f} Y{level:.3f} E{reach * 0.04:.5f}"
        yield f"G1 X{x + sign * reach:.3f} Y{level + 0.4:.3f} E.01592"
        if n % 12 == 0:
            yield f";WIDTH:{random_.uniform(0.4, 0.5):.6f}"


def _visit(random_: random.Random, number: int) -> Iterator[str]:
    """Yield what is laid of one object in one layer."""
    x, y = 40 + 60 * (number % 4), 60 + 100 * (number // 4)
    yield f"EXCLUDE_OBJECT_START NAME=bar_{number}"
    for feature, radius in (("Inner wall", 20.0), ("Outer wall", 20.5), ("Sparse infill", 19.5)):
        yield from (
            "G1 E-.8 F2400",
            ";WIPE_START",
            "G1 F8000",
            f"G1 X{x + radius - 1:.3f} Y{y:.3f} E-.2",
            ";WIPE_END",
        )
        yield from (
            "G17",
            "G3 Z.6 I.044 J-1.216 P1  F30000",
            f"G1 X{x + radius:.3f} Y{y:.3f} Z.4",
            "G1 Z.2",
            "G1 E1 F2400",
        )
        yield from (
            f";TYPE:{feature}",
            ";WIDTH:0.45",
            "SET_VELOCITY_LIMIT ACCEL=5000",
            "M106 S127.5",
            "G1 F3600",
        )
        yield from _infill(random_, x, y, radius) if "infill" in feature else _outline(random_, x, y, radius)
        yield f"G3 X{x + radius:.3f} Y{y + 0.5:.3f} I-{radius:.3f} J0 E1.25"
    yield f"EXCLUDE_OBJECT_END NAME=bar_{number}"


def _layer(seed: int) -> bytes:
    """Return the text of one layer, its height left open."""
    random_ = random.Random(seed)
    lines = [line for number in range(_OBJECTS) for line in _visit(random_, number)]
    return ("\n".join(lines) + "\n").encode()


def write_plate(path: Path, size: int) -> None:
    """Write a plate of at least ``size`` bytes: eight objects, layer upon layer."""
    layers = [_layer(seed) for seed in range(6)]
    with path.open("wb") as file:
        file.write(b"M140 S60\nM104 S215\nG28\nG90\nM83\nG1 X0 Y0 Z5 F9000\n")
        number = 0
        while file.tell() < size:
            number += 1
            z = f"{0.2 * number:.3f}".rstrip("0").rstrip(".")
            body = layers[number % len(layers)]
            height = f"Z{z}\n".encode()
            body = (
                body.replace(b"Z.2\n", height).replace(b"Z.4\n", height).replace(b"Z.6 ", height[:-1] + b" ")
            )
            file.write(
                f";LAYER_CHANGE\n;Z:{z}\n;HEIGHT:0.2\nG92 E0\nM73 P1 R9\nG1 Z{z} F9000\n".encode() + body
            )
        file.write(b"M104 S0\nM140 S0\n")
        file.writelines(f"; setting_{n} = {n}\n".encode() for n in range(_SETTINGS))


def _count(path: Path) -> int:
    """Read a file and count its lines: the least that any reader must do."""
    lines = 0
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            lines += block.count(b"\n")
    return lines


def _loop(path: Path) -> int:
    """Go through the lines of a file one by one: the least that a reader of lines must do."""
    lines = 0
    with path.open("rb") as file:
        for _ in file:
            lines += 1
    return lines


Work = Callable[[Path], object]


def _alternating(
    path: Path, rounds: int, works: tuple[Work, ...] = (read_plate, _count, _loop)
) -> list[float]:
    """Return the best of some rounds for reading, counting and looping, in turn; CPU seconds of one core."""
    best = [math.inf] * len(works)
    for _ in range(rounds):
        for number, work in enumerate(works):
            start = time.process_time()
            work(path)
            best[number] = min(best[number], time.process_time() - start)
    return best


def unmarked(plate: bytes) -> bytes:
    """Return a plate without the markers of its objects."""
    return re.sub(rb"EXCLUDE_OBJECT[^\n]*\n", b"", plate)


def toggled(plate: bytes) -> bytes:
    """Return a plate that goes over to absolute E, and to relative places, and back at every feature."""
    primed = plate.replace(b"G1 E1 F2400\n", b"M82\nG92 E0\nG1 E1 F2400\nM83\n")
    return primed.replace(b"G1 E-.8 F2400\n", b"G91\nG1 Z.4\nG90\nG1 E-.8 F2400\n")


def write_many(path: Path, count: int) -> None:
    """Write a plate of so many marked objects of two lines each."""
    lines = ["G21", "G90", "M83", "M104 S210", "G1 Z0.2 F1200"]
    for number in range(count):
        x, y = 4 * (number % 250), 4 * (number // 250)
        lines += [
            f"M486 S{number}",
            f"G1 X{x} Y{y} F9000",
            f"G1 X{x + 2} E0.1",
            f"G1 Y{y + 2} E0.1",
            "M486 S-1",
        ]
    path.write_text("\n".join([*lines, "M104 S0", ""]))


_RESIDENT = """
import pathlib, sys
from tracker.platefile import read_plate
def peak():
    lines = pathlib.Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
before = peak()
read_plate(pathlib.Path(sys.argv[1]))
print(before, peak())
"""


def _resident(path: Path) -> tuple[float, float]:
    """Return the greatest resident MiB of a process before and after it has read a plate (Linux)."""
    command = [sys.executable, "-c", _RESIDENT, str(path)]
    found = subprocess.run(command, capture_output=True, text=True, check=True)
    before, after = found.stdout.split()
    return float(before), float(after)


def _speed(work: str, path: Path, ours: float, floor: float, goal: int) -> Row:
    size = path.stat().st_size / _MB
    note = f"CPU time: {ours / floor:.0f} x that of reading and counting lines, the floor"
    return Row(work, size / ours, size / floor, f">= {goal} MB/s", "MB/s", note)


def rows() -> list[Row]:
    """Measure reading of plates of every kind, of many objects, and the memory that 200 MB take."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plate.gcode"
        write_plate(path, 50 * _MB)
        ours, floor, loop = _alternating(path, _ROUNDS)
        size = path.stat().st_size / _MB
        found = [
            _speed(f"plate of {size:.0f} MB", path, ours, floor, 60),
            Row("the same, beside a loop over lines", ours, loop, "", note="floor: for line in file"),
        ]
        write_plate(path, 25 * _MB)
        plate = path.read_bytes()
        for name, change in (("without markers", unmarked), ("that toggles its modes", toggled)):
            path.write_bytes(change(plate))
            ours, floor, _ = _alternating(path, _ROUNDS)
            found.append(_speed(f"plate of 25 MB {name}", path, ours, floor, 40))
        write_many(path, _MANY)
        ours, floor, _ = _alternating(path, 2)
        found.append(Row(f"plate of {_MANY:,} objects", ours, floor, "<= 5 s", note="CPU time"))
        write_plate(path, 200 * _MB)
        ours, floor, _ = _alternating(path, 2)
        found.append(
            Row("plate of 200 MB", ours, floor, "<= 5 s", note="CPU time; floor: read and count lines")
        )
        if Path("/proc/self/status").exists():
            before, after = _resident(path)
            note = "floor: the imports alone"
            found.append(Row("memory for 200 MB", after, before, "<= 150 MiB", "MiB", note))
    return found


if __name__ == "__main__":
    for row in rows():
        print(f"{row.work}: {row.ours:.3f} {row.unit}, {row.ratio:.1f} x ({row.goal}) {row.note}")
