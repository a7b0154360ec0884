"""What must not change when a plate file is written differently."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.platefile.builder import DIALECTS, TWO, boxes, text
from tracker.platefile import Plate, read_plate
from tracker.platefile.meaning import checksum

LINES = boxes(TWO, layers=4)
PLATE = read_plate(text(LINES))


def facts(plate: Plate) -> tuple[object, ...]:
    """Return what must stay the same, rounded to far less than anybody could measure."""
    rows = [
        (
            one.key.lower(),
            tuple(round(v, 6) for v in one.box_mm),
            round(one.filament_mm, 6),
            tuple(round(t, 6) for t in one.layer_time_s),
            tuple(round(t, 6) for t in one.own_layer_time_s),
            replace(one.nozzle_c),
        )
        for one in plate.objects
    ]
    return (rows, round(plate.filament_mm, 6), round(plate.time_s, 6))


def with_number(number: int, line: str) -> str:
    """Return a line with line number and checksum; comments have neither."""
    if not line or line.startswith(";"):
        return line
    body = f"N{number} {line}"
    return f"{body}*{checksum(body.encode())}"


REWRITTEN = {
    "CRLF": b"\r\n".join(text(LINES).split(b"\n")),
    "CR CR LF": b"\r\r\n".join(text(LINES).split(b"\n")),
    "CR": text(LINES).replace(b"\n", b"\r"),
    "BOM": b"\xef\xbb\xbf" + text(LINES),
    "lower case": "\n".join(line if line.startswith(";") else line.lower() for line in LINES).encode()
    + b"\n",
    "no blanks": text(
        re.sub(r"(?<=\d) (?=[A-Z])", "", line) if line.startswith("G") else line for line in LINES
    ),
    "two blanks": text(line.replace(" ", "  ") if line.startswith("G") else line for line in LINES),
    "numbers and checksums": text(with_number(n, line) for n, line in enumerate(LINES)),
    "comments behind": text(f"{line} ; X9 E9 = 1" if line.startswith("G1") else line for line in LINES),
    "brackets": text(f"{line} (X9)" if line.startswith("G1") else line for line in LINES),
    "leading zeros": text(line.replace("G1 ", "G01 ") for line in LINES),
    "blank lines": text(line + "\n\n" for line in LINES),
    "long comments": text(line + "\n; " + "abcdefgh" * 2700 for line in LINES),
}


@pytest.mark.parametrize("how", REWRITTEN)
def test_the_way_of_writing_changes_nothing(how: str) -> None:
    """Line ends, case, blanks, numbering and comments leave every figure as it is."""
    assert facts(read_plate(REWRITTEN[how])) == facts(PLATE)


@given(st.integers(16, 3000))
@settings(deadline=None, max_examples=40)
def test_the_size_of_chunks_changes_nothing(size: int) -> None:
    """However many bytes are read at a time, the facts are the same."""
    assert facts(read_plate(text(LINES), chunk_bytes=size)) == facts(PLATE)


@pytest.mark.parametrize("name", ["CRLF", "CR CR LF", "CR"])
@given(size=st.integers(16, 400))
@settings(deadline=None, max_examples=25)
def test_a_line_end_cut_by_a_chunk_is_one(name: str, size: int) -> None:
    """A line end of several bytes may fall between two chunks."""
    assert facts(read_plate(REWRITTEN[name], chunk_bytes=size)) == facts(PLATE)


def absolute(lines: list[str], reset_every: int) -> list[str]:
    """Rewrite relative E as absolute, setting the counter back now and then."""
    found, counter, moves = [], 0.0, 0
    for line in lines:
        if line == "M83":
            found += ["M82", "G92 E0"]
            continue
        word = re.search(r"E(-?[\d.]+)", line) if line.startswith("G1") else None
        if word:
            moves += 1
            if moves % reset_every == 0:
                found.append("G92 E0")
                counter = 0.0
            counter += float(word.group(1))
            line = line.replace(word.group(0), f"E{counter:.5f}")  # noqa: PLW2901 - the line is rewritten
        found.append(line)
    return found


@given(st.integers(2, 50))
@settings(deadline=None, max_examples=15)
def test_absolute_and_relative_e_are_the_same(reset_every: int) -> None:
    """A plate rewritten from relative to absolute E has the same facts."""
    assert facts(read_plate(text(absolute(LINES, reset_every)))) == facts(PLATE)


@pytest.mark.parametrize("dialect", DIALECTS)
def test_objects_and_unassigned_make_the_whole(dialect: str) -> None:
    """Nothing is lost between objects: they and the rest add up to all deposits."""
    extra = ["G1 Z0.2", "G1 X0 Y100", "G1 X50 Y100 E2.5"]
    plate = read_plate(text([*boxes(TWO, dialect=dialect), *extra]))

    assert plate.unassigned_mm == pytest.approx(2.5)
    assert sum(one.filament_mm for one in plate.objects) + plate.unassigned_mm == pytest.approx(
        plate.filament_mm
    )


def test_layers_make_the_object() -> None:
    """The layers of an object add up to it, in filament and in own time."""
    for one in PLATE.objects:
        assert sum(layer.filament_mm for layer in one.layer_facts) == pytest.approx(one.filament_mm)


@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_gives_the_same_objects(dialect: str) -> None:
    """The way of marking objects does not change boxes, lengths or layers."""
    plate = read_plate(text(boxes(TWO, layers=4, dialect=dialect)))

    assert [row[1:] for row in facts(plate)[0]] == [row[1:] for row in facts(PLATE)[0]]  # type: ignore[attr-defined]
