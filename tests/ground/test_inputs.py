"""Files that people name are read within bounds, and only where they are files."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.books import fill
from tests.databases import Places
from tracker.book import open_book
from tracker.cli import strandbook
from tracker.inputs import LIMITS, MB, InputError, read_input


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
    file.write_bytes(b"#" * LIMITS["settings"])
    assert len(read_input(file, "settings")) == LIMITS["settings"]
    with file.open("ab") as stream:
        stream.truncate(40 * 1024 * MB)
    with pytest.raises(InputError, match="larger than a settings can be"):
        read_input(file, "settings")


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
