"""Where everything stands, in dots and millimetres: codes, scales, a plate's picture, bounds of a stock file.

Widths of texts are the font library's, so no expectation here hangs on them.
"""

from __future__ import annotations

import math
import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from tracker_labels import (
    Label,
    LabelError,
    PlatePicture,
    StockError,
    draw_sheet,
    read_codes,
    ruler_page,
    stocks,
)
from tracker_labels import reading as looking
from tracker_labels.code import choose, version_for
from tracker_labels.drawing import Box, CodeMark, LineMark, RuleMark, TextMark, write_pdf
from tracker_labels.layout import Area, _square_in_circle, module_dots, plan
from tracker_labels.lettering import font, missing, slashes, visible
from tracker_labels.stock import _KEYS, Stock, _check_page, _fields

LABEL = Label("J0042-07-K.7QX", "J0042-07-K", "ASA Grau", "ZX", "2025-03-01", "chamber 60 °C")
CODES = {
    "a4-3x8": ((827, 437), (9, 59, 319, 319), 11, 21), "a4-5x13": ((450, 250), (0, 38, 174, 174), 6, 21),
    "a4-cut": ((543, 260), (5, 28, 203, 203), 7, 21), "flag-bar": ((640, 144), (46, 14, 116, 116), 4, 21),
    "letter-3x10": ((788, 300), (0, 5, 290, 290), 10, 21),
    "round-25": ((295, 295), (75, 20, 145, 145), 5, 21),
    "round-25-cut": ((295, 295), (90, 12, 116, 116), 4, 21), "strip-7": ((402, 92), (5, 10, 72, 72), 4, 16),
    "tape-12": ((None, 96), (0, 4, 87, 87), 3, 21), "tape-12-180": ((None, 85), (3, 6, 72, 72), 4, 16),
    "tape-24": ((None, 192), (0, 9, 174, 174), 6, 21), "tape-9": ((None, 64), (4, 5, 54, 54), 3, 16),
}  # fmt: skip
"""Size of the label, box of the code with its quiet zone, dots and number of its modules."""


@pytest.mark.parametrize("name", CODES)
def test_the_code_of_an_id_on_every_stock(name: str) -> None:
    """As large as looks well: whole dots a module, 0.33 mm or more each, the symbol off the rim."""
    stock = stocks()[name]
    made = plan(LABEL, stock, stock.dpi)
    (mark,) = (each for each in made.marks if isinstance(each, CodeMark))
    (width, height), box, module, modules = CODES[name]

    assert (mark.box, mark.module, mark.code.size, made.height) == (Box(*box), module, modules, height)
    assert width in (None, made.width)
    assert module * 25.4 / stock.dpi > 0.33


def test_the_hairline_is_below_the_id_and_the_ticks_of_a_flag_at_its_wrap() -> None:
    """A flag's faces are 26 mm, at 203.2 dpi 208 dots; the ticks are 1.6 mm long at both edges."""
    stock = stocks()["flag-bar"]
    made = plan(LABEL, stock, stock.dpi)
    rules = [each.box for each in made.marks if isinstance(each, RuleMark)]
    texts = [each for each in made.marks if isinstance(each, TextMark)]

    assert rules[:4] == [Box(208, 0, 2, 13), Box(208, 131, 2, 13), Box(430, 0, 2, 13), Box(430, 131, 2, 13)]
    assert (rules[4].x, rules[4].height, rules[4].width) == (443, 1, max(each.box.width for each in texts))
    assert texts[0].box.bottom < rules[4].y < texts[1].box.y
    assert {each.box.x for each in texts} == {443}


def test_text_of_a_round_label_is_centred_in_it() -> None:
    """Each row's ink stands as far from the left as from the right of the circle, below the code."""
    made = plan(LABEL, stocks()["round-25"], 300)
    code = next(each.box for each in made.marks if isinstance(each, CodeMark))
    rows = [each.box for each in made.marks if isinstance(each, TextMark)]

    assert len(rows) == 4
    assert all(abs(box.x + box.right - 295) <= 3 for box in rows)
    assert [box.y for box in rows] == sorted(box.y for box in rows)
    assert rows[0].y >= code.bottom


