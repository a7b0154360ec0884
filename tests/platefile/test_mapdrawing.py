"""The map of a plate, stroke by stroke: pieces with round numbers, and every place worked out by hand.

The bed of 160 mm by 120 mm is drawn 640 units wide: 4 units for a millimetre, 36 units of margin, so that
x = 36 + 4 X and y = 36 + 4 (120 - Y).
"""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache
from typing import Any, Final

import pytest
from PIL import Image, ImageChops

from tests.platefile.builder import boxes, text
from tracker.platefile import PlateObject, read_plate
from tracker.platefile.facts import Reading, ToolUse
from tracker.platemap import (
    Polygon,
    Text,
    drawing,
    layout,
    outline,
    plate_map_png,
    plate_map_svg,
    plate_map_text,
    reading_order,
)

ANY = read_plate(text(boxes({"any": (20.0, 40.0, 60.0, 10.0)}))).objects[0]
BED: Final = ((0.0, 0.0), (160.0, 0.0), (160.0, 120.0), (0.0, 120.0))
WAIST: Final = (
    (10.0, 80.0), (20.0, 82.0), (50.0, 82.0), (60.0, 80.0),
    (60.0, 90.0), (50.0, 88.0), (20.0, 88.0), (10.0, 90.0),
)  # fmt: skip
GAUGE: Final = ((25.0, 82.0), (45.0, 82.0), (45.0, 88.0), (25.0, 88.0))


def piece(key: str, *box: float, tools: tuple[int, ...] = (0,), **more: Any) -> PlateObject:
    """Return a straight piece 2 mm high by its least X and Y, then its greatest."""
    x0, y0, x1, y1 = box
    wide, deep = x1 - x0, y1 - y0
    known: dict[str, Any] = {
        "box_mm": (x0, y0, 0.0, x1, y1, 2.0),
        "centre_mm": ((x0 + x1) / 2, (y0 + y1) / 2),
        "size_mm": (wide, deep, 2.0),
        "rect_mm": (max(wide, deep), min(wide, deep)),
        "angle_deg": 0.0 if wide >= deep else 90.0,
        "tools": tuple(ToolUse(tool, 10.0, None, 1.75, None, Reading()) for tool in tools),
    }
    return replace(ANY, key=key, name=key, **{**known, **more})


PIECES: Final = (
    piece("bar", 10, 20, 70, 30),
    piece("tall", 100, 30, 112, 70, tools=(0, 1)),
    piece("waist", 10, 80, 60, 90, contour_mm=WAIST, gauge_mm=GAUGE),
    piece("dot", 130, 100, 134, 104, tools=()),
)
LABELS: Final[dict[str, tuple[str, ...]]] = {
    "bar": ("J0012-01", "good"),
    "tall": ("J0012-02", "lost"),
    "waist": ("J0012-03", "warped", "YX"),
    "dot": (),
}

STROKES: Final = """
polygon 36,516 676,516 676,36 36,36 #ffffff #1a1a1a 2
line 236,36 236,516 #c8c8c8 0.6
text 236,531 10 middle #555555 | 50
line 436,36 436,516 #c8c8c8 0.6
text 436,531 10 middle #555555 | 100
line 636,36 636,516 #c8c8c8 0.6
text 636,531 10 middle #555555 | 150
line 36,316 676,316 #c8c8c8 0.6
text 6,320 10 start #555555 | 50
line 36,116 676,116 #c8c8c8 0.6
text 6,120 10 start #555555 | 100
text 356,550 12 middle #1a1a1a | front of the machine (X to the right, mm)
polygon 556,116 572,116 572,100 556,100 #dfe7ee #1a1a1a 1.2
text 564,112.3 13 middle #1a1a1a bold | 1
polygon 76,196 116,188 236,188 276,196 276,156 236,164 116,164 76,156 #dfe7ee #1a1a1a 1.2
polygon 136,188 216,188 216,164 136,164 none #1a1a1a 1 4 3
text 176,180.3 13 middle #1a1a1a bold | 2 T0  J0012-03  YX
polygon 436,396 484,396 484,236 436,236 #ffe08a #1a1a1a 3
text 464.3,316 13 middle #1a1a1a bold rotate(-90 464.3 316.0) | 3 T0+T1 YXZ
polygon 76,436 316,436 316,396 76,396 #dfe7ee #1a1a1a 1.2
text 196,420.3 13 middle #1a1a1a bold | 4 T0  J0012-01  XYZ
text 712,28 13 start #1a1a1a | back row first, left to right
circle 720,50 4.8 none #555555 2
text 736,54 13 start #1a1a1a | 1  dot  XYZ (flat)  not recorded
polygon 720,64 726,76 714,76 #ffffff #8a5a00 2
text 736,74 13 start #1a1a1a | 2  J0012-03  YX (flat)  T0  warped
line 714,84 726,96 #a11d1d 2.4
line 714,96 726,84 #a11d1d 2.4
text 736,94 13 start #1a1a1a bold | 3  J0012-02  YXZ (flat)  T0+T1  lost
line 714,110 718,114.2 #1b6e3c 2.4
line 718,114.2 726,104 #1b6e3c 2.4
text 736,114 13 start #1a1a1a | 4  J0012-01  XYZ (flat)  T0  good
"""


