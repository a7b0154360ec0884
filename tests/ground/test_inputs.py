"""Files that people name are read within bounds, and only where they are files."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from fastapi.exceptions import RequestValidationError

from tests.books import fill
from tests.databases import Places
from tracker.benches import _described
from tracker.book import open_book
from tracker.cli import strandbook
from tracker.desk.importing import day, open_sheet
from tracker.errors import Refused
from tracker.inputs import LIMITS, MB, InputError, read_input
from tracker.plugins import load
from tracker.web.programs import Post, read_body


@pytest.mark.parametrize("what", ["pipe", "socket", "folder", "device", "nothing"])
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, what: str) -> None:
    """A pipe that nobody writes to would hold the program for ever, a device never ends."""
    place = Path("/dev/zero") if what == "device" else tmp_path / "it"
    if what == "pipe":
        os.mkfifo(place)
    elif what == "folder":
        place.mkdir()
    elif what == "socket":
        socket.socket(socket.AF_UNIX).bind(str(place))
    with pytest.raises(InputError, match="cannot be read") as refusal:
        read_input(place, "log")
    assert "\n" not in str(refusal.value)


def test_a_file_of_the_largest_size_is_read(tmp_path: Path) -> None:
    """One byte more is refused, without reading the rest."""
    file = tmp_path / "map.toml"
    file.write_bytes(b"#" * LIMITS["settings file"])
    assert len(read_input(file, "settings file")) == LIMITS["settings file"]
    with file.open("ab") as stream:
        stream.truncate(40 * 1024 * MB)
    with pytest.raises(InputError, match="larger than a settings file can be"):
        read_input(file, "settings file")


@pytest.mark.parametrize(
    "arguments",
    [
        ["import", "FIFO", "--columns", "MAP"],
        ["import", "SHEET", "--columns", "FIFO"],
        ["import", "SHEET", "--columns", "DEEP"],
        ["programme", "Nordlicht ASA", "--file", "FIFO"],
        ["programme", "Nordlicht ASA", "--file", "DEEP"],
        ["job", "log", "J0001", "FIFO"],
        ["job", "add", "FIFO"],
        ["measure", "J0001-03", "tensile", "max_force=1800", "area=40", "curve=FIFO"],
        ["restore", "FIFO", "elsewhere"],
        ["backup", "--check", "FIFO"],
        ["verify", "--against", "FIFO"],
        ["label", "S0001", "--stock", "FIFO", "-o", "x.pdf"],
        ["scan", "FIFO"],
    ],
)
def test_no_command_waits_for_a_pipe(places: Places, tmp_path: Path, arguments: list[str]) -> None:
    """Nor falls over a file that is nested without end: one line, exit code 1."""
    place = places.fresh("sqlite")
    with open_book(place) as book:
        fill(book)
    fifo, sheet, deep, column_map = (tmp_path / name for name in ("f", "s.csv", "d.toml", "m.toml"))
    os.mkfifo(fifo)
    sheet.write_text("a\n1\n")
    deep.write_text(f"a = {'[' * 50_000}\n")
    column_map.write_text('[specimen]\nmaterial = "a"\n')
    names = {"FIFO": fifo, "SHEET": sheet, "DEEP": deep, "MAP": column_map}
    typed = [
        next((each.replace(word, str(path)) for word, path in names.items() if word in each), each)
        for each in arguments
    ]
    answer = CliRunner().invoke(strandbook, ["--book", place, "--clock-is-right", "--no-input", *typed])
    assert answer.exit_code in (1, 2), answer.output
    assert "should not have happened" not in answer.stderr
    assert len(answer.stderr.strip().splitlines()[-1:]) == 1


def test_the_largest_input_of_each_kind_stays_within_bounds(tmp_path: Path) -> None:
    """Beside the program's own 80 to 100 MB none takes more than 200: see tests/ground/peaks.py."""
    command = [sys.executable, "-m", "tests.ground.peaks", str(tmp_path)]
    told = subprocess.run(command, capture_output=True, check=True, text=True).stdout
    peaks = json.loads(told)
    assert len(peaks) == 13
    assert {name: most for name, most in peaks.items() if not 0 < most <= 240} == {}


def test_a_day_sheet_is_bounded(tmp_path: Path) -> None:
    """Its rows are stored one by one; more than a day can have are to be divided."""
    file = tmp_path / "day.csv"
    file.write_text("id,f\n" + "J0001-01-X,1\n" * (day.MOST_ROWS + 1))
    columns = day.read_day_map(
        b'[day]\nid = "id"\n[readings.tensile]\nmax_force = { column = "f", unit = "N" }\n'
    )
    with pytest.raises(Refused, match=r"more than 5,000 rows.*Divide it"):
        day.plan_day(load(), file, columns)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"a,b\n" + b"1,2\n" * 250_001, "more than 250,000 rows"),
        (b"a,b\n1," + b"x" * 70_000 + b"\n", "from line 2 on.*more than 65,536 characters"),
        (b'a,b\n1,"' + b"x\n" * 40_000 + b'"\n', "from line 2 on.*more than 65,536 characters"),
        (b"a," * 40_000 + b"\n1\n", "from line 1 on.*more than 65,536 characters"),
    ],
    ids=["rows", "cell", "quoted", "header"],
)
def test_a_sheet_is_bounded(tmp_path: Path, text: bytes, words: str) -> None:
    """More rows, or longer ones, than any sheet has are refused in a line that says what to do."""
    file = tmp_path / "old.csv"
    file.write_bytes(text)
    with pytest.raises(Refused, match=words):
        open_sheet(file)


def test_a_sheet_of_gigabytes_is_refused_unread(tmp_path: Path) -> None:
    """By its size; a sparse file stands for it."""
    file = tmp_path / "old.csv"
    file.write_bytes(b"a,b\n" + b"1,2\n" * 100)
    os.truncate(file, 40 * 1024 * MB)
    with pytest.raises(Refused, match=r"old\.csv"):
        open_sheet(file)


def test_values_sent_by_a_program_are_counted_outside_texts() -> None:
    """A recording may hold any number of commas, a reading may not."""
    lists = b'{"specimen": "J1", "method": "m", "readings": {"a": [' + b"[]," * 100_001 + b"[]]}}"
    with pytest.raises(RequestValidationError, match="more than 100000 values"):
        read_body(Post, lists)
    text = (
        b'{"specimen": "J1", "method": "m", "files": {"c": {"name": "c", "text": "'
        + b",[" * 100_001
        + b'"}}}'
    )
    assert read_body(Post, text).files
    with pytest.raises(RequestValidationError, match="json_invalid"):
        read_body(Post, b'"' + b'\\"' * 300_000)


def test_a_site_with_a_pipe_in_the_place_of_a_table_is_refused(tmp_path: Path) -> None:
    """A folder may come from anybody."""
    os.mkfifo(tmp_path / "datapackage.json")
    with pytest.raises(Refused, match="no published site"):
        _described(tmp_path)
