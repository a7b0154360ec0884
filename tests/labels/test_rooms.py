"""How much room code and text are given: modules a stock holds, rows that fill it, where a number stands.

Expectations are geometry in millimetres, worked out beside each; where a text is broken hangs on the widths
of the bundled fonts and on nothing of the machine.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import is_dataclass, replace
from itertools import pairwise

import pytest
import tracker_labels
from PIL import Image, ImageFilter
from tracker_labels import (
    Label,
    LabelError,
    PlatePicture,
    Stock,
    draw_sheet,
    drawing,
    label,
    layout,
    lettering,
    ruler_page,
    sheet,
    stock,
    stocks,
)
from tracker_labels import code as coding
from tracker_labels import reading as looking
from tracker_labels.code import version_for
from tracker_labels.drawing import CodeMark, LineMark, RuleMark, TextMark
from tracker_labels.layout import Plan, module_dots, plan
from tracker_labels.lettering import ELLIPSIS, shorten, width
from tracker_labels.stock import _fields

MODULES = {
    "a4-3x8": {12: 20, 11: 23, 10: 26, 9: 30, 8: 35, 7: 41, 6: 49, 5: 61, 4: 82, 3: 110},
    "a4-5x13": {12: 7, 11: 9, 10: 10, 9: 13, 8: 15, 7: 19, 6: 23, 5: 29, 4: 52, 3: 69},
    "a4-cut": {12: 10, 11: 12, 10: 14, 9: 16, 8: 19, 7: 23, 6: 29, 5: 36, 4: 54, 3: 72},
    "flag-bar": {8: 10, 7: 12, 6: 16, 5: 20, 4: 28, 3: 40},
    "letter-3x10": {12: 17, 11: 19, 10: 22, 9: 25, 8: 29, 7: 34, 6: 41, 5: 49, 4: 62, 3: 82},
    "round-25": {11: 5, 10: 6, 9: 8, 8: 10, 7: 13, 6: 16, 5: 21, 4: 37, 3: 52},
    "round-25-cut": {11: 5, 10: 6, 9: 7, 8: 9, 7: 12, 6: 15, 5: 20, 4: 36, 3: 50},
    "tape-12": {7: 5, 6: 8, 5: 11, 4: 16, 3: 24},
    "tape-24": {8: 16, 7: 19, 6: 24, 5: 30, 4: 40, 3: 55},
}
"""Dots a module to the largest QR code, in modules a side, that gets so many."""
SMALL = {
    "strip-7": {11: 5, 10: 6, 9: 7, 8: 8, 7: 9, 6: 11, 5: 14, 4: 18, 3: 25},
    "tape-12-180": {7: 10, 6: 11, 5: 14, 4: 17, 3: 23},
    "tape-9": {7: 7, 6: 8, 5: 10, 4: 12, 3: 16},
}
"""The same of a Data Matrix, with one module of quiet zone."""


def largest(stock: Stock, dpi: float, quiet: int = 4) -> dict[int, int]:
    """Return dots a module to the largest code that gets so many."""
    found = {module_dots(modules, stock, dpi, quiet): modules for modules in range(5, 200)}
    return {module: modules for module, modules in found.items() if module}


@pytest.mark.parametrize("name", [*MODULES, *SMALL])
def test_how_large_a_code_gets_how_many_dots(name: str) -> None:
    """On a4-3x8 42 % of 827 dots are 347: 12 dots for 20 + 8 modules; the height, 437, holds 3 for 110 + 8.

    Its symbol alone keeps 4.5 mm from both edges: 331 dots, 3 for 110 modules and not for 111.
    """
    known = {**MODULES, **SMALL}[name]

    assert largest(stocks()[name], stocks()[name].dpi, 4 if name in MODULES else 1) == known


@pytest.mark.parametrize(("dpi", "most"), [(300, 12), (600, 25), (203.2, 8), (150, 6)])
def test_a_code_gets_no_coarser_than_1_1_mm_a_module(dpi: float, most: int) -> None:
    """Read no better, it would only take room from the text: on a label of 200 × 100 mm as on any."""
    wide = Stock("own", "", "sheet", dpi, 200, 100, 1, 200, 100)

    assert module_dots(21, wide, dpi) == most
    assert most * 25.4 / dpi <= 1.1 < (most + 1) * 25.4 / dpi


def test_thirteen_millimetres_stay_for_the_text() -> None:
    """Of 30 mm with a rim of 1 mm 16 mm are the code's at most: 189 dots, 3 for 49 modules."""
    own = Stock("own", "", "sheet", 300, 30, 30, 1, 30, 30)

    # 4 dots for 47 are 188; 3 dots for 63 are 189.
    assert largest(own, 300)[4] == 47 - 8
    assert largest(own, 300)[3] == 63 - 8
    assert largest(replace(own, cut=True), 300)[3] == (189 - 10) // 3 - 8


