"""Rectangles, outlines, tilts and letters of shapes whose figures are worked out by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from tracker.platefile import orientation
from tracker.platefile.facts import Layer, Point, SetPoints, Stretch
from tracker.platefile.orientation import contour_of, smallest_rectangle, tilt_of


@pytest.mark.parametrize(
    ("size", "letters", "plain"),
    [
        # A fifth longer than the shortest, and there is an axis.
        ((24, 20, 20), "X", "flat"),
        ((23.99, 20, 20), "", "no preferred axis"),
        ((20, 24, 20), "Y", "flat"),
        # The two shorter ones are alike below a twentieth.
        ((100, 21, 20), "XYZ", "flat"),
        ((100, 20.99, 20), "X", "flat"),
        ((100, 20, 20.99), "X", "flat"),
        ((100, 20, 21), "XZY", "on edge"),
        # Upright is more than a fifth higher than long.
        ((50, 4, 60), "XZY", "on edge"),
        ((50, 4, 60.01), "ZXY", "upright"),
        ((4, 50, 60), "YZX", "on edge"),
    ],
)
def test_letters_change_at_a_fifth_and_at_a_twentieth(
    size: tuple[float, float, float], letters: str, plain: str
) -> None:
    """On both sides of each limit."""
    found = orientation(size)
    assert (found.letters, found.plain) == (letters, plain)


@pytest.mark.parametrize(
    ("size", "note"),
    [
        ((62.99, 60, 4), "the two longer dimensions are alike: their order is a choice"),
        ((63, 60, 4), ""),
        ((50, 4, 52), "the two longer dimensions are alike: their order is a choice"),
        ((100, 20, 20), "the two shorter dimensions are alike"),
        ((20, 20, 20), ""),
    ],
)
def test_what_is_noted_of_alike_dimensions(size: tuple[float, float, float], note: str) -> None:
    """Below a twentieth; of a cube there is nothing to choose."""
    assert orientation(size).note == note


@pytest.mark.parametrize(
    ("angle", "turn"),
    [(3, 0), (3.06, 3.1), (-3, 0), (-3.1, -3.1), (87, 0), (86.9, 86.9), (90, 0), (45.04, 45)],
)
def test_up_to_three_degrees_from_an_axis_a_piece_is_straight(angle: float, turn: float) -> None:
    """Beyond them its turn is told to a tenth of a degree."""
    assert orientation((80, 30, 4), angle, (80.0, 10.0)).rotation_deg == turn


@pytest.mark.parametrize(("angle", "letters"), [(43.0, "XYZ"), (47.0, "XYZ"), (44.0, ""), (46.0, "")])
def test_near_45_degrees_a_box_does_not_tell_the_sides(angle: float, letters: str) -> None:
    """Within a degree and a half of 45 the box is taken for the piece: a block of 64 by 64 by 60."""
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    found = orientation((80 * c + 10 * s, 80 * s + 10 * c, 60), angle)
    assert found.letters == ("XZY" if letters else "")


def turned(points: Sequence[Point], angle: float) -> list[Point]:
    """Return points turned counter-clockwise about the origin."""
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return [(x * c - y * s, x * s + y * c) for x, y in points]


def rectangle(length: float, width: float) -> list[Point]:
    """Return its corners, counter-clockwise."""
    return [(0, 0), (length, 0), (length, width), (0, width)]


def polygon(corners: int, radius: float = 10.0) -> list[Point]:
    """Return a regular polygon, its first corner on X."""
    turns = [math.tau * n / corners for n in range(corners)]
    return [(radius * math.cos(each), radius * math.sin(each)) for each in turns]


@pytest.mark.parametrize(
    ("outline", "found"),
    [
        (rectangle(80, 10), (80, 10, 0)),
        (rectangle(10, 80), (80, 10, 90)),
        (turned(rectangle(80, 10), 30), (80, 10, 30)),
        (turned(rectangle(80, 10), -30), (80, 10, -30)),
        (turned(rectangle(80, 10), 120), (80, 10, -60)),
        # Two in a hundred longer is a square still: its turn is told from the nearest axis.
        (turned(rectangle(102, 100), 60), (102, 100, -30)),
        (turned(rectangle(102.1, 100), 60), (102.1, 100, 60)),
        (turned(rectangle(50, 50), 30), (50, 50, 30)),
        # Of rectangles that are equal the straightest: of a triangle with sides of 20, and of a hexagon.
        ([(0, 0), (20, 0), (10, 300**0.5)], (20, 300**0.5, 0)),
        (polygon(6), (20, 300**0.5, 0)),
        # Round: less than a fifth longer, filled to less than nine tenths.
        (turned(polygon(24), 7), (20 * math.cos(math.radians(7)), 20 * math.cos(math.radians(7)), 0)),
        # An eighth of each side cut off all corners of a square leaves more than nine tenths: not round.
        (
            turned([(1, 0), (7, 0), (8, 1), (8, 7), (7, 8), (1, 8), (0, 7), (0, 1)], 20),
            (8, 8, 20),
        ),
    ],
)
def test_the_smallest_rectangle_by_hand(outline: list[Point], found: tuple[float, float, float]) -> None:
    """Length, width and the angle of its long side."""
    assert smallest_rectangle(outline) == pytest.approx(found, abs=1e-6)


@pytest.mark.parametrize(
    ("length", "cut", "straight"),
    [
        # 1 - 2 c²/64 of a square of 8 are left: 0.904 and 0.893.
        (8, 1.75, False),
        (8, 1.85, True),
        # Filled to 0.87, and a fifth longer than wide or not quite.
        (9.56, 2.2, True),
        (9.64, 2.2, False),
    ],
)
def test_what_is_round_lies_straight(length: float, cut: float, straight: bool) -> None:
    """A block 8 wide with its corners cut off, filled to less than nine tenths and hardly longer."""
    corners = [
        (cut, 0), (length - cut, 0), (length, cut), (length, 8 - cut),
        (length - cut, 8), (cut, 8), (0, 8 - cut), (0, cut),
    ]  # fmt: skip
    assert (smallest_rectangle(turned(corners, 20))[2] == 0.0) == straight


L_SHAPE: Sequence[Point] = ((0, 0), (30, 0), (30, 10), (10, 10), (10, 40), (0, 40))


@pytest.mark.parametrize("way", [1, -1])
def test_an_outline_lies_half_a_line_outside_its_loop(way: int) -> None:
    """An L, run either way round: outer corners outwards, the inner one inwards."""
    found = contour_of(L_SHAPE[::way], 0.2)
    by_hand = [(-0.2, -0.2), (30.2, -0.2), (30.2, 10.2), (10.2, 10.2), (10.2, 40.2), (-0.2, 40.2)]

    assert sorted(found) == [pytest.approx(each) for each in sorted(by_hand)]


@pytest.mark.parametrize(("away", "corners"), [(0.09, 6), (0.11, 7)])
def test_a_point_a_tenth_off_a_side_belongs_to_the_shape(away: float, corners: int) -> None:
    """Nearer ones are left out; the side after the farthest corner counts as well."""
    for at, point in ((1, (15, away)), (4, (10 + away, 25)), (5, (5, 40 - away)), (6, (away, 20))):
        loop = [*L_SHAPE]
        loop.insert(at, point)
        assert len(contour_of(loop, 0.2)) == corners


def test_five_corners_are_an_outline() -> None:
    """A house: its walls and its eaves lie half a line outside."""
    found = contour_of([(0, 0), (20, 0), (20, 20), (10, 30), (0, 20)], 0.2)
    assert len(found) == 5
    assert {round(x, 6) for x, _ in found} == {-0.2, 20.2, 10.0}


@pytest.mark.parametrize("loop", [rectangle(80, 10), [*rectangle(80, 10), (0, 5)], [(0, 0), (9, 0), (4, 7)]])
def test_a_box_has_no_outline_of_its_own(loop: list[Point]) -> None:
    """Four corners or fewer, also with a point on a side."""
    assert contour_of(loop, 0.2) == ()


def test_a_sharp_corner_is_cut_off_at_two_half_widths() -> None:
    """A spike 2 mm wide and 20 mm long: a pointed offset would lie ten half widths off."""
    loop = [(0, 0), (40, 0), (40, 20), (21, 20), (20, 40), (19, 20), (0, 20)]
    spike = max(contour_of(loop, 0.2), key=lambda point: point[1])
    assert spike == pytest.approx((20, 40.4))


def layers_of(
    tilt: float, toward: float, size: tuple[float, float, float], count: int = 40, line: float = 0.4
) -> list[Layer]:
    """Return layers of a bar as the rule has them: cut over thickness / sin, moving on by 1 / tan."""
    t, d = math.radians(tilt), math.radians(toward)
    length, width, thickness = size
    c, s = abs(math.cos(d)), abs(math.sin(d))
    height = (length * math.sin(t) + thickness * math.cos(t)) / count
    cut = thickness / math.sin(t)
    half = ((cut * c + width * s - line) / 2, (cut * s + width * c - line) / 2)
    found = []
    for number in range(1, count + 1):
        z = number * height
        x, y = 100 + z / math.tan(t) * math.cos(d), 100 + z / math.tan(t) * math.sin(d)
        box = (x - half[0], y - half[1], x + half[0], y + half[1])
        found.append(layer(z, height, box))
    return found


def layer(z: float, height: float, box: tuple[float, float, float, float]) -> Layer:
    """Return a layer that was laid in two parts, which share its box."""
    low, high = (box[0], box[1], box[2] - 0.5, box[3]), (box[0] + 0.5, box[1], box[2], box[3])
    parts = tuple(Stretch(each, 0, 1, 1.0, None, None, None, (), 50.0) for each in (low, high))
    return Layer(z, height, 0, 1, 1, 1, 1.0, None, 50.0, SetPoints(), parts)


@pytest.mark.parametrize("tilt", [10.0, 45.0, 80.0])
@pytest.mark.parametrize("toward", [0.0, 90.0, 180.0, -90.0, 37.0, -120.0, 150.0])
def test_a_tilt_gives_back_the_bar_that_was_cut(tilt: float, toward: float) -> None:
    """Angle, direction and own size, exactly: the layers are those of the rule."""
    size = (90.0, 12.0, 5.0)
    found = tilt_of(layers_of(tilt, toward, size), 12.0, 0.4)

    assert found is not None
    assert (found.angle_deg, found.toward_deg) == (tilt, pytest.approx(toward))
    assert found.size_mm == pytest.approx(size)


def test_straight_along_an_axis_the_layers_tell_the_width() -> None:
    """Within five degrees of it; else it is the rectangle's around the whole body."""
    size = (90.0, 12.0, 5.0)
    widths = []
    for toward in (0.0, 4.9, 5.1, 90.0, 85.1, 84.9):
        found = tilt_of(layers_of(30, toward, size), 11.5, 0.4)
        widths.append(found.size_mm[1] if found else 0.0)

    assert [each == 11.5 for each in widths] == [False, False, True, False, False, True]
    assert (widths[0], widths[3]) == pytest.approx((12.0, 12.0))


