"""What commands do to positions, filament and tools."""

from __future__ import annotations

import pytest

from tests.platefile.builder import HEAD, ring, text
from tracker.platefile import Plate, PlateObject, ReadAs, read_plate


def read(*lines: str, g90_sets_e: bool = False) -> Plate:
    """Read a plate of these lines behind the usual head, in one object."""
    return read_plate(text([*HEAD, ";MESH:a", "G1 Z0.2", *lines]), read_as=ReadAs(g90_sets_e=g90_sets_e))


def piece(*lines: str) -> PlateObject:
    """Read the object of such a plate."""
    return read(*lines).objects[0]


def lines_mm(one: PlateObject) -> tuple[float, ...]:
    """Return the box of the centre lines in the plane."""
    half = one.line_width_mm / 2
    x0, y0, _, x1, y1, _ = one.box_mm
    return tuple(round(v, 6) for v in (x0 + half, y0 + half, x1 - half, y1 - half))


@pytest.mark.parametrize(
    ("lines", "length"),
    [
        (["G1 X10 E1", "G1 E-0.8", "G1 X20", "G1 E0.8", "G1 X30 E1"], 2.0),
        (["G1 X10 E1", "G1 E-0.8", "G1 E0.9", "G1 X30 E1"], 2.1),
        (["G1 X10 E1", "G1 X15 E-0.8", "G1 E0.8", "G1 X30 E1"], 2.0),
        (["G0 X10 E1"], 1.0),
        (["G1 X10 E1", "G1 E-5"], 1.0),
        (["M82", "G92 E0", "G1 X10 E1", "G92 E0", "G1 X20 E1"], 2.0),
        (["M82", "G92 E0", "G1 X10 E1", "G1 E0.2", "G92 E0", "G1 E0.8", "G1 X20 E1.8"], 2.0),
        (["M82", "G92 E5", "G1 X10 E6", "M83", "G1 X20 E1"], 2.0),
        (["G1 X10 E1", "G10", "G1 X20", "G11", "G1 X30 E1"], 2.0),
        (["M200 D1.128379167", "G1 X10 E3", "M200 D0", "G1 X20 E1"], 4.0),
        (["G20", "G1 X1 E0.1", "G21", "G1 X30 E1"], 3.54),
    ],
    ids=[
        "retract and recover cancel", "extra on restart counts", "wipe while retracting", "G0 with E",
        "end retraction", "counter reset", "counter reset while retracted", "absolute then relative",
        "firmware retract", "volumetric E", "inches",
    ],
)  # fmt: skip
def test_deposit(lines: list[str], length: float) -> None:
    """A deposit is a rise of E above the highest it has been."""
    assert read(*lines).filament_mm == pytest.approx(length, abs=1e-6)


def test_high_water_mark_is_per_tool() -> None:
    """What one tool pulls back the other does not owe."""
    plate = read("T0", "G1 X10 E1", "G1 E-5", "T1", "G1 X20 E1", "T0", "G1 E5", "G1 X30 E1")

    assert plate.filament_mm == pytest.approx(3.0)


def test_flow_factor_is_in_the_filament() -> None:
    """M221 scales what is really drawn from the spool; the commanded length is shown beside it."""
    plate = read("M221 S90", "G1 X10 E1")

    assert (plate.filament_mm, plate.commanded_mm) == pytest.approx((0.9, 1.0))
    assert plate.filament_basis == "with flow factor"


@pytest.mark.parametrize("line", ["M221 X0 Y0 Z0", "M221 S", "M221 R"])
def test_what_only_looks_like_a_flow_factor(line: str) -> None:
    """Without a number under S it is none."""
    assert read(line, "G1 X10 E1").filament_mm == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("lines", "box"),
    [
        (["G91", "G1 X10 Y5", "G1 X10 E1", "G1 Y3 E1", "G90"], (10, 5, 20, 8)),
        (["G91", "G1 X10", "G90", "G1 Y5", "G91", "G1 X5 E1", "G1 Y1 E1"], (10, 5, 15, 6)),
        (["G1 X10 Y10", "G92 X0 Y0", "G1 X5 E1", "G1 Y5 E1"], (10, 10, 15, 15)),
        (["G92 X100", "G1 X110 Y5", "G1 X120 E1", "G1 Y9 E1"], (10, 5, 20, 9)),
        (["G28 X", "G1 X5 Y5", "G1 X9 E1", "G1 Y7 E1"], (5, 5, 9, 7)),
        (["G20", "G1 X1 Y1", "G1 X2 E1", "G1 Y2 E1", "G21"], (25.4, 25.4, 50.8, 50.8)),
        (["G1 X5 Y5", "G1 F600", "G1 X9 E1", "G1 Y7 E1"], (5, 5, 9, 7)),
    ],
    ids=[
        "relative",
        "relative and absolute",
        "set position",
        "set one axis",
        "homed",
        "inches",
        "feed alone",
    ],
)
def test_positions(lines: list[str], box: tuple[float, ...]) -> None:
    """Positions follow modes, offsets and units."""
    assert lines_mm(piece(*lines)) == pytest.approx(box)