ORDINARY = Label(
    "J0012-04-K.7QX", "J0012-04-K", "Tarnholm ASA 40", "bar #4 · upright (ZXY)", "2026-03-24", "chamber 60 °C"
)
LONG = replace(ORDINARY, material="Tarnholm ASA 40 with long strands of glass in it", line="")
SHORT = Label("J0012-04-K.7QX", "J1", "ASA", "", "2026-03-24")


def texts(made: Plan) -> list[TextMark]:
    """Return the rows of a plan."""
    return [mark for mark in made.marks if isinstance(mark, TextMark)]


def rows(label: Label, name: str) -> list[str]:
    """Return what is on a label below its ID."""
    return [mark.text for mark in texts(plan(label, stocks()[name], stocks()[name].dpi))[1:]]


FOUR = ["Tarnholm ASA 40", "bar #4 · upright (ZXY)", "2026-03-24", "chamber 60 °C"]


@pytest.mark.parametrize("name", ["a4-3x8", "a4-5x13", "a4-cut", "letter-3x10", "flag-bar"])
def test_four_texts_are_four_rows_where_there_is_height(name: str) -> None:
    """In the order in which people ask."""
    assert rows(ORDINARY, name) == FOUR


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("tape-24", [FOUR[0], f"{FOUR[1]} · {FOUR[2]}", FOUR[3]]),
        ("tape-12", [" · ".join(FOUR)]),
        ("tape-9", [" · ".join(FOUR)]),
        ("round-25-cut", ["bar #4", "upright (ZXY)", "2026-03-24", "cham…"]),
    ],
)
def test_texts_are_joined_where_there_is_less(name: str, wanted: list[str]) -> None:
    """The date first joins the orientation; in the end all are one row. A circle leaves the material out."""
    assert rows(ORDINARY, name) == wanted


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("a4-3x8", ["Tarnholm ASA 40", "with long strands of", "glass in it", *FOUR[1:3]]),
        ("letter-3x10", ["Tarnholm ASA 40 with long", "strands of glass in it", *FOUR[1:3]]),
        ("tape-24", ["Tarnholm ASA 40 with long strands of glass in it", *FOUR[1:3]]),
        # The material gives way to name and date.
        ("tape-12", [f"{FOUR[1]} · {FOUR[2]}"]),
        # The date too.
        ("strip-7", [FOUR[1]]),
        ("round-25-cut", ["bar #4", "upright (ZXY)", "2026-03-24"]),
    ],
)
def test_a_long_material_is_broken_or_gives_way(name: str, wanted: list[str]) -> None:
    """Broken at a blank where there is height; left out where name and orientation would be cut."""
    assert rows(LONG, name) == wanted


def test_in_a_circle_the_date_does_not_give_way() -> None:
    """What is left out for the orientation is the material alone, even where both would make room."""
    for length in range(1, 60, 3):
        label = Label("J0012-04-K.7QX", "J1", "ASA", "W" * length, "2026-03-24")
        assert any("2026-03-24" in row for row in rows(label, "round-25")), length


