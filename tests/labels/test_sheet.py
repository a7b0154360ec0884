"""Labels on pages: places, offsets, sizes, and the codes read back as drawn."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace
from io import BytesIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageChops
from tracker_labels import Label, LabelError, PlatePicture, draw_sheet, find_stock, stocks
from tracker_labels.drawing import CodeMark, LineMark, RuleMark, TextMark, code_dots, paint

from tests.labels.damage import damaged
from tests.labels.helpers import (
    QR_STOCKS,
    SMALL_FACES,
    STOCKS,
    cut_out,
    pictures,
    read_by_opencv,
    read_by_zxing,
    some_labels,
)

SHEETS = tuple(name for name in STOCKS if stocks()[name].kind in ("sheet", "round"))


@pytest.mark.parametrize("stock", STOCKS)
def test_zxing_reads_every_code_as_drawn(stock: str) -> None:
    """On every stock zxing-cpp reads all labels from the whole pages."""
    labels = some_labels(7)
    read = set().union(*map(read_by_zxing, pictures(draw_sheet(labels, stocks()[stock]))))

    assert read == {label.payload for label in labels}


@pytest.mark.parametrize("stock", QR_STOCKS)
def test_opencv_reads_every_code_as_drawn(stock: str) -> None:
    """On every stock OpenCV reads each label that is held before it."""
    labels = some_labels(7)
    sheets = [draw_sheet([label], stocks()[stock]) for label in labels]
    read = [read_by_opencv(cut_out(pictures(sheet)[0], sheet)[0]) for sheet in sheets]

    assert read == [{label.payload} for label in labels]


@pytest.mark.parametrize("stock", STOCKS)
def test_zxing_reads_every_code_after_damage_at_200_dpi(stock: str) -> None:
    """Printed at 200 dpi, turned, blurred, noisy and compressed, every label is still read."""
    labels = some_labels(10)
    sheets = [draw_sheet([label], stocks()[stock], dpi=200) for label in labels]
    seen = [damaged(cut_out(pictures(sheet)[0], sheet)[0], seed) for seed, sheet in enumerate(sheets)]

    assert [read_by_zxing(picture) for picture in seen] == [{label.payload} for label in labels]


@pytest.mark.parametrize("stock", SHEETS)
def test_a_full_page_is_followed_by_another(stock: str) -> None:
    """One label more than a page holds makes two pages."""
    many = stocks()[stock].places + 1

    assert len(draw_sheet(some_labels(many), stocks()[stock]).pages) == 2


@pytest.mark.parametrize("stock", ["tape-12", "flag-bar"])
def test_a_tape_or_flag_is_a_page_a_label(stock: str) -> None:
    """Where labels come off a roll each is a page."""
    assert len(draw_sheet(some_labels(3), stocks()[stock]).pages) == 3


@pytest.mark.parametrize("stock", SHEETS)
def test_starting_later_leaves_places_free(stock: str) -> None:
    """The first label of a sheet started at 5 stands where the fifth of a whole one does."""
    labels = some_labels(6)
    whole, later = (draw_sheet(labels, stocks()[stock], start_at=at) for at in (1, 5))

    assert later.codes[0].box == whole.codes[4].box


def test_only_the_first_page_starts_later() -> None:
    """On the second page the labels begin at the first place."""
    labels = some_labels(30)
    sheet = draw_sheet(labels, stocks()["a4-3x8"], start_at=20)

    assert sheet.codes[5].box == draw_sheet(labels, stocks()["a4-3x8"]).codes[0].box


@pytest.mark.parametrize("start", [0, -1, 25])
def test_a_place_that_is_not_there_is_refused(start: int) -> None:
    """A place off the sheet is refused with those there are."""
    with pytest.raises(LabelError, match=f"no place {start}. Start at 1 to 24"):
        draw_sheet(some_labels(1), stocks()["a4-3x8"], start_at=start)


def test_a_tape_has_no_second_place() -> None:
    """A tape cannot be started later, and the reason is said."""
    with pytest.raises(LabelError, match="each label is a page of its own"):
        draw_sheet(some_labels(1), stocks()["tape-12"], start_at=2)


@pytest.mark.parametrize("stock", STOCKS)
def test_an_offset_moves_every_mark_by_the_same_dots(stock: str) -> None:
    """1.5 mm to the right and 0.8 mm upwards are the same whole dots for all that is drawn."""
    geometry = stocks()[stock]
    still, pushed = (draw_sheet(some_labels(5), geometry, offset_mm=by) for by in ((0.0, 0.0), (1.5, -0.8)))
    dx, dy = round(1.5 * geometry.dpi / 25.4), -round(0.8 * geometry.dpi / 25.4)
    before, after = ([mark.box for page in sheet.pages for mark in page.marks] for sheet in (still, pushed))

    assert after == [box.moved(dx, dy) for box in before]


def test_an_offset_moves_the_dots_of_the_picture() -> None:
    """The picture with an offset is the picture without, moved by that many dots."""
    still, pushed = (
        draw_sheet(some_labels(3), stocks()["a4-5x13"], offset_mm=by) for by in ((0, 0), (2.0, 1.0))
    )
    before, after = pictures(still)[0], pictures(pushed)[0]
    dx, dy = round(2.0 * 300 / 25.4), round(1.0 * 300 / 25.4)

    assert after.crop((dx, dy, 2000, 1000)).tobytes() == before.crop((0, 0, 2000 - dx, 1000 - dy)).tobytes()


@pytest.mark.parametrize("offset", [(11.0, 0.0), (0.0, -11.0), (math.nan, 0.0), (0.0, math.inf)])
def test_an_offset_of_no_printer_is_refused(offset: tuple[float, float]) -> None:
    """More than 10 mm, or no number, is refused."""
    with pytest.raises(LabelError, match="is none of a printer"):
        draw_sheet(some_labels(1), stocks()["a4-3x8"], offset_mm=offset)


@pytest.mark.parametrize("dpi", [0, 50, 5000, math.nan, -300])
def test_a_resolution_of_no_printer_is_refused(dpi: float) -> None:
    """Dots per inch outside 100 to 1200 are refused."""
    with pytest.raises(LabelError, match="dpi is no printer's"):
        draw_sheet(some_labels(1), stocks()["a4-3x8"], dpi=dpi)


def test_no_label_is_no_sheet() -> None:
    """Without a label there is nothing to draw."""
    with pytest.raises(LabelError, match="no label to print"):
        draw_sheet([], stocks()["a4-3x8"])


@pytest.mark.parametrize("stock", STOCKS)
def test_a_png_carries_its_resolution(stock: str) -> None:
    """A PNG page tells how many dots make an inch, so that it prints at its size."""
    sheet = draw_sheet(some_labels(1), stocks()[stock])
    picture = Image.open(BytesIO(sheet.pages_png()[0]))

    assert picture.info["dpi"] == pytest.approx((sheet.dpi, sheet.dpi), abs=0.02)


def test_a_png_has_no_grey() -> None:
    """Pages are of one bit a dot."""
    assert Image.open(BytesIO(draw_sheet(some_labels(1), stocks()["a4-3x8"]).pages_png()[0])).mode == "1"


def test_a_code_is_painted_over_whatever_would_touch_it() -> None:
    """Should a mark ever cross a code, it is the mark that is cut, in whatever order they come."""
    stock = stocks()["a4-3x8"]
    page = draw_sheet(some_labels(1), stock).pages[0]
    (code,) = (mark for mark in page.marks if isinstance(mark, CodeMark))
    crossed = replace(page, marks=(code, RuleMark(code.box)))

    assert paint(crossed, 300).crop((code.box.x, code.box.y, code.box.right, code.box.bottom)).tobytes() == (
        code_dots(code.code, code.module).tobytes()
    )


def test_importing_loads_nothing_heavy() -> None:
    """The package can be imported without Pillow, the code libraries, numpy or matplotlib."""
    heavy = ("PIL", "qrcode", "zxingcpp", "numpy", "matplotlib")
    check = (
        f"import sys, tracker_labels; tracker_labels.Label; print([m for m in {heavy} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("stock", STOCKS)
def test_the_ids_of_a_sheet_are_of_one_size(stock: str) -> None:
    """A longer ID makes all IDs of its sheet smaller, so that none looks like a heading of the others."""
    long = Label("J12345-04-K.7QX", "J12345-04-K", "ASA", "upright", "2025-03-01")
    sheet = draw_sheet([*some_labels(3), long], stocks()[stock])
    sizes = {
        mark.size for page in sheet.pages for mark in page.marks if isinstance(mark, TextMark) and mark.bold
    }

    assert len(sizes) == 1


@pytest.mark.parametrize("stock", SMALL_FACES)
def test_a_small_face_gets_a_data_matrix(stock: str) -> None:
    """Where a QR code of an ID has no room, a Data Matrix stands, and the person who prints is told."""
    sheet = draw_sheet(some_labels(1), stocks()[stock])

    assert sheet.codes[0].code.symbology == "DataMatrix"
    assert any("Data Matrix" in remark for remark in sheet.remarks)


@pytest.mark.parametrize("stock", QR_STOCKS)
def test_a_larger_face_gets_a_qr_code(stock: str) -> None:
    """Wherever a QR code has room it is a QR code, which every telephone reads."""
    assert draw_sheet(some_labels(1), stocks()[stock]).codes[0].code.symbology == "QR"


@pytest.mark.parametrize("stock", ["tape-9", "tape-12-180"])
def test_tapes_at_180_dpi_hold_the_code_of_an_id(stock: str) -> None:
    """On tape of 9 and 12 mm at 180 dpi every module has 3 dots or more."""
    mark = draw_sheet(some_labels(1), stocks()[stock], dpi=180).codes[0]

    assert mark.module >= 3


def test_the_tape_of_another_printer_is_named() -> None:
    """An address is too long for a tape of 12 mm at 180 dpi; a stock that this printer can print is named."""
    with pytest.raises(LabelError, match=r"at 180 dpi .* Use .* or shorten"):
        draw_sheet(
            [Label("HTTP://BENCH.EXAMPLE:8000/J0012-04-K.7QX", "J0012-04-K")], stocks()["tape-12"], dpi=180
        )


def _plate() -> PlatePicture:
    """Return a plate of four bars side by side."""
    bars = [((x, 40), (x + 15, 40), (x + 15, 160), (x, 160)) for x in (20, 60, 100, 140)]
    return PlatePicture("J0001-J", 200, 200, tuple((str(n), bar) for n, bar in enumerate(bars, start=1)))


@pytest.mark.parametrize("stock", ["a4-3x8", "a4-5x13", "a4-cut", "letter-3x10", "tape-24"])
def test_the_plate_is_behind_its_labels(stock: str) -> None:
    """The place after the last label shows the plate with the number of every piece, inside its rim."""
    geometry = stocks()[stock]
    without, sheet = (draw_sheet(some_labels(4), geometry, plates=plates) for plates in ((), (_plate(),)))
    added = (
        sheet.pages[-1].marks
        if geometry.kind == "tape"
        else sheet.pages[0].marks[len(without.pages[0].marks) :]
    )

    assert [mark.text for mark in added if isinstance(mark, TextMark)] == ["J0001-J", "1", "2", "3", "4"]
    assert sum(isinstance(mark, LineMark) for mark in added) == 5 + geometry.cut


@settings(deadline=None, max_examples=50)
@given(
    st.sampled_from(["a4-3x8", "a4-5x13", "tape-24"]),
    st.lists(st.tuples(st.floats(-50, 400), st.floats(-50, 400)), min_size=3, max_size=8),
)
def test_no_outline_leaves_its_label(stock: str, outline: list[tuple[float, float]]) -> None:
    """However a piece reaches over the bed, its picture stays inside the label's place."""
    geometry = stocks()[stock]
    plate = PlatePicture("J0001-J", 200, 180, (("12", tuple(outline)),))
    page = draw_sheet(some_labels(1), replace(geometry, columns=1, rows=2), plates=[plate]).pages[-1]
    limit = (geometry.label_width_mm + geometry.left_mm) * geometry.dpi / 25.4 + 1
    lines = [mark for mark in page.marks if isinstance(mark, LineMark)]

    assert all(0 <= mark.box.x + x <= limit for mark in lines for x, _ in mark.points)
    assert all(
        0 <= x <= mark.box.width and 0 <= y <= mark.box.height for mark in lines for x, y in mark.points
    )


