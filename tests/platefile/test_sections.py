"""Gauge sections of a piece made by hand: four layers of two stretches, and what lies inside a window."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.platefile.test_mapdrawing import WAIST, piece
from tracker.errors import Refused
from tracker.platefile import (
    OwnGauge,
    Window,
    corners_of,
    gauge_window,
    match_geometry,
    match_object,
    own_window,
    piece_named,
    pieces,
    read_gauge,
    section,
)
from tracker.platefile.facts import Layer, Pause, SetPoints, Stretch, Tilt
from tracker.platefile.gauge import BY_LAYERS, BY_SHARE
from tracker.platetext.source import BadWindow


def stretch(x0: float, x1: float, start: float, **more: Any) -> Stretch:
    """Return a stretch of 8 mm of filament across Y 0 to 10, laid in two seconds."""
    known: dict[str, Any] = {"filament_mm": 8.0, "speed_mm_s": 50.0, "flow_factor": 1.0, "nozzle_c": 240.0}
    known |= {"bed_c": 60.0, "chamber_c": None, "fans_pct": ((0, 30.0),)}
    return Stretch(box_mm=(x0, 0.0, x1, 10.0), start_s=start, end_s=start + 2, **{**known, **more})


def layer(number: int, **more: Any) -> Layer:
    """Return a layer of 0.25 mm that spans X 0 to 80 in two halves; it takes 20 s, and 1 s more each."""
    start = 20.0 * number
    changed = {"nozzle_c": 200.0 + 10 * number, "speed_mm_s": 100.0, "flow_factor": 0.9}
    parts = (stretch(0, 40, start), stretch(40, 80, start + 3, **changed))
    known: dict[str, Any] = {"own_time_s": 6.0 - number, "filament_mm": 16.0, "flow_mm3_s": 4.0 + number}
    known |= {"speed_mm_s": 75.0, "set_points": SetPoints(), "stretches": parts}
    return Layer(0.25 * number, 0.25, start, start + 5, 20.0 + number, **{**known, **more})


PAUSES = tuple(
    Pause("M600", number, 0.25 * number, inside) for number in (1, 2, 3) for inside in (False, True)
)
BAR = piece(
    "bar", 0, 0, 80, 10, layer_facts=tuple(layer(number) for number in (1, 2, 3, 4)), pauses=PAUSES
)  # fmt: skip


def test_heights_take_layers_by_their_middle() -> None:
    """0.375 to 0.625 are the middles of the second and the third: every figure of these two."""
    cut = section(BAR, Window.heights(0.375, 0.625))

    assert (cut.first_layer, cut.last_layer, cut.layers, cut.z_mm) == (2, 3, 2, (0.25, 0.75))
    assert (cut.layer_time_min_s, cut.layer_time_median_s, cut.own_layer_time_min_s) == (22.0, 22.5, 3.0)
    assert (cut.flow_mm3_s.value, cut.flow_mm3_s.low, cut.flow_mm3_s.high) == (6.5, 6.0, 7.0)
    assert cut.flow_mm3_s.basis == "estimated"
    assert (cut.speed_mm_s.value, cut.speed_mm_s.low, cut.speed_mm_s.high) == (75.0, 50.0, 100.0)
    assert (cut.flow_factor_pct.value, cut.flow_factor_pct.low) == (pytest.approx(95.0), 90.0)
    nozzle = cut.set_points.nozzle_c
    assert (nozzle.value, nozzle.low, nozzle.high) == ((2 * 240 + 220 + 230) / 4, 220.0, 240.0)
    assert cut.spans_s == ((40.0, 45.0), (60.0, 65.0))
    assert (cut.filament_mm, cut.how) == (32.0, BY_LAYERS)


@pytest.mark.parametrize(
    ("ends", "layers"), [((0.376, 0.625), 1), ((0.375, 0.624), 1), ((0.0, 1.0), 4), ((0.125, 0.875), 4)]
)
def test_a_middle_on_the_end_of_a_window_lies_in_it(ends: tuple[float, float], layers: int) -> None:
    """Of two windows that meet in a layer's middle only that layer lies in both."""
    assert section(BAR, Window.heights(*ends)).layers == layers