def strokes(svg: str) -> list[str]:
    """Return a picture's shapes, a line each: kind, places, and how they are drawn."""
    rows = []
    for shape in ET.fromstring(svg).iter():  # noqa: S314 - our own
        kind = shape.tag.partition("}")[2]
        has = dict(shape.attrib)
        pairs = [("x1", "y1"), ("x2", "y2"), ("cx", "cy"), ("x", "y")]
        ends = [(has.pop(x), has.pop(y)) for x, y in pairs if x in has]
        ends += [tuple(each.split(",")) for each in has.pop("points", "").split()]
        if kind in ("polygon", "line", "circle", "text"):
            places = " ".join(f"{float(x):g},{float(y):g}" for x, y in ends)
            row = " ".join([kind, places, *has.values()])
            rows.append(f"{row} | {shape.text}" if kind == "text" else row)
    return rows


def test_every_stroke_is_where_the_plate_has_it() -> None:
    """Bed, grid, pieces, gauge section, numbers and list, each at its place, in its colour and width."""
    assert strokes(plate_map_svg(PIECES, LABELS, BED, "tall")) == STROKES.strip().splitlines()


def test_the_title_tells_what_the_picture_shows() -> None:
    """Number, label, orientation, tools where there are several, and outcome."""
    assert drawing(PIECES, LABELS, BED).title == (
        "Plate from above, back row first: 1 dot, XYZ (flat), not recorded; "
        "2 J0012-03, YX (flat), T0, warped; 3 J0012-02, YXZ (flat), T0+T1, lost; "
        "4 J0012-01, XYZ (flat), T0, good"
    )


def test_of_one_tool_nothing_is_said() -> None:
    """Tools are told where there is a choice."""
    assert "T0" not in plate_map_svg(PIECES[:1], LABELS, BED)


TWELVE = [replace(PIECES[0], key=str(n)) for n in range(12)]


@pytest.mark.parametrize(
    ("pieces", "bed", "size"),
    [
        # 640 wide, two margins, 330 for the list; 480 high, two margins and a line.
        (PIECES, BED, (1042.0, 572.0)),
        # A frame 10 mm around 60 mm by 10 mm: 80 by 30 mm at 8 units.
        (PIECES[:1], None, (1042.0, 332.0)),
        # The list of twelve is longer than a bed of 400 mm by 40 mm at 1.6 units: 36 and 15 lines.
        (TWELVE, ((0, 0), (400, 0), (400, 40), (0, 40)), (1042.0, 336.0)),
        # A bed that is deeper than wide is drawn 640 high.
        (PIECES[:1], ((0, 0), (80, 0), (80, 160), (0, 160)), (722.0, 732.0)),
    ],
)  # fmt: skip
def test_the_sheet_is_as_large_as_what_is_on_it(pieces: Any, bed: Any, size: tuple[float, float]) -> None:
    """The longer side of what is shown is 640 units; the list may be the longest of all."""
    drawn = drawing(pieces, {}, bed)
    assert (drawn.width, drawn.height) == size