def test_the_title_of_a_plate_is_cut_at_the_rim_and_not_before() -> None:
    """A label of 70 mm has room for 28 letters of the broadest kind; of 29 the mark says there were more."""
    for letters, whole in ((28, True), (29, False)):
        plate = PlatePicture("m" * letters, 200, 200, ())
        marks = draw_sheet(some_labels(1), stocks()["a4-3x8"], plates=[plate]).pages[0].marks
        title = next(mark for mark in marks if isinstance(mark, TextMark) and mark.text.startswith("mm"))
        # 140 mm less the rim of 4.5 mm, at 300 dots to the inch.
        assert title.box.right <= 1601
        assert (title.text == "m" * letters) is whole
        assert whole or title.text.endswith("…")


def test_a_face_too_small_for_the_plate_is_reported() -> None:
    """On a narrow tape the plate is left out, and the person who prints is told."""
    assert (
        "tape-12 has no room for a picture of J0001-J"
        in draw_sheet(some_labels(1), stocks()["tape-12"], plates=[_plate()]).remarks
    )


@pytest.mark.parametrize("stock", ["a4-cut", "round-25-cut", "strip-7"])
def test_where_hands_cut_there_is_a_line(stock: str) -> None:
    """Each label of a sheet to cut has a closed line at its edge, and no code paints over it."""
    sheet = draw_sheet(some_labels(5), stocks()[stock])
    lines = [mark for mark in sheet.pages[0].marks if isinstance(mark, LineMark)]
    picture = ImageChops.invert(pictures(sheet)[0])

    assert len(lines) == 5
    for line in lines:
        assert line.points[0] == line.points[-1]
        dots = [picture.getpixel((line.box.x + x, line.box.y + y)) for x, y in line.points]
        assert all(dots)


