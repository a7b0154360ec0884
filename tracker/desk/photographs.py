"""Photographs of a plate or a specimen: checked, freed of what a camera writes beside the picture, kept."""

from __future__ import annotations

import datetime as dt
import io
import struct
import warnings
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.kinds import NotFoundError, find, ident_of
from tracker.lazy_modules import lazy
from tracker.model import Photograph, Specimen

if TYPE_CHECKING:
    import PIL
    from PIL import Image, ImageOps
else:
    Image = lazy("PIL.Image")
    PIL = lazy("PIL")
    ImageOps = lazy("PIL.ImageOps")

MOST_BYTES: Final = 15_000_000
MOST_PIXELS: Final = 50_000_000
"""More than any phone's camera takes; a picture that claims more is made to fill the memory."""

_UNPACKED: Final = 200_000_000
_BYTES_A_PIXEL: Final = {"JPEG": 1, "JPEG, progressive": 8, "PNG": 6, "GIF": 6, "WEBP": 17}
"""What a picture may take while it is unpacked, in bytes, and what its kinds take each pixel (measured:
``python -m tests.ground.peaks``). A JPEG is decoded at a fraction of its size, all others whole."""

THUMBNAIL: Final = 480
"""Longer side of a small copy, in pixels: a phone's width at ordinary density."""

SHOWN: Final = ("image/png", "image/jpeg", "image/webp", "image/gif")
"""Kinds that every browser shows; what no reader can look at would be kept in vain."""

_BEGINNINGS: Final[Mapping[str, tuple[bytes, ...]]] = {
    "image/png": (b"\x89PNG\r\n\x1a\n",),
    "image/jpeg": (b"\xff\xd8\xff",),
    "image/gif": (b"GIF87a", b"GIF89a"),
    "image/bmp": (b"BM",),
    "image/tiff": (b"II*\x00", b"MM\x00*"),
}


_HEIF: Final = (b"heic", b"heix", b"mif1", b"msf1", b"avif")
"""Brands of pictures in a HEIF container, as many phones keep them."""


class PictureError(Refused, ValueError):
    """A picture is of no known kind, damaged, or too large to be unpacked."""


def picture_kind(data: bytes) -> str:
    """Return the media type of a picture by its first bytes; empty where it is none that we know."""
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp"
    return next((kind for kind, begins in _BEGINNINGS.items() if data.startswith(begins)), "")