@pytest.mark.parametrize("end", [0.0, 0.14, 0.45])
def test_the_square_in_a_circle_touches_it(end: float) -> None:
    """Its upper corners lie on the circle, its lower edge so many radii below the middle (Pythagoras)."""
    radius = 100_000
    half = _square_in_circle(2 * radius, end) / 2

    assert math.hypot(half, 2 * half - end * radius) == pytest.approx(radius, rel=1e-4)


def test_a_row_in_a_circle_keeps_inside_at_its_farther_edge() -> None:
    """Of a row between 60 and 80 below the middle of 100 the baseline counts: half a width of 60."""
    area = Area(Box(0, 0, 200, 200), 300, circle=(100.0, 100.0, 100.0))

    assert area.span(160, 180) == (40, 119)
    assert area.span(20, 40) == (40, 119)
    assert area.span(100, 250)[1] == 0
    assert Area(Box(7, 0, 50, 9), 300).span(0, 5) == (7, 50)


@pytest.mark.parametrize(
    ("modules", "dpi", "found"),
    [(21, 300, 11), (21, 203.2, 8), (21, 600, 23), (57, 300, 5), (57, 203.2, 3), (97, 300, 3), (141, 300, 0)],
)
def test_dots_of_a_module_on_a_sheet_of_24(modules: int, dpi: float, found: int) -> None:
    """By 42 % of the width; where that leaves fewer than 4 dots by the height; none below 3 or 0.25 mm."""
    assert module_dots(modules, stocks()["a4-3x8"], dpi) == found


@pytest.mark.parametrize(("modules", "found"), [(21, 5), (37, 4), (49, 3), (53, 0)])
def test_a_larger_code_goes_lower_into_a_circle(modules: int, found: int) -> None:
    """Up to 0.45 radii below the middle; of 182 dots, 57 modules take 3 each."""
    assert module_dots(modules, stocks()["round-25"], 300) == found


@pytest.mark.parametrize(("name", "sizes"), [("a4-3x8", [77, 43, 43]), ("round-25", [31, 24, 24])])
def test_short_texts_are_as_large_as_looks_well(name: str, sizes: list[int]) -> None:
    """ID of 6.5 mm and rows of 3.6 mm, or by the room's height: 26 % of it in a circle, rows 80 % of that."""
    made = plan(Label("A1", "A1", "ASA", "ZX"), stocks()[name], 300)
    texts = [each for each in made.marks if isinstance(each, TextMark)]

    assert [(each.text, each.size, each.bold) for each in texts] == [
        ("A1", sizes[0], True), ("ASA", sizes[1], False), ("ZX", sizes[2], False),
    ]  # fmt: skip
    assert made.id_size == sizes[0]


def test_a_long_name_is_broken_at_a_blank_and_loses_nothing() -> None:
    """Where there is height for another row; where there is none it is shortened, and that is said."""
    name = "Nordlicht ASA extra stiff and heat resistant grade"
    label = Label("A1", "A1", name, "ZX", "2025-03-01", "chamber 60 °C")
    rows, cut = (
        [each.text for each in plan(label, stocks()[stock], 300).marks if isinstance(each, TextMark)]
        for stock in ("a4-3x8", "a4-5x13")
    )

    assert len(rows) > 5
    assert " ".join(rows[1:-3]) == name
    assert rows[-3:] == ["ZX", "2025-03-01", "chamber 60 °C"]
    assert cut[1].endswith("…")
    assert plan(label, stocks()["a4-3x8"], 300).remarks == ()
    assert plan(label, stocks()["a4-5x13"], 300).remarks == (f"A1: no room for the whole material, {name!r}",)