@pytest.mark.parametrize("name", ["a4-3x8", "a4-5x13", "a4-cut", "letter-3x10", "flag-bar", "tape-24"])
def test_short_texts_begin_at_the_top_of_the_code_or_end_at_the_rim(name: str) -> None:
    """Never outside the rim; there is no third place."""
    made = plan(SHORT, stocks()[name], stocks()[name].dpi)
    code = next(mark for mark in made.marks if isinstance(mark, CodeMark)).symbol
    clear = round(stocks()[name].clear_mm * stocks()[name].dpi / 25.4)
    head, *_, last = texts(made)

    assert head.box.y >= clear
    assert last.box.bottom <= made.height - clear
    high = head.box.y == max(clear, code.y - round(0.2 * head.size))
    assert high or last.box.bottom == made.height - clear


RECTANGLES = [name for name, each in stocks().items() if each.kind != "round"]
WORDS = " ".join("W" * 400)


@pytest.mark.parametrize("name", RECTANGLES)
def test_rows_reach_from_the_code_to_the_rim(name: str) -> None:
    """Text that is too long fills all the room: to within a letter of the right rim, and a row of the lower.

    It begins at the quiet zone, or 1.2 mm from a symbol whose quiet zone is narrower.
    """
    own = stocks()[name]
    made = plan(Label("J0012-04-K.7QX", "W" * 99, WORDS, WORDS, "", WORDS), own, own.dpi)
    code = next(mark for mark in made.marks if isinstance(mark, CodeMark))
    clear = round(own.clear_mm * own.dpi / 25.4)
    whole = round(own.label_width_mm * own.dpi / 25.4)
    boxes = [mark.box for mark in texts(made)]
    letter = max(width("WW", mark.size, mark.bold) for mark in texts(made))
    start = (
        whole - round((own.label_width_mm - own.wrap_mm) / 2 * own.dpi / 25.4) + clear
        if own.kind == "flag"
        else max(code.box.right, code.symbol.right + round(1.2 * own.dpi / 25.4))
    )

    assert {box.x for box in boxes} == {start}
    assert whole - clear - letter < max(box.right for box in boxes) <= whole - clear
    high = boxes[1].height
    assert made.height - clear - high < boxes[-1].bottom <= made.height - clear
    assert texts(made)[0].size == round(2.1 * own.dpi / 25.4)
    assert {mark.size for mark in texts(made)[1:]} == {round(1.9 * own.dpi / 25.4)}
    for above, below in pairwise(boxes[1:]):
        assert below.y == above.bottom
    assert texts(made)[-1].text.endswith(ELLIPSIS)


@pytest.mark.parametrize("name", ["round-25", "round-25-cut"])
def test_rows_of_a_circle_reach_its_rim(name: str) -> None:
    """Both ends of a row lie inside the clear rim, and one more letter on each side would not."""
    own = stocks()[name]
    made = plan(Label("J0012-04-K.7QX", "W" * 99, WORDS, WORDS, "", WORDS), own, own.dpi)
    radius = own.label_height_mm * own.dpi / 25.4 / 2
    inner = radius - own.clear_mm * own.dpi / 25.4

    for mark in texts(made):
        farthest = max(abs(mark.box.y - radius), abs(mark.box.y + mark.baseline - radius))
        half = (inner**2 - farthest**2) ** 0.5
        letter = width("WW", mark.size, mark.bold)
        assert half - letter < mark.box.width / 2 <= half + 1
        assert abs(mark.box.x + mark.box.width / 2 - radius) <= 2
    assert texts(made)[-1].box.bottom <= radius + inner