@pytest.mark.parametrize(
    ("ends", "told"),
    [
        # After the second layer, and within the third, lie both between the second and the third.
        ((0.375, 0.625), ["after layer 2 (0.5 mm)", "within layer 2 (0.5 mm)", "within layer 3 (0.75 mm)"]),
        ((0.375, 0.375), ["within layer 2 (0.5 mm)"]),
        ((0.8, 0.9), []),
    ],
)  # fmt: skip
def test_a_pause_between_two_layers_lies_where_both_do(ends: tuple[float, float], told: list[str]) -> None:
    """One within a layer lies where that one does."""
    pauses = section(BAR, Window.heights(*ends)).pauses
    assert [pause.text for pause in pauses] == [f"M600 {each}" for each in told]


def test_the_top_layer_has_no_time_that_counts() -> None:
    """Nothing is welded to it; alone in a window it stands with its own."""
    assert section(BAR, Window.heights(0.6, 1.0)).layer_time_min_s == 23.0
    assert section(BAR, Window.heights(0.8, 1.0)).layer_time_min_s == 24.0
    assert section(BAR, Window.heights(0.6, 1.0)).own_layer_time_min_s == 2.0


@pytest.mark.parametrize(
    ("window", "filament"),
    [
        # Per layer 16 mm on X 0 to 80: a tenth of the first half, and none of the second, and so on.
        (Window.along_x(0, 4), 0.8),
        (Window.along_x(30, 60), 2.0 + 4.0),
        (Window.along_x(-10, 90), 16.0),
        (Window.along_y(0, 2.5), 4.0),
        (Window(30, 60, 0.0, across=(5, 20)), 3.0),
        # At 90 degrees and across: X from 80 down is -X.
        (Window(0, 10, 90.0, across=(-40, 0)), 8.0),
    ],
)
def test_a_window_in_the_plane_takes_shares(window: Window, filament: float) -> None:
    """Of every layer, by the part of each stretch's box that lies inside."""
    cut = section(BAR, window)
    assert (cut.filament_mm, cut.layers, cut.how) == (pytest.approx(4 * filament), 4, BY_SHARE)


def test_a_stretch_without_extent_is_in_or_out() -> None:
    """A line across the direction: on the end it is in."""
    line = replace(BAR, layer_facts=(layer(1, stretches=(stretch(40, 40, 0), stretch(60, 60, 5))),))

    assert section(line, Window.along_x(40, 59)).filament_mm == 8.0
    assert section(line, Window.along_x(30, 40)).spans_s == ((0.0, 2.0),)
    assert section(line, Window.along_x(60, 70)).spans_s == ((5.0, 7.0),)
    with pytest.raises(BadWindow, match="No layer of the piece lies in 41 to 59 mm"):
        section(line, Window.along_x(41, 59))


@pytest.mark.parametrize(
    ("window", "words"),
    [
        (Window.heights(7, 8.5), "in 7 to 8.5 mm along Z; it spans 0 to 2 mm along Z"),
        (Window.along_x(90, 95), "in 90 to 95 mm along X; it spans 0 to 80 mm"),
        (Window.along_y(11, 12), "in 11 to 12 mm along Y; it spans 0 to 10 mm"),
        (
            Window(0, 9, 0.0, across=(20, 30)),
            "in 0 to 9 mm along X, 20 to 30 mm along Y; it spans 0 to 80 mm",
        ),
        (Window(200, 210, 30.0), "in 200 to 210 mm along the line at 30 deg; it spans 0 to 74.282 mm"),
    ],
)  # fmt: skip
def test_a_window_beside_the_piece_is_refused_with_both(window: Window, words: str) -> None:
    """What was asked for, and what the piece spans that way."""
    with pytest.raises(BadWindow) as refusal:
        section(BAR, window)
    said = refusal.value
    assert f"{said.what.removeprefix('No layer of the piece lies ')}; {said.why}" == words