def test_a_stock_that_holds_the_smaller_code_alone_is_named_too() -> None:
    """Tape of 9 mm has room for a Data Matrix of an ID and none for its QR code; it is the smallest stock."""
    tiny = Stock("tiny", "", "sheet", 300, 20, 5, 0.5, 20, 5, pitch_x_mm=20, pitch_y_mm=5)
    with pytest.raises(LabelError, match=r"too fine for tiny.* Use tape-9 "):
        plan(LABEL, tiny, 300)


def mm(mark: Any, dpi: float = 300) -> tuple[float, ...]:
    """Return a box in tenths of a millimetre."""
    return tuple(
        round(each * 25.4 / dpi, 1) for each in (mark.box.x, mark.box.y, mark.box.width, mark.box.height)
    )


def scale_of(
    found: set[tuple[float, ...]], start: Callable[[float], tuple[float, float]], upright: bool
) -> bool:
    """Whether ticks from -5 to 5 mm stand where they should, the longer ones at whole millimetres."""
    for half in range(-10, 11):
        x, y = start(half / 2)
        long = 1.3 if half % 2 else 2.4
        near = [
            box for box in found
            if abs(box[0] - x) < 0.15 and abs(box[1] - y) < 0.15 and abs(max(box[2:]) - long) < 0.15
            and (box[2] > box[3]) == upright
        ]  # fmt: skip
        if not near:
            return False
    return True


def test_scales_of_a_sheet_have_their_ticks_at_half_millimetres() -> None:
    """Along both edges of the second label of the second row and of the last one, by a4-3x8's geometry."""
    marks = ruler_page(stocks()["a4-3x8"]).pages[0].marks
    found = {mm(mark) for mark in marks if isinstance(mark, RuleMark)}

    for x, y in ((70.0, 37.5), (140.0, 259.5)):
        assert scale_of(found, lambda at, x=x, y=y: (x + at, y + 18.5), upright=False)
        assert scale_of(found, lambda at, x=x, y=y: (x + 35, y + at), upright=True)
        for edge in ((x, y, 70.0, 0.2), (x, y + 37, 70.0, 0.2), (x, y, 0.2, 37.0), (x + 70, y, 0.2, 37.0)):
            assert any(all(abs(a - b) < 0.15 for a, b in zip(box, edge, strict=True)) for box in found)
    words = [(mark.text, *mm(mark)[:2]) for mark in marks if isinstance(mark, TextMark)]
    assert words[:4] == [("-5", 63.6, 58.6), ("+5 X", 73.6, 58.6), ("-5", 108.0, 31.2), ("+5 Y", 108.0, 41.2)]


def test_the_line_to_be_measured_has_numbers_at_every_ten_millimetres() -> None:
    """100 mm in the middle of the page, a tick each, the fifth ones longer, below the words."""
    marks = ruler_page(stocks()["a4-3x8"]).pages[0].marks
    line = next(at for at, mark in enumerate(marks) if isinstance(mark, RuleMark) and mm(mark)[2] == 100.0)
    x, y, _, _ = mm(marks[line])
    ticks = [mm(mark) for mark in marks[line + 1 :] if isinstance(mark, RuleMark)]
    numbers = [(mark.text, *mm(mark)[:2]) for mark in marks[line + 1 :] if isinstance(mark, TextMark)]
    words = [mark for mark in marks[:line] if isinstance(mark, TextMark) and len(mark.text) > 10]

    assert (x, y) == (55.0, pytest.approx(297 * 0.42 + 6 * 3.4 * 1.45 + 6, abs=0.1))
    assert [tick[:2] for tick in ticks] == [(pytest.approx(x + at, abs=0.11), y) for at in range(101)]
    assert [tick[3] for tick in ticks] == [1.3 if at % 5 else 2.4 for at in range(101)]
    assert {tick[2] for tick in ticks} == {0.2}
    assert [each[0] for each in numbers] == [str(at) for at in range(0, 101, 10)]
    for at, (_, left, top) in enumerate(numbers):
        assert (left, top) == (pytest.approx(x + 10 * at + 0.3, abs=0.11), pytest.approx(y + 2.3, abs=0.11))
    assert [mm(mark)[1] for mark in words] == [
        pytest.approx(124.7 + row * 3.4 * 1.45, abs=0.11) for row in range(6)
    ]
    assert {mm(mark)[0] for mark in words} == {55.0}
    assert "or the line below is not 100 mm," in [
        mark.text.removeprefix("If the two labels differ, ") for mark in words
    ]


