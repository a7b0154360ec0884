"""Painting marks at the printer's dots: every dot is black or white, none is grey."""

from __future__ import annotations

from functools import lru_cache
from io import BytesIO

from PIL import Image, ImageChops, ImageDraw

from tracker_labels.lettering import font
from tracker_labels.marks import CodeMark, Page, RuleMark, TextMark, dots
from tracker_labels.qr import QUIET, Code

_INK = 255


def paint(page: Page, dpi: float) -> Image.Image:
    """Paint a page.

    Args:
        page: Size in mm, marks in dots.
        dpi: Dots per inch in which the marks were placed.

    Returns:
        A 1-bit picture in which ink is 1 and paper is 0, as a fax encoder likes it.
    """
    picture = Image.new("1", (dots(page.width_mm, dpi), dots(page.height_mm, dpi)), 0)
    for mark in sorted(page.marks, key=_order):
        box = mark.box
        if isinstance(mark, RuleMark):
            picture.paste(_INK, (box.x, box.y, box.right, box.bottom))
        elif isinstance(mark, TextMark):
            picture.paste(text_dots(mark.text, mark.size, mark.bold, box.width, box.height), (box.x, box.y))
        else:
            picture.paste(code_dots(mark.code, mark.module), (box.x, box.y))
    return picture


def page_png(page: Page, dpi: float) -> bytes:
    """Return a page as PNG, black on white."""
    file = BytesIO()
    ImageChops.invert(paint(page, dpi)).save(file, "PNG", dpi=(dpi, dpi))
    return file.getvalue()


def _order(mark: CodeMark | TextMark | RuleMark) -> bool:
    """Sort codes to the end: whatever goes wrong with a text, the code is whole."""
    return isinstance(mark, CodeMark)


@lru_cache(maxsize=1024)
def text_dots(text: str, size: int, bold: bool, width: int, height: int) -> Image.Image:
    """Return a row of text as a picture of its own, which also cuts off what would leave its box."""
    picture = Image.new("1", (width, height), 0)
    face = font(size, bold)
    left = face.getbbox(text, mode="1", anchor="ls")[0]
    ImageDraw.Draw(picture).text((-left, face.getmetrics()[0]), text, fill=_INK, font=face, anchor="ls")
    return picture


def code_dots(code: Code, module: int) -> Image.Image:
    """Return a code with its quiet zone as a picture, each module a square of whole dots."""
    # A byte a module first: enlarging one small picture is faster than filling each dark module.
    small = Image.frombytes("L", (code.size, code.size), code.modules.replace(b"\1", b"\xff")).convert("1")
    whole = Image.new("1", (code.size_with_quiet, code.size_with_quiet), 0)
    whole.paste(small, (QUIET, QUIET))
    side = code.size_with_quiet * module
    return whole.resize((side, side), Image.Resampling.NEAREST)
