"""What is guessed before a file is read, and of its last line: each limit from both sides."""

from __future__ import annotations

import gc
import io
from types import SimpleNamespace
from typing import Any

import pytest

from tracker.platefile import reader
from tracker.platefile.reader import (
    _tally,
    _uncollected,
    as_e,
    calls_extruder_a,
    e_is_relative,
    last_line,
)
from tracker.platefile.state import State
from tracker.platefile.tally import Tally


def relative(text: bytes, skip: int = 0) -> bool:
    """Return how E is guessed to be read, and hold that the stream stays where it is."""
    stream = io.BytesIO(b"x" * skip + text)
    stream.seek(skip)
    found = e_is_relative(stream)
    assert stream.tell() == skip
    return found


def moves(*values: float) -> bytes:
    """Return moves with these E."""
    return b"".join(b"G1 X1 E%g\n" % value for value in values)


def test_falling_e_is_relative() -> None:
    """More than a fifth of the values less than the one before; without any it is absolute."""
    assert relative(moves(0.5, 0.4, 0.5, 0.4))
    assert not relative(moves(0.5, 1.0, 1.5, 2.0))
    # One of five falls: a fifth. One of four: more.
    assert not relative(moves(1, 2, 3, 4, 1))
    assert relative(moves(2, 3, 4, 1))
    assert not relative(moves(0.5, 0.5, 0.5))
    assert not relative(b"G28\n")
    assert relative(moves(0.5, 0.4), skip=3)


@pytest.mark.parametrize(
    ("line", "is_move"),
    [
        (b"G1 X1 E%g", True), (b"g01Y1E%g", True), (b"N7 G1 F900 E%g", True), (b"\t G2 X1 I1 J2 E%g", True),
        (b"G3 R4 E+%g", True), (b"G0 Z1 E.5%g", True), (b"G4 X1 E%g", False), (b"G1 E%g", False),
        (b"G92 X0 E%g", False),
        (b";G1 X1 E%g", False), (b"G1 X1 ; E%g", False), (b"M83 X1 E%g", False), (b"G10 X1 E%g", False),
    ],
)  # fmt: skip
def test_only_moves_along_a_way_tell(line: bytes, is_move: bool) -> None:
    """Retractions, counters that are set and comments say nothing."""
    assert relative(b"\n".join(line % value for value in (4, 3, 2, 1))) is is_move


@pytest.mark.parametrize("command", [b"M82", b"M83", b"m83", b" M82 ;x", b"N12 M83", b"N3M82"])
def test_what_is_behind_a_command_needs_no_guess(command: bytes) -> None:
    """The file says from there on how E is read."""
    assert not relative(command + b"\n" + moves(0.5, 0.4, 0.3))
    assert relative(moves(0.5, 0.4, 0.3) + command + b"\n" + moves(1, 2, 3, 4, 5, 6, 7, 8, 9))
    for other in (b"M820", b";M83", b"G1 X1 M83", b"M84"):
        assert relative(other + b"\n" + moves(0.5, 0.4, 0.3))


def test_a_megabyte_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """Here forty bytes."""
    assert reader._LOOKED_AT == 1 << 20
    monkeypatch.setattr(reader, "_LOOKED_AT", 40)
    assert not relative(moves(1.25, 2.25, 3.25) + moves(0.5, 0.4, 0.3, 0.2))


HEATED = b"M109 S210\n"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (HEATED + b"G1 X1 A0.5\n", True), (b"M104 S9\nG01 Y1 A-.5\n", True),
        (HEATED + b" G0 X1 Y2 A+1\n", True),
        (b"G1 X1 A0.5\n", False), (b"M106\nG1 X1 A0.5\n", False), (HEATED + b"G1 X1 A0.5\nG1 X2 E1\n", False),
        (HEATED + b"G1 A0.5\n", False), (HEATED + b"G1 X1 ;A0.5\n", False), (HEATED + b"G92 X1 A0\n", False),
        (b"; M104 S9\nG1 X1 A0.5\n", False), (HEATED + b"G1 Z1 A0.5\n", False),
        (HEATED + b"G1 X1 Axis\n", False),
    ],
)  # fmt: skip
def test_an_extruder_called_a_is_told_from_a_rotary_axis(text: bytes, found: bool) -> None:
    """A nozzle is heated, and no move pushes E."""
    stream = io.BytesIO(b"xx" + text)
    stream.seek(2)
    assert calls_extruder_a(stream) is found
    assert stream.tell() == 2