def test_a_page_that_is_one_label_has_a_ruler_along_and_one_across() -> None:
    """Tape of 12 mm: along its middle from the edge, and across it at 15.5 mm."""
    stock = stocks()["tape-12"]
    marks = ruler_page(stock).pages[0].marks
    rules = [mm(mark, stock.dpi) for mark in marks if isinstance(mark, RuleMark)]
    across = [box for box in rules if box[0] == 15.5 and box[2] > 1]

    assert rules[0] == (0.0, 6.0, 80.0, pytest.approx(0.15, abs=0.1))
    assert [box[1] for box in across] == [pytest.approx(at, abs=0.11) for at in range(13)]
    assert [round(box[2], 1) for box in across] == [
        pytest.approx(1.3 if at % 5 else 2.4, abs=0.11) for at in range(13)
    ]
    (said,) = (mark for mark in marks if isinstance(mark, TextMark) and mark.text.startswith("mm from"))
    assert mm(said, stock.dpi)[:2] == (19.5, pytest.approx(2.0, abs=0.11))


PLATE = PlatePicture(
    "J0042-H", 200.0, 100.0, (("1", ((20.0, 10.0), (60.0, 10.0), (60.0, 20.0), (20.0, 20.0))),)
)


def test_a_plate_is_drawn_as_seen_from_the_front() -> None:
    """Twice as wide as deep; a piece near the front edge stands low, its number in its middle."""
    sheet = draw_sheet([LABEL], stocks()["a4-3x8"], plates=[PLATE])
    title = next(
        mark for mark in sheet.pages[0].marks if isinstance(mark, TextMark) and mark.text == "J0042-H"
    )
    bed, piece = (mark for mark in sheet.pages[0].marks if isinstance(mark, LineMark))
    (number,) = (mark for mark in sheet.pages[0].marks if isinstance(mark, TextMark) and mark.text == "1")
    width, depth = bed.box.width, bed.box.height

    assert (bed.box.x, bed.box.y) == (827 + 53, title.box.bottom)
    assert width == pytest.approx(2 * depth, abs=2)
    assert bed.points == ((0, 0), (width - 1, 0), (width - 1, depth - 1), (0, depth - 1), (0, 0))
    # In hundredths of the bed, y from its back edge: 10 to 30 across, 90 to 80 down.
    across, down = zip(*piece.points, strict=True)
    assert [round(100 * x / width) for x in across] == [10, 30, 30, 10, 10]
    assert [round(100 * y / depth) for y in down] == pytest.approx([90, 90, 80, 80, 90], abs=1)
    middle = (
        number.box.x + number.box.width / 2 - bed.box.x,
        number.box.y + number.box.height / 2 - bed.box.y,
    )
    assert middle[0] / width == pytest.approx(0.2, abs=0.01)
    assert middle[1] / depth == pytest.approx(0.85, abs=0.02)


@pytest.mark.parametrize(("height", "room"), [(14.9, False), (15.0, True)])
def test_a_label_of_15_mm_has_room_for_a_plate(height: float, room: bool) -> None:
    """Below, the numbers would cover the pieces."""
    stock = Stock("own", "", "sheet", 300, 60, height, 1, 60, height, pitch_x_mm=60, pitch_y_mm=height)
    sheet = draw_sheet([Label("A1", "A1")], stock, plates=[PLATE])

    assert any(isinstance(mark, LineMark) for page in sheet.pages for mark in page.marks) is room
    assert bool(sheet.remarks) is not room


