"""Speed, size and legibility of labels, beside the plain way of drawing them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import cache
from io import BytesIO
from time import perf_counter

import cv2
import numpy as np
import qrcode
import zxingcpp
from PIL import Image, ImageChops, ImageDraw, ImageFont
from qrcode.util import MODE_ALPHA_NUM, QRData, lost_point
from tracker_labels import Label, draw_sheet, stocks
from tracker_labels import code as our_qr
from tracker_labels.drawing import code_dots, dots, text_dots
from tracker_labels.lettering import font

from tests.bench._row import Row
from tests.labels.damage import damaged

_LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_MATERIALS = ("ASA Grau, Müller", "PA12-CF 15 %", "PC µ-filled", "PETG clear")
_ROUNDS = 3
_DPI = 300
_STOCK = "a4-3x8"
# 8 mm at 200 dots per inch are 63 dots: a version 1 code of 21 modules, 3 dots each.
_SMALL_MODULE = 3


def labels(many: int, seed: int = 7) -> list[Label]:
    """Return so many labels, no two alike, as a bench would print them."""
    chance = random.Random(seed)
    made = []
    for number in range(many):
        text = f"J{number // 24 + 1:04d}-{number % 24 + 1:02d}-{chance.choice(_LETTERS)}"
        material = _MATERIALS[number // 24 % len(_MATERIALS)]
        orientation = ("XY", "XZ", "ZX")[number % 3]
        made.append(Label(f"{text}.7QX", text, material, orientation, "2025-03-01", "chamber 60 °C"))
    return made


def plain_pdf(made: Sequence[Label], module: int) -> bytes:
    """Draw labels the plain way: the library's best mask and picture, Pillow's letters, pages and PDF."""
    stock = stocks()[_STOCK]
    size = dots(stock.page_width_mm, _DPI), dots(stock.page_height_mm, _DPI)
    pages = []
    for at, label in enumerate(made):
        if at % stock.places == 0:
            pages.append(Image.new("1", size, 1))
        x, y = (dots(mm, _DPI) for mm in stock.corner_of(at % stock.places))
        _plain_label(pages[-1], label, x + dots(2, _DPI), y + dots(6, _DPI), module)
    file = BytesIO()
    pages[0].save(file, "PDF", resolution=_DPI, save_all=True, append_images=pages[1:])
    return file.getvalue()


def _plain_label(page: Image.Image, label: Label, x: int, y: int, module: int) -> None:
    """Draw one label the plain way."""
    code = qrcode.QRCode(error_correction=qrcode.constants.ERROR_CORRECT_M, box_size=module, border=4)
    code.add_data(label.payload)
    picture = code.make_image().get_image()
    page.paste(picture, (x, y))
    draw = ImageDraw.Draw(page)
    right = x + picture.width
    draw.text((right, y + 20), label.id_text, font=_plain_font(61, bold=True), fill=0)
    small = _plain_font(33, bold=False)
    rows = (label.material, f"{label.orientation} · {label.date}", label.line)
    for row, text in enumerate(rows):
        draw.text((right, y + 100 + 39 * row), text, font=small, fill=0)


@cache
def _plain_font(size: int, *, bold: bool) -> ImageFont.FreeTypeFont:
    """Return the same font that we use, opened once."""
    return ImageFont.truetype(str(font(size, bold).path), size, layout_engine=ImageFont.Layout.BASIC)


def best_mask(payload: str) -> int:
    """Return the mask that the library's own penalty likes best."""
    version, level = our_qr.choose(payload)
    losses = []
    for mask in range(8):
        code = qrcode.QRCode(
            version=version,
            error_correction=getattr(qrcode.constants, f"ERROR_CORRECT_{level}"),
            mask_pattern=mask,
        )
        code.add_data(QRData(payload.encode("ascii"), mode=MODE_ALPHA_NUM))
        code.makeImpl(test=False, mask_pattern=mask)
        losses.append(lost_point(code.modules))
    return losses.index(min(losses))


def decoded_after_damage(made: Sequence[Label], *, best: bool, blur: float = 0.6) -> int:
    """Return how many codes of 3 dots a module are read after damage, each at its first look."""
    read = 0
    for seed, label in enumerate(made):
        mask = best_mask(label.payload) if best else our_qr.MASK
        picture = ImageChops.invert(code_dots(our_qr.encode(label.payload, mask), _SMALL_MODULE))
        found = zxingcpp.read_barcodes(damaged(picture, seed, blur=blur))
        read += [code.text for code in found] == [label.payload]
    return read


def read_by_second_reader(made: Sequence[Label], *, best: bool) -> int:
    """Return how many codes OpenCV, which is the less patient reader, reads as they are drawn."""
    reader, read = cv2.QRCodeDetector(), 0
    for label in made:
        mask = best_mask(label.payload) if best else our_qr.MASK
        picture = ImageChops.invert(code_dots(our_qr.encode(label.payload, mask), 2 * _SMALL_MODULE))
        read += reader.detectAndDecode(np.asarray(picture.convert("L")))[0] == label.payload
    return read


def _ours(made: Sequence[Label]) -> bytes:
    """Draw labels our way, with nothing kept from the round before."""
    our_qr._encode.cache_clear()
    text_dots.cache_clear()
    return draw_sheet(made, stocks()[_STOCK], dpi=_DPI).pdf()


def _pdf_rows() -> list[Row]:
    """Measure a thousand labels from text to PDF."""
    made = labels(1000)
    module = draw_sheet(made[:1], stocks()[_STOCK], dpi=_DPI).codes[0].module
    ours, floor = [], []
    for _ in range(_ROUNDS):
        start = perf_counter()
        plain = plain_pdf(made, module)
        middle = perf_counter()
        drawn = _ours(made)
        floor.append(middle - start)
        ours.append(perf_counter() - middle)
    note = "floor: the library's best mask, Pillow's 1-bit pages, same letters and dots"
    return [
        Row("1,000 labels, text to PDF", min(ours), min(floor), "≤ 0.5×", note=note),
        Row("1,000 labels, size of the PDF", len(drawn), len(plain), "≤ 0.5×", "bytes", note),
    ]


def _legibility_rows() -> list[Row]:
    """Count codes read after damage: as many as there are, and as many as with the best mask."""
    made = labels(300)
    damage = "±10° turn, blur, noise, JPEG, seen at 200 dpi; one look of zxing-cpp"
    many = labels(800, seed=5)
    blurred, blurred_best = [decoded_after_damage(many, best=best, blur=0.9) for best in (False, True)]
    second, second_best = [read_by_second_reader(many, best=best) for best in (False, True)]
    return [
        Row(
            "ID codes of 8 mm at 200 dpi, read after damage",
            decoded_after_damage(made, best=False),
            len(made),
            "1.0×",
            "codes",
            f"floor: all 300; {damage}",
        ),
        Row(
            "800 such codes, blurred until some are lost",
            blurred,
            blurred_best,
            "≥ 0.97×",
            "codes",
            "floor: the same codes with the library's best mask instead of our fixed one",
        ),
        Row("800 codes as drawn, read by OpenCV", second, second_best, "≥ 1.0×", "codes", "floor: as above"),
    ]


def rows() -> list[Row]:
    """Return this room's rows."""
    return [*_pdf_rows(), *_legibility_rows()]


if __name__ == "__main__":
    for row in rows():
        print(f"{row.work:50} {row.ours:12,.3f} {row.floor:12,.3f} {row.unit:6} {row.ratio:.3f} ({row.goal})")
