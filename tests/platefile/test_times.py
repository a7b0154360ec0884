"""Planned times: trapezoids, look-ahead, and the layers they are given to."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.platefile.builder import HEAD, TWO, boxes, ring, text
from tracker.platefile import Plate, planning, read_plate

START = ("M83", "G90", "M204 P1000 T1000 R1000", "M205 X0.001 Y0.001", "G1 X0 Y0 Z0.2 F6000", ";MESH:a")


def read(*lines: str) -> Plate:
    """Read a plate whose rows come to a standstill at every corner."""
    return read_plate(text([*START, *lines]))


def test_a_row_with_a_cruise() -> None:
    """100 mm at 100 mm/s with 1000 mm/s²: 0.1 s up, 0.9 s along, 0.1 s down."""
    assert read("G1 X100 E3").time_s == pytest.approx(1.1, abs=1e-4)


def test_a_row_too_short_to_reach_its_speed() -> None:
    """4 mm with 1000 mm/s²: two ramps of the square root of L / a."""
    assert read("G1 X4 E0.1").time_s == pytest.approx(2 * math.sqrt(4 / 1000), abs=1e-4)


def test_a_straight_line_in_pieces_takes_no_longer() -> None:
    """Rows in one direction are run through without slowing down."""
    whole = read("G1 X100 E3").time_s
    pieces = read(*(f"G1 X{n} E0.03" for n in range(1, 101))).time_s

    assert pieces == pytest.approx(whole, abs=1e-4)


def test_speed_factor() -> None:
    """M220 S50 halves the speed, not the acceleration."""
    assert read("M220 S50", "G1 X100 E3").time_s == pytest.approx(2.05, abs=1e-4)


@pytest.mark.parametrize(("line", "seconds"), [("G4 P500", 0.5), ("G4 S2", 2.0), ("G4 S1 P500", 1.0)])
def test_dwell(line: str, seconds: float) -> None:
    """A dwell adds its time; S goes before P."""
    assert read("G1 X100 E3", line).time_s == pytest.approx(1.1 + seconds, abs=1e-4)


def test_corner_velocity() -> None:
    """At a right angle a corner velocity is the speed itself."""
    slow = read("G1 X100 E3", "G1 Y100 E3").time_s
    fast = read("SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=50", "G1 X100 E3", "G1 Y100 E3").time_s

    # Each side saves the ramp from standstill to 50 mm/s, less the time its way takes at 100 mm/s.
    assert slow - fast == pytest.approx(2 * (50 / 1000 - 1.25 / 100), abs=1e-3)


@pytest.mark.parametrize(
    ("limit", "seconds"),
    [
        ("M203 X50", 2.05),
        ("M203 X3000 Y3000", 2.05),
        ("M201 X500", 1.2),
        ("M204 S500", 1.2),
        ("M203 E1.5", 2.05),
    ],
    ids=["axis speed", "in mm/min", "axis acceleration", "one for all", "speed of E"],
)
def test_limits(limit: str, seconds: float) -> None:
    """Speeds and accelerations are held to what the file sets."""
    assert read(limit, "G1 X100 E3").time_s == pytest.approx(seconds, abs=2e-3)


def test_a_negative_limit_is_none() -> None:
    """Firmware knows none; a limit beside it on the line holds."""
    move = "G1 X100 E3"
    assert read("M201 X-500", move).time_s == read(move).time_s
    assert read("M203 X50 Y-5", move).time_s == pytest.approx(2.05, abs=2e-3)


squares = st.lists(st.tuples(st.floats(0, 1e4), st.floats(0.01, 1e4)), min_size=1, max_size=40)


@given(squares, st.sampled_from([0.0, 100.0, math.inf]))
def test_running_minima_are_the_two_passes(rows: list[tuple[float, float]], last: float) -> None:
    """Whole-array planning gives what a loop over the rows gives."""
    limits, gains = np.array([a for a, _ in rows]), np.array([b for _, b in rows])
    back = [*limits.tolist(), last]
    for i in range(len(rows) - 1, -1, -1):
        back[i] = min(back[i], back[i + 1] + gains[i])
    there = [*back]
    for i in range(len(rows)):
        there[i + 1] = min(there[i + 1], there[i] + gains[i])

    travelled = planning.sums(gains)
    planned = planning.backward(limits, gains, travelled, last)
    assert planned.tolist() == pytest.approx(back[:-1], abs=1e-6)
    assert planning.forward(np.append(planned, last), travelled).tolist() == pytest.approx(there, abs=1e-6)


@given(squares, squares)
def test_settled_rows_are_settled(rows: list[tuple[float, float]], more: list[tuple[float, float]]) -> None:
    """What is called settled does not change with what comes after."""
    limits, gains = np.array([a for a, _ in rows + more]), np.array([b for _, b in rows + more])
    some = len(rows)
    early, count = planning.settled(limits[:some], gains[:some], planning.sums(gains[:some]))
    late = planning.backward(limits, gains, planning.sums(gains), 0.0)

    assert early[:count].tolist() == pytest.approx(late[:count].tolist(), rel=1e-9, abs=1e-7)


def test_wall_time_of_a_layer_holds_the_other_objects() -> None:
    """A layer lasts until the object's next one begins: other objects, and extra ones, included."""
    alone = read_plate(text(boxes({"left": TWO["left"]}))).objects[0]
    both = read_plate(text(boxes(TWO))).objects[0]

    assert both.layer_time_min_s > alone.layer_time_min_s
    assert both.own_layer_time_min_s == pytest.approx(alone.own_layer_time_min_s, rel=0.1)


