"""Pictures byte by byte, built by hand: what is kept of them, what is left out, where they are damaged."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

import pytest
from PIL import Image

from tracker.desk.photographs import PictureError, picture_kind, thumbnail, without_metadata


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"\x89PNG\r\n\x1a\n", "image/png"),
        (b"\x89PNG\r\n\x1a", ""),
        (b"\xff\xd8\xff\xe0", "image/jpeg"),
        (b"\xff\xd8\xfe", ""),
        (b"GIF87a", "image/gif"),
        (b"GIF89a..", "image/gif"),
        (b"GIF88a", ""),
        (b"BM", "image/bmp"),
        (b"II*\x00", "image/tiff"),
        (b"MM\x00*", "image/tiff"),
        (b"RIFF....WEBP", "image/webp"),
        (b"RIFF....WAVE", ""),
        (b"XIFF....WEBP", ""),
        (b"RIFF...WEBP.", ""),
        (b"", ""),
    ],
)
def test_a_picture_is_known_by_its_first_bytes(data: bytes, kind: str) -> None:
    """Whatever its name says."""
    assert picture_kind(data) == kind


def segment(marker: int, body: bytes) -> bytes:
    """Return a segment of a JPEG: its length counts itself."""
    return bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body


START, STOP = b"\xff\xd8", b"\xff\xd9"
JFIF = segment(0xE0, b"JFIF\0\1\2")
TABLES = segment(0xDB, b"\0" * 5)
SCAN = segment(0xDA, b"\0\1") + b"\x12\xff\x00\x34\xff\xd3\x56\xff\xd7\xff\x00"
PROFILE = segment(0xE2, b"ICC_PROFILE\0\1\1abc")
ADOBE = segment(0xEE, b"Adobe\0")
BARE = b"\xff\x01\xff\xd0\xff\xd7"
"""Markers without a length."""


@pytest.mark.parametrize(
    ("parts", "kept"),
    [
        ([JFIF, TABLES, SCAN, STOP], [JFIF, TABLES, SCAN, STOP]),
        # What a camera or a program writes beside the picture, from APP1 to APP15, and comments.
        ([JFIF, segment(0xE1, b"Exif\0\0junk"), SCAN, STOP], [JFIF, SCAN, STOP]),
        ([segment(0xE2, b"MPF\0 small copies here"), SCAN, STOP], [SCAN, STOP]),
        ([segment(0xED, b"Photo"), segment(0xEF, b"end"), segment(0xFE, b"me"), SCAN, STOP], [SCAN, STOP]),
        # The colour profile stays, and how colours were turned.
        ([PROFILE, ADOBE, SCAN, STOP], [PROFILE, ADOBE, SCAN, STOP]),
        # What is appended behind the end is another picture.
        ([SCAN, STOP, START, SCAN, STOP, b"tail"], [SCAN, STOP]),
        # Several scans; fill bytes; markers without length.
        ([SCAN, TABLES, SCAN, STOP], [SCAN, TABLES, SCAN, STOP]),
        ([b"\xff", JFIF, BARE, SCAN, STOP], [JFIF, BARE, SCAN, STOP]),
        # Without an end all pixels are kept.
        ([SCAN], [SCAN]),
        ([SCAN, b"\xff"], [SCAN, b"\xff"]),
    ],
)  # fmt: skip
def test_of_a_jpeg_the_picture_stays(parts: list[bytes], kept: list[bytes]) -> None:
    """Byte for byte; ISO/IEC 10918-1 annex B."""
    assert without_metadata(START + b"".join(parts)) == START + b"".join(kept)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (START + b"\xff\xe0\x00", "The picture is cut short"),
        (START + b"\xff", "The picture is cut short"),
        (START + JFIF + b"\x00\xd9", "The picture is damaged"),
    ],
)
def test_a_jpeg_whose_parts_cannot_be_told_apart(data: bytes, what: str) -> None:
    """It is asked for again."""
    with pytest.raises(PictureError) as refused:
        without_metadata(data if picture_kind(data) else data[:2] + b"\xff" + data[2:])
    assert refused.value.what == what


@pytest.mark.parametrize("turn", [1, 2, 3, 6, 8])
def test_of_exif_the_orientation_stays(turn: int) -> None:
    """Alone, as a block that other programs read; upright needs none."""
    made = io.BytesIO()
    picture = Image.new("RGB", (40, 20), "red")
    exif = picture.getexif()
    exif[0x0112], exif[0x010F] = turn, "A maker"
    picture.save(made, "JPEG", exif=exif)
    bare = without_metadata(made.getvalue())

    with Image.open(io.BytesIO(bare)) as again:
        assert dict(again.getexif()) == ({} if turn == 1 else {0x0112: turn})
    assert b"A maker" not in bare
    if turn != 1:
        assert bare[2:38] == b"\xff\xe1\x00\x22Exif\0\0MM\0*\0\0\0\x08\0\1\x01\x12\0\3\0\0\0\1\0" + bytes(
            [turn, 0, 0, 0, 0, 0, 0]
        )


def chunk(name: bytes, body: bytes = b"") -> bytes:
    """Return a chunk of a PNG."""
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


HEAD = b"\x89PNG\r\n\x1a\n"
PICTURE = [chunk(b"IHDR", bytes(13)), chunk(b"PLTE", bytes(3)), chunk(b"IDAT", b"abc"), chunk(b"IEND")]


@pytest.mark.parametrize("name", [b"tRNS", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"bKGD", b"pHYs"])
def test_of_a_png_what_changes_its_look_stays(name: bytes) -> None:
    """W3C PNG, third edition."""
    whole = HEAD + b"".join([PICTURE[0], chunk(name, b"12"), *PICTURE[1:]])
    assert without_metadata(whole) == whole


@pytest.mark.parametrize("name", [b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME", b"sPLT", b"prVt"])
def test_of_a_png_what_was_written_beside_it_goes(name: bytes) -> None:
    """And all that is appended behind its end."""
    with_it = HEAD + b"".join([PICTURE[0], chunk(name, b"12"), *PICTURE[1:], b"tail"])
    assert without_metadata(with_it) == HEAD + b"".join(PICTURE)


@pytest.mark.parametrize("cut", [1, 5, 11])
def test_a_png_that_is_cut_short(cut: int) -> None:
    """Within a chunk; one that ends with a chunk is let through."""
    whole = HEAD + b"".join(PICTURE[:3])
    assert without_metadata(whole) == whole
    with pytest.raises(PictureError, match="cut short"):
        without_metadata(whole[:-cut])


def riff(*parts: bytes) -> bytes:
    """Return a WebP file."""
    body = b"WEBP" + b"".join(parts)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def part(name: bytes, body: bytes) -> bytes:
    """Return a part of a WebP file, filled up to an even length."""
    return name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


@pytest.mark.parametrize(
    ("flags", "left"), [(0xFF, 0xF3), (0x0C, 0x00), (0x10, 0x10), (0x08, 0x00), (0x04, 0x00)]
)
def test_of_a_webp_exif_and_xmp_go(flags: int, left: int) -> None:
    """And their two flags in its head; odd parts are filled up, nothing follows the end (RFC 9649)."""
    wide = bytes(9)
    data = riff(
        part(b"VP8X", bytes([flags]) + wide), part(b"ICCP", b"abc"), part(b"EXIF", b"me"),
        part(b"VP8 ", b"12345"), part(b"XMP ", b"odd"),
    )  # fmt: skip
    kept = riff(part(b"VP8X", bytes([left]) + wide), part(b"ICCP", b"abc"), part(b"VP8 ", b"12345"))
    assert without_metadata(data + b"tail tail tail") == kept


def test_what_is_none_of_them_stays_as_it_is() -> None:
    """A GIF holds no place and no owner."""
    assert without_metadata(b"GIF89a whatever") == b"GIF89a whatever"


@pytest.mark.parametrize(
    ("size", "small"),
    [((960, 480), (480, 240)), ((480, 481), (479, 480)), ((100, 50), (100, 50)), ((3000, 900), (480, 144))],
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_a_small_copy_keeps_the_proportions(size: Any, small: Any, kind: str) -> None:
    """480 pixels at most, never larger than the picture; left is left, in the picture's colours."""
    picture = Image.new("RGB", size, "blue")
    picture.paste("red", (0, 0, size[0] // 2, size[1]))
    made = io.BytesIO()
    picture.save(made, kind)
    with Image.open(io.BytesIO(thumbnail(made.getvalue()))) as copy:
        assert copy.format == "JPEG"
        assert copy.size == pytest.approx(small, abs=1)
        left, right = copy.getpixel((3, 3)), copy.getpixel((copy.width - 4, copy.height - 4))
    assert left == pytest.approx((254, 0, 0), abs=6)
    assert right == pytest.approx((0, 0, 254), abs=6)


def test_a_small_copy_is_turned_upright() -> None:
    """By the orientation of the camera: 6 is turned by a quarter, clockwise (Exif 2.32, tag 0x0112)."""
    picture = Image.new("RGB", (1200, 600), "blue")
    picture.paste("red", (0, 0, 600, 600))
    exif = picture.getexif()
    exif[0x0112] = 6
    made = io.BytesIO()
    picture.save(made, "JPEG", exif=exif)
    with Image.open(io.BytesIO(thumbnail(made.getvalue()))) as copy:
        assert copy.size == (240, 480)
        assert copy.getpixel((120, 20)) == pytest.approx((254, 0, 0), abs=6)
        assert copy.getpixel((120, 460)) == pytest.approx((0, 0, 254), abs=6)


def test_a_tall_picture_is_reduced_in_strips_without_a_seam() -> None:
    """Rows of every strip are where they were: a ramp from black to white stays one."""
    ramp = Image.linear_gradient("L").resize((8, 4096)).convert("RGB")
    made = io.BytesIO()
    ramp.save(made, "PNG")
    with Image.open(io.BytesIO(thumbnail(made.getvalue()))) as copy:
        assert copy.height == 480
        for y in range(0, 480, 24):
            seen: Any = copy.getpixel((0, y))
            assert seen[0] == pytest.approx(255 * y / 479, abs=6)


def test_transparency_and_palettes_have_a_small_copy() -> None:
    """JPEG has neither."""
    for mode in ("RGBA", "P", "LA", "1", "CMYK"):
        made = io.BytesIO()
        Image.new(mode, (60, 30)).save(made, "TIFF" if mode == "CMYK" else "PNG")
        if mode != "CMYK":
            with Image.open(io.BytesIO(thumbnail(made.getvalue()))) as copy:
                assert copy.mode == "RGB"
