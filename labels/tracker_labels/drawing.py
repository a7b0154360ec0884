"""What is on a page, as boxes of dots, and drawn: as dots of the printer, as SVG, and as PDF by hand."""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from io import BytesIO
from xml.sax.saxutils import escape

from PIL import Image, ImageChops, ImageDraw, features

from tracker_labels.code import Code
from tracker_labels.label import LabelError
from tracker_labels.lettering import font, slashes

MM_PER_INCH = 25.4


def dots(mm: float, dpi: float) -> int:
    """Return a length in whole printer dots."""
    return round(mm * dpi / MM_PER_INCH)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in dots; x to the right and y downwards from the page's upper left corner."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """The first dot to the right of the box."""
        return self.x + self.width

    @property
    def bottom(self) -> int:
        """The first dot below the box."""
        return self.y + self.height

    def moved(self, dx: int, dy: int) -> Box:
        """Return the box somewhere else."""
        return Box(self.x + dx, self.y + dy, self.width, self.height)


@dataclass(frozen=True, slots=True)
class CodeMark:
    """A matrix code; its box includes the quiet zone, which is painted too.

    Attributes:
        box: Where it is.
        code: Its modules.
        module: Dots a module.
    """

    box: Box
    code: Code
    module: int

    @property
    def symbol(self) -> Box:
        """The box of the modules, without the quiet zone."""
        quiet, side = self.code.quiet * self.module, self.code.size * self.module
        return Box(self.box.x + quiet, self.box.y + quiet, side, side)


@dataclass(frozen=True, slots=True)
class TextMark:
    """One row of text; nothing is painted outside its box.

    Attributes:
        box: Where it is; its left edge is that of the ink.
        text: What is drawn, every character of which the font holds.
        size: Size of the font, in dots.
        bold: Whether it is bold.
        baseline: Dots from the box's upper edge down to the baseline.
        left: Dots from the text's origin to its ink; negative where a letter reaches back.
    """

    box: Box
    text: str
    size: int
    bold: bool
    baseline: int
    left: int


@dataclass(frozen=True, slots=True)
class RuleMark:
    """A filled rectangle: a hairline, a tick, a fold."""

    box: Box


@dataclass(frozen=True, slots=True)
class LineMark:
    """A closed or open hairline through points: the edge of a label that hands cut out, a piece's outline.

    Attributes:
        box: What the line stays inside of.
        points: Corners in dots, measured from the box's upper left corner.
        thickness: Dots.
    """

    box: Box
    points: tuple[tuple[int, int], ...]
    thickness: int


Mark = CodeMark | TextMark | RuleMark | LineMark


@dataclass(frozen=True, slots=True)
class Page:
    """One page.

    Attributes:
        width_mm: Its exact width.
        height_mm: Its exact height.
        marks: What is on it.
    """

    width_mm: float
    height_mm: float
    marks: tuple[Mark, ...]


def moved(mark: Mark, dx: int, dy: int) -> Mark:
    """Return a mark somewhere else."""
    return replace(mark, box=mark.box.moved(dx, dy))


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
        elif isinstance(mark, LineMark):
            points = [(box.x + x, box.y + y) for x, y in mark.points]
            ImageDraw.Draw(picture).line(points, fill=_INK, width=mark.thickness)
        else:
            picture.paste(code_dots(mark.code, mark.module), (box.x, box.y))
    return picture


def page_png(page: Page, dpi: float) -> bytes:
    """Return a page as PNG, black on white."""
    file = BytesIO()
    ImageChops.invert(paint(page, dpi)).save(file, "PNG", dpi=(dpi, dpi))
    return file.getvalue()


def _order(mark: Mark) -> bool:
    """Sort codes to the end: whatever goes wrong with a text, the code is whole."""
    return isinstance(mark, CodeMark)


@lru_cache(maxsize=1024)
def text_dots(text: str, size: int, bold: bool, width: int, height: int) -> Image.Image:
    """Return a row of text as a picture of its own, which also cuts off what would leave its box."""
    picture = Image.new("1", (width, height), 0)
    face = font(size, bold)
    left = face.getbbox(text, mode="1", anchor="ls")[0]
    draw, baseline = ImageDraw.Draw(picture), face.getmetrics()[0]
    draw.text((-left, baseline), text, fill=_INK, font=face, anchor="ls")
    for x0, y0, x1, y1, thickness in slashes(text, size, bold):
        draw.line((x0 - left, baseline + y0, x1 - left, baseline + y1), fill=_INK, width=thickness)
    return picture