def test_a_frame_stands_ten_millimetres_off_in_whole_millimetres() -> None:
    """Without a bed; the grid lies within it, and Y counts from its back."""
    plan = layout([piece("odd", 10.4, 20.6, 70.2, 30.2)], {})

    assert plan.bed == ((0, 20.2), (81, 20.2), (81, -10.8), (0, -10.8))
    assert not plan.known
    assert [value for value, _ in plan.columns] == [10, 20, 30, 40, 50, 60, 70, 80]
    assert plan.rows == ((20, pytest.approx(10.2)), (30, pytest.approx(0.2)), (40, pytest.approx(-9.8)))
    assert plan.step == 10.0


@pytest.mark.parametrize(("wide", "deep", "step"), [(120, 60, 10), (121, 60, 50), (60, 121, 50)])
def test_the_grid_is_coarse_beyond_twelve_centimetres(wide: float, deep: float, step: float) -> None:
    """Lines every 10 mm on a small plate, every 50 mm on a larger one, and none on the bed's own edges."""
    plan = layout(PIECES[:1], {}, ((0.0, 0.0), (wide, 0.0), (wide, deep), (0.0, deep)))

    assert plan.step == step
    assert [x for x, _ in plan.columns] == list(range(step, wide, step))
    assert [y for y, _ in plan.rows] == list(range(step, deep, step))


@pytest.mark.parametrize(
    ("box", "view"),
    [
        # 10 mm by 20 mm: room of 5 mm; not beyond the bed's edge at 0.
        ((30, 20, 40, 40), (25, 45, 15, 45)),
        ((3, 4, 13, 14), (0, 18, 0, 19)),
        # 80 mm long: room of a tenth of that, 8 mm.
        ((40, 50, 120, 60), (32, 128, 42, 68)),
        # 112 of 160 mm and 84 of 120 mm are seven tenths: not more, so the part is shown; else the whole.
        ((34.4, 27.6, 126.4, 92.4), (25.2, 135.6, 18.4, 101.6)),
        ((30, 20, 130, 100), (0, 160, 0, 120)),
    ],
)
def test_of_a_bed_the_part_around_the_pieces_is_shown(box: Any, view: tuple[float, ...]) -> None:
    """With 5 mm or a tenth of their extent around them, unless that is nearly the whole of both sides."""
    assert layout([piece("one", *box)], {}, BED, near=True).shown[:4] == pytest.approx(view)


@pytest.mark.parametrize(
    ("box", "words"),
    [
        ((20, 20, 30, 30), "front left part of the bed (160 x 120 mm): X 15 to 35, Y 15 to 35 mm"),
        ((75, 55, 85, 65), "middle part of the bed (160 x 120 mm): X 70 to 90, Y 50 to 70 mm"),
        ((130, 90, 140, 100), "back right part of the bed (160 x 120 mm): X 125 to 145, Y 85 to 105 mm"),
        ((75, 20, 85, 30), "front part of the bed (160 x 120 mm): X 70 to 90, Y 15 to 35 mm"),
        ((130, 55, 140, 65), "right part of the bed (160 x 120 mm): X 125 to 145, Y 50 to 70 mm"),
        # A third ends at 53.3 mm.
        ((48, 55, 58, 65), "left part of the bed (160 x 120 mm): X 43 to 63, Y 50 to 70 mm"),
        ((49, 55, 59, 65), "middle part of the bed (160 x 120 mm): X 44 to 64, Y 50 to 70 mm"),
    ],
)
def test_the_part_is_named_by_thirds_of_the_bed(box: Any, words: str) -> None:
    """By the middle of what is shown; nothing is said of the whole."""
    plan = layout([piece("one", *box)], {}, BED, near=True)

    assert plan.shown.place == words
    assert plan.shown.edges == (False, False, False, False)
    assert layout([piece("one", *box)], {}, BED).shown.place == ""


def test_rows_begin_with_the_rearmost_piece_left() -> None:
    """A middle on the edge of the first one's depth belongs to its row, one beyond begins the next."""
    first = piece("first", 50, 40, 60, 60)
    edge, beyond = piece("edge", 10, 35, 20, 45), piece("beyond", 0, 34, 10, 44)

    assert [one.key for one in reading_order([beyond, edge, first])] == ["edge", "first", "beyond"]


