"""Volume flow of each feature that the file names."""

from __future__ import annotations

import math

import pytest

from tests.platefile.agreement import differences
from tests.platefile.builder import HEAD, text
from tracker.platefile import Flow, PlateObject, read_plate

AREA_MM2 = math.pi / 4 * 1.75**2
WALL, INFILL = (1800, 0.03), (6000, 0.05)
"""Feed in mm/min and mm of filament per mm of way."""


def lines(feature: str, how: tuple[int, float], y: float) -> list[str]:
    """Return ten long lines of one feature."""
    feed, per_mm = how
    moves = [f"G1 X{200 * (n % 2)} Y{y} E{200 * per_mm:.5f}" for n in range(1, 11)]
    return [*([f";TYPE:{feature}"] if feature else []), f"G1 X0 Y{y} F{feed}", *moves]


def read(*body: str) -> tuple[PlateObject, ...]:
    """Return the objects of a plate with lively accelerations, so that lines run at their speed."""
    start = ["M204 P20000 T20000", "M205 X20 Y20", ";LAYER_CHANGE", "G1 Z0.2"]
    return read_plate(text([*HEAD, *start, *body])).objects


def flows(*body: str) -> dict[str, Flow]:
    """Return the flows of the only object."""
    (one,) = read("M486 S0", *body)
    return dict(one.flow_by_feature)


def volume_flow(how: tuple[int, float]) -> float:
    """Return mm³/s at full speed."""
    return how[0] / 60 * how[1] * AREA_MM2


def test_each_feature_has_its_own_flow() -> None:
    """Slow walls and fast infill are told apart, by the names that are in the file."""
    found = flows(*lines("Outer wall", WALL, 0), *lines("Sparse infill", INFILL, 5))

    assert {name: flow.median for name, flow in found.items()} == {
        "Outer wall": pytest.approx(volume_flow(WALL), rel=0.02),
        "Sparse infill": pytest.approx(volume_flow(INFILL), rel=0.02),
    }


def test_one_name_in_two_places_is_one_feature() -> None:
    """What is laid under one name counts together: half of the filament runs at each speed, none beyond."""
    found = flows(*lines("Infill", WALL, 0), *lines("Top", WALL, 2), *lines("Infill", INFILL, 5))

    assert found["Infill"].most == pytest.approx(volume_flow(INFILL), rel=0.02)
    assert found["Top"].most == pytest.approx(volume_flow(WALL), rel=0.02)


def test_objects_keep_their_features_apart() -> None:
    """The same feature of two objects has two flows."""
    slow, fast = read(
        "M486 S0", *lines("Wall", WALL, 0), "M486 S-1", "M486 S1", *lines("Wall", INFILL, 50), "M486 S-1"
    )

    assert dict(slow.flow_by_feature)["Wall"].p95 == pytest.approx(volume_flow(WALL), rel=0.02)
    assert dict(fast.flow_by_feature)["Wall"].p95 == pytest.approx(volume_flow(INFILL), rel=0.02)


def test_a_feature_holds_until_the_next_comment() -> None:
    """Set-points, layers and retractions between its lines do not end a feature."""
    found = flows(*lines("Wall", WALL, 0), "M106 S100", ";LAYER_CHANGE", "G1 Z0.4", *lines("", INFILL, 5))

    assert list(found) == ["Wall"]
    assert found["Wall"].most == pytest.approx(volume_flow(INFILL), rel=0.02)


def test_what_has_no_name_is_in_the_object_alone() -> None:
    """Deposits before the first comment belong to no feature, and to the flow of the object."""
    (one,) = read("M486 S0", *lines("", INFILL, 0), *lines("Wall", WALL, 5))

    assert dict(one.flow_by_feature)["Wall"].most == pytest.approx(volume_flow(WALL), rel=0.02)
    assert one.flow_mm3_s.most == pytest.approx(volume_flow(INFILL), rel=0.02)


def test_no_comments_no_features() -> None:
    """A file that names nothing gets no names."""
    assert flows(*lines("", WALL, 0)) == {}


def test_both_readers_agree_on_features() -> None:
    """Rates per feature are the plain reader's, however the text is cut into chunks."""
    body = [*HEAD, "M486 S0", *lines("Wall", WALL, 0), *lines("Fill", INFILL, 5), *lines("Wall", INFILL, 9)]

    assert [differences(text(body), size) for size in (50, 300, 1 << 18)] == [[], [], []]