@pytest.mark.parametrize(("height", "shown"), [(29, []), (30, ["A1"]), (70, ["A1"]), (71, ["A1", "ASA"])])
def test_a_row_without_height_is_left_out(height: int, shown: list[str]) -> None:
    """An ID of 25 dots, the least, takes 30; a row of 22 takes 27, below 14 of hairline and gap."""
    area = layout.Area(drawing.Box(0, 0, 300, height), 300)
    assert [
        mark.text
        for mark in layout.set_text(Label("A1", "A1", "ASA"), area).marks
        if isinstance(mark, TextMark)
    ] == shown


@pytest.mark.parametrize("name", [name for name, each in stocks().items() if each.kind == "tape"])
@pytest.mark.parametrize("line", ["", "chamber 60 °C", WORDS])
def test_a_tape_is_cut_behind_its_text(name: str, line: str) -> None:
    """With its clear rim, neither shorter nor longer than the stock says."""
    own = stocks()[name]
    made = plan(replace(SHORT, line=line), own, own.dpi)
    dots = {key: round(getattr(own, key) * own.dpi / 25.4) for key in ("shortest_mm", "label_width_mm")}
    end = max(mark.box.right for mark in made.marks) + round(own.clear_mm * own.dpi / 25.4)

    assert made.width == min(dots["label_width_mm"], max(end, dots["shortest_mm"]))
    assert (made.width == dots["shortest_mm"]) is (end <= dots["shortest_mm"])


@pytest.mark.parametrize("room", range(0, 330, 7))
def test_shortening_keeps_all_letters_that_fit(room: int) -> None:
    """As many as there are, tried one after the other; a blank before the mark is dropped."""
    text = "annealed at 90 °C for two hours"
    cuts = ["", ELLIPSIS, *(text[:end].rstrip() + ELLIPSIS for end in range(1, len(text) + 1)), text]
    fitting = [each for each in cuts if width(each, 16, bold=False) <= room]

    assert shorten(text, room, 16, bold=False) == fitting[-1]


NAMES = ("ID", "material", "orientation", "date", "line")


@pytest.mark.parametrize("field", range(5))
def test_what_a_font_lacks_and_what_has_no_room_is_said_of_each_text(field: int) -> None:
    """By the name that people know it by."""
    words = ["A1", "ASA", "ZX", "2025-03-01", "chamber"]
    lacking = [*words[:field], words[field] + "材", *words[field + 1 :]]
    cut = [*words[:field], "W" * 90, *words[field + 1 :]]
    own = stocks()["a4-3x8"]

    assert plan(Label("A1", *lacking), own, 300).remarks == (
        f"{lacking[0]}: the font has no '材' (in its {NAMES[field]}); a square is printed for each",
    )
    assert (
        f"{cut[0]}: no room for the whole {NAMES[field]}, {'W' * 90!r}"
        in plan(Label("A1", *cut), own, 300).remarks
    )
    assert plan(Label("A1", *words), own, 300).remarks == ()


def test_a_data_matrix_is_announced_after_what_was_shortened() -> None:
    """With the ID that is on the label."""
    own = stocks()["strip-7"]
    *others, last = plan(replace(ORDINARY, material="", line="W" * 90), own, own.dpi).remarks

    assert f"J0012-04-K: no room for the whole line, {'W' * 90!r}" in others
    assert last == (
        "J0012-04-K: too small a face for a QR code; its Data Matrix is read by scanners and the bench page, "
        "not by the camera of every telephone"
    )


@pytest.mark.parametrize("offset", [(10.0, -10.0), (-10.0, 10.0)])
def test_ten_millimetres_are_still_an_offset(offset: tuple[float, float]) -> None:
    """A hundredth more is not, either way."""
    still, pushed = (draw_sheet([SHORT], stocks()["a4-3x8"], offset_mm=by) for by in ((0, 0), offset))
    x, y = (pushed.codes[0].box.x - still.codes[0].box.x, pushed.codes[0].box.y - still.codes[0].box.y)

    assert (x, y) == tuple(round(each * 300 / 25.4) for each in offset)
    with pytest.raises(LabelError, match=r"10\.01 mm is none of a printer.*at most 10 mm either way"):
        draw_sheet([SHORT], stocks()["a4-3x8"], offset_mm=(offset[0] * 1.001, 0))