def test_layer_starts_and_times_fit_together() -> None:
    """Each layer starts when the one before it is over."""
    one = read_plate(text(boxes(TWO, layers=5))).objects[1]
    starts = [layer.start_s for layer in one.layer_facts]
    ends = [start + time for start, time in zip(starts, one.layer_time_s, strict=True)]

    assert ends[:-1] == pytest.approx(starts[1:])


def test_one_after_the_other_own_and_wall_time_are_alike() -> None:
    """Objects printed one after the other: nothing else happens between two of their layers."""
    lines: list[str] = []
    for x in (0, 50):
        lines += [f"EXCLUDE_OBJECT_START NAME=o{x}"]
        for z in (0.2, 0.4, 0.6):
            lines += [f"G1 Z{z}", *ring(x, 0, 20, 20)]
        lines += ["EXCLUDE_OBJECT_END"]
    for one in read_plate(text([*HEAD, *lines])).objects:
        assert one.layer_time_min_s == pytest.approx(one.own_layer_time_min_s, rel=0.05)


def test_flow_is_volume_over_time() -> None:
    """0.03 mm of 1.75 mm filament per mm at 30 mm/s: 2.165 mm³/s along the sides."""
    one = read_plate(text(boxes({"a": (0.0, 0.0, 200.0, 200.0)}))).objects[0]

    assert one.flow_mm3_s.median == pytest.approx(math.pi / 4 * 1.75**2 * 0.03 * 30, rel=0.02)


def test_short_moves_say_nothing_about_flow() -> None:
    """Below 1 mm rounding of E would give spikes."""
    assert read("G1 X0.5 E3").objects[0].flow_mm3_s.median is None


def test_basis_tells_whether_accelerations_are_known() -> None:
    """A time from assumed accelerations is called so."""
    assert "assumed" in read_plate(text(boxes(TWO))).time_basis
    assert "in the file" in read("G1 X100 E3").time_basis


def test_an_acceleration_that_no_file_states() -> None:
    """1000 mm of ramps at the 1500 mm/s² assumed: two times the square root of L / a."""
    start = ("M83", "G90", "M205 X0.001 Y0.001", "G1 X0 Y0 Z0.2 F600000", ";MESH:a")
    assert read_plate(text([*start, "G1 X1000 E3"])).time_s == pytest.approx(1.63299, abs=1e-4)


@pytest.mark.parametrize("line", ["M109 S200", "M109 R200", "M190 S60"])
def test_a_wait_for_heat_moves_nothing(line: str) -> None:
    """Two rows of 50 mm at 100 mm/s with 1000 mm/s², each from and to a standstill."""
    assert read("G1 X50 E1.5", line, "G1 X100 E1.5").time_s == pytest.approx(1.2, abs=1e-4)