@pytest.mark.parametrize("stock", ["a4-3x8", "a4-5x13", "round-25", "letter-3x10"])
def test_a_sheet_of_cut_labels_has_no_line(stock: str) -> None:
    """Labels that come cut get no line to cut along."""
    sheet = draw_sheet(some_labels(2), stocks()[stock])

    assert not any(isinstance(mark, LineMark) for mark in sheet.pages[0].marks)


@pytest.mark.parametrize("stock", ["tape-9", "strip-7", "round-25"])
def test_no_place_stays_empty_for_a_picture_that_has_no_room(stock: str) -> None:
    """A tape is not fed and a strip not cut for nothing; that there is no picture is said."""
    picture = PlatePicture("J0012-P", 200, 200, ((1, ((10, 10), (90, 10), (90, 20), (10, 20))),))
    label = Label("J0012-04-K.7QX", "J0012-04-K", "ASA", "bar #4 · upright (ZXY)", "2026-03-24")
    found = find_stock(stock)
    with_picture = draw_sheet([label], found, plates=[picture])
    assert len(with_picture.pages) == 1
    assert with_picture.pages == draw_sheet([label], found).pages
    assert any("no room for a picture" in remark for remark in with_picture.remarks)


def test_name_and_orientation_stand_on_the_smallest_faces() -> None:
    """On a strip the material gives way to what tells two specimens apart, and it is said."""
    label = Label("J0012-04-K.7QX", "J0012-04-K", "Tarnholm ASA 40", "bar #4 · upright (ZXY)", "2026-03-24")
    made = draw_sheet([label], find_stock("strip-7"))
    texts = [mark.text for mark in made.pages[0].marks if isinstance(mark, TextMark)]
    assert "bar #4 · upright (ZXY)" in texts
    assert any("whole material" in remark for remark in made.remarks)
    assert not any("orientation" in remark for remark in made.remarks)