@pytest.mark.parametrize(
    ("typed", "what", "do"),
    [
        ("x:60-20", "'x:60-20' is empty", "Write x:20-60"),
        ("x:5-5", "'x:5-5' is empty", "Write x:20-60, y:3-7 or both"),
        ("x:1-2,X:3-4", "'x:1-2,X:3-4' gives x twice", "Write x:20-60"),
        ("y:1-2,z:3-4", "'y:1-2,z:3-4' mixes heights and a window in the plane", "Write x:20-60"),
        ("and x:1-2", "'and x:1-2' is no gauge section", "Write x:20-60"),
        ("x:1-2 and y:1-2", "'x:1-2 and y:1-2' is no gauge section", "Write x:20-60"),
    ],
)
def test_what_is_wrong_with_a_typed_section(typed: str, what: str, do: str) -> None:
    """In words, with the way to write it."""
    with pytest.raises(Refused) as refusal:
        read_gauge(typed)
    assert refusal.value.what == what
    assert str(refusal.value.do).startswith(do)


def test_a_section_in_words() -> None:
    """As it is kept, and as it is read."""
    both = read_gauge("x = 20-60 mm; Y 3-7")
    assert (both.text, both.words) == ("x:20-60,y:3-7", "x 20 – 60 mm, y 3 – 7 mm of its box")
    assert read_gauge("z:0-1.5").words == "z 0 – 1.5 mm of its box"


CUBE = (20, 20, 20)
AWAY = replace(
    piece("bar", 100, 50, 180, 60), box_mm=(100.0, 50.0, 1.0, 180.0, 60.0, 5.0), size_mm=(80, 10, 4)
)


@pytest.mark.parametrize(
    ("typed", "window"),
    [
        ("x:20-60", Window(120, 160, 0.0)),
        ("y:3-7", Window(53, 57, 90.0)),
        ("x:20-60,y:3-7", Window(120, 160, 0.0, across=(53, 57))),
        ("z:1-2", Window(2, 3)),
        # A ruler reads a line width more than the box.
        ("x:0-80.5", Window(100, 180.5, 0.0)),
        ("z:0-4.5", Window(1, 5.5)),
    ],
)
def test_a_stated_section_counts_from_the_corner_of_the_box(typed: str, window: Window) -> None:
    """In all three directions, half a millimetre beyond it at most."""
    assert own_window(read_gauge(typed), AWAY) == window


def test_no_range_is_all_of_the_piece() -> None:
    """Along Y, from its front to its back."""
    assert own_window(OwnGauge(), AWAY) == Window(50, 60, 90.0)


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("x:0-80.6", "80 mm along X"),
        ("y:0-10.6", "10 mm along Y"),
        ("z:0-4.6", "4 mm along Z"),
        ("x:0-9,y:3-10.6", "10 mm along Y"),
    ],
)
def test_a_stated_section_beyond_the_piece_says_what_it_measures(typed: str, why: str) -> None:
    """The axis that does not fit, from where it is measured."""
    with pytest.raises(Refused) as refusal:
        own_window(read_gauge(typed), AWAY)
    assert refusal.value.what == f"{typed.rpartition(',')[2]} reaches beyond bar"
    assert refusal.value.why == f"it is {why}, measured from the corner of its box"


@pytest.mark.parametrize(
    ("window", "corners"),
    [
        # Along X the waist is 6 mm wide from 20 to 50; its heads widen to 10 mm.
        (Window.along_x(25, 45), ((25, 82), (45, 82), (45, 88), (25, 88))),
        (Window.along_x(15, 45), ((15, 81), (45, 81), (45, 89), (15, 89))),
        (Window.along_x(15, 55), ((15, 81), (55, 81), (55, 89), (15, 89))),
        (Window.along_x(0, 100), ((0, 80), (100, 80), (100, 90), (0, 90))),
        # Between no corners of it at all: all of its breadth.
        (Window.along_x(100, 110), ((100, 80), (110, 80), (110, 90), (100, 90))),
        (Window(25, 45, 0.0, across=(1, 2)), ((25, 1), (45, 1), (45, 2), (25, 2))),
        # Turned by a quarter, u is Y and v is -X.
        (Window.along_y(84, 86), ((60, 84), (60, 86), (10, 86), (10, 84))),
        (Window.heights(1, 2), ()),
    ],
)
def test_corners_of_a_section_by_hand(window: Window, corners: tuple[Any, ...]) -> None:
    """As long as the window, as wide as the outline is within it."""
    found = corners_of(window, piece("waist", 10, 80, 60, 90, contour_mm=WAIST))
    assert found == tuple(pytest.approx(each) for each in corners)