def check_pixels(data: bytes, name: str) -> None:
    """Refuse a picture by the size its header states, before anything of it is unpacked.

    Raises:
        PictureError: It has more than :data:`MOST_PIXELS`, more than its kind can be unpacked with in 200 MB,
            or its header cannot be read.
    """
    try:
        with warnings.catch_warnings():
            # Pillow warns of large pictures; ours is the lower bound, and a refusal.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data)) as picture:
                (width, height), kind = picture.size, str(picture.format)
                kind += ", progressive" * ("progressive" in picture.info)
    except Image.DecompressionBombError as error:
        raise PictureError(f"{name} has too many pixels", do="Take it at a lower resolution") from error
    except (PIL.UnidentifiedImageError, OSError, ValueError, SyntaxError, struct.error) as error:
        raise PictureError(f"{name} cannot be read as a picture", do="Take or save it again") from error
    most = min(MOST_PIXELS, _UNPACKED // _BYTES_A_PIXEL.get(kind, max(_BYTES_A_PIXEL.values())))
    if width * height > most:
        whole = most < MOST_PIXELS
        raise PictureError(
            f"{name} has {width * height / 1e6:.0f} million pixels",
            why=f"at most {most // 1_000_000} million{f' of {kind}' if whole else ''} are taken",
            do="Take it at a lower resolution" + (", or save it as a plain JPEG" if whole else ""),
        )


def thumbnail(data: bytes) -> bytes:
    """Return a small copy as JPEG, turned the right way up, its longer side :data:`THUMBNAIL` pixels at most.

    Raises:
        PictureError: The picture is damaged or too large.
    """
    check_pixels(data, "The photograph")
    made = io.BytesIO()
    try:
        with Image.open(io.BytesIO(data)) as picture:
            # For JPEG only: decode at a fraction of the size, a tenth of the time.
            picture.draft("RGB", (THUMBNAIL * 2, THUMBNAIL * 2))
            small = _reduced(picture, max(picture.size) // (2 * THUMBNAIL))
            # Turned last: to turn a picture takes a second one of its size.
            turned = ImageOps.exif_transpose(small)
            turned.thumbnail((THUMBNAIL, THUMBNAIL))
            turned.save(made, "JPEG", quality=80)
    except (OSError, ValueError, SyntaxError, struct.error, EOFError) as error:
        raise PictureError("The photograph cannot be unpacked", do="Take it again") from error
    return made.getvalue()


_STRIP: Final = 64
_ORIENTATION: Final = 0x0112


def _reduced(picture: Any, times: int) -> Any:
    """Return a picture with its sides divided, in colours without transparency; strip by strip.

    At once it would take two or three times the memory that the unpacked picture itself takes.
    """
    from PIL import Image  # noqa: PLC0415 - most of the desk needs no pictures

    times = max(1, times)
    small = Image.new("RGB", (-(-picture.width // times), -(-picture.height // times)))
    for top in range(0, picture.height, _STRIP * times):
        strip = picture.crop((0, top, picture.width, min(picture.height, top + _STRIP * times)))
        small.paste(strip.convert("RGB").reduce(times), (0, top // times))
    if orientation := picture.getexif().get(_ORIENTATION):
        small.getexif()[_ORIENTATION] = orientation
    return small


def without_metadata(data: bytes) -> bytes:
    """Return a picture without what a camera writes beside it: place, owner, serial number, small copies.

    The picture itself is taken over byte for byte, not packed again. Of a JPEG's Exif block only the
    orientation stays, for without it the picture would lie on its side. Sources: JPEG segments, ISO/IEC
    10918-1 annex B; orientation, Exif 2.32 (CIPA DC-008) tag 0x0112; PNG chunks, W3C PNG third edition;
    WebP container, RFC 9649.

    Raises:
        PictureError: Its parts cannot be told apart.
    """
    kind = picture_kind(data)
    try:
        if kind == "image/jpeg":
            return _bare_jpeg(data)
        if kind == "image/png":
            return _bare_png(data)
        if kind == "image/webp":
            return _bare_webp(data)
    except (struct.error, IndexError) as error:
        raise PictureError("The picture is cut short", do="Take or save it again") from error
    return data


_APP0, _APP1, _APP2, _APP14, _APP15, _COM = 0xE0, 0xE1, 0xE2, 0xEE, 0xEF, 0xFE
_SOS, _EOI = 0xDA, 0xD9


def _bare_jpeg(data: bytes) -> bytes:
    kept = [b"\xff\xd8"]
    orientation = _orientation(data)
    if orientation != 1:
        # A block of one entry: byte order, 42, offset of the entries, one of type SHORT, no further ones.
        entries = struct.pack(">2sHIHHHIHHI", b"MM", 42, 8, 1, 0x0112, 3, 1, orientation, 0, 0)
        block = b"Exif\0\0" + entries
        kept.append(b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block)
    for marker, part in _jpeg_parts(data):
        # The colour profile is kept: without it a picture of a wide-gamut camera would be shown pale.
        profile = marker == _APP2 and part[4:16] == b"ICC_PROFILE\0"
        if not (_APP1 <= marker <= _APP15 or marker == _COM) or profile or marker == _APP14:
            kept.append(part)
    return b"".join(kept)


def _jpeg_parts(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield each segment up to the end of the first picture; what cameras append behind it is left out."""
    at = 2
    while at < len(data):
        if data[at] != 0xFF:  # noqa: PLR2004 - every marker begins with it
            raise PictureError("The picture is damaged", do="Take or save it again")
        marker = data[at + 1]
        if marker == 0xFF:  # noqa: PLR2004 - a fill byte before a marker
            at += 1
            continue
        if marker == _EOI:
            yield marker, data[at : at + 2]
            return
        if marker == 0x01 or 0xD0 <= marker <= 0xD7:  # noqa: PLR2004 - markers without length
            end = at + 2
        else:
            end = at + 2 + struct.unpack_from(">H", data, at + 2)[0]
        if marker == _SOS:
            end = _end_of_scan(data, end)
        yield marker, data[at:end]
        at = end


def _end_of_scan(data: bytes, at: int) -> int:
    """Return where the packed pixels end: at the first marker that is neither stuffing nor a restart."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        follows = data[at + 1]
        if follows != 0 and not 0xD0 <= follows <= 0xD7:  # noqa: PLR2004 - restart markers
            return at
        at += 2


def _orientation(data: bytes) -> int:
    try:
        with Image.open(io.BytesIO(data)) as picture:
            found = picture.getexif().get(0x0112, 1)
    except (OSError, ValueError, SyntaxError, struct.error, KeyError, TypeError):
        return 1
    return found if found in range(2, 9) else 1


_PNG_KEPT: Final = frozenset(
    (
        b"IHDR",
        b"PLTE",
        b"IDAT",
        b"IEND",
        b"tRNS",
        b"cHRM",
        b"gAMA",
        b"iCCP",
        b"sBIT",
        b"sRGB",
        b"bKGD",
        b"pHYs",
    )
)


def _bare_png(data: bytes) -> bytes:
    kept, at = [data[:8]], 8
    while at < len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            raise PictureError("The picture is cut short", do="Take or save it again")
        if name in _PNG_KEPT:
            kept.append(data[at:end])
        if name == b"IEND":
            break
        at = end
    return b"".join(kept)


_EXIF_FLAG, _XMP_FLAG = 0x08, 0x04


def _bare_webp(data: bytes) -> bytes:
    kept, at = [], 12
    end = min(len(data), 8 + struct.unpack_from("<I", data, 4)[0])
    while at + 8 <= end:
        name, length = struct.unpack_from("<4sI", data, at)
        part = data[at : at + 8 + length + length % 2]
        if name == b"VP8X":
            part = part[:8] + bytes([part[8] & ~(_EXIF_FLAG | _XMP_FLAG)]) + part[9:]
        if name not in (b"EXIF", b"XMP "):
            kept.append(part)
        at += 8 + length + length % 2
    body = b"WEBP" + b"".join(kept)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def read_photograph(path: Path) -> bytes:
    """Return the bytes of a photograph on the disk.

    Raises:
        Refused: It cannot be read.
    """
    return read_input(path, "picture")


def add_photograph(book: Book, who: str, target: str, name: str, data: bytes, note: str = "") -> Done:
    """Keep a photograph of a plate or of a specimen, without the place and owner a camera wrote into it.

    It bears the time at which it was taken in: what a camera wrote into the file may be of another zone, of
    a clock that was never set, or of another picture, and is not read.

    Args:
        book: The book.
        who: Who enters it.
        target: ID of the job or the specimen.
        name: Name of the file.
        data: Its bytes.
        note: What is to be seen.

    Raises:
        PictureError: It is too large, damaged, or no picture of a known kind.
        Refused: There is no such job or specimen.
    """
    kind = picture_kind(data)
    if kind not in SHOWN:
        # ISO/IEC 23008-12: a box of the kind "ftyp" comes first, and names the brands of the file.
        heif = data[4:8] == b"ftyp" and any(brand in data[8:64] for brand in _HEIF)
        raise PictureError(
            f"{name} is no photograph that can be shown",
            why="it is HEIC, which few browsers show" if heif else "",
            do="Set the camera to JPEG, or save a copy as JPEG" if heif else "Send JPEG, PNG, WebP or GIF",
        )
    if len(data) > MOST_BYTES:
        raise PictureError(f"{name} has more than {MOST_BYTES // 1_000_000} MB", do="Take a smaller one")
    check_pixels(data, name)
    bare = without_metadata(data)
    with book.act("photograph", who) as act:
        row = find(book, act.session, target, "job", "specimen")
        specimen = row if isinstance(row, Specimen) else None
        about = str(ident_of(row))
        act.session.add(
            Photograph(
                job_id=row.id if specimen is None else specimen.job_id,
                specimen_id=None if specimen is None else specimen.id,
                sha256=act.attach(bare, name), name=name, kind=kind,
                at=act.at, by=who, note=note.strip() or None,
            )
        )  # fmt: skip
        act.about.append(about)
    return Done(about, [f"Kept a photograph of {about}."])


def photograph_of(book: Book, target: str, number: int) -> tuple[bytes, str, dt.datetime]:
    """Return a photograph's bytes, media type and time.

    Args:
        book: The book.
        target: ID of the job or specimen that it is shown at.
        number: Of the photograph.

    Raises:
        Refused: That job or specimen has none of that number, or its file is missing.
    """
    with book.read() as session:
        row = find(book, session, target, "job", "specimen")
        kept = session.get(Photograph, number)
        own = kept is not None and (
            kept.specimen_id == row.id if isinstance(row, Specimen) else kept.job_id == row.id
        )
        if kept is None or not own:
            raise NotFoundError(f"{target} has no photograph {number}")
        return book.files.get(kept.sha256), kept.kind, kept.at
