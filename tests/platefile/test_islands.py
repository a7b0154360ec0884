"""Plates without markers: pieces told apart by connected islands, and called guessed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from tests.platefile.builder import HEAD, TWO, boxes, ring, text
from tracker.platefile import Plate, read_plate
from tracker.platefile.islands import connected

BARS = read_plate(text(boxes(TWO, dialect=None)))


def test_islands_are_objects() -> None:
    """Two bars without markers are two pieces, flagged as guessed."""
    assert [one.name for one in BARS.objects] == ["piece 1", "piece 2"]
    assert (BARS.dialect, BARS.objects_guessed) == ("islands", True)


def test_islands_are_what_markers_would_have_made() -> None:
    """Boxes, layers and filament are those of the marked plate."""
    marked = read_plate(text(boxes(TWO))).objects

    for one, other in zip(BARS.objects, marked, strict=True):
        assert one.box_mm == pytest.approx(other.box_mm)
        assert one.filament_mm == pytest.approx(other.filament_mm)
        assert one.layers == other.layers


def test_a_skirt_is_no_piece() -> None:
    """What is deposited in one layer only belongs to nobody."""
    lines = boxes(TWO, dialect=None)
    lines[len(HEAD) + 3 : len(HEAD) + 3] = ring(0, 0, 110, 60)
    plate = read_plate(text(lines))

    assert len(plate.objects) == 2
    assert plate.unassigned_mm == pytest.approx(2 * (110 + 60) * 0.03)


def test_a_single_layer_is_a_piece_if_there_is_nothing_else() -> None:
    """A plate of one layer still has its pieces."""
    assert len(read_plate(text(boxes(TWO, layers=1, dialect=None))).objects) == 2


def test_purge_before_the_first_layer_mark_is_no_piece() -> None:
    """What comes before the first layer is start code, however high it piles up."""
    purge = [*HEAD, "G1 Z0.2", "G1 X0 Y-5", "G1 X100 Y-5 E5", "G1 Z0.4", "G1 X0 Y-5 E5"]
    plate = read_plate(text(boxes(TWO, dialect=None, head=purge)))

    assert len(plate.objects) == 2
    assert plate.unassigned_mm == pytest.approx(10)


def test_without_layer_marks_everything_counts() -> None:
    """A file without any remarks still gives its pieces."""
    lines = [line for line in boxes(TWO, dialect=None) if not line.startswith(";")]

    assert len(read_plate(text(lines)).objects) == 2


def test_pieces_with_two_feet_are_one() -> None:
    """Two feet joined higher up are one piece."""
    lines = [*HEAD]
    for z in (0.2, 0.4):
        lines += [";LAYER_CHANGE", f"G1 Z{z}", *ring(0, 0, 10, 10), *ring(40, 0, 10, 10)]
    lines += [";LAYER_CHANGE", "G1 Z0.6", *ring(0, 0, 50, 10)]

    assert len(read_plate(text(lines)).objects) == 1


def test_rings_of_arcs_are_islands_too() -> None:
    """A piece made of arcs hangs together."""
    lines = [*HEAD]
    for z in (0.2, 0.4, 0.6):
        lines += [";LAYER_CHANGE", f"G1 Z{z}"]
        for x in (50, 100):
            lines += [f"G1 X{x + 10} Y50", f"G3 X{x - 10} Y50 I-10 J0 E1", f"G3 X{x + 10} Y50 I10 J0 E1"]
    plate = read_plate(text(lines))

    assert sum(one.filament_mm for one in plate.objects) == pytest.approx(12)


@pytest.mark.parametrize("gap", [2.0, 5.0, 20.0])
def test_gap_between_pieces(gap: float) -> None:
    """Pieces two millimetres apart are two."""
    plate = read_plate(text(boxes({"a": (0, 0, 20, 20), "b": (20 + gap, 0, 20, 20)}, dialect=None)))

    assert len(plate.objects) == 2


def bar(angle_deg: float, length: float = 80.0, width: float = 10.0) -> Plate:
    """Read a bar that lies askew."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    corners = [
        (u * c - v * s + 100, u * s + v * c + 100)
        for u, v in ((0, 0), (length, 0), (length, width), (0, width))
    ]
    lines = [*HEAD]
    for z in (0.2, 0.4):
        lines += [";LAYER_CHANGE", f"G1 Z{z}", f"G1 X{corners[3][0]:.4f} Y{corners[3][1]:.4f}"]
        lines += [f"G1 X{x:.4f} Y{y:.4f} E1" for x, y in corners]
    return read_plate(text(lines))


@pytest.mark.parametrize("angle", [0, 10, 30, 45, 60, 89, 90, 120, 135])
def test_angle_of_a_bar(angle: float) -> None:
    """The smallest rectangle gives the direction and the sides of an askew bar."""
    (one,) = bar(angle).objects

    assert one.angle_deg == pytest.approx(90 - (90 - angle) % 180, abs=0.01)
    assert one.rect_mm == pytest.approx((80 + one.line_width_mm, 10 + one.line_width_mm), abs=0.01)


@given(st.integers(1, 12), st.integers(1, 12), st.integers(0, 1 << 32), st.floats(0, 1))
@settings(max_examples=100, deadline=None)
def test_what_hangs_together_as_scipy_has_it(rows: int, columns: int, seed: int, share: float) -> None:
    """Cells that touch by side or corner get one number, as scipy.ndimage.label gives them."""
    drawn = np.random.default_rng(seed).random((rows, columns)) < share
    expected, count = ndimage.label(drawn, structure=np.ones((3, 3), np.int8))
    found, ours = connected(drawn)
    assert ours == count
    assert len(set(zip(found.ravel().tolist(), expected.ravel().tolist(), strict=True))) == count + bool(
        (~drawn).any()
    )
