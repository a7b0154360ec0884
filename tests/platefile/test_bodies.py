"""Orientation and template from the whole body: tilted, askew, round, on a foot; bars that share a marker."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.platefile.builder import HEAD, boxes, ring, text
from tracker.errors import Refused
from tracker.orientation import in_words
from tracker.platefile import (
    PlateObject,
    ReadAs,
    gauge_window,
    match_geometry,
    match_object,
    orientation,
    orientation_of,
    piece_named,
    pieces,
    read_plate,
)

LINE = 0.4


def turned(points: list[tuple[float, float]], angle: float) -> list[tuple[float, float]]:
    """Return points turned about (100, 100)."""
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return [(100 + x * c - y * s, 100 + x * s + y * c) for x, y in points]


def loop(points: list[tuple[float, float]]) -> list[str]:
    """Return one closed turn through some points."""
    (x, y), *rest = points
    moves = [f"G1 X{a:.3f} Y{b:.3f} E0.3" for a, b in (*rest, (x, y))]
    return [f"G1 X{x:.3f} Y{y:.3f} F9000", "G1 F1800", *moves]


def tilted(length: float, width: float, thickness: float, rise: float, toward: float) -> PlateObject:
    """Return a bar whose long side rises from the bed, cut into layers of 0.2 mm."""
    t = math.radians(rise)
    height = length * math.sin(t) + thickness * math.cos(t)
    lines = [*HEAD, "M486 S0", ";WIDTH:0.4"]
    for number in range(1, round(height / 0.2) + 1):
        z = 0.2 * number
        # The rectangle with its lowest corner on the bed, cut at the middle of the layer.
        corners = [
            (u * math.cos(t) - v * math.sin(t), u * math.sin(t) + v * math.cos(t))
            for u, v in ((0, 0), (length, 0), (length, thickness), (0, thickness))
        ]
        found = []
        for (x0, z0), (x1, z1) in zip(corners, [*corners[1:], corners[0]], strict=True):
            if min(z0, z1) <= z - 0.1 < max(z0, z1):
                found.append(x0 + (x1 - x0) * (z - 0.1 - z0) / (z1 - z0))
        if len(found) == 2:
            low, high = min(found) + LINE / 2, max(found) - LINE / 2
            if high - low > LINE:
                half = (width - LINE) / 2
                outline = turned([(low, -half), (high, -half), (high, half), (low, half)], toward)
                lines += [f"G1 Z{z:.1f}", ";TYPE:Outer wall", ";WIDTH:0.4", *loop(outline)]
    return read_plate(text([*lines, "M486 S-1", "M104 S0"])).objects[0]


@pytest.mark.parametrize("rise", [15, 30, 45, 60, 75])
@pytest.mark.parametrize("toward", [0, 90, 180, 37])
def test_a_tilted_bar_is_reported_with_its_angle(rise: float, toward: float) -> None:
    """Angle within a degree, own size within half a millimetre, and its template."""
    piece = tilted(80, 10, 4, rise, toward)
    assert piece.tilt is not None
    assert piece.tilt.angle_deg == pytest.approx(rise, abs=1)
    assert piece.tilt.size_mm == pytest.approx((80, 10, 4), abs=0.8)
    assert f"rises {rise}" in orientation_of(piece).note or rise not in (30, 45, 60)
    assert match_object(piece)[0].piece.id == "iso178"


@pytest.mark.parametrize(("rise", "letters", "turn"), [(30, "XYZ", "B30"), (60, "ZYX", "B-30")])
def test_letters_of_a_tilted_bar(rise: float, letters: str, turn: str) -> None:
    """Those of the nearest straight way, with the turn about the horizontal axis."""
    found = orientation_of(tilted(80, 10, 4, rise, 0))
    assert found.letters == letters
    assert found.tilt.startswith(turn[:2])
    assert found.plain == in_words(letters)


@pytest.mark.parametrize("angle", range(-85, 91, 25))
def test_an_askew_bar_at_any_angle(angle: int) -> None:
    """A bar turned about the vertical axis keeps its size and its template."""
    outline = turned([(-39.8, -4.8), (39.8, -4.8), (39.8, 4.8), (-39.8, 4.8)], angle)
    lines = [*HEAD, "M486 S0", ";TYPE:Outer wall", ";WIDTH:0.4"]
    for number in range(1, 21):
        lines += [f"G1 Z{0.2 * number:.1f}", *loop(outline)]
    piece = read_plate(text([*lines, "M486 S-1", "M104 S0"])).objects[0]
    assert piece.tilt is None
    assert piece.rect_mm == pytest.approx((80, 10), abs=0.05)
    assert match_object(piece)[0].piece.id == "iso178"


def test_a_lying_rod_is_as_wide_as_its_body() -> None:
    """The lowest layer of a rod is a line; its body is not."""
    lines = [*HEAD, "M486 S0"]
    for number in range(1, 50):
        z = 0.2 * number
        half = math.sqrt(max(0.04, 25 - (z - 5) ** 2))
        lines += [f"G1 Z{z:.1f}", *ring(10, 50 - half, 60, 2 * half)]
    piece = read_plate(text([*lines, "M486 S-1", "M104 S0"])).objects[0]
    assert piece.rect_mm[1] == pytest.approx(10, abs=0.5)
    assert orientation_of(piece).plain == "flat"


@pytest.mark.parametrize("x", [4.0, 10.0, 20.0, 61.0])
@pytest.mark.parametrize("y", [4.0, 10.0, 20.0, 62.0])
@pytest.mark.parametrize("z", [4.0, 12.0, 20.0, 60.0, 62.0])
def test_letters_and_word_agree_everywhere(x: float, y: float, z: float) -> None:
    """Flat, on edge and upright are the letters' own words, here as in every list of the book."""
    found = orientation((x, y, z))
    assert not found.letters or found.plain == in_words(found.letters)


