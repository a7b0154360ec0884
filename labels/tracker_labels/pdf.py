"""PDF by hand: a page box of the exact size, and on it 1-bit pictures at the printer's dots."""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from io import BytesIO

from PIL import Image, features

from tracker_labels.drawing import paint, text_dots
from tracker_labels.label import LabelError
from tracker_labels.marks import MM_PER_INCH, Box, Page, TextMark

_POINTS_PER_INCH = 72.0
_STRIP_OFFSETS, _STRIP_LENGTHS = 273, 279
# A picture of its own costs some 200 bytes; in a page's picture a row of text takes about 100.
_OFTEN = 5
_HAIR = 0.01

_Text = tuple[str, int, bool, int, int]


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
    stamps = _stamps(pages)
    objects = [b"", b"", *(_picture(_dots_of(text), mask=True) for text in stamps)]
    numbers = {text: number for number, text in enumerate(stamps, start=3)}
    kids = []
    for page in pages:
        kids.append(f"{len(objects) + 1} 0 R")
        objects += _page_objects(page, dpi, len(objects) + 1, numbers)
    # Else a viewer shrinks the page to its printer's margins, and every label drifts off its place.
    objects[0] = b"<</Type/Catalog/Pages 2 0 R/ViewerPreferences<</PrintScaling/None>>>>"
    objects[1] = f"<</Type/Pages/Count {len(kids)}/Kids[{' '.join(kids)}]>>".encode("ascii")
    return _file(objects)


def _stamps(pages: Sequence[Page]) -> list[_Text]:
    """Return the rows of text that stand on so many labels that they are worth a picture of their own.

    A material or a date is the same on most labels. In the picture of a page it would be encoded again
    and again, each time at another place within a byte, so that no general filter finds it again.
    """
    counts = Counter(_text_of(mark) for page in pages for mark in page.marks if isinstance(mark, TextMark))
    return [text for text, count in counts.items() if count >= _OFTEN]


def _text_of(mark: TextMark) -> _Text:
    """Return all that decides how a row of text looks, but not where it stands."""
    return mark.text, mark.size, mark.bold, mark.box.width, mark.box.height


def _dots_of(text: _Text) -> Image.Image:
    """Return the picture of a row of text."""
    return text_dots(*text)


def _page_objects(page: Page, dpi: float, number: int, stamps: Mapping[_Text, int]) -> list[bytes]:
    """Return a page, what is painted on it, and its picture; their numbers begin with ``number``."""
    stamped = [mark for mark in page.marks if isinstance(mark, TextMark) and _text_of(mark) in stamps]
    rest = tuple(mark for mark in page.marks if not (isinstance(mark, TextMark) and _text_of(mark) in stamps))
    picture = paint(replace(page, marks=rest), dpi)
    width, height = _points(page.width_mm), _points(page.height_mm)
    scale = _POINTS_PER_INCH / dpi
    # From here on all is in dots, from the upper left corner, where the places are counted from.
    steps = [f"{scale:.8f} 0 0 {scale:.8f} 0 {height:.5f} cm", _place("I", Box(0, 0, *picture.size))]
    steps += [_place(f"T{stamps[_text_of(mark)]}", mark.box) for mark in stamped]
    used = "".join(f"/T{one} {one} 0 R" for one in sorted({stamps[_text_of(mark)] for mark in stamped}))
    head = f"<</Type/Page/Parent 2 0 R/MediaBox[0 0 {width:.5f} {height:.5f}]/Contents {number + 1} 0 R"
    return [
        f"{head}/Resources<</XObject<</I {number + 2} 0 R{used}>>>>>>".encode("ascii"),
        _stream("/Filter/FlateDecode", zlib.compress("\n".join(steps).encode("ascii"), 9)),
        _picture(picture),
    ]


def _place(name: str, box: Box) -> str:
    """Return the operators that put a picture in its box.

    The picture is drawn a hair smaller than its box: some painters round a box outwards, so that one
    of exactly 189 dots would become 190 and a row of dots would be doubled.
    """
    width, height = box.width - 2 * _HAIR, box.height - 2 * _HAIR
    x, y = box.x + _HAIR, -box.bottom + _HAIR
    return f"q {width:g} 0 0 {height:g} {x:.8g} {y:.8g} cm/{name} Do Q"


def _picture(picture: Image.Image, *, mask: bool = False) -> bytes:
    """Return a picture as an object; as a mask, only its ink is painted.

    Group 4 writes one bit for each edge that stays where it was in the row above; where modules are many
    dots high these are long runs of ones, which a second, general filter takes away almost for nothing.
    """
    width, height = picture.size
    kind = "/ImageMask true" if mask else "/ColorSpace/DeviceGray"
    keys = (
        f"/Type/XObject/Subtype/Image/Width {width}/Height {height}/BitsPerComponent 1{kind}"
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