@pytest.mark.parametrize(("name", "why"), [("tape-12", True), ("a4-3x8", False)])
def test_a_place_that_is_not_there_is_explained_on_tapes_alone(name: str, why: bool) -> None:
    """A sheet has places; a tape is a page a label."""
    with pytest.raises(LabelError) as refusal:
        draw_sheet([LABEL], stocks()[name], start_at=99)

    assert ("there each label is a page of its own" in str(refusal.value)) is why


@pytest.mark.parametrize("size", [20, 41, 70])
def test_the_stroke_of_a_zero_is_inside_its_bowl(size: int) -> None:
    """From three tenths of its width and height to seven, rising to the right, one for each zero."""
    left, top, right, bottom = (
        int(edge) for edge in font(size, bold=True).getbbox("0", mode="1", anchor="ls")
    )
    first, second = slashes("0A0", size, bold=True)
    x0, y0, x1, y1, stem = first

    wide, high = right - left, bottom - top
    for edge, whole in ((x0 - left, wide), (right - x1, wide), (bottom - y0, high), (y1 - top, high)):
        assert 0.3 * whole - 1 < edge <= 0.3 * whole
    assert stem == max(1, round(size * 0.07))
    ahead = round(font(size, bold=True).getlength("0A", mode="1"))
    assert second == (x0 + ahead, y0, x1 + ahead, y1, stem)
    assert slashes("0A0", size, bold=False) == ()


def test_a_pasted_novel_is_measured_to_300_characters() -> None:
    """What is beyond is marked as cut off, and is not looked through for what the font lacks."""
    assert visible("a" * 300, bold=False) == "a" * 300
    assert visible("a" * 301, bold=False) == "a" * 300 + "…"
    assert missing("a" * 299 + "材한", bold=False) == "材"


ALLOWED = {
    "dpi": (100, 1200), "clear_mm": (0, 20), "page_width_mm": (20, 1000), "page_height_mm": (20, 1000),
    "columns": (1, 50), "rows": (1, 100), "left_mm": (0, 500), "top_mm": (0, 500), "pitch_x_mm": (5, 500),
    "pitch_y_mm": (5, 500), "label_width_mm": (5, 500), "label_height_mm": (5, 500), "corner_mm": (0, 50),
    "diameter_mm": (5, 500), "tape_width_mm": (5, 500), "shortest_mm": (5, 500), "longest_mm": (20, 1000),
    "wrap_mm": (1, 300),
}  # fmt: skip


def test_what_each_key_of_a_stock_file_may_be() -> None:
    """The manual names these bounds; columns and rows are whole, only the corners may be left out."""
    rules = {key: rule for kind in _KEYS.values() for key, rule in kind.items()}

    assert {key: (rule.low, rule.high) for key, rule in rules.items()} == ALLOWED
    assert {key for key, rule in rules.items() if rule.whole} == {"columns", "rows"}
    assert {key: rule.default for key, rule in rules.items() if rule.default is not None} == {
        "corner_mm": 0.0
    }
    for rule in rules.values():
        assert [rule.allows(each) for each in (rule.low, rule.high, rule.low - 1, rule.high + 1)] == [
            True, True, False, False,
        ]  # fmt: skip


def test_a_stock_has_one_place_and_no_shortest_length_unless_it_says_so() -> None:
    """The area of a tape is that of its shortest label."""
    bare = Stock("own", "", "flag", 300, 50, 20, 1, 50, 20)

    assert (bare.places, bare.area_mm2, bare.corner_of(0), bare.cut) == (1, 1000, (0.0, 0.0), False)
    assert (bare.pitch_x_mm, bare.pitch_y_mm) == (0.0, 0.0)
    assert stocks()["tape-12"].area_mm2 == 30 * 12
    assert (bare.columns, bare.rows, bare.corner_mm, bare.wrap_mm, bare.shortest_mm) == (1, 1, 0.0, 0.0, 0.0)