def test_on_edge_is_not_flat() -> None:
    """A bar that stands on its narrow long side, by its numbers."""
    assert (orientation((80, 4, 10)).plain, orientation((80, 10, 4)).plain) == ("on edge", "flat")


def test_type_i_of_one_standard_is_not_1a_of_the_other() -> None:
    """165 x 19 x 3.2 and 170 x 20 x 4 are told apart with a margin of millimetres."""
    inch, metric = match_geometry((165, 19, 3.2))[0], match_geometry((170, 20, 4))[0]
    assert (inch.piece.id, metric.piece.id) == ("astm-d638-i", "iso527-1a")
    assert min(inch.margin_mm or 0, metric.margin_mm or 0) > 3


@pytest.mark.parametrize("piece", [each for each in pieces() if each.size_mm], ids=lambda each: each.id)
def test_every_template_is_matched_by_its_own_size(piece: object) -> None:
    """Each template, in its nominal size, is among the closest; each says where it comes from."""
    found = match_geometry(piece.size_mm)  # type: ignore[attr-defined]
    closest = [each.piece.id for each in found if each.deviation_mm == found[0].deviation_mm]
    assert piece.id in closest  # type: ignore[attr-defined]
    assert piece.source  # type: ignore[attr-defined]


def test_templates_of_ones_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file beside the built-in ones adds templates and replaces those of the same id."""
    monkeypatch.setenv("STRANDBOOK_TEMPLATES", str(tmp_path))
    (tmp_path / "mine.toml").write_text(
        '[[piece]]\nid = "rail"\ntitle = "rail"\nsize_mm = [90, 12, 6]\ngauge_mm = 30\n'
        'gauge = "middle"\nsource = "our drawing 7"\n'
    )
    assert match_geometry((90, 12, 6))[0].piece.id == "rail"
    assert piece_named("rail").source == "our drawing 7"
    assert pieces()[-1].id == "free"
    (tmp_path / "bad.toml").write_text("[[piece]]\ntitle = 3")
    with pytest.raises(Refused, match=r"bad\.toml is no file of templates"):
        pieces()


def test_the_gauge_section_of_a_tilted_bar_is_its_middle() -> None:
    """Heights around the middle, as long as the span times the sine of the rise."""
    window = gauge_window(piece_named("iso178"), tilted(80, 10, 4, 45, 0))
    assert window.angle_deg is None
    assert window.high - window.low == pytest.approx(64 * math.sqrt(0.5), abs=0.5)


SHARED = {"bars": (10.0, 10.0, 80.0, 10.0)}


def shared_marker() -> bytes:
    """Return a plate on which one marker holds two bars of ISO 178."""
    lines = [*HEAD]
    for number in range(1, 21):
        lines += [f"G1 Z{0.2 * number:.1f}", "M486 S0", ";TYPE:Outer wall", ";WIDTH:0.4"]
        lines += [*ring(10.2, 10.2, 79.6, 9.6), *ring(10.2, 40.2, 79.6, 9.6), "M486 S-1"]
    return text([*lines, "M104 S0"])


def test_bars_that_share_one_marker_are_reported() -> None:
    """One marker, two parts: never silently one specimen."""
    (piece,) = read_plate(shared_marker()).objects
    assert piece.parts == 2


def test_bars_that_share_one_marker_are_separated_on_request() -> None:
    """Each is a piece of its own, with its own box and filament."""
    whole = read_plate(shared_marker())
    plate = read_plate(shared_marker(), read_as=ReadAs(separate=True))
    assert [match_object(each)[0].piece.id for each in plate.objects] == ["iso178", "iso178"]
    assert [each.parts for each in plate.objects] == [1, 1]
    assert sum(each.filament_mm for each in plate.objects) == pytest.approx(whole.objects[0].filament_mm)


def test_a_brim_is_not_the_specimen() -> None:
    """What is marked as brim widens neither box nor outline, and joins no islands."""
    plain = read_plate(text(boxes(SHARED, layers=5, dialect=None))).objects[0]
    lines = boxes(SHARED, layers=5, dialect=None)
    at = lines.index(";Z:0.2") + 2
    brim = [";TYPE:Skirt/Brim", *ring(5, 5, 90, 20), *ring(6, 6, 88, 18), ";TYPE:Outer wall"]
    with_brim = read_plate(text([*lines[:at], *brim, *lines[at:]])).objects
    assert [one.rect_mm for one in with_brim] == [pytest.approx(plain.rect_mm, abs=0.1)]


def dog_bone(half: float = LINE / 2) -> list[tuple[float, float]]:
    """Return the centre line of a type 1A bar: 170 long, 20 wide, 10 in its middle."""
    right = [(40, 5), (55, 10), (85, 10), (85, -10), (55, -10), (40, -5)]
    points = [*right, *((-x, y) for x, y in ((40, -5), (55, -10), (85, -10), (85, 10), (55, 10), (40, 5)))]
    return [(x - math.copysign(half, x), y - math.copysign(half, y)) for x, y in points]


def test_a_dog_bone_is_drawn_with_its_waist() -> None:
    """The outline follows the outermost loop: 10 mm wide in the middle, 20 at the ends, and no hull."""
    lines = [*HEAD, "M486 S0", ";TYPE:Outer wall", ";WIDTH:0.4"]
    for number in range(1, 21):
        lines += [f"G1 Z{0.2 * number:.1f}", *loop(turned(dog_bone(), 0))]
    piece = read_plate(text([*lines, "M486 S-1", "M104 S0"])).objects[0]
    assert match_object(piece)[0].piece.id == "iso527-1a"
    waist = [y for x, y in piece.contour_mm if abs(x - 100) < 50]
    assert (max(waist), min(waist)) == pytest.approx((105, 95), abs=0.25)
    assert max(y for _, y in piece.contour_mm) == pytest.approx(110, abs=0.05)