def test_a_is_read_as_e() -> None:
    """In moves and counters that are set, not in comments, words or other commands; lines stay lines."""
    text = b"G1 X1 A0.5\nG92 A0 ; A1\nG00 Y2A-1\nM104 A5\n;G1 A3\nG10 A4\nG1 X2 ; A6\nG1 A\n"
    with as_e(io.BytesIO(text)) as found:
        assert (
            found.read() == b"G1 X1 E0.5\nG92 E0 ; A1\nG00 Y2E-1\nM104 A5\n;G1 A3\nG10 A4\nG1 X2 ; A6\nG1 A\n"
        )


MOVE = ["the last line is a move without a line end"]
INSIDE = ["the last line breaks off inside a command"]
SETTING = ["the last setting has no line end"]


@pytest.mark.parametrize(
    ("line", "read", "said"),
    [
        (b"G1 X10 E5", True, MOVE), (b" g1 X10", True, MOVE), (b"G1 X10 E", False, INSIDE),
        (b"G1 X10 E-", False, INSIDE),
        (b"G1 X10.", False, INSIDE), (b"G1 X10 E5 ;", True, MOVE), (b"G", False, INSIDE), (b"M10", True, []),
        (b"M104 S", False, INSIDE), (b"T1", True, []), (b"M84", True, []), (b"M84 X Y", False, INSIDE),
        (b"M104 S0", True, []), (b"G28 X0", True, []), (b"; done", True, []), (b"  ", True, []),
        (b"END_PRINT", True, []),
        (b"G1 X1*", True, MOVE), (b"G1 X1#", False, INSIDE),
    ],
)  # fmt: skip
def test_a_last_line_without_an_end_may_have_lost_it(line: bytes, read: bool, said: list[str]) -> None:
    """Half a command is dropped; a whole one that ends a print is no sign of a cut."""
    tally = Tally(State())
    assert last_line(tally, line) == (line + b"\n" if read else b"\n")
    assert tally.cuts == said


@pytest.mark.parametrize(("count", "said"), [(19, []), (20, SETTING)])
def test_a_block_of_twenty_settings_is_written_by_a_program(count: int, said: list[str]) -> None:
    """It ends its lines; a comment of a person may be the last."""
    for line, of_settings in ((b"; fan_speed = 40", True), (b" ;x", True), (b"END_PRINT", False)):
        tally = Tally(State())
        tally.state.settings = {str(n): "" for n in range(count)}
        assert last_line(tally, line) == line + b"\n"
        assert tally.cuts == (said if of_settings else [])


@pytest.mark.parametrize("size", [20, 21])
def test_where_the_fast_reader_fails_the_plain_one_reads(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Up to 64 MB, here twenty bytes; the plate says so."""
    assert reader._PLAIN_BYTES == 64 << 20
    monkeypatch.setattr(reader, "_PLAIN_BYTES", 20)
    asked: list[Any] = []

    def fails(**_: Any) -> Any:
        raise ZeroDivisionError

    def plain(**options: Any) -> Any:
        return SimpleNamespace(
            read=lambda data: asked.append((options, data)) or SimpleNamespace(problems=["odd"])
        )

    monkeypatch.setattr(reader, "Reader", fails)
    monkeypatch.setattr(reader, "Plain", plain)
    stream = io.BytesIO(b"ab" + b"x" * size)
    stream.seek(2)
    options: Any = {"relative_e": True}
    if size > 20:
        with pytest.raises(ZeroDivisionError):
            _tally(stream, options, 9, None)
        return
    tally = _tally(stream, options, 9, None)
    assert asked == [({"relative_e": True}, b"x" * 20)]
    assert tally.problems == [
        "odd",
        "read line by line, because the fast reader failed (ZeroDivisionError): please report this file",
    ]  # fmt: skip


@pytest.mark.parametrize("on", [True, False])
def test_the_collector_of_cycles_is_left_as_it_was(on: bool) -> None:
    """Off while a plate is read."""
    was = gc.isenabled()
    try:
        (gc.enable if on else gc.disable)()
        with _uncollected():
            assert not gc.isenabled()
        assert gc.isenabled() is on
    finally:
        (gc.enable if was else gc.disable)()