def test_given_numbers_are_written_and_keep_the_order() -> None:
    """Pieces that have numbers are not counted anew."""
    plan = layout(PIECES[:2], LABELS, BED, {"bar": 7, "tall": 3})
    assert [(spot.key, spot.number) for spot in plan.spots] == [("bar", 7), ("tall", 3)]


def test_a_turned_bar_is_drawn_by_its_rectangle() -> None:
    """100 mm by 10 mm turned so that it rises 3 on 4 (sin 0.6, cos 0.8) about (50, 60): corners by hand."""
    hull = ((13.0, 26.0), (93.0, 86.0), (87.0, 94.0), (7.0, 34.0))
    one = piece(
        "askew", 7, 26, 93, 94, rect_mm=(100.0, 10.0), angle_deg=36.8698976458440, outline_mm=hull
    )  # fmt: skip

    assert sorted(outline(one)) == [pytest.approx(each) for each in sorted(hull)]
    assert layout([one], {}, BED).spots[0].turn_deg == pytest.approx(36.87, abs=0.01)
    assert layout(PIECES[:1], {}, BED).spots[0].turn_deg == 0.0


def test_on_a_bar_that_falls_to_the_right_the_text_falls_too_and_is_not_upside_down() -> None:
    """The bar above in a mirror: its long side is 143.13 degrees from X, read from the left -36.87."""
    hull = ((87.0, 26.0), (7.0, 86.0), (13.0, 94.0), (93.0, 34.0))
    one = piece(
        "askew", 7, 26, 93, 94, rect_mm=(100.0, 10.0), angle_deg=143.130102354156, outline_mm=hull
    )  # fmt: skip
    (found,) = [each for each in drawing([one], {}, BED).shapes if isinstance(each, Text) and each.bold]
    assert found.turn == pytest.approx(-36.87, abs=0.01)


@pytest.mark.parametrize(
    ("box", "written"),
    [
        # A letter is 0.62 of 13 units wide; "1  J0012-01  XYZ" has 16: 129 units, 32.24 mm.
        ((10, 20, 42.3, 30), ("1  J0012-01  XYZ", 13.0, 0.0)),
        ((10, 20, 42.2, 30), ("1 XYZ", 13.0, 0.0)),
        # Five letters need 40.3 units, 10.075 mm; and 13 units of height, 3.25 mm.
        ((10, 20, 20.1, 23.3), ("1 XYZ", 13.0, 0.0)),
        ((10, 20, 20.05, 23.3), ("1", 13.0, 0.0)),
        # Too low to be written level it stands across, even where it is longer.
        ((10, 20, 20.1, 23), ("1", 13.0, 90.0)),
        # Too small both ways: as large as the piece, but nine units at least.
        ((10, 20, 13, 23.1), ("1", 12.0, 0.0)),
        ((10, 20, 20.1, 22), ("1", 9.0, 0.0)),
        # Along Y it is written from the front to the back.
        ((10, 20, 20, 52.3), ("1  J0012-01  YXZ", 13.0, 90.0)),
        ((10, 20, 20, 52.2), ("1 YXZ", 13.0, 90.0)),
    ],
)
def test_the_longest_text_that_fits_is_written_into_a_piece(
    box: Any, written: tuple[str, float, float]
) -> None:
    """Along its long side or across; the number always, made smaller where it must be."""
    shapes = drawing([piece("bar", *box)], LABELS, BED).shapes
    found = [(one.text, one.size, one.turn) for one in shapes if isinstance(one, Text) and one.bold]
    assert found == [(written[0], pytest.approx(written[1]), written[2])]


