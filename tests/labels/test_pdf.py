"""PDF: exact sizes, exact dots, and codes that are read from pages which an independent program rendered."""

from __future__ import annotations

import re
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image, ImageChops
from pypdf import PdfReader
from tracker_labels import Sheet, draw_sheet, stocks

from tests.labels.helpers import STOCKS, pictures, read_by_opencv, read_by_zxing, some_labels

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm (Debian package poppler-utils) is not installed"
)


def _rendered(sheet: Sheet, folder: Path, *options: str) -> list[Image.Image]:
    """Return the pages as poppler renders them."""
    (folder / "sheet.pdf").write_bytes(sheet.pdf())
    command = ["pdftoppm", *options, "-png", str(folder / "sheet.pdf"), str(folder / "page")]
    subprocess.run(command, check=True, capture_output=True)
    return [Image.open(file).convert("L") for file in sorted(folder.glob("page*.png"))]


@pytest.mark.parametrize("stock", STOCKS)
def test_pages_have_their_exact_size(stock: str) -> None:
    """The page box is the stock's page to a thousandth of a millimetre."""
    sheet = draw_sheet(some_labels(2), stocks()[stock])
    box = PdfReader(BytesIO(sheet.pdf())).pages[0].mediabox
    size = (sheet.pages[0].width_mm, sheet.pages[0].height_mm)

    assert (float(box.width) / 72 * 25.4, float(box.height) / 72 * 25.4) == pytest.approx(size, abs=1e-3)


def test_an_a4_page_is_210_by_297_mm() -> None:
    """A sheet of A4 labels has the size of A4 (ISO 216)."""
    box = PdfReader(BytesIO(draw_sheet(some_labels(1), stocks()["a4-3x8"]).pdf())).pages[0].mediabox

    assert (float(box.width), float(box.height)) == pytest.approx((595.2756, 841.8898), abs=1e-4)


def test_viewers_are_told_not_to_scale() -> None:
    """The file asks a viewer to print its pages at their own size (ISO 32000-1, 12.2)."""
    reader = PdfReader(BytesIO(draw_sheet(some_labels(1), stocks()["a4-3x8"]).pdf()))

    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"  # type: ignore[index]


def test_pictures_are_of_one_bit_in_group_4() -> None:
    """Every picture in the file is 1-bit CCITT group 4."""
    page = PdfReader(BytesIO(draw_sheet(some_labels(24), stocks()["a4-3x8"]).pdf())).pages[0]
    found = [one.get_object() for one in page["/Resources"]["/XObject"].values()]  # type: ignore[index]

    assert {(one["/BitsPerComponent"], one["/Filter"][1], one["/DecodeParms"][1]["/K"]) for one in found} == {
        (1, "/CCITTFaxDecode", -1)
    }


def test_a_text_of_many_labels_is_kept_once() -> None:
    """Each of the four texts that 24 labels share is one picture, drawn 24 times."""
    page = PdfReader(BytesIO(draw_sheet(some_labels(24), stocks()["a4-3x8"]).pdf())).pages[0]
    drawn = re.findall(rb"/T\d+ Do", page.get_contents().get_data())  # type: ignore[union-attr]

    assert (len(set(drawn)), len(drawn)) == (4, 96)


def test_the_same_labels_give_the_same_bytes() -> None:
    """No date and no chance is in the file."""
    one, other = (draw_sheet(some_labels(3), stocks()["a4-3x8"]).pdf() for _ in range(2))

    assert one == other


@needs_poppler
@pytest.mark.parametrize("stock", STOCKS)
def test_a_rendered_page_is_ours_dot_by_dot(stock: str, tmp_path: Path) -> None:
    """At the printer's resolution poppler gives every dot as we drew it, shared texts too."""
    sheet = draw_sheet(some_labels(8), stocks()[stock])
    (theirs, *_), (ours, *_) = _rendered(sheet, tmp_path, "-r", f"{sheet.dpi}", "-mono"), pictures(sheet)
    # A page of 2480.3 dots is rendered as 2481.
    area = (0, 0, min(ours.width, theirs.width), min(ours.height, theirs.height))

    assert ImageChops.difference(ours.crop(area), theirs.crop(area)).getbbox() is None


@needs_poppler
def test_every_code_of_a_rendered_sheet_is_read(tmp_path: Path) -> None:
    """Rendered at 300 dpi, zxing-cpp reads all labels of two pages of 24."""
    labels = some_labels(48)
    read = set().union(
        *map(read_by_zxing, _rendered(draw_sheet(labels, stocks()["a4-3x8"]), tmp_path, "-r", "300"))
    )

    assert read == {label.payload for label in labels}


@needs_poppler
def test_opencv_reads_nearly_every_code_of_a_rendered_sheet(tmp_path: Path) -> None:
    """Rendered at 300 dpi and cut at the labels' edges, OpenCV reads at least 98 % of 72 labels."""
    labels, stock = some_labels(72), stocks()["a4-3x8"]
    pages = _rendered(draw_sheet(labels, stock), tmp_path, "-r", "300")
    read: set[str] = set()
    for page in pages:
        for place in range(stock.places):
            x, y = (round(mm * 300 / 25.4) for mm in stock.corner_of(place))
            read |= read_by_opencv(page.crop((x, y, x + 827, y + 437)))

    assert len(read & {label.payload for label in labels}) >= 0.98 * 72


@needs_poppler
@pytest.mark.parametrize("resolution", [150, 600])
def test_other_resolutions_are_read_too(resolution: int, tmp_path: Path) -> None:
    """Coarser and finer renderings of a page of 65 are read whole."""
    labels = some_labels(65)
    (page,) = _rendered(draw_sheet(labels, stocks()["a4-5x13"]), tmp_path, "-r", str(resolution))

    assert read_by_zxing(page) == {label.payload for label in labels}
