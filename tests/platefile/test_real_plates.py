"""Five plates written by slicers, and what is known of them.

The figures are those of the collection's own list of facts (see SOURCES.md).
"""

from __future__ import annotations

import re
import statistics

import pytest

from tests.realdata import real_data
from tracker.platefile import Plate, read_plate

LENGTH_MM = 0.02


def plate(name: str) -> Plate:
    """Read one of the plates."""
    return read_plate(real_data("plates", f"{name}.gcode"))


@pytest.mark.parametrize(
    ("name", "length"),
    [
        ("four-objects-m486", 215.43),
        ("four-objects-no-layer-comments", 290.36),
        ("one-object-define-markers", 32105.52),
        ("one-object-mesh-comments", 1677.14),
        ("one-object-printing-comments", 1656.91),
    ],
)
def test_length_of_filament(name: str, length: float) -> None:
    """All deposits of a plate add up to the known length."""
    assert plate(name).filament_mm == pytest.approx(length, abs=LENGTH_MM)


@pytest.mark.parametrize(
    ("name", "lengths"),
    [
        ("four-objects-m486", [26.28, 34.30, 34.30, 99.80]),
        ("four-objects-no-layer-comments", [51.81, 51.81, 40.11, 131.04]),
    ],
)
def test_length_of_each_object(name: str, lengths: list[float]) -> None:
    """Each object gets its own filament, in the order the objects are begun."""
    assert [one.filament_mm for one in plate(name).objects] == pytest.approx(lengths, abs=LENGTH_MM)


@pytest.mark.parametrize(
    ("name", "layers"),
    [
        ("four-objects-m486", 25),
        ("four-objects-no-layer-comments", 16),
        ("one-object-define-markers", 190),
        ("one-object-mesh-comments", 25),
    ],
)
def test_layers_of_each_object(name: str, layers: int) -> None:
    """Each object has the known number of layers."""
    assert {one.layers for one in plate(name).objects} == {layers}


def test_least_own_layer_times() -> None:
    """The least time of a layer inside the markers is the known one, within a hundredth of a second."""
    times = [one.own_layer_time_min_s for one in plate("four-objects-m486").objects]

    assert times == pytest.approx([1.61, 2.24, 2.24, 6.84], abs=0.01)


def test_mass_follows_from_the_density_in_the_file() -> None:
    """The mass of the tray is the slicer's own."""
    assert plate("one-object-define-markers").filament_g == pytest.approx(95.76, abs=0.005)


def test_flow_factor_counts() -> None:
    """A flow factor of 90 % is in the length, and named as its basis."""
    read = plate("one-object-printing-comments")

    assert read.filament_basis == "with flow factor"
    assert read.in_layers_mm == pytest.approx(1643.41, abs=LENGTH_MM)


@pytest.mark.parametrize(
    ("name", "dialect"),
    [
        ("four-objects-m486", "M486"),
        ("four-objects-no-layer-comments", "printing object"),
        ("one-object-define-markers", "EXCLUDE_OBJECT"),
        ("one-object-mesh-comments", "MESH"),
        ("one-object-printing-comments", "PRINTING"),
    ],
)
def test_dialect(name: str, dialect: str) -> None:
    """The first dialect by precedence is used, whatever else the file holds."""
    assert plate(name).dialect == dialect


@pytest.mark.parametrize(
    "name", ["four-objects-m486", "one-object-define-markers", "one-object-printing-comments"]
)
def test_planned_time_is_close_to_the_slicers(name: str) -> None:
    """Where accelerations are in the file, the planned time is within 7 % of the stated one."""
    read = plate(name)

    assert read.time_s == pytest.approx(read.stated.time_s, rel=0.07)


@pytest.mark.parametrize(
    "name", ["four-objects-m486", "one-object-define-markers", "one-object-mesh-comments"]
)
def test_whole_plates_are_complete(name: str) -> None:
    """A whole file is not called cut off."""
    assert plate(name).complete


def test_polygon_stated_in_the_file_is_the_box() -> None:
    """The centre lines and one line width reach as far as the outline that the file defines."""
    text = real_data("plates", "one-object-define-markers.gcode").read_text()
    polygon = text.partition("POLYGON=[[")[2].partition("]]")[0]
    corners = [tuple(map(float, pair.split(","))) for pair in polygon.split("],[")]
    box = plate("one-object-define-markers").objects[0].box_mm

    assert (box[0], box[1], box[3], box[4]) == pytest.approx(
        (
            min(x for x, _ in corners),
            min(y for _, y in corners),
            max(x for x, _ in corners),
            max(y for _, y in corners),
        ),
        abs=0.1,
    )


@pytest.mark.parametrize("name", ["four-objects-m486", "one-object-mesh-comments"])
def test_truncated_plate_is_read_as_far_as_it_goes(name: str) -> None:
    """Half of a file gives half of a plate, called incomplete with the reasons."""
    data = real_data("plates", f"{name}.gcode").read_bytes()
    read = read_plate(data[: len(data) // 2])

    assert read.objects
    assert not read.complete
    assert any(problem.startswith("incomplete: ") for problem in read.problems)


def test_assumed_limits_stand_a_plate_that_they_were_not_fitted_to() -> None:
    """No acceleration in the file: its stated total is met within a tenth, ours being the shorter."""
    read = plate("one-object-mesh-comments")
    assert "assumed" in read.time_basis
    assert 0.9 < read.time_s / 2848.0 < 1.0


def test_assumed_limits_stand_the_layer_times_of_that_plate() -> None:
    """Its 24 stated layer times from the second on: the median within a tenth, each within a fifth."""
    text = real_data("plates", "one-object-mesh-comments.gcode").read_text("utf-8", "replace")
    ends = [float(each) for each in re.findall(r";TIME_ELAPSED:([\d.]+)", text)]
    ours = [layer.time_s for layer in plate("one-object-mesh-comments").objects[0].layer_facts[1:]]
    ratios = [one / (end - start) for one, start, end in zip(ours, ends, ends[1:], strict=False)]
    assert statistics.median(ratios) == pytest.approx(1.0, abs=0.1)
    assert all(abs(ratio - 1.0) < 0.2 for ratio in ratios)


def test_assumed_jerks_stand_a_plate_that_they_were_not_fitted_to() -> None:
    """Accelerations in the file, jerks not: its stated total is met within 2 %."""
    assert plate("one-object-printing-comments").time_s == pytest.approx(1835.0, rel=0.02)