def code_dots(code: Code, module: int) -> Image.Image:
    """Return a code with its quiet zone as a picture, each module a square of whole dots."""
    # A byte a module first: enlarging one small picture is faster than filling each dark module.
    small = Image.frombytes("L", (code.size, code.size), code.modules.replace(b"\1", b"\xff")).convert("1")
    whole = Image.new("1", (code.size_with_quiet, code.size_with_quiet), 0)
    whole.paste(small, (code.quiet, code.quiet))
    side = code.size_with_quiet * module
    return whole.resize((side, side), Image.Resampling.NEAREST)


# What an XML file may not hold has no glyph either, and has become a square long before.
_HEAD = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="{w:.4f}mm" height="{h:.4f}mm"'
    ' viewBox="0 0 {x:.4f} {y:.4f}">'
)


def page_svg(page: Page, dpi: float) -> str:
    """Return a page as an SVG document of its exact size.

    Args:
        page: Size in mm, marks in dots.
        dpi: Dots per inch in which the marks were placed.
    """
    scale = dpi / MM_PER_INCH
    # Millimetres outside, dots inside: the numbers in the paths stay whole.
    head = _HEAD.format(w=page.width_mm, h=page.height_mm, x=page.width_mm * scale, y=page.height_mm * scale)
    body = "\n".join(_element(mark) for mark in page.marks)
    return f'{head}\n<rect width="100%" height="100%" fill="#fff"/>\n{body}\n</svg>\n'


def _element(mark: Mark) -> str:
    """Return one mark as an element."""
    if isinstance(mark, CodeMark):
        return _code(mark)
    box = mark.box
    if isinstance(mark, RuleMark):
        return f'<rect x="{box.x}" y="{box.y}" width="{box.width}" height="{box.height}"/>'
    if isinstance(mark, LineMark):
        points = " ".join(f"{box.x + x},{box.y + y}" for x, y in mark.points)
        return f'<polyline points="{points}" fill="none" stroke="#000" stroke-width="{mark.thickness}"/>'
    return _text(mark)


def _code(mark: CodeMark) -> str:
    """Return a code as one path: each run of dark modules is a rectangle."""
    symbol, size, dot = mark.symbol, mark.code.size, mark.module
    steps: list[str] = []
    for row in range(size):
        modules = mark.code.modules[row * size : (row + 1) * size]
        start = modules.find(1)
        while start >= 0:
            end = modules.find(0, start)
            end = size if end < 0 else end
            x, y, run = symbol.x + start * dot, symbol.y + row * dot, (end - start) * dot
            steps.append(f"M{x} {y}h{run}v{dot}h-{run}z")
            start = modules.find(1, end)
    return f'<path shape-rendering="crispEdges" d="{"".join(steps)}"/>'


def _text(mark: TextMark) -> str:
    """Return a row of text in a window of its own, squeezed to the length it was measured with.

    Both keep it off the code even where the reader of the file has another font.
    """
    box = mark.box
    length = font(mark.size, mark.bold).getlength(mark.text, mode="1")
    weight = ' font-weight="bold"' if mark.bold else ""
    strokes = "".join(
        f'<line x1="{x0 - mark.left}" y1="{mark.baseline + y0}" x2="{x1 - mark.left}"'
        f' y2="{mark.baseline + y1}" stroke="#000" stroke-width="{thickness}"/>'
        for x0, y0, x1, y1, thickness in slashes(mark.text, mark.size, mark.bold)
    )
    return (
        f'<svg x="{box.x}" y="{box.y}" width="{box.width}" height="{box.height}" overflow="hidden">'
        f'<text x="{-mark.left}" y="{mark.baseline}" font-family="DejaVu Sans, sans-serif"'
        f' font-size="{mark.size}"{weight} textLength="{length:g}" lengthAdjust="spacingAndGlyphs">'
        f"{escape(mark.text)}</text>{strokes}</svg>"
    )


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
        pages: What is on each.
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
    """Return the rows of text that are on so many labels that they are worth a picture of their own.

    A material or a date is the same on most labels. In the picture of a page it would be encoded again
    and again, each time at another place within a byte, so that no general filter finds it again.
    """
    counts = Counter(_text_of(mark) for page in pages for mark in page.marks if isinstance(mark, TextMark))
    return [text for text, count in counts.items() if count >= _OFTEN]


def _text_of(mark: TextMark) -> _Text:
    """Return all that decides how a row of text looks, but not where it is."""
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
