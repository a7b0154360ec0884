"""Plates that were cut off are read as far as they go, and said to be incomplete."""

from __future__ import annotations

import random

import pytest

from tests.platefile.builder import HEAD, TWO, boxes, ring, text
from tests.realdata import real_data
from tracker.platefile import Plate, PlateRefused, read_plate

WHOLE = text(boxes(TWO))


def reasons(plate: Plate) -> str:
    """Return why a plate is called incomplete, in one line."""
    return "; ".join(problem for problem in plate.problems if problem.startswith("incomplete: "))


def test_whole_plate_is_complete() -> None:
    """Nothing is wrong with a whole plate."""
    plate = read_plate(WHOLE)

    assert (plate.complete, plate.problems) == (True, ())


def test_object_still_open() -> None:
    """An object whose end never comes."""
    cut = WHOLE[: WHOLE.rindex(b"EXCLUDE_OBJECT_END")]

    assert "still open" in reasons(read_plate(cut))


ENDS = (
    "M0", "M84", "M104 S0", "M140 S0", "M107\nM18", "G28", "M30", "END_PRINT", "print_end", "M73 P100 R0",
    "; layer_height = 0.2", ";End of Gcode", "; CONFIG_BLOCK_START\n; a = 1\n; CONFIG_BLOCK_END", "M600",
    ';SETTING_3 {"a": "1"}',
)  # fmt: skip


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("last", ["\n", ""])
def test_every_end_code_is_one(end: str, last: str) -> None:
    """Whatever is behind the last deposit ends the file, heaters off or not, line end or not."""
    body = WHOLE[: WHOLE.rindex(b"M104 S0")]
    assert read_plate(body + end.encode() + last.encode()).complete


def test_nothing_behind_the_last_deposit() -> None:
    """A file that just stops is cut off."""
    assert "nothing comes after" in reasons(read_plate(WHOLE[: WHOLE.rindex(b"M104 S0")]))


def test_a_total_that_is_reached_needs_no_end_code() -> None:
    """A file whose stated length is all there is whole."""
    body = WHOLE[: WHOLE.rindex(b"M104 S0")]
    length = read_plate(WHOLE).commanded_mm
    assert read_plate(f"; filament used [mm] = {length:.2f}\n".encode() + body).complete


def test_a_block_that_is_never_closed() -> None:
    """Settings between marks of their own end with the closing one."""
    assert "still open" in reasons(read_plate(WHOLE + b"; CONFIG_BLOCK_START\n; a = 1\n"))


@pytest.mark.parametrize(
    "name", ["four-objects-m486", "four-objects-no-layer-comments", "one-object-printing-comments"]
)
def test_cuts_of_real_plates_are_found(name: str) -> None:
    """Of cuts at any place of a slicer's file at least 98 % are found or refused; the whole is complete."""
    data = real_data("plates", f"{name}.gcode").read_bytes()
    assert read_plate(data).complete
    chance = random.Random(name)
    missed = 0
    for _ in range(50):
        try:
            missed += read_plate(data[: chance.randrange(len(data) - 1)]).complete
        except PlateRefused:
            continue
    assert missed <= 1


def test_macro_at_the_end_may_switch_off() -> None:
    """A macro after the last layer is taken to end the print."""
    cut = WHOLE[: WHOLE.rindex(b"M104 S0")]

    assert read_plate(cut + b"END_PRINT\n").complete


def test_fewer_layers_than_stated() -> None:
    """The header promises more than the file holds."""
    assert "3 layers of 9 stated" in reasons(read_plate(b";LAYER_COUNT:9\n" + WHOLE))


@pytest.mark.parametrize("end", [b"G1 X", b"G1 X5 Y-", b"G1 X5.", b"G", b"M10", b"EXCL"])
def test_last_line_breaks_off(end: bytes) -> None:
    """Half a command at the end changes nothing that came before it."""
    plate = read_plate(WHOLE + end)

    assert plate.objects == read_plate(WHOLE).objects


@pytest.mark.parametrize("end", [b"G1 X", b"G1 X5 Y-", b"G1 X5.", b"G"])
def test_half_a_move_is_reported(end: bytes) -> None:
    """A move that breaks off is dropped and told."""
    assert "breaks off inside a command" in reasons(read_plate(WHOLE + end))


def test_whole_move_without_a_line_end_is_used() -> None:
    """A last move that could be whole counts, and the missing line end is reported."""
    plate = read_plate(text([*HEAD, "G1 Z0.2", "G1 X5"]) + b"G1 X15 E1")

    assert plate.filament_mm == pytest.approx(1.0)
    assert not plate.complete


def test_comment_without_a_line_end_is_nothing() -> None:
    """A file may end in a comment without a line end."""
    assert read_plate(WHOLE + b"; the end").complete


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7, 0.9])
def test_any_cut_leaves_what_came_before(share: float) -> None:
    """Objects of a cut file are never longer than those of the whole one."""
    cut = read_plate(WHOLE[: int(len(WHOLE) * share)])
    whole = {one.key: one.filament_mm for one in read_plate(WHOLE).objects}

    assert cut.objects
    assert all(one.filament_mm <= whole[one.key] + 1e-9 for one in cut.objects)


def test_one_very_long_line_without_an_end() -> None:
    """Megabytes without a line end neither fail nor hang."""
    assert read_plate(WHOLE + b"; " + b"x" * 3_000_000, chunk_bytes=1 << 16).complete


def test_travel_only_is_no_plate() -> None:
    """Deposits that stand still make no layer and no object."""
    plate = read_plate(text([*HEAD, "G1 Z0.2", "G1 E5", *ring(0, 0, 10, 10)]))

    assert plate.filament_mm == pytest.approx(5 + 1.2)
