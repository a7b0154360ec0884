"""Templates of test pieces, and gauge sections."""

from __future__ import annotations

from itertools import product

import pytest

from tests.platefile.builder import TWO, boxes, text
from tests.platefile.test_islands import bar
from tracker.errors import Refused
from tracker.platefile import (
    BadWindow,
    PlateObject,
    Window,
    gauge_window,
    match_geometry,
    match_object,
    piece_named,
    pieces,
    read_plate,
    section,
)

PUBLISHED = {
    # Of a test laboratory's table of ASTM D638 (kcafrp.com): LO, WO, L, W.
    "astm-d638-i": (165, 19, 57, 13),
    "astm-d638-iv": (115, 19, 33, 6),
    "astm-d638-v": (63.5, 9.53, 9.53, 3.18),
    # Of a testing-machine maker's table (pdf.directindustry.com 15660-3706, p. 12): l3, b2, l1, b1.
    "iso527-1a": (170, 20, 80, 10),
    "iso527-1b": (150, 20, 60, 10),
    "iso527-1ba": (75, 10, 30, 5),
    "iso527-5a": (75, 12.5, 25, 4),
    "iso527-5b": (35, 6, 12, 2),
    # Of pages of laboratories and a data base, named in `pieces.toml`: length, width, span or none, width.
    "iso178": (80, 10, 64, 10),
    "iso179": (80, 10, 62, 10),
    "iso180": (80, 10, None, 10),
    "astm-d256": (63.5, 12.7, None, 12.7),
    "astm-d790": (127, 12.7, 51.2, 12.7),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_templates_have_the_published_sizes(name: str) -> None:
    """Length, width, gauge length and width of its section are those of open tables."""
    length, width, gauge, narrow = PUBLISHED[name]
    piece = piece_named(name)
    assert piece.size_mm is not None
    assert piece.section_mm is not None
    assert piece.size_mm[:2] == (length, width)
    assert piece.section_mm[0] == narrow
    assert gauge is None or piece.gauge_mm == pytest.approx(gauge)


def ids(size: tuple[float, float, float]) -> list[str]:
    """Return the names of the templates that fit a size."""
    return [one.piece.id for one in match_geometry(size)]


@pytest.mark.parametrize(
    ("size", "names"),
    [
        ((170, 20, 4), ["iso527-1a", "astm-d638-i", "iso527-1b", "free"]),
        ((150.4, 20.2, 4.1), ["iso527-1b", "free"]),
        ((4, 10, 80), ["iso178", "iso179", "iso180", "free"]),
        ((75, 12.5, 2), ["iso527-5a", "free"]),
        ((35, 6, 1), ["iso527-5b", "free"]),
        ((20, 20, 20.1), ["block", "free"]),
        ((56, 53, 5), ["free"]),
    ],
)
def test_matches(size: tuple[float, float, float], names: list[str]) -> None:
    """Templates that fit, closest first, whichever way the piece lies; the free shape always last."""
    assert ids(size) == names


def test_every_template_matches_itself() -> None:
    """Each template is among its own candidates, without deviation."""
    for piece in pieces():
        if piece.size_mm:
            assert (piece.id, 0.0) in [
                (one.piece.id, one.deviation_mm) for one in match_geometry(piece.size_mm)
            ]


def test_every_template_names_its_source() -> None:
    """No figure without a source, even if that is common practice."""
    assert all(piece.source and piece.gauge and piece.title for piece in pieces())
    assert pieces()[-1].id == "free"


def test_unknown_template_lists_the_known() -> None:
    """A wrong name is refused with the right ones."""
    with pytest.raises(Refused, match="iso527-1a"):
        piece_named("iso999")


def upright(height: float = 40.0) -> PlateObject:
    """Return a bar that stands, in layers of 1 mm."""
    return read_plate(text(boxes({"a": (0, 0, 10, 4)}, layers=int(height), height=1.0))).objects[0]


def test_gauge_of_an_upright_piece_is_a_range_of_heights() -> None:
    """In the middle of its height, as long as the template says."""
    window = gauge_window(piece_named("shear-bar"), upright())

    assert window == Window.heights(10, 30)


def test_gauge_of_a_flat_piece_is_a_range_along_it() -> None:
    """In the middle of its length, along X or Y."""
    along_x, along_y = read_plate(text(boxes(TWO))).objects

    for one, angle in ((along_x, 0.0), (along_y, 90.0)):
        window = gauge_window(piece_named("shear-bar"), one)
        assert (window.low, window.high, window.angle_deg) == pytest.approx((20, 40, angle))


def test_gauge_of_an_askew_piece_is_along_its_direction() -> None:
    """A bar across the plate has its section across the plate."""
    (one,) = bar(30).objects
    window = gauge_window(piece_named("torsion-bar"), one)

    assert (window.angle_deg, window.high - window.low) == pytest.approx((30, 60))
    assert match_object(one)[0].piece.id == "free"


@pytest.mark.parametrize("name", ["block", "free"])
def test_whole_piece(name: str) -> None:
    """A block and a free shape are taken whole."""
    one = read_plate(text(boxes({"a": (0, 0, 20, 20)}, layers=20, height=1.0))).objects[0]

    assert gauge_window(piece_named(name), one) == Window.heights(0, 20)


def test_section_of_heights() -> None:
    """Layers whose middle lies in the range, with their times and spans."""
    one = upright()
    cut = section(one, Window.heights(10, 30))

    assert (cut.first_layer, cut.last_layer, cut.layers, cut.z_mm) == (11, 30, 20, (10, 30))
    assert cut.layer_time_min_s == min(one.layer_time_s[10:30])
    assert cut.spans_s[0][0] == one.layer_facts[10].start_s
    assert len(cut.spans_s) == 20


def test_top_layer_bonds_nothing() -> None:
    """The last layer's time does not count as a layer time where there are others."""
    one = upright()

    assert section(one, Window.heights(0, 40)).layer_time_min_s == one.layer_time_min_s


def test_section_sees_only_its_own_set_points() -> None:
    """A temperature changed below the section is not in it."""
    lines = boxes({"a": (0, 0, 10, 4)}, layers=40, height=1.0)
    lines.insert(lines.index(";Z:5"), "M104 S250")
    one = read_plate(text(lines)).objects[0]
    cut = section(one, Window.heights(10, 30))

    assert (one.nozzle_c.low, cut.set_points.nozzle_c.low) == (210, 250)


def test_section_in_the_plane_takes_shares() -> None:
    """Half of a flat bar is half of its filament, in all its layers."""
    one = read_plate(text(boxes(TWO))).objects[0]
    cut = section(one, Window.along_x(10, 30))

    assert cut.layers == one.layers
    assert cut.filament_mm == pytest.approx(one.filament_mm / 2)
    assert "share" in cut.how


@pytest.mark.parametrize("window", [Window.heights(50, 60), Window.along_x(200, 300), Window.along_y(-9, -5)])
def test_empty_window_is_refused(window: Window) -> None:
    """A window beside the piece is refused with what the piece spans."""
    with pytest.raises(BadWindow, match="it spans"):
        section(upright(), window)


OFF_MM = (-0.6, -0.2, 0.0, 0.2, 0.6)
"""What a line width, warp and a slicer's rounding take or add. Common practice, no source."""


@pytest.mark.parametrize(
    "template", ["astm-d638-i", "iso527-1a", "iso527-1b", "iso527-1ba", "iso527-5a", "astm-d638-iv"]
)
def test_a_printed_bar_is_its_own_template_with_a_margin(template: str) -> None:
    """However its sides are off, the right template comes first, and by more than the sides are off."""
    piece = next(each for each in pieces() if each.id == template)
    assert piece.size_mm is not None
    for length, width, thick in product(OFF_MM, OFF_MM, (-0.2, 0.0, 0.2)):
        size = tuple(a + b for a, b in zip(piece.size_mm, (length, width, thick), strict=True))
        best = match_geometry((size[0], size[1], size[2]))[0]
        assert best.piece.id == template
        assert best.margin_mm is None or best.margin_mm > 1.0