def test_without_an_outline_the_lowest_layer_or_the_box_gives_the_breadth() -> None:
    """In this order."""
    hull = ((0.0, 2.0), (80.0, 2.0), (80.0, 8.0), (0.0, 8.0))
    lowest = corners_of(Window.along_x(20, 60), replace(BAR, outline_mm=hull))
    box = corners_of(Window.along_x(20, 60), replace(BAR, outline_mm=()))

    assert [y for _, y in lowest] == [2, 2, 8, 8]
    assert [x for x, _ in box] == [20, 60, 60, 20]


@pytest.mark.parametrize(
    ("size", "found"),
    [
        # 80 mm by 6 % and 0.6 mm: 5.4 mm.
        ((85.39, 10, 4), True),
        ((85.41, 10, 4), False),
        ((74.61, 10, 4), True),
        ((74.59, 10, 4), False),
        ((80, 11.2, 4), True),
        ((80, 11.3, 4), False),
        ((80, 10, 3.16), True),
        ((80, 10, 3.1), False),
        # In any order.
        ((4, 80, 10), True),
    ],
)
def test_a_printed_piece_is_a_line_width_off_its_template(size: Any, found: bool) -> None:
    """6 % and 0.6 mm of each side (common practice, no source)."""
    assert ("iso178" in [each.piece.id for each in match_geometry(size)]) == found


@pytest.mark.parametrize(("length", "found"), [(225, True), (225.5, False), (140.5, True), (140.3, False)])
def test_an_open_side_may_be_half_as_long_again(length: float, found: bool) -> None:
    """Type 1B is at least 150 mm long: to 225 mm, and below by 9.6 mm as any other."""
    assert ("iso527-1b" in [each.piece.id for each in match_geometry((length, 20, 4))]) == found


def test_templates_are_told_with_how_far_off_they_are() -> None:
    """82 x 10 x 4: 2 mm off three templates of one size; the next size is farther off by the margin."""
    found = match_geometry((82, 10, 4))

    assert [each.piece.id for each in found[:3]] == ["iso178", "iso179", "iso180"]
    assert [each.deviation_mm for each in found[:3]] == [2.0] * 3
    assert (found[-1].piece.id, found[-1].deviation_mm, found[-1].margin_mm) == ("free", None, None)
    others = [each.deviation_mm or 0.0 for each in found[3:-1]]
    assert found[0].margin_mm == (round(min(others) - 2.0, 4) if others else None)
    bar = match_geometry((170, 20, 4))
    assert [(each.piece.id, each.deviation_mm) for each in bar[:2]] == [
        ("iso527-1a", 0.0),
        ("astm-d638-i", 5.0),
    ]
    assert bar[0].margin_mm == 5.0


@pytest.mark.parametrize(
    ("thing", "closest"),
    [
        (piece("bar", 0, 0, 80, 10, size_mm=(80, 10, 4)), "iso178"),
        # Askew, its rectangle tells its sides and not its box.
        (piece("x", 0, 0, 62, 62, size_mm=(62, 62, 4), rect_mm=(80, 10), angle_deg=45.0), "iso178"),
        (piece("x", 0, 0, 62, 62, size_mm=(62, 62, 9), tilt=Tilt(30, 37, (80, 10, 4))), "iso178"),
    ],
)
def test_a_piece_is_known_by_its_own_sides(thing: Any, closest: str) -> None:
    """Straight, askew and tilted."""
    assert match_object(thing)[0].piece.id == closest