def test_unknown_position_is_not_in_the_box() -> None:
    """After homing, a deposit from an unknown place spans only what is known."""
    assert lines_mm(piece("G1 X50 Y50", "G28 X Y", "G1 X5 Y5 E1", "G1 X9 Y7 E1")) == pytest.approx(
        (5, 5, 9, 7)
    )


def test_g90_sets_e_where_the_firmware_does() -> None:
    """With the switch, G90 makes E absolute; without it E stays as M83 set it."""
    lines = ("M83", "G90", "G92 E0", "G1 X10 E1", "G1 X20 E1.5")

    assert read(*lines).filament_mm == pytest.approx(2.5)
    assert read(*lines, g90_sets_e=True).filament_mm == pytest.approx(1.5)


def test_g90_after_m83_is_reported_if_it_matters() -> None:
    """Where firmwares would differ, the plate gives both lengths and the option for the other reading."""
    told = " ".join(read("M83", "G90", "G1 X10 E1", "G1 X0 E1").problems)
    assert "2 mm of filament, else 1 mm; for that: --g90-sets-e" in told
    late = [f"G1 X{n % 50} Y{n % 7} E0.01" for n in range(150_000)]
    assert "1502 mm of filament, else " in " ".join(read("M83", *late, "G90", "G1 E1", "G1 E1").problems)
    assert not any("G90" in text for text in read("M83", "G90", "G1 X10 E1").problems)
    assert not any("G90" in text for text in read("M83", "G90", "M83", "G1 X10 E1").problems)


@pytest.mark.parametrize(
    ("moves", "length"),
    [
        (["G1 X10 E1", "G1 X0 E1", "G1 X10 E1", "G1 X0 E0.9", "G1 X10 E1.2", "G1 X0 E0.5"], 5.6),
        ([f"G1 X{n} E{n * 0.1:.1f}" for n in range(1, 9)], 0.8),
    ],
    ids=["relative", "absolute"],
)
def test_e_mode_is_guessed_where_not_stated(moves: list[str], length: float) -> None:
    """Without M82 and M83 the numbers themselves tell, and the guess is said."""
    plate = read_plate(text(["G90", ";MESH:a", "G1 X0 Y0 Z0.2 F1200", *moves]))

    assert plate.filament_mm == pytest.approx(length)
    assert any("guessed" in problem for problem in plate.problems)


def test_retractions_are_counted_with_length_and_speed() -> None:
    """An episode below the mark is one retraction, however many moves it takes."""
    one = piece("G1 X10 E1", "G1 E-0.5 F2400", "G1 X9 E-0.3", "G1 X20", "G1 E0.8", "G1 X30 E1",
                "G1 E-0.8 F2400",
                "G1 E0.8", "G1 X40 E1")  # fmt: skip

    assert (one.retractions.count, one.retractions.length_mm, one.retractions.speed_mm_s) == (2, 0.8, 40.0)


def test_firmware_retractions_are_counted_apart() -> None:
    """G10 has its length in the printer; repeats and tool offsets are none."""
    one = piece("G1 X10 E1", "G10", "G10", "G11", "G10 P1 X3", "G10 S210", "G1 X20 E1")

    assert (one.retractions.count, one.retractions.by_firmware) == (0, 1)


def test_unknown_commands_are_counted() -> None:
    """What has no meaning here is listed with its count."""
    assert read("M876 S1", "M876 S2", "WIPE_NOW", "G1 X10 E1").unknown_commands == {"M876": 2, "WIPE_NOW": 1}


def test_pauses_are_flagged() -> None:
    """A pause has no known length but matters to the bond: it is listed."""
    assert read(";LAYER_CHANGE", "M600", "G1 X10 E1").pauses == (("M600", 1),)


def test_arc_in_another_plane_is_reported() -> None:
    """G18 arcs are taken as straight lines, with a word."""
    assert any(
        "XY plane" in text for text in read("G18", "G2 X10 Y0 I5 E1", "G17", *ring(0, 0, 5, 5)).problems
    )


def test_bad_checksum_is_reported_once() -> None:
    """Lines with wrong checksums are read; the plate says how many there were."""
    problems = read("G1 X10 E1*3", "G1 X20 E1*3").problems

    assert "checksum does not fit (2 times)" in problems