def test_a_printer_has_100_to_1200_dots_an_inch() -> None:
    """Both are taken; what lies beyond is refused with them."""
    assert [ruler_page(stocks()["a4-3x8"], dpi=dpi).dpi for dpi in (100, 1200)] == [100, 1200]
    for dpi in (99.9, 1200.1):
        with pytest.raises(LabelError, match=f"{dpi} dpi is no printer's. Give 100 to 1200 dots per inch"):
            ruler_page(stocks()["a4-3x8"], dpi=dpi)


SQUARE = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))


def moved(dx: float, dy: float) -> tuple[tuple[float, float], ...]:
    """Return a square of 10 mm somewhere on the bed."""
    return tuple((x + dx, y + dy) for x, y in SQUARE)


@pytest.mark.parametrize(("bed", "narrow"), [((200.0, 100.0), True), ((100.0, 200.0), False)])
def test_a_bed_fills_its_label_in_width_or_in_height(bed: tuple[float, float], narrow: bool) -> None:
    """To within a dot of the clear rim, whichever side is reached first; with its proportions."""
    own = Stock("own", "", "sheet", 300, 70, 60, 2, 70, 60)
    page = draw_sheet([SHORT], own, plates=[PlatePicture("J0042-H", *bed, (("1", moved(10, 10)),))]).pages[1]
    lines = [mark for mark in page.marks if isinstance(mark, LineMark)]
    box, clear = lines[0].box, round(2 * 300 / 25.4)
    right, bottom = round(70 * 300 / 25.4) - clear, round(60 * 300 / 25.4) - clear

    assert (box.x, box.y) == (clear, texts(Plan(0, 0, page.marks, (), 0))[0].box.bottom)
    assert (right - 1 <= box.right <= right) is narrow
    assert (bottom - 1 <= box.bottom <= bottom) is not narrow
    assert box.width / box.height == pytest.approx(bed[0] / bed[1], rel=0.01)
    # A square of the bed stays one, whichever way it is scaled.
    across, down = zip(*lines[1].points, strict=True)
    assert max(across) - min(across) == pytest.approx(max(down) - min(down), abs=1)
    assert min(across) == pytest.approx(10 * box.width / bed[0], abs=1)


def test_a_number_near_the_rim_is_moved_onto_the_bed() -> None:
    """In all four corners it touches the bed's edges and does not leave them."""
    tiny = [((x, y), (x + 0.5, y), (x, y + 0.5)) for x, y in ((0, 0), (199.5, 0), (0, 99.5), (199.5, 99.5))]
    plate = PlatePicture(
        "", 200.0, 100.0, tuple((f"{number}8", corners) for number, corners in enumerate(tiny))
    )
    page = draw_sheet([SHORT], stocks()["a4-3x8"], plates=[plate]).pages[0]
    bed = next(mark.box for mark in page.marks if isinstance(mark, LineMark))
    front, right, back, far = (mark.box for mark in page.marks if getattr(mark, "text", "")[1:] == "8")

    assert bed.y == round(0.5 * 300 / 25.4) + round(4.5 * 300 / 25.4)
    assert (front.x, front.bottom) == (back.x, right.bottom) == (bed.x, bed.bottom)
    assert (right.right, back.y) == (far.right, far.y) == (bed.right, bed.y)


def test_early_and_last_labels_have_scales_on_round_ones_too() -> None:
    """Forty ticks and two each; the square round a circle is not drawn."""
    own = stocks()["round-25"]
    marks = ruler_page(own).pages[0].marks
    ticks = [mark for mark in marks if isinstance(mark, RuleMark)]
    numbers = [mark.text for mark in marks if isinstance(mark, TextMark) and len(mark.text) < 5]

    # Of the line to be measured: itself, and one for each of its 101 millimetres.
    assert len(ticks) == 2 * 2 * 21 + 1 + 101
    assert numbers[:8] == ["-5", "+5 X", "-5", "+5 Y"] * 2