@pytest.mark.parametrize(("count", "told"), [(7, False), (8, True)])
def test_a_tilt_needs_eight_layers(count: int, told: bool) -> None:
    """Fewer are no slope."""
    assert (tilt_of(layers_of(30, 0, (90, 12, 5), count), 12, 0.4) is not None) == told


@pytest.mark.parametrize(
    ("tilt", "told"),
    [
        # The slope of the middles, 1 / tan, is 0.0875 at 85 degrees and 0.0857 at 85.1.
        (85.0, True),
        (85.1, False),
    ],
)
def test_a_bar_that_leans_less_than_five_degrees_stands(tilt: float, told: bool) -> None:
    """Printers lean as much, and a wall's first layers."""
    assert (tilt_of(layers_of(tilt, 0, (90, 12, 5), 80), 12, 0.4) is not None) == told


@pytest.mark.parametrize(("count", "told"), [(22, False), (23, True)])
def test_the_middle_half_must_move_by_two_millimetres(count: int, told: bool) -> None:
    """At 45 degrees each layer of 0.19 mm moves by as much: 12 of 22 layers by 11 steps, 13 of 23 by 12."""
    height = 0.18
    found = [layer(n * height, height, (n * height, 0.0, n * height + 1.0, 9.6)) for n in range(1, count + 1)]
    assert (tilt_of(found, 10, 0.4) is not None) == told


