"""Layers: the heights at which an object is deposited, and nothing else."""

from __future__ import annotations

import math

import pytest

from tests.platefile.builder import HEAD, ring, text
from tracker.platefile import Plate, PlateObject, read_plate, reader


def piece(*lines: str) -> PlateObject:
    """Read the one object of a plate."""
    return read_plate(text([*HEAD, ";MESH:a", *lines])).objects[0]


def test_z_hop_is_no_layer() -> None:
    """A lift between deposits leaves no layer."""
    lines = []
    for z in (0.2, 0.4):
        lines += [f"G1 Z{z}", *ring(0, 0, 10, 10), "G1 E-0.8 F1800", f"G1 Z{z + 0.4}", "G1 X5 Y5", f"G1 Z{z}",
                  "G1 E0.8", *ring(20, 0, 10, 10)]  # fmt: skip

    assert piece(*lines).layer_z_mm == (0.2, 0.4)


def test_spiral_hop_is_no_layer() -> None:
    """A lift on a helix, without E, leaves no layer."""
    lines = ["G1 Z0.2", *ring(0, 0, 10, 10), "G2 Z0.6 I1.2 J0 P1 F9000", "G1 X0 Y0 Z0.4", *ring(0, 0, 10, 10)]

    assert piece(*lines).layer_z_mm == (0.2, 0.4)


def test_first_layer_height_and_typical_height() -> None:
    """The first layer may be higher than the others; the piece stands on the bed."""
    one = piece(
        "G1 Z0.3", *ring(0, 0, 10, 10), "G1 Z0.5", *ring(0, 0, 10, 10), "G1 Z0.7", *ring(0, 0, 10, 10)
    )

    assert (one.box_mm[2], one.box_mm[5], one.layer_height_mm) == (0.0, 0.7, 0.2)


def test_objects_may_have_layers_of_different_height() -> None:
    """Each object's layers are its own."""
    lines = []
    for step in range(1, 7):
        lines += [
            f"G1 Z{0.1 * step:.1f}",
            "EXCLUDE_OBJECT_START NAME=fine",
            *ring(0, 0, 10, 10),
            "EXCLUDE_OBJECT_END",
        ]
        if step % 2 == 0:
            lines += ["EXCLUDE_OBJECT_START NAME=coarse", *ring(30, 0, 10, 10), "EXCLUDE_OBJECT_END"]
    fine, coarse = read_plate(text([*HEAD, *lines])).objects

    assert (fine.layers, fine.layer_height_mm) == (6, 0.1)
    assert (coarse.layers, coarse.layer_height_mm) == (3, 0.2)


def spiral(*, marks: bool) -> Plate:
    """Read a cylinder wall that climbs without a step, five turns of 0.4 mm."""
    lines = ["G1 Z0.2"]
    for turn in range(5):
        lines += [";LAYER_CHANGE", f";Z:{0.4 * turn + 0.4:g}"] if marks else []
        for n in range(1, 37):
            angle, z = math.radians(10 * n), 0.4 * turn + 0.4 * n / 36
            lines.append(
                f"G1 X{50 + 10 * math.cos(angle):.3f} Y{50 + 10 * math.sin(angle):.3f} Z{z:.3f} E0.05"
            )
    return read_plate(text([*HEAD, "G1 X60 Y50", *lines]))


def test_layer_marks_rescue_a_spiral() -> None:
    """A climbing wall has as many layers as the file marks."""
    one = spiral(marks=True).objects[0]

    assert one.layers == 5
    assert one.layer_z_mm == pytest.approx([0.4, 0.8, 1.2, 1.6, 2.0])


def test_a_spiral_without_marks_is_no_layer_per_move() -> None:
    """Without marks it is cut into bands of the usual height, not into one layer per row."""
    assert 5 <= spiral(marks=False).objects[0].layers <= 12


def test_a_ramp_at_the_seam_joins_its_layer() -> None:
    """A seam that climbs within a marked layer does not make layers."""
    lines = []
    for layer, z in enumerate((0.2, 0.4, 0.6)):
        ramp = [f"G1 X{n} Y0 Z{z - 0.2 + 0.05 * n:.2f} E0.03" for n in range(1, 4)] if layer else []
        lines += [";LAYER_CHANGE", f"G1 Z{z}", "G1 X0 Y0", *ramp, f"G1 Z{z}", *ring(0, 0, 10, 10)]

    assert piece(*lines).layer_z_mm == (0.2, 0.4, 0.6)


def test_below_zero_and_outside_the_bed() -> None:
    """Heights below zero and places left of the bed are read as they stand."""
    one = piece("G1 Z-0.1", *ring(-30, -20, 10, 10), "G1 Z0.1", *ring(-30, -20, 10, 10))

    assert one.layer_z_mm == (-0.1, 0.1)
    assert one.box_mm[0] < -30


def test_box_is_centre_line_and_a_line_width() -> None:
    """With a width stated for outer walls the box grows by half of it on every side."""
    one = piece(
        "G1 Z0.2", ";TYPE:Outer wall", ";WIDTH:0.44", *ring(0, 0, 10, 5), "G1 Z0.4", *ring(0, 0, 10, 5)
    )

    assert one.box_mm == pytest.approx((-0.22, -0.22, 0.0, 10.22, 5.22, 0.4))
    assert one.line_width_basis == "stated by slicer"


def test_width_from_the_filament_where_none_is_stated() -> None:
    """W = A dE / (L h) + h (1 - pi/4): the width of a line with round sides."""
    one = piece("G1 Z0.2", *ring(0, 0, 10, 5), "G1 Z0.4", *ring(0, 0, 10, 5))
    section = math.pi / 4 * 1.75**2 * 0.03

    assert one.line_width_mm == pytest.approx(section / 0.2 + 0.2 * (1 - math.pi / 4))
    assert one.line_width_basis == "estimated"


@pytest.mark.parametrize("marked", [True, False])
def test_layer_times_of_a_spiral_are_those_of_the_plain_reader(
    monkeypatch: pytest.MonkeyPatch, *, marked: bool
) -> None:
    """Thirty turns that climb all the way: each takes as long as the plain reader says, to 5 %."""
    lines = [*HEAD, "G1 X30 Y20 Z0.2 F3000"]
    for turn in range(30):
        lines += [";LAYER_CHANGE", f";Z:{0.2 * (turn + 1):g}"] if marked else []
        for step in range(1, 61):
            angle, z = math.tau * step / 60, 0.2 * (turn + step / 60) + 0.2
            place = f"X{20 + 10 * math.cos(angle):.3f} Y{20 + 10 * math.sin(angle):.3f}"
            lines.append(f"G1 {place} Z{z:.3f} E0.035 F{900 + 20 * turn}")
    data = text([*lines, "M104 S0"])
    (fast,) = read_plate(data, chunk_bytes=7_000).objects

    def fail(*_: object, **__: object) -> None:
        raise FloatingPointError

    monkeypatch.setattr(reader.Reader, "read", fail)
    (plain,) = read_plate(data).objects
    assert fast.layers == plain.layers == pytest.approx(30, abs=1)
    assert fast.layer_time_s == pytest.approx(plain.layer_time_s, rel=0.05)
    way = math.tau * 10
    assert fast.layer_time_s[10] == pytest.approx(way / (900 + 20 * 10) * 60, rel=0.1)