@pytest.mark.parametrize(("room", "begins"), [(100.0, "mm from the edge"), (18.0, "…"), (12.0, None)])
def test_words_beside_a_ruler_end_within_the_page(room: float, begins: str | None) -> None:
    """Shortened with a mark; where not even that has room there is nothing."""
    own = Stock("own", "", "tape", 300, room, 24, 1, room, 24, shortest_mm=5)
    words = [
        mark for mark in ruler_page(own).pages[0].marks
        if isinstance(mark, TextMark) and not mark.text.isdigit()
    ]  # fmt: skip

    assert [begins for mark in words if begins and mark.text.startswith(begins)] == [begins] * bool(begins)
    assert len(words) == bool(begins)
    assert all(mark.box.right <= (room - 1) * 300 / 25.4 for mark in words)


def test_streams_of_a_pdf_are_as_long_as_they_say_and_packed_hard() -> None:
    """Lengths are those between stream and endstream; packing again at the hardest level gains nothing."""
    data = draw_sheet([ORDINARY] * 6, stocks()["a4-3x8"]).pdf()
    found = re.findall(rb"/Length (\d+)>>stream\n(.*?)\nendstream", data, re.DOTALL)

    assert len(found) == data.count(b"endstream") == 1 + 1 + 5
    for length, stream in found:
        assert len(stream) == int(length)
        assert len(zlib.compress(zlib.decompress(stream), 9)) == len(stream)


def test_texts_of_many_labels_stand_in_the_pdf_where_they_are_painted() -> None:
    """Each a hair inside its box, counted from the upper left corner downwards below zero."""
    made = draw_sheet([ORDINARY] * 5, stocks()["a4-3x8"])
    data = made.pdf()
    (steps,) = (
        text.decode()
        for stream in re.findall(rb">>stream\n(.*?)\nendstream", data, re.DOTALL)
        if b"cm/T" in (text := zlib.decompress(stream))
    )
    boxes = [mark.box for mark in made.pages[0].marks if isinstance(mark, TextMark)]
    found = re.findall(r"q ([\d.]+) 0 0 ([\d.]+) ([\d.]+) (-[\d.]+) cm/T(\d+) Do Q", steps)

    assert [tuple(map(float, each[:4])) for each in found] == [
        pytest.approx((box.width - 0.02, box.height - 0.02, box.x + 0.01, 0.01 - box.bottom), abs=1e-4)
        for box in boxes
    ]
    assert [int(each[4]) for each in found] == [3, 4, 5, 6, 7] * 5
    assert b"/XObject<</I 10 0 R/T3 3 0 R/T4 4 0 R/T5 5 0 R/T6 6 0 R/T7 7 0 R>>" in data


def test_harder_looks_are_pillows_own_filters() -> None:
    """Blur of 1.5, median of 5, sharpened by 200 % within 4, a quarter; of a picture enlarged twice."""
    looks = [look for look, _ in looking._looks(Image.effect_noise((120, 80), 90))]
    clear, blurred, calm, sharp, small = (looks[at] for at in (2, 4, 6, 8, 9))
    assert blurred.tobytes() == clear.filter(ImageFilter.GaussianBlur(1.5)).tobytes()
    assert calm.tobytes() == clear.filter(ImageFilter.MedianFilter(5)).tobytes()
    assert sharp.tobytes() == clear.filter(ImageFilter.UnsharpMask(4, 200, 0)).tobytes()
    assert small.tobytes() == clear.reduce(4).tobytes()


@pytest.mark.parametrize(
    ("level", "version", "characters"),
    [("L", 9, 335), ("L", 10, 395), ("L", 26, 1990), ("L", 27, 2132), ("M", 9, 262), ("H", 3, 35)],
)
def test_versions_where_the_length_takes_more_bits(level: str, version: int, characters: int) -> None:
    """9 bits up to version 9, 11 up to 26, then 13 (ISO/IEC 18004:2015, tables 3 and 7, from memory)."""
    assert version_for(characters, level) == version
    assert version_for(characters + 1, level) == version + 1