MAP: Final = """
┌──────────────────────────────────────────────────────────┐
│                                                          │
│                                                          │
│                                                          │
│                                               1▒         │
│                                                          │
│                                                          │
│    ▒▒▒▒▒▒▒▒2▒▒▒▒▒▒▒▒▒                                    │
│                                                          │
│                                                          │
│                                    █████                 │
│                                    █████                 │
│                                    █████                 │
│                                    ██3██                 │
│                                    █████                 │
│                                    █████                 │
│                                    █████                 │
│    ▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒                                 │
│    ▒▒▒▒▒▒▒▒▒▒4▒▒▒▒▒▒▒▒▒▒                                 │
│                                                          │
│                                                          │
│                                                          │
│                                                          │
└───────────────────────── front ──────────────────────────┘
   1 ? dot  XYZ (flat)  not recorded
   2 ! J0012-03  YX (flat)  T0  warped
>  3 x J0012-02  YXZ (flat)  T0+T1  lost
   4 + J0012-01  XYZ (flat)  T0  good
"""


def test_the_map_in_characters_cell_by_cell() -> None:
    """58 columns of 2.76 mm, 22 rows of 5.45 mm: a cell is filled where its middle lies in a piece."""
    assert plate_map_text(PIECES, LABELS, BED, "tall", width=60) == MAP.lstrip()


def test_numbers_of_two_figures_begin_at_the_middle_of_their_piece_and_stay_in_the_map() -> None:
    """At the left side, in the middle and at the right side of the bed: columns 0, 29 and 57 of 58."""
    behind = [piece(f"b{n}", 10 + 15 * n, 100, 15 + 15 * n, 105) for n in range(9)]
    front = [piece(f"f{x}", x, 20, x + 2, 22) for x in (0, 79, 158)]
    rows = plate_map_text([*behind, *front], {}, BED, width=60).splitlines()
    assert next(row for row in rows if "11" in row) == "│10" + " " * 27 + "11" + " " * 25 + "12│"


@pytest.mark.parametrize(
    ("width", "columns"), [(60, 58), (122, 118), (121, 118), (120, 118), (13, 11), (12, 10), (5, 10)]
)
def test_the_map_is_between_ten_and_118_columns_wide(width: int, columns: int) -> None:
    """Whatever the terminal; a plate of 480 mm by 30 mm takes all there is."""
    long = ((0, 0), (480, 0), (480, 30), (0, 30))
    rows = plate_map_text([piece("bar", 0, 0, 480, 30)], {}, long, width=width).splitlines()
    assert len(rows[0]) == columns + 2


def test_the_map_is_twenty_two_rows_high_at_most_and_three_at_least() -> None:
    """A character is about twice as high as wide: a deep bed is drawn narrow, and a long one low."""
    deep = plate_map_text(
        [piece("a", 0, 0, 40, 160)], {}, ((0, 0), (40, 0), (40, 160), (0, 160))
    ).splitlines()
    flat = plate_map_text([piece("a", 0, 0, 400, 4)], {}, ((0, 0), (400, 0), (400, 4), (0, 4))).splitlines()

    assert (len(deep), len(deep[0])) == (22 + 2 + 1, 11 + 2)
    assert (len(flat), len(flat[0])) == (3 + 2 + 1, 78 + 2)


def test_beyond_dotted_sides_the_bed_goes_on() -> None:
    """A piece in the back right corner: the sides that are the bed's own are drawn in full."""
    rows = plate_map_text([piece("a", 140, 100, 160, 120)], {}, BED, width=60).splitlines()
    end = next(n for n, row in enumerate(rows) if row[0] == "└")

    assert (rows[0], rows[1][0], rows[1][-1]) == ("┌" + "─" * (len(rows[0]) - 2) + "┐", "┊", "│")
    assert rows[end].strip("└┘┄") == " towards the front "
    assert " ".join(rows[end + 1 : -1]) == (
        "Shown: back right part of the bed (160 x 120 mm): X 135 to 160, Y 95 to 120 mm. "
        "Beyond dotted sides the bed goes on."
    )


def test_lines_of_the_list_end_at_the_terminal_or_at_twenty_letters() -> None:
    """A label that is longer is cut; a terminal narrower than that is not believed."""
    for width, most in ((30, 30), (21, 21), (20, 20), (8, 20)):
        last = plate_map_text([piece("a", 0, 0, 60, 10)], {"a": ("J" * 50,)}, width=width).splitlines()[-1]
        assert last == ("   1 ? " + "J" * 50)[:most]