@pytest.mark.parametrize(("off", "told"), [(0.5, True), (0.55, False)])
def test_middles_must_lie_on_a_straight_slope(off: float, told: bool) -> None:
    """One of the middle twenty layers that lies off by o is 0.95 o from their line: 0.5 mm at most."""
    found = layers_of(45, 0, (90, 12, 5))
    one = found[20]
    x0, y0, x1, y1 = one.stretches[0].box_mm[0], *one.stretches[1].box_mm[1:4]
    found[20] = layer(one.z_mm, one.height_mm, (x0 + off, y0, x1 + off, y1))
    assert (tilt_of(found, 12, 0.4) is not None) == told


@pytest.mark.parametrize(("wider", "told"), [(0.9, True), (1.2, False)])
def test_layers_must_be_alike(wider: float, told: bool) -> None:
    """A cut of 5 / sin 45 = 7.07 mm may be longer by a tenth and a line, 1.11 mm; both ends here."""
    found = layers_of(45, 0, (90, 12, 5))
    one = found[20]
    x0, y0, x1, y1 = one.stretches[0].box_mm[0], *one.stretches[1].box_mm[1:4]
    found[20] = layer(one.z_mm, one.height_mm, (x0 - wider / 2, y0, x1 + wider / 2, y1))
    assert (tilt_of(found, 12, 0.4) is not None) == told


@pytest.mark.parametrize(("length", "told"), [(5.1, True), (4.9, False)])
def test_what_is_thicker_than_long_is_no_tilted_bar(length: float, told: bool) -> None:
    """Its long side is the other one."""
    assert (tilt_of(layers_of(45, 0, (length, 12, 5)), 12, 0.4) is not None) == told
