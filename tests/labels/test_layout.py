"""Where code and text stand: apart from each other, inside the label, and large enough."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageChops
from tracker_labels import Label, LabelError, draw_sheet, stocks
from tracker_labels.code import encode, encode_small
from tracker_labels.drawing import Box, CodeMark, TextMark, code_dots, text_dots
from tracker_labels.layout import FEWEST_DOTS, module_dots, plan
from tracker_labels.lettering import STANDS_FOR_MISSING

from tests.labels.helpers import STOCKS, overlap, pictures, read_by_zxing, some_labels

any_text = st.text(alphabet=st.characters(), max_size=80)
any_stock = st.sampled_from(STOCKS)
LONG = "W" * 500
ADDRESS = "HTTP://BENCH.EXAMPLE:8000/"


def _texts(label: Label, stock: str) -> list[TextMark]:
    """Return the texts of a planned label, the ID first."""
    geometry = stocks()[stock]
    return [mark for mark in plan(label, geometry, geometry.dpi).marks if isinstance(mark, TextMark)]


@settings(deadline=None)
@given(any_stock, any_text, any_text, any_text, any_text, any_text)
def test_no_text_touches_the_code(
    stock: str, id_text: str, material: str, orientation: str, date: str, line: str
) -> None:
    """Whatever is typed into whatever field, the dots of code and quiet zone are those of the code alone."""
    label = Label("J0012-04-K.7QX", id_text, material, orientation, date, line)
    sheet = draw_sheet([label], stocks()[stock])
    mark = sheet.codes[0]
    small = encode_small(label.payload)
    code = encode(label.payload) if mark.code.symbology == "QR" else small
    assert code is not None
    drawn = pictures(sheet)[0].crop((mark.box.x, mark.box.y, mark.box.right, mark.box.bottom))

    assert drawn.tobytes() == ImageChops.invert(code_dots(code, mark.module)).convert("L").tobytes()


@settings(deadline=None)
@given(any_stock, st.sampled_from([200.0, 300.0, 600.0]), any_text, any_text, any_text)
def test_marks_stand_apart_and_inside_the_label(
    stock: str, dpi: float, id_text: str, material: str, line: str
) -> None:
    """At every resolution no two marks share a dot, and none leaves the label."""
    label = Label("J0012-04-K.7QX", id_text, material, "ZX", "2025-03-01", line)
    made = plan(label, stocks()[stock], dpi)
    boxes = [mark.box for mark in made.marks]

    assert not any(overlap(one, other) for one, other in combinations(boxes, 2))
    assert all(
        min(box.x, box.y) >= 0 and box.right <= made.width and box.bottom <= made.height for box in boxes
    )


@pytest.mark.parametrize("stock", STOCKS)
def test_500_characters_in_every_field_leave_the_code_readable(stock: str) -> None:
    """The longest names are shortened, and the code is read."""
    label = Label("J0012-04-K.7QX", LONG, LONG, LONG, LONG, LONG)

    assert read_by_zxing(pictures(draw_sheet([label], stocks()[stock]))[0]) == {label.payload}


@pytest.mark.parametrize("stock", STOCKS)
def test_an_ordinary_id_is_shown_whole(stock: str) -> None:
    """The ID of a specimen has room on every bundled stock."""
    assert _texts(some_labels(1)[0], stock)[0].text == "J0001-02-K"


@pytest.mark.parametrize("stock", STOCKS)
def test_the_id_is_the_largest_text(stock: str) -> None:
    """Nothing on a label is set larger than its ID."""
    first, *others = _texts(some_labels(1)[0], stock)

    assert all(first.size > other.size for other in others)


@pytest.mark.parametrize("stock", STOCKS)
def test_the_id_is_at_least_2_mm_high(stock: str) -> None:
    """The type of the ID can be read by eye."""
    assert _texts(some_labels(1)[0], stock)[0].size * 25.4 / stocks()[stock].dpi > 2.0


@pytest.mark.parametrize("stock", ["a4-3x8", "a4-5x13", "letter-3x10", "tape-24", "flag-bar"])
def test_every_field_is_on_the_label(stock: str) -> None:
    """Material, orientation, date and line are all there where there is room."""
    shown = " ".join(mark.text for mark in _texts(some_labels(1)[0], stock))

    assert all(text in shown for text in ("ASA Grau, Müller", "ZX", "2025-03-01", "chamber 60 °C"))


def test_a_long_line_is_broken_before_it_is_shortened() -> None:
    """Where there is height enough, a long line takes two rows."""
    label = some_labels(1, "second attempt; the door stood open for the first twelve layers")[0]

    assert draw_sheet([label], stocks()["a4-3x8"]).remarks == ()


def test_what_was_shortened_is_reported() -> None:
    """The person who prints is told which text is not whole on its label."""
    remarks = draw_sheet(some_labels(1, "W" * 90), stocks()["a4-5x13"]).remarks

    assert remarks == (f"J0001-02-K: no room for the whole line, {'W' * 90!r}",)


def test_what_was_replaced_is_reported() -> None:
    """The person who prints is told which characters the font lacks."""
    (remark,) = draw_sheet(some_labels(1, "材料 2"), stocks()["a4-3x8"]).remarks

    assert "'材料'" in remark


def test_a_replaced_character_is_on_the_label() -> None:
    """A character which the font lacks is a square on the label."""
    label = Label("J0012-04-K.7QX", "J0012-04-K", "材")

    assert _texts(label, "a4-3x8")[1].text == STANDS_FOR_MISSING


@pytest.mark.parametrize("stock", STOCKS)
def test_the_quiet_zone_is_as_wide_as_the_standards_ask(stock: str) -> None:
    """Around a QR code four modules stay light (ISO/IEC 18004), around a Data Matrix one (ISO/IEC 16022)."""
    sheet = draw_sheet(some_labels(1), stocks()[stock])
    mark = sheet.codes[0]
    wanted = {"QR": 4, "DataMatrix": 1}[mark.code.symbology] * mark.module
    picture, symbol = pictures(sheet)[0], mark.symbol
    around = picture.crop(
        (symbol.x - wanted, symbol.y - wanted, symbol.right + wanted, symbol.bottom + wanted)
    )
    ink = ImageChops.invert(around).getbbox()

    assert ink is not None
    assert ink == (wanted, wanted, around.width - wanted, around.height - wanted)


@pytest.mark.parametrize("dpi", [200, 203.2, 300, 360, 600])
@pytest.mark.parametrize("stock", STOCKS)
def test_an_id_has_three_dots_a_module_on_every_stock(stock: str, dpi: float) -> None:
    """On no usual printer is the code of an ID finer than 3 dots and a quarter of a millimetre."""
    module = draw_sheet(some_labels(1), stocks()[stock], dpi=dpi).codes[0].module

    assert module >= FEWEST_DOTS
    assert module * 25.4 / dpi >= 0.25


@pytest.mark.parametrize("stock", STOCKS)
def test_every_module_is_a_square_of_whole_dots(stock: str) -> None:
    """Taking one dot of each module gives the code back, as no module is wider than another."""
    sheet = draw_sheet(some_labels(1), stocks()[stock])
    mark = sheet.codes[0]
    box: Box = mark.symbol
    symbol = pictures(sheet)[0].crop((box.x, box.y, box.right, box.bottom))
    small = symbol.resize((mark.code.size, mark.code.size), Image.Resampling.NEAREST)

    assert small.resize(symbol.size, Image.Resampling.NEAREST).tobytes() == symbol.tobytes()
    assert bytes(dot == 0 for dot in small.tobytes()) == mark.code.modules


def test_a_code_that_would_be_too_fine_is_refused() -> None:
    """A very long address on the narrow tape leaves fewer than 3 dots a module, in whatever code."""
    long = f"{ADDRESS}{'A-LONG-WAY/' * 8}J0012-04-K.7QX"
    with pytest.raises(
        LabelError, match=rf"too fine for tape-12: its {len(long)} characters need 41 × 41 modules"
    ):
        draw_sheet([Label(long, "J0012-04-K")], stocks()["tape-12"])


@pytest.mark.parametrize("many", [80, 100, 200, 400])
def test_the_refusal_names_the_smallest_stock_that_holds_the_code(many: int) -> None:
    """The stock that is named takes the label, and no smaller one does."""
    label = Label("A" * many, "J0012-04-K")
    with pytest.raises(LabelError) as refusal:
        draw_sheet([label], stocks()["tape-12"])
    small = encode_small(label.payload)
    holders = [
        one
        for one in stocks().values()
        if module_dots(encode(label.payload).size, one, one.dpi)
        or (small is not None and module_dots(small.size, one, one.dpi, small.quiet))
    ]

    assert f"Use {min(holders, key=lambda one: one.area_mm2).name} " in str(refusal.value)


def test_a_fine_printer_does_not_make_the_code_too_fine() -> None:
    """At 600 dpi 5 dots a module would be 0.21 mm, too little for a telephone: refused all the same."""
    with pytest.raises(LabelError, match=r"fewer than 3 dots or less than 0\.25 mm"):
        draw_sheet([Label("A" * 150, "J0012-04-K")], stocks()["tape-12"], dpi=600)


def test_a_code_that_no_stock_holds_is_refused_as_such() -> None:
    """Where no stock helps, the payload has to be shortened."""
    with pytest.raises(LabelError, match="No bundled stock can hold it, or shorten"):
        draw_sheet([Label("A" * 3000, "J0012-04-K")], stocks()["a4-3x8"])


def test_a_named_printer_stays_the_printer() -> None:
    """Whoever names dots per inch is advised for that printer."""
    with pytest.raises(LabelError) as refusal:
        draw_sheet([Label("A" * 300, "J0012-04-K")], stocks()["a4-5x13"], dpi=150)

    assert "at 150 dpi" in str(refusal.value)


def test_a_tape_is_as_long_as_its_text() -> None:
    """A longer line makes a longer label."""
    short, long = (
        draw_sheet(some_labels(1, line), stocks()["tape-24"])
        for line in ("", "a good deal longer, this line")
    )

    assert short.pages[0].width_mm < long.pages[0].width_mm


def test_a_tape_has_a_longest_length() -> None:
    """No text makes a tape label longer than its stock allows."""
    sheet = draw_sheet([Label("J0012-04-K.7QX", LONG, LONG)], stocks()["tape-24"])

    assert sheet.pages[0].width_mm <= 100.01


def test_a_flag_has_its_code_on_one_face_and_its_text_on_the_other() -> None:
    """The part that goes round the bar stays free."""
    stock = stocks()["flag-bar"]
    marks = plan(some_labels(1)[0], stock, stock.dpi).marks
    left, right = (26 * stock.dpi / 25.4, 54 * stock.dpi / 25.4)

    assert all(mark.box.right <= left for mark in marks if isinstance(mark, CodeMark))
    assert all(mark.box.x >= right for mark in marks if isinstance(mark, TextMark))


def test_the_ink_of_a_round_label_is_inside_its_circle() -> None:
    """No dot of ink lies outside the circle of 25 mm."""
    stock = stocks()["round-25"]
    sheet = draw_sheet(some_labels(1), stock)
    picture = ImageChops.invert(pictures(sheet)[0])
    ink = [(at % picture.width, at // picture.width) for at, dot in enumerate(picture.tobytes()) if dot]
    x, y = ((edge + 12.5) * 300 / 25.4 for edge in (stock.left_mm, stock.top_mm))

    assert max((one - x) ** 2 + (other - y) ** 2 for one, other in ink) < (12.5 * 300 / 25.4) ** 2


def test_a_row_too_wide_is_broken_where_its_texts_were_joined() -> None:
    """Shape and orientation get a row each, in larger letters than both in one row would have."""
    label = Label("J0012-04-K.7QX", "J0012-04-K", "ASA", "bar #4 · upright (ZXY)", "2026-03-24")

    assert [(mark.text, mark.size) for mark in _texts(label, "a4-3x8")[1:]] == [
        ("ASA", 43), ("bar #4", 43), ("upright (ZXY)", 43), ("2026-03-24", 43),
    ]  # fmt: skip


def test_a_date_is_never_cut() -> None:
    """Where a row is too long its date stays whole: half a date is a wrong date."""
    label = Label(
        "J0012-04-K.7QX", "J0012-04-K", "ASA", "a very long name of a piece, upright (ZYX)", "2025-03-01"
    )
    for stock in ("round-25", "tape-12", "a4-5x13", "flag-bar", "tape-24"):
        assert any("2025-03-01" in mark.text for mark in _texts(label, stock)), stock


@given(any_stock, any_text, any_text)
@settings(deadline=None, max_examples=60)
def test_a_date_stands_whole_or_not_at_all(stock: str, material: str, orientation: str) -> None:
    """Whatever is before it, no part of a date is left over."""
    label = Label("J0012-04-K.7QX", "J0012-04-K", material, orientation, "2025-03-01")
    shown = " ".join(mark.text for mark in _texts(label, stock))

    assert "2025-03-01" in shown or "2025" not in shown.replace(orientation, "").replace(material, "")


def test_a_zero_is_struck_through() -> None:
    """In the ID a zero has ink in its middle, where the letter O has none."""
    nought, letter = (text_dots(char, 60, bold=True, width=60, height=80) for char in "0O")
    middles = [picture.crop(picture.getbbox()) for picture in (nought, letter)]

    assert [bool(one.getpixel((one.width // 2, one.height // 2))) for one in middles] == [True, False]