FLAG: dict[str, object] = {
    "name": "own", "description": "own", "kind": "flag", "dpi": 300, "clear_mm": 1, "label_width_mm": 50,
    "label_height_mm": 12, "wrap_mm": 40,
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "refused"),
    [
        ({}, None),
        ({"wrap_mm": 40.1}, "wrap_mm is 40.1"),
        ({"label_height_mm": 5, "clear_mm": 1.25}, None),
        ({"label_height_mm": 5, "clear_mm": 1.3}, "clear_mm is 1.3"),
        ({"cut": False}, None),
        ({"cut": True}, "cut is True on a flag"),
        ({"cut": 0}, "cut is 0 on a flag"),
    ],
)
def test_a_flag_keeps_two_faces_of_5_mm_and_a_label_half_of_that(
    change: dict[str, object], refused: str | None
) -> None:
    """At the bound it is taken, a tenth beyond refused by key."""
    if refused is None:
        made = Stock(**_fields({**FLAG, **change}))
        assert (made.page_width_mm, made.pitch_x_mm, made.page_height_mm) == (50, 50, made.label_height_mm)
    else:
        with pytest.raises(StockError, match=refused):
            _fields({**FLAG, **change})


@pytest.mark.parametrize(
    ("change", "refused"),
    [
        ({"pitch_x_mm": 99.99995}, None),
        ({"pitch_x_mm": 99.9}, "at least 100"),
        ({"pitch_y_mm": 49.9}, "at least 50"),
        ({"columns": 1, "pitch_x_mm": 5}, None),
        ({"left_mm": 10.00005}, None),
        ({"left_mm": 10.1}, "within page_width_mm"),
        ({"top_mm": 100.1}, "within page_height_mm"),
    ],
)
def test_labels_may_share_an_edge_and_no_more(change: dict[str, float], refused: str | None) -> None:
    """A tenth of a micrometre is only arithmetic."""
    page: dict[str, Any] = {
        "columns": 2, "rows": 4, "left_mm": 10, "top_mm": 100, "pitch_x_mm": 100, "pitch_y_mm": 50,
        "label_width_mm": 100, "label_height_mm": 50, "page_width_mm": 210, "page_height_mm": 300,
        "clear_mm": 1,
    }  # fmt: skip
    if refused is None:
        _check_page({**page, **change})
    else:
        with pytest.raises(StockError, match=refused):
            _check_page({**page, **change})


@pytest.mark.parametrize(
    ("level", "version", "characters"),
    [("L", 1, 25), ("M", 1, 20), ("Q", 1, 16), ("H", 1, 10), ("L", 2, 47), ("M", 2, 38), ("H", 2, 20),
     ("M", 10, 311), ("L", 40, 4296), ("M", 40, 3391), ("Q", 40, 2420), ("H", 40, 1852)],
)  # fmt: skip
def test_versions_hold_what_the_standard_says(level: str, version: int, characters: int) -> None:
    """Alphanumeric capacities of ISO/IEC 18004:2015, table 7 (from memory)."""
    assert version_for(characters, level) == version
    assert version_for(characters + 1, level) == (version + 1 if version < 40 else None)


def test_the_hardest_level_that_costs_nothing_is_taken() -> None:
    """Of the smallest code at M: up to 10 characters H, up to 16 Q, to 20 M."""
    assert [choose("A" * count) for count in (10, 11, 16, 17, 20, 21)] == [
        (1, "H"), (1, "Q"), (1, "Q"), (1, "M"), (1, "M"), (2, "Q"),
    ]  # fmt: skip


@pytest.mark.parametrize(("labels", "pictures"), [(4, 1), (5, 5)])
def test_a_text_on_five_labels_has_a_picture_of_its_own(labels: int, pictures: int) -> None:
    """On four it is encoded with its page: material, orientation, date and line are shared, the ID is not."""
    made = [
        Label(f"A{number}", f"A{number}", "ASA Grau", "ZX", "2025-03-01", "chamber 60 °C")
        for number in range(labels)
    ]
    data = draw_sheet(made, stocks()["a4-3x8"]).pdf()

    assert data.count(b"/Subtype/Image") == pictures


