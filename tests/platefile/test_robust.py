"""No file ends in a traceback: ordinary files that once did, and two thousand damaged ones."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from tests.platefile.builder import DIALECTS, HEAD, TWO, boxes, ring, text
from tracker.platefile import PlateRefused, read_plate
from tracker.platefile import reader as reading

ACCELERATIONS = ["M204 P1000 T1500", "G1 X9 Y9 F9000", "M204 P1000 T2500"]
"""A constant acceleration while printing beside one that varies while travelling."""


def test_travel_acceleration_that_varies_beside_a_constant_one() -> None:
    """Plates that change only the acceleration of travel are read."""
    lines = [
        line for one in boxes(TWO) for line in ([one, *ACCELERATIONS] if one == ";LAYER_CHANGE" else [one])
    ]
    assert len(read_plate(text(lines)).objects) == 2


@pytest.mark.parametrize("height", ["0", "-0.1", "0.0000"])
def test_a_first_layer_at_no_height(height: str) -> None:
    """A plate drawn at Z 0 has a layer height, if only the usual one."""
    found = read_plate(text([*HEAD, f"G1 Z{height}", *ring(10, 10, 40, 10), "M104 S0"]))
    assert found.objects[0].layer_height_mm == pytest.approx(0.2)


def test_more_islands_than_fit_into_twelve_bits() -> None:
    """Five thousand separate dots of an unmarked plate are five thousand pieces."""
    lines = [*HEAD]
    for z in (0.2, 0.4):
        lines.append(f"G1 Z{z} F3000")
        for number in range(5000):
            x, y = 3 * (number % 100), 3 * (number // 100)
            lines += [f"G1 X{x} Y{y} F9000", f"G1 X{x + 0.5} E0.02"]
    found = read_plate(text([*lines, "M104 S0"]))
    assert len(found.objects) == 5000
    assert found.unassigned_mm == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("number", ["1" * 26, "9" * 400, "0." + "1" * 26, "1" * 26 + ".5", "-" + "8" * 26])
@pytest.mark.parametrize("word", ["X", "Z", "E", "F", "I"])
def test_numbers_of_many_digits(word: str, number: str) -> None:
    """A word that no printer could follow is passed over, and the rest is read."""
    lines = [
        *boxes(TWO),
        f"G1 {word}{number}",
        f"G2 X1 Y1 {word}{number} E1",
        f"M104 S{number}",
        f"T{number}",
    ]
    assert len(read_plate(text([*lines, f"N{number} G1 X1*{number}", f"M486 S{number}"])).objects) >= 2


def test_ten_thousand_objects() -> None:
    """Work grows with the number of objects, not with its square, which here would be minutes."""
    lines = [*HEAD, "G1 Z0.2"]
    for number in range(10_000):
        x, y = 4 * (number % 250), 4 * (number // 250)
        lines += [
            f"M486 S{number}",
            f"G1 X{x} Y{y} F9000",
            f"G1 X{x + 2} E0.1",
            f"G1 Y{y + 2} E0.1",
            "M486 S-1",
        ]
    assert len(read_plate(text([*lines, "M104 S0"])).objects) == 10_000


@pytest.mark.parametrize("path", ["fifo", "folder", "/dev/zero"])
def test_what_is_no_file_is_refused(path: str, tmp_path: Path) -> None:
    """A pipe, a folder and a device are refused before anything is read from them."""
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "folder").mkdir()
    with pytest.raises(PlateRefused, match="no file"):
        read_plate(tmp_path / path)


def test_a_reader_that_fails_leaves_the_work_to_the_plain_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """When the fast reader raises, the plain one reads the plate, and the plate says so."""
    data = text(boxes(TWO))
    expected = read_plate(data)

    def fail(*_: object, **__: object) -> None:
        raise FloatingPointError

    monkeypatch.setattr(reading.Reader, "read", fail)
    found = read_plate(data)
    assert found.objects[0].filament_mm == pytest.approx(expected.objects[0].filament_mm)
    assert any("FloatingPointError" in problem for problem in found.problems)


INSERTED = (
    b"G1", b"G92", b"M82\n", b"M83\n", b"G91\n", b"G20\n", b"T7\n", b"M200 D1.75\n", b"M221 S0\n", b"G2 R1",
    b"\x00", b"\xff\xfe", b";", b"(", b"*", b"\r", b"-", b".", b"E", b"1e9", b"9" * 30, b"M486 S", b"\n\n",
    b"M204 T1\n", b"M203 X0\n", b"M201 X0\n", b"M205 X0 Z0\n", b"M205 J0\n", b"M204 S0\n", b"G28\n", b"G18\n",
    b"G1 F0\n", b"G1 F0.0001\n", b";TYPE:Skirt\n", b";LAYER_CHANGE\n", b";HEIGHT:-1\n", b";MESH:",
    b"SET_VELOCITY_LIMIT ACCEL=0\n", b"SET_VELOCITY_LIMIT VELOCITY=0\n", b"M220 S0\n", b"M220 B\nM220 R\n",
)  # fmt: skip


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Return a file with one to four places overwritten, cut, doubled, moved or filled with commands."""
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(data) + 1)
        to = min(len(data), at + chance.choice((1, 1, 2, 5, 20, 200)))
        what = chance.randrange(6)
        middle = {
            0: b"",
            1: bytes(chance.randrange(256) for _ in range(to - at)),
            2: data[at:to] * 3,
            3: chance.choice(INSERTED) + data[at:to],
            4: b"\n" + chance.choice(INSERTED) + data[at:to],
            5: data[at:to].swapcase(),
        }[what]
        data = data[:at] + middle + data[to:]
    return data


@pytest.mark.parametrize("dialect", [*DIALECTS, None])
def test_damaged_files_are_read_or_refused(dialect: str | None) -> None:
    """Of two thousand damaged files each is read by the fast reader or refused in words."""
    chance = random.Random(f"damage {dialect}")
    seed = text(boxes({"a": (10, 10, 20, 5), "b": (40, 10, 5, 20)}, layers=2, dialect=dialect))
    for _ in range(334):
        data = damaged(seed, chance)
        try:
            found = read_plate(data)
        except PlateRefused:
            continue
        assert not any("fast reader failed" in problem for problem in found.problems), data
        assert sum(one.filament_mm for one in found.objects) + found.unassigned_mm == pytest.approx(
            found.filament_mm, rel=1e-9, abs=1e-6
        ), data