@pytest.mark.parametrize(
    ("template", "thing", "window"),
    [
        # A span of 64 mm in the middle of 80 mm, along X and along Y.
        ("iso178", piece("x", 100, 50, 180, 60, size_mm=(80, 10, 4)), Window(108, 172, 0.0)),
        ("iso178", piece("y", 100, 50, 110, 130, size_mm=(10, 80, 4)), Window(58, 122, 90.0)),
        # No longer than the piece.
        ("iso178", piece("x", 100, 50, 150, 60, size_mm=(50, 10, 4)), Window(100, 150, 0.0)),
        # Upright: a range of heights.
        ("iso178", piece("z", 0, 0, 10, 4, size_mm=(10, 4, 80), box_mm=(0, 0, 1, 10, 4, 81)), Window(9, 73)),
        # A cube and a free shape are taken whole.
        ("block", piece("c", 0, 0, 20, 20, size_mm=CUBE, box_mm=(0, 0, 0, *CUBE)), Window(0, 20)),
        ("free", piece("f", 0, 0, 80, 10, size_mm=(80, 10, 4), box_mm=(0, 0, 2, 80, 10, 6)), Window(2, 6)),
        # Askew: along its own direction.
        (
            "iso178",
            piece("a", 0, 0, 62, 62, size_mm=(62, 62, 4), rect_mm=(80, 10), angle_deg=45.0),
            Window(31 * math.sqrt(2) - 32, 31 * math.sqrt(2) + 32, 45.0),
        ),
    ],
)  # fmt: skip
def test_the_gauge_section_lies_in_the_middle_of_the_longest_side(
    template: str, thing: Any, window: Window
) -> None:
    """A range along X, Y, the piece's own direction, or of heights."""
    found = gauge_window(piece_named(template), thing)
    assert (found.low, found.high) == pytest.approx((window.low, window.high))
    assert (found.angle_deg, found.across) == (window.angle_deg, None)


@pytest.mark.parametrize(("rise", "by_height"), [(19.9, False), (20.0, True)])
def test_from_twenty_degrees_a_tilted_bar_is_cut_by_heights(rise: float, by_height: bool) -> None:
    """64 mm of it times the sine of its rise, around the middle height."""
    thing = piece("t", 0, 0, 76, 10, size_mm=(76, 10, 31), tilt=Tilt(rise, 0.0, (80, 10, 4)))
    window = gauge_window(piece_named("iso178"), replace(thing, box_mm=(0, 0, 0, 76, 10, 31)))
    assert (window.angle_deg is None) == by_height
    if by_height:
        half = 32 * math.sin(math.radians(20))
        assert (window.low, window.high) == pytest.approx((15.5 - half, 15.5 + half))


def test_a_name_is_looked_up_in_any_case() -> None:
    """An unknown one is refused with those that are known."""
    assert piece_named(" ISO178 ").id == "iso178"
    with pytest.raises(Refused, match="No piece is called 'rail'") as refusal:
        piece_named("rail")
    assert str(refusal.value.do).startswith("Known are: iso527-1a, iso527-1b, ")


def test_what_a_template_of_ones_own_may_leave_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Open sides, gauge length and section: none, none, and those of the whole piece."""
    monkeypatch.setenv("STRANDBOOK_TEMPLATES", str(tmp_path))
    rows = 'title = "t"\ngauge = "g"\nsource = "s"\n'
    (tmp_path / "a.toml").write_text(
        f'[[piece]]\nid = "plain"\nsize_mm = [90, 12, 6]\n{rows}'
        '[[piece]]\nid = "full"\nsize_mm = [70, 12, 6]\nopen = ["width"]\n'
        f"gauge_mm = 30\nsection_mm = [5, 2.5]\n{rows}"
        f'[[piece]]\nid = "shape"\n{rows}'
    )
    found = {each.id: each for each in pieces()}

    assert (found["plain"].section_mm, found["plain"].open, found["plain"].gauge_mm) == (
        (12.0, 6.0),
        (),
        None,
    )
    assert (found["full"].section_mm, found["full"].open, found["full"].gauge_mm) == (
        (5.0, 2.5),
        ("width",),
        30.0,
    )
    assert (found["shape"].size_mm, found["shape"].section_mm) == (None, None)
    assert [each.id for each in pieces()][-2:] == ["free", "shape"]
    whole = gauge_window(found["plain"], piece("x", 0, 0, 90, 12, size_mm=(90, 12, 6)))
    assert (whole.low, whole.high) == (0.0, 90.0)
