"""What is drawn and looked at, exactly: pages as SVG, gaps between texts, pictures before they are read."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import FrozenInstanceError, fields, is_dataclass
from io import BytesIO
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

import pytest
import tracker_labels
from PIL import Image
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
    reading,
    ruler_page,
    sheet,
    stocks,
)
from tracker_labels import reading as looking
from tracker_labels.drawing import Box, CodeMark, LineMark, Page, RuleMark, TextMark, page_svg, paint
from tracker_labels.layout import plan
from tracker_labels.lettering import font, slashes

from tests.labels.helpers import overlap

SVG = "{http://www.w3.org/2000/svg}"
LABEL = Label("J0042-07-K.7QX", "J0042-07-K", "ASA Grau", "ZX", "2025-03-01", "chamber 60 °C")


def numbers(element: ET.Element, *names: str) -> tuple[float, ...]:
    """Return attributes of an element."""
    return tuple(float(element.attrib[name]) for name in names)


def test_every_mark_stands_in_the_svg_where_it_is_painted() -> None:
    """Boxes, points and strokes in dots; only IDs are bold; a text begins where its ink does."""
    stock = stocks()["a4-cut"]
    page = draw_sheet([LABEL], stock).pages[0]
    _, *elements = ET.fromstring(page_svg(page, 300))  # noqa: S314 - our own document

    assert len(elements) == len(page.marks)
    for mark, element in zip(page.marks, elements, strict=True):
        box = (mark.box.x, mark.box.y, mark.box.width, mark.box.height)
        if isinstance(mark, TextMark):
            text, *strokes = element
            length = font(mark.size, mark.bold).getlength(mark.text, mode="1")
            assert numbers(element, "x", "y", "width", "height") == box
            assert numbers(text, "x", "y", "font-size") == (-mark.left, mark.baseline, mark.size)
            assert float(text.attrib["textLength"]) == pytest.approx(length, rel=1e-4)
            assert (text.text, "font-weight" in text.attrib) == (mark.text, mark.text == "J0042-07-K")
            assert [numbers(each, "x1", "y1", "x2", "y2", "stroke-width") for each in strokes] == [
                (x0 - mark.left, mark.baseline + y0, x1 - mark.left, mark.baseline + y1, stem)
                for x0, y0, x1, y1, stem in slashes(mark.text, mark.size, mark.bold)
            ]
        elif isinstance(mark, RuleMark):
            assert numbers(element, "x", "y", "width", "height") == box
        elif isinstance(mark, LineMark):
            points = [tuple(map(int, pair.split(","))) for pair in element.attrib["points"].split()]
            assert points == [(mark.box.x + x, mark.box.y + y) for x, y in mark.points]
            assert float(element.attrib["stroke-width"]) == mark.thickness == 2
    kinds = {type(mark) for mark in page.marks}
    assert kinds == {TextMark, RuleMark, LineMark, CodeMark}


def test_boxes_that_touch_do_not_overlap() -> None:
    """A box ends before its right and its lower edge; one dot further they share a dot."""
    box = Box(10, 20, 5, 4)

    assert (box.right, box.bottom) == (15, 24)
    assert box.moved(2, -3) == Box(12, 17, 5, 4)
    for x, y in ((15, 20), (5, 20), (10, 24), (10, 16)):
        assert not overlap(box, Box(x, y, 5, 4))
    for x, y in ((14, 20), (6, 20), (10, 23), (10, 17)):
        assert overlap(box, Box(x, y, 5, 4))
        assert overlap(Box(x, y, 5, 4), box)


def test_ink_lies_where_marks_say() -> None:
    """A rectangle fills its box and no dot more; a line goes through its points, as thick as it says."""
    marks = (RuleMark(Box(3, 4, 5, 2)), LineMark(Box(20, 10, 9, 9), ((0, 0), (8, 0)), 1))
    ink = paint(Page(25.4, 25.4, marks), 50)

    assert ink.size == (50, 50)
    assert ink.crop((0, 0, 18, 50)).getbbox() == (3, 4, 8, 6)
    assert ink.crop((18, 0, 50, 50)).getbbox() == (2, 10, 11, 11)
    assert ink.histogram()[255] == 5 * 2 + 9


def test_rows_of_text_keep_their_distances() -> None:
    """0.35 mm from the ID to a hairline of 0.15 mm, then 1.05 mm; below, rows follow each other at once."""
    made = plan(LABEL, stocks()["a4-3x8"], 600)
    head, *rows = (mark.box for mark in made.marks if isinstance(mark, TextMark))
    (rule,) = (mark.box for mark in made.marks if isinstance(mark, RuleMark))

    assert (rule.y - head.bottom, rule.height) == (8, 4)
    assert rows[0].y - head.bottom == 17 + 4 + 8
    assert [below.y - above.bottom for above, below in pairwise(rows)] == [0, 0, 0]


@pytest.mark.parametrize("name", ["a4-3x8", "letter-3x10", "tape-24"])
def test_the_capitals_of_the_id_begin_beside_the_top_of_the_code(name: str) -> None:
    """They end a fifth of their size below the top of their row, wherever there is height enough."""
    stock = stocks()[name]
    made = plan(Label("J0042-07-K.7QX", "A1"), stock, stock.dpi)
    code = next(mark for mark in made.marks if isinstance(mark, CodeMark))
    head = next(mark for mark in made.marks if isinstance(mark, TextMark))
    clear = round(stock.clear_mm * stock.dpi / 25.4)

    assert head.box.y == max(clear, code.symbol.y - round(0.2 * head.size))


def test_type_gets_smaller_by_eight_in_a_hundred() -> None:
    """So that IDs of nearly the same width come out alike; the smallest size is tried last and once."""
    assert list(layout._sizes(50, 30)) == [50, 46, 42, 38, 34, 31, 30]
    assert list(layout._sizes(30, 30)) == [30]
    assert list(layout._sizes(20, 30)) == [30]


def test_a_line_to_cut_a_circle_out_goes_round_in_four_degree_steps() -> None:
    """Through ninety points, the last the first again, each on the edge of the label to half a dot."""
    (line,) = (
        mark for mark in draw_sheet([LABEL], stocks()["round-25-cut"]).pages[0].marks
        if isinstance(mark, LineMark)
    )  # fmt: skip
    radius = line.box.width / 2

    assert (len(line.points), len(set(line.points)), line.points[-1]) == (91, 90, line.points[0])
    assert line.points[0] == (line.box.width, round(radius))
    for x, y in line.points:
        assert math.hypot(x - radius, y - radius) == pytest.approx(radius, abs=0.8)


@pytest.mark.parametrize(("width", "length"), [(109.9, 90), (110, 100), (300, 100), (29.9, 10)])
def test_the_line_to_be_measured_fits_a_narrow_page(width: float, length: int) -> None:
    """In whole centimetres with 5 mm beside it, at most 100 mm; the words below it say how long it is."""
    stock = Stock("own", "", "sheet", 300, 20, 20, 1, width, 100, pitch_x_mm=20, pitch_y_mm=20)
    marks = ruler_page(stock).pages[0].marks
    said = next(mark.text for mark in marks if isinstance(mark, TextMark) and "is not" in mark.text)

    assert said.endswith(f"is not {length} mm,")
    assert max(mark.box.width for mark in marks if isinstance(mark, RuleMark)) == max(
        round(length * 300 / 25.4), round(20 * 300 / 25.4)
    )


def test_the_ruler_across_a_short_page_stands_in_its_middle() -> None:
    """On a flag of 24 mm at 12 mm; where the words have no room they are left out or shortened."""
    stock = Stock("own", "", "flag", 300, 24, 12, 1, 24, 12, wrap_mm=4)
    marks = ruler_page(stock).pages[0].marks
    across = [
        mark.box for mark in marks if isinstance(mark, RuleMark) and mark.box.x == round(12 * 300 / 25.4)
    ]

    assert len(across) >= 13
    assert all(mark.box.right <= 24 * 300 / 25.4 + 1 for mark in marks if isinstance(mark, TextMark))


def test_a_picture_of_a_plate_on_a_tape_ends_behind_the_bed() -> None:
    """The tape is cut behind bed or title, with its clear rim; titles are of 2.2 mm, numbers of 1.9."""
    plate = PlatePicture("J0042-H", 100.0, 100.0, (("1", ((20.0, 10.0), (60.0, 10.0), (60.0, 20.0))),))
    wordy = PlatePicture("J0042-H, second attempt with the door open", 100.0, 100.0, ())
    stock = stocks()["tape-24"]
    _, bare, long = draw_sheet([LABEL], stock, plates=[plate, wordy]).pages
    title, bed, _, number = bare.marks
    clear = round(stock.clear_mm * stock.dpi / 25.4)

    assert isinstance(title, TextMark)
    assert isinstance(number, TextMark)
    assert (title.size, number.size) == (round(2.2 * stock.dpi / 25.4), round(1.9 * stock.dpi / 25.4))
    assert round(bare.width_mm * stock.dpi / 25.4) == max(bed.box.right, title.box.right) + clear
    assert round(long.width_mm * stock.dpi / 25.4) == long.marks[0].box.right + clear
    assert bed.box.bottom <= round(24 * stock.dpi / 25.4) - clear


def test_a_pdf_needs_an_encoder_and_a_png_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """A Pillow of one's own making may lack libtiff: it is said what else can be printed."""
    monkeypatch.setattr(drawing.features, "check", lambda _: False)
    made = draw_sheet([LABEL], stocks()["a4-3x8"])

    with pytest.raises(LabelError, match="print the PNG pages"):
        made.pdf()
    assert made.pages_png()[0].startswith(b"\x89PNG")