@cache
def painted(scale: float = 2.0) -> Image.Image:
    """Return the picture as pixels."""
    return Image.open(io.BytesIO(plate_map_png(PIECES, LABELS, BED, "tall", scale))).convert("RGB")


def hexed(image: Image.Image, x: float, y: float) -> str:
    """Return the colour at a place in drawing units of a picture with two pixels for each."""
    pixel: Any = image.getpixel((round(2 * x), round(2 * y)))
    return "#{:02x}{:02x}{:02x}".format(*pixel)


def test_pixels_are_painted_where_the_shapes_are() -> None:
    """In the middle of every side its stroke; a quarter into each piece its fill; white beside the bed."""
    image = painted()
    shapes = [
        s for s in drawing(PIECES, LABELS, BED, "tall").shapes if isinstance(s, Polygon) and not s.dashed
    ]

    for shape in shapes:
        around = zip(shape.points, [*shape.points[1:], shape.points[0]], strict=True)
        for (x0, y0), (x1, y1) in around:
            assert hexed(image, (x0 + x1) / 2, (y0 + y1) / 2) == shape.stroke
    # Beside the number of each: a bar, the tall one, the dot.
    assert [hexed(image, *at) for at in ((82, 400), (440, 245), (558, 113))] == [
        "#dfe7ee",
        "#ffe08a",
        "#dfe7ee",
    ]
    # Grid lines, both ways; a cross, a tick and a ring of the list; the paper.
    assert [hexed(image, *at) for at in ((236, 500), (300, 116))] == ["#c8c8c8", "#c8c8c8"]
    assert [hexed(image, *at) for at in ((720, 90), (724, 94), (716, 94))] == ["#a11d1d"] * 3
    assert hexed(image, 716, 112.1) == "#1b6e3c"
    ring = [(720 + 4.3, 50), (720 - 4.3, 50), (720, 50 - 4.3), (720, 50 + 4.3)]
    assert [hexed(image, *at) for at in ring] == ["#555555"] * 4
    assert [hexed(image, *at) for at in ((720, 50), (30, 60), (690, 300))] == ["#ffffff"] * 3


def test_a_gauge_section_is_dashed_four_on_three_off() -> None:
    """Along its two ends ink from 0 to 4 units, 7 to 11 and 14 to 18; each side begins so."""
    long = {"waist": ("J" * 60,)}
    image = Image.open(io.BytesIO(plate_map_png(PIECES[2:3], long, BED))).convert("RGB")
    up = [hexed(image, 216, 188 - 7 * n - part) for n in range(3) for part in (2, 5.5)]
    down = [hexed(image, 136, 164 + 7 * n + part) for n in range(3) for part in (2, 5.5)]
    assert up == down == ["#1a1a1a", "#dfe7ee"] * 3


def inked(image: Image.Image, box: tuple[float, float, float, float], paper: str) -> tuple[float, ...]:
    """Return the bounds in drawing units of what is not of the paper's colour in a part of a picture."""
    left, top, right, low = (round(2 * each) for each in box)
    part = image.crop((left, top, right, low))
    blank = Image.new("RGB", part.size, paper)
    found = ImageChops.difference(part, blank).getbbox()
    assert found is not None
    return tuple(box[n % 2] + each / 2 for n, each in enumerate(found))


@pytest.mark.parametrize(
    ("box", "paper", "along"),
    [
        ((77, 398, 315, 434), "#dfe7ee", 0),
        ((438, 238, 482, 394), "#ffe08a", 1),
        ((557, 101, 571, 115), "#dfe7ee", 0),
    ],
)
def test_a_number_is_written_in_the_middle_of_its_piece(box: Any, paper: str, along: int) -> None:
    """Level or turned: its ink lies evenly about the middle, along the piece and across."""
    left, top, right, low = inked(painted(), box, paper)
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)

    assert ((left + right) / 2, (top + low) / 2)[along] == pytest.approx(middle[along], abs=1.5)
    assert ((left + right) / 2, (top + low) / 2)[1 - along] == pytest.approx(middle[1 - along], abs=2.0)
    assert 8 < (low - top, right - left)[along] < 18


def test_scale_is_pixels_for_a_unit() -> None:
    """The same drawing, half as large."""
    assert painted(1).size == (1042, 572)