def test_what_is_kept_of_earlier_drawings_is_bounded() -> None:
    """A bench page runs for weeks: pictures of texts are the dearest, and the fewest are kept."""
    kept = (
        drawing.text_dots, lettering.holds, lettering.visible, lettering.ink, lettering.slashes,
        coding._encode, coding.encode_small,
    )  # fmt: skip
    assert [each.cache_info().maxsize for each in kept] == [1024, 4096, 4096, 8192, 4096, 4096, 4096]
    assert lettering.font(20, bold=True) is lettering.font(20, bold=True)
    assert stock._bundled() is stock._bundled()


def test_records_of_a_page_take_little_memory() -> None:
    """A page of 65 labels has some thousand marks: none of them has a dictionary of its own."""
    kinds = [
        kind for module in (coding, drawing, label, layout, sheet, stock) for kind in vars(module).values()
        if isinstance(kind, type) and is_dataclass(kind)
    ]  # fmt: skip
    assert len(kinds) > 12
    assert [kind.__name__ for kind in kinds if "__slots__" not in vars(kind)] == []


TAPE: dict[str, object] = {
    "name": " own ", "description": "own", "kind": "tape", "dpi": 300, "clear_mm": 1, "tape_width_mm": 12,
    "shortest_mm": 30, "longest_mm": 30,
}  # fmt: skip


def test_a_tape_of_one_length_is_a_page_of_it() -> None:
    """As broad as the tape, its name without the blanks around it."""
    made = Stock(**_fields(TAPE))

    assert (made.name, made.kind, made.cut, made.places) == ("own", "tape", False, 1)
    assert (made.label_width_mm, made.page_width_mm, made.pitch_x_mm, made.shortest_mm) == (30, 30, 30, 30)
    assert (made.label_height_mm, made.page_height_mm, made.pitch_y_mm) == (12, 12, 12)


def test_a_circle_is_as_broad_as_high() -> None:
    """Its corners are rounded by its radius; lines to cut along may be asked for."""
    made = Stock(
        **_fields({
            "name": "own", "description": "a", "kind": "round", "dpi": 300, "clear_mm": 1, "diameter_mm": 25,
            "page_width_mm": 60, "page_height_mm": 30, "columns": 2, "rows": 1, "left_mm": 5, "top_mm": 2,
            "pitch_x_mm": 25, "pitch_y_mm": 25, "cut": True,
        })
    )  # fmt: skip
    assert (made.label_width_mm, made.label_height_mm, made.corner_mm) == (25, 25, 12.5)
    assert (made.cut, made.places, made.corner_of(1)) == (True, 2, (30, 2))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"name": "  "}, "name is ' '. It must be a text"),
        ({"cut": True}, "cut is True on a tape. It must be true or false, on a sheet or round"),
        (
            {"b": 1, "a": 1},
            "a is no key of a tape. Its keys are name, description, kind, dpi, clear_mm, ",
        ),
        ({"longest_mm": 29.9}, "longest_mm is 29.9. It must be at least shortest_mm, 30"),
        ({"longest_mm": True}, "longest_mm is True. It must be a number from 20 to 1000"),
        ({"tape_width_mm": 5, "clear_mm": 1.3}, "clear_mm is 1.3. It must leave 2.5 mm of a label of 5 mm"),
        ({"tape_width_mm": 4.9}, "tape_width_mm is 4.9. It must be a number from 5 to 500"),
    ],
)
def test_a_tape_that_cannot_be_is_refused_by_its_key(change: dict[str, object], said: str) -> None:
    """The first unknown key by the alphabet; a blank name is none."""
    with pytest.raises(tracker_labels.StockError) as refusal:
        _fields({**TAPE, **change})
    assert str(refusal.value).startswith(said)