def test_names_of_the_package_bring_their_modules() -> None:
    """All are listed before any is asked for; one that is not there is refused as of any module."""
    assert set(tracker_labels.__all__) <= set(dir(tracker_labels))
    assert all(getattr(tracker_labels, name) is not None for name in tracker_labels.__all__)
    with pytest.raises(AttributeError, match="'tracker_labels' has no attribute 'nothing'"):
        _ = tracker_labels.nothing


@pytest.mark.parametrize(
    ("said", "text"),
    [
        (LabelError("No code"), "No code"),
        (LabelError("No code", why="too long"), "No code: too long"),
        (LabelError("No code.", do="Shorten it."), "No code. Shorten it."),
        (LabelError("No code", why="too long.", do="Shorten it."), "No code: too long. Shorten it."),
    ],
)
def test_a_refusal_says_what_why_and_what_to_do(said: LabelError, text: str) -> None:
    """In that order, as far as there is something to say, with one full stop between them."""
    assert str(said) == text


def test_plans_and_marks_are_never_changed() -> None:
    """One plan is drawn on many pages, and one row of text kept for all of them."""
    kinds = [
        kind
        for module in (drawing, label, layout, sheet)
        for kind in vars(module).values()
        if is_dataclass(kind) and isinstance(kind, type)
    ]

    assert len(kinds) > 10
    for kind in kinds:
        with pytest.raises(FrozenInstanceError):
            setattr(object.__new__(kind), fields(kind)[0].name, None)


