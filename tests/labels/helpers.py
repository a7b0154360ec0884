"""Labels to print, and the two independent readers."""

from __future__ import annotations

from io import BytesIO

import cv2
import numpy as np
import zxingcpp
from PIL import Image
from tracker_labels import Label, Sheet, stocks
from tracker_labels.drawing import Box

STOCKS = tuple(stocks())
# The code of an ID is a QR code on these, a Data Matrix on the others.
SMALL_FACES = ("strip-7", "tape-12-180", "tape-9")
QR_STOCKS = tuple(name for name in STOCKS if name not in SMALL_FACES)


def overlap(one: Box, other: Box) -> bool:
    """Whether two boxes share a dot."""
    beside = one.right <= other.x or other.right <= one.x
    return not (beside or one.bottom <= other.y or other.bottom <= one.y)


def some_labels(many: int, line: str = "chamber 60 °C") -> list[Label]:
    """Return labels that differ in their ID."""
    ids = [f"J{number:04d}-{number % 40 + 1:02d}-K" for number in range(1, many + 1)]
    return [Label(f"{one}.7QX", one, "ASA Grau, Müller", "ZX", "2025-03-01", line) for one in ids]


def pictures(sheet: Sheet) -> list[Image.Image]:
    """Return the pages as people see them, dark on light, one pixel a dot."""
    return [Image.open(BytesIO(page)).convert("L") for page in sheet.pages_png()]


def read_by_zxing(picture: Image.Image) -> set[str]:
    """Return what zxing-cpp reads at its first look."""
    return {code.text for code in zxingcpp.read_barcodes(picture)}


def read_by_opencv(picture: Image.Image) -> set[str]:
    """Return what OpenCV reads in a picture of one label."""
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(np.asarray(picture.convert("L")))
    return {text} - {""}


def cut_out(picture: Image.Image, sheet: Sheet) -> list[Image.Image]:
    """Return the codes of a one-page sheet, each with its quiet zone, as a picture of its own."""
    boxes = (mark.box for mark in sheet.codes)
    return [picture.crop((box.x, box.y, box.right, box.bottom)) for box in boxes]
