"""PDF by hand: a page box of the exact size, and on it one 1-bit picture at the printer's dots."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from io import BytesIO

from PIL import Image, features

from tracker_labels.errors import LabelError
from tracker_labels.marks import MM_PER_INCH, Page
from tracker_labels.raster import paint

_POINTS_PER_INCH = 72.0
_STRIP_OFFSETS, _STRIP_LENGTHS = 273, 279


def write_pdf(pages: Sequence[Page], dpi: float) -> bytes:
    """Return the pages as PDF.

    The file holds no date and no name, so that the same labels give the same bytes.

    Args:
        pages: What stands on each.
        dpi: Dots per inch; a dot of the picture is a dot of the printer.

    Raises:
        LabelError: This Pillow cannot encode CCITT group 4.
    """
    if not features.check("libtiff"):
        raise LabelError(
            "PDF needs a Pillow with libtiff", do="Install Pillow's own wheel, or print the PNG pages."
        )
    kids = " ".join(f"{3 + 3 * number} 0 R" for number in range(len(pages)))
    objects = [
        b"<</Type/Catalog/Pages 2 0 R/ViewerPreferences<</PrintScaling/None>>>>",
        f"<</Type/Pages/Count {len(pages)}/Kids[{kids}]>>".encode("ascii"),
    ]
    for number, page in enumerate(pages):
        objects += _page_objects(page, dpi, 3 + 3 * number)
    return _file(objects)


def _page_objects(page: Page, dpi: float, number: int) -> list[bytes]:
    """Return a page, what is painted on it, and its picture; their numbers begin with ``number``."""
    picture = paint(page, dpi)
    box = [_points(page.width_mm), _points(page.height_mm)]
    dot = _POINTS_PER_INCH / dpi
    width, height = picture.width * dot, picture.height * dot
    # From the upper left corner, where the places are counted from; the last dot may stick out below.
    bottom = box[1] - height
    paints = f"q {width:.5f} 0 0 {height:.5f} 0 {bottom:.5f} cm/I Do Q".encode("ascii")
    resources = f"<</XObject<</I {number + 2} 0 R>>>>"
    head = f"<</Type/Page/Parent 2 0 R/MediaBox[0 0 {box[0]:.5f} {box[1]:.5f}]"
    return [
        f"{head}/Resources{resources}/Contents {number + 1} 0 R>>".encode("ascii"),
        _stream("", paints),
        _picture(picture),
    ]


def _picture(picture: Image.Image) -> bytes:
    """Return a picture as an object.

    Group 4 writes one bit for each edge that stays where it was in the row above; where modules are many
    dots high these are long runs of ones, which a second, general filter takes away almost for nothing.
    """
    width, height = picture.size
    keys = (
        f"/Type/XObject/Subtype/Image/Width {width}/Height {height}/BitsPerComponent 1/ColorSpace/DeviceGray"
        f"/Filter[/FlateDecode/CCITTFaxDecode]/DecodeParms[null<</K -1/Columns {width}/Rows {height}>>]"
    )
    return _stream(keys, zlib.compress(_group4(picture), 9))


def _group4(picture: Image.Image) -> bytes:
    """Return a 1-bit picture in CCITT group 4 (ITU-T T.6), ink being the fax's black."""
    file = BytesIO()
    strip = (picture.width + 7) // 8 * picture.height
    picture.save(file, "TIFF", compression="group4", strip_size=strip)
    with Image.open(file) as tiff:
        start, length = (tiff.tag_v2[tag][0] for tag in (_STRIP_OFFSETS, _STRIP_LENGTHS))  # type: ignore[attr-defined]
    return file.getvalue()[start : start + length]


def _points(mm: float) -> float:
    """Return a length in points."""
    return mm / MM_PER_INCH * _POINTS_PER_INCH


def _stream(keys: str, data: bytes) -> bytes:
    """Return a stream object."""
    return f"<<{keys}/Length {len(data)}>>stream\n".encode("ascii") + data + b"\nendstream"


def _file(objects: Sequence[bytes]) -> bytes:
    """Number the objects, and write the table of where each begins."""
    # The second line holds bytes above 127, so that nobody takes the file for text (ISO 32000-1, 7.5.2).
    parts = [b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n"]
    starts, at = [], len(parts[0])
    for number, body in enumerate(objects, start=1):
        part = f"{number} 0 obj\n".encode("ascii") + body + b"\nendobj\n"
        starts.append(at)
        parts.append(part)
        at += len(part)
    rows = "".join(f"{start:010d} 00000 n \n" for start in starts)
    many = len(objects) + 1
    parts.append(
        f"xref\n0 {many}\n0000000000 65535 f \n{rows}"
        f"trailer<</Size {many}/Root 1 0 R>>\nstartxref\n{at}\n%%EOF\n".encode("ascii")
    )
    return b"".join(parts)