def test_the_table_of_a_pdf_points_at_its_objects() -> None:
    """Each offset is where "n 0 obj" begins, and startxref where the table does (ISO 32000-1, 7.5.4)."""
    data = draw_sheet([LABEL], stocks()["a4-3x8"]).pdf()
    table = int(re.search(rb"startxref\n(\d+)\n%%EOF\n$", data)[1])  # type: ignore[index]
    rows = re.findall(rb"(\d{10}) 00000 n \n", data[table:])

    assert data[table:].startswith(f"xref\n0 {len(rows) + 1}\n0000000000 65535 f \n".encode())
    for number, row in enumerate(rows, start=1):
        assert data[int(row) :].startswith(f"{number} 0 obj\n".encode())
    assert f"/Size {len(rows) + 1}/Root 1 0 R".encode() in data


def test_pictures_of_a_pdf_stand_in_their_boxes() -> None:
    """In dots from the upper left corner: the page's picture fills it, a hair inside."""
    sheet = draw_sheet([LABEL], stocks()["a4-3x8"])
    data = write_pdf(sheet.pages, 300)
    steps = next(
        text for found in re.finditer(rb"/Filter/FlateDecode/Length \d+>>stream\n(.*?)\nend", data, re.DOTALL)
        if b" cm" in (text := zlib.decompress(found[1]))
    ).decode()  # fmt: skip

    assert steps.splitlines()[0] == "0.24000000 0 0 0.24000000 0 841.88976 cm"
    assert steps.splitlines()[1] == "q 2479.98 0 0 3507.98 0.01 -3507.99 cm/I Do Q"


def test_deep_greys_are_brought_to_the_range_of_a_screen() -> None:
    """The darkest becomes 0, the lightest 255, the middle between them; one shade alone is black."""
    deep = Image.new("I", (3, 1))
    deep.putdata([1000, 2000, 3000])
    flat = Image.new("I", (1, 1), 7)

    assert list(looking._eight_bits(deep).tobytes()) == [0, 127, 255]
    assert list(looking._eight_bits(flat).tobytes()) == [0]


@pytest.mark.parametrize(
    ("size", "sizes"),
    [
        ((200, 100), [(200, 100)] * 2 + [(400, 200)] * 7 + [(100, 50)]),
        ((1500, 1000), [(1500, 1000)] * 9 + [(750, 500)]),
        ((4000, 3000), [(4000, 3000)] * 2 + [(2828, 2121)] * 7 + [(1414, 1061)]),
    ],
)
def test_harder_looks_are_taken_at_a_size_that_helps(
    size: tuple[int, int], sizes: list[tuple[int, int]]
) -> None:
    """Small pictures enlarged twice, large ones brought to six million pixels; then turned."""
    looks = list(looking._looks(Image.new("L", size, 200)))

    assert [look.size for look, _ in looks[:10]] == [pytest.approx(each, abs=1) for each in sizes]
    assert [fixed for _, fixed in looks] == [False, True] * 4 + [False] * 5
    assert len(looks) == 13


def test_rotated_looks_are_filled_with_white() -> None:
    """Black corners would cut the quiet zone off."""
    *_, last = looking._looks(Image.new("L", (60, 60), 255))

    assert last[0].getextrema() == (255, 255)


@pytest.mark.parametrize(
    ("more", "said"), [(0, "cannot be read as a picture"), (1, r"too large \(more than 32 MB\)")]
)
def test_a_file_may_have_32_megabytes(tmp_path: Path, more: int, said: str) -> None:
    """One byte more is refused unopened, from a file as from the browser."""
    data = bytes(32_000_000 + more)
    (tmp_path / "picture").write_bytes(data)
    for given in (data, tmp_path / "picture"):
        with pytest.raises(LabelError, match=said):
            read_codes(given)