class Claimed:
    """A picture that says how large it is, and is unpacked by nobody."""

    def __init__(self, width: int, height: int, **more: Any) -> None:
        self.width, self.height = width, height
        self.mode, self.format, self.halvings = more.get("mode", "L"), more.get("format", "PNG"), 0
        self.has_transparency_data = more.get("transparent", False)
        self.info = {"progressive": 1} if more.get("progressive") else {}
        self._drafts = more.get("drafts", False)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height."""
        return self.width, self.height

    def draft(self, _: str, size: tuple[int, int]) -> None:
        """Become smaller, if the format can."""
        if self._drafts:
            (self.width, self.height), self.halvings = size, self.halvings + 1

    def convert(self, mode: str) -> str:
        """Name what it was converted to."""
        return f"whole {mode}"


@pytest.mark.parametrize(
    ("picture", "becomes"),
    [
        (Claimed(4000, 4000), "whole L"),
        (Claimed(4000, 4001), "halved"),
        (Claimed(8000, 5000), "halved"),
        (Claimed(8000, 5001), r"8000 × 5001 pixels.* at most 40 million"),
        (Claimed(5000, 5000, progressive=True), "halved"),
        (Claimed(5000, 5001, progressive=True, drafts=True), "pixels in passes.* at most 25 million"),
        (Claimed(16000, 16000, drafts=True), "whole L"),
        (Claimed(4000, 3000, format="WEBP"), "whole L"),
        (Claimed(4000, 3001, format="WEBP"), r"4000 × 3001 pixels.* at most 12 million"),
        (Claimed(4000, 3001, transparent=True), "at most 12 million"),
        (Claimed(4000, 3001, mode="I;16"), "at most 12 million"),
        (Claimed(4000, 3001, mode="F"), "at most 12 million"),
        (Claimed(4000, 3000, mode="F"), "deep"),
        (Claimed(4000, 3000, mode="I"), "deep"),
    ],
)
def test_pictures_are_unpacked_within_the_memory(
    picture: Claimed, becomes: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """16 million pixels whole, up to 40 halved; 25 in passes, 12 where each is unpacked several times."""
    monkeypatch.setattr(looking, "_halved", lambda _: "halved")
    monkeypatch.setattr(looking, "_eight_bits", lambda _: "deep")
    if "million" in becomes:
        with pytest.raises(LabelError, match=becomes):
            looking._grey(picture)  # type: ignore[arg-type]
    else:
        assert looking._grey(picture) == becomes  # type: ignore[arg-type,comparison-overlap]


def test_a_large_photograph_is_unpacked_no_smaller_than_need_be() -> None:
    """A JPEG of 16000 × 16000 at a quarter, of which 16 million pixels are left."""
    picture = Claimed(16000, 16000, drafts=True)
    reading._grey(picture)  # type: ignore[arg-type]

    assert (picture.size, picture.halvings) == ((4000, 4000), 2)


@pytest.mark.parametrize("size", [(6, 256), (7, 257), (5, 515), (1, 1), (300, 255)])
def test_strips_of_a_halved_picture_make_up_the_whole(size: tuple[int, int]) -> None:
    """As if it was halved at once: every dot the mean of four, odd edges of two."""
    picture = Image.effect_noise(size, 120).convert("RGB")

    assert looking._halved(picture).size == ((size[0] + 1) // 2, (size[1] + 1) // 2)
    assert looking._halved(picture).tobytes() == picture.convert("L").reduce(2).tobytes()


def test_looks_are_stretched_softened_and_turned() -> None:
    """The darkest and lightest hundredth are cut off; blurred by 1.5 dots; turned by 45, 20, 70 degrees."""
    shades = Image.new("L", (100, 200), 150)
    for row, shade in ((0, 0), (2, 50), (196, 200), (198, 255)):
        shades.paste(shade, (0, row, 100, row + 2))
    clear = list(looking._looks(shades))[2][0]
    edge = Image.new("L", (60, 60), 0)
    edge.paste(255, (30, 0, 60, 60))
    speck = Image.new("L", (60, 60), 0)
    speck.paste(255, (10, 10, 11, 11))
    speck.paste(255, (40, 40, 43, 43))
    soft, calm = list(looking._looks(edge))[4][0], list(looking._looks(speck))[6][0]
    turned = [look.size for look, _ in list(looking._looks(Image.new("L", (100, 50))))[-3:]]

    # All of these are small, and so enlarged twice.
    assert [clear.getpixel((9, row)) for row in (0, 200, 399)] == [0, 170, 255]
    assert clear.getpixel((9, 6)) < 40
    assert clear.getpixel((9, 393)) > 215
    # An edge blurred by s falls from 84 to 16 % over 2 s (normal distribution).
    assert sum(0.16 < soft.getpixel((at, 60)) / 255 < 0.84 for at in range(120)) in (2, 3, 4)
    # Of five by five dots four are fewer than half; of what is six by six some stays.
    assert calm.crop((10, 10, 40, 40)).getextrema()[1] < 100
    assert calm.crop((70, 70, 100, 100)).getextrema()[1] > 200
    whole = Image.new("L", (200, 100))
    assert turned == [whole.rotate(turn, expand=True).size for turn in (45, 20, 70)]
    assert len({whole.rotate(turn, expand=True).size for turn in (44, 45, 46, 19, 20, 21, 69, 70, 71)}) == 9


def test_codes_are_told_from_the_top_and_then_from_the_left() -> None:
    """As people read them, however the reader finds them."""
    made = [Label(name, name) for name in ("A1", "B2", "C3", "D4")]
    picture = Image.open(BytesIO(draw_sheet(made, stocks()["a4-3x8"]).pages_png()[0]))
    found = looking._read(picture.convert("L"), fixed=False)

    assert found == ["A1", "B2", "C3", "D4"]
    assert looking._read(picture.convert("L"), fixed=True) == found


@pytest.mark.parametrize("size", [16, 25, 43])
def test_a_row_that_ends_with_a_date_fits_whatever_room_it_has(size: int) -> None:
    """Dot by dot: whole, with what stands before the date cut and marked, the date alone, or nothing."""
    date = "2025-03-01"
    row = layout._Row(f"Wall bracket, upright · {date}", size, bold=False, top=0, kept=date)
    full, bare = (lettering.width(text, size, bold=False) for text in (row.text, date))
    kinds = set()
    for room in range(full + 2):
        shown = layout._shortened(row, room)
        assert lettering.width(shown, size, bold=False) <= room
        assert (date in shown) is (room >= bare)
        assert (shown == row.text) is (room >= full)
        kinds.add("cut" if shown.endswith(f"… · {date}") else shown)

    assert kinds == {"", date, "cut", row.text}


def test_a_row_stands_on_its_baseline() -> None:
    """Capitals end there; a circle is measured at it, for tails may reach into the rim."""
    for size, bold in ((24, False), (43, True)):
        row = layout._Row("H", size, bold=bold, top=100)
        assert row.baseline == 100 + font(size, bold).getbbox("H", mode="1", anchor="la")[3]
        assert row.baseline < row.bottom


@pytest.mark.parametrize("name", ["strip-7", "a4-5x13", "round-25"])
def test_a_name_that_no_arrangement_shows_leaves_the_others_where_they_were(name: str) -> None:
    """It is no use to leave the material and the date out where the orientation is cut all the same."""
    made = plan(Label("A1", "A1", "ASA", "W" * 90, "2025-03-01"), stocks()[name], stocks()[name].dpi)
    shown = " ".join(mark.text for mark in made.marks if isinstance(mark, TextMark))

    assert "ASA" in shown
    assert any("no room for the whole orientation" in remark for remark in made.remarks)


@pytest.mark.parametrize("name", ["flag-bar", "a4-cut", "a4-3x8"])
def test_a_hairline_is_a_dot_on_the_coarsest_printer(name: str) -> None:
    """At 100 dpi 0.15 mm are 0.6 dots: neither folds, rules, cuts nor ticks round to nothing."""
    stock = stocks()[name]
    label = Label("A1", "A1", "ASA")
    marks = [*ruler_page(stock, dpi=100).pages[0].marks]
    with suppress(LabelError):
        marks += draw_sheet([label], stock, dpi=100).pages[0].marks
    thin = [min(mark.box.width, mark.box.height) for mark in marks if isinstance(mark, RuleMark)]
    thin += [mark.thickness for mark in marks if isinstance(mark, LineMark)]

    assert set(thin) == {1}
