"""Reading a picture: easy ones, hard ones, and what is no picture."""

from __future__ import annotations

import zlib
from contextlib import suppress
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageChops, ImageFilter
from tracker_labels import LabelError, draw_sheet, read_codes, stocks

from tests.labels.damage import damaged
from tests.labels.helpers import pictures, read_by_zxing, some_labels

LABEL = some_labels(1)[0]


def _code(dpi: float = 200) -> Image.Image:
    """Return a picture of one label's code."""
    sheet = draw_sheet([LABEL], stocks()["tape-24"], dpi=dpi)
    box = sheet.codes[0].box
    return pictures(sheet)[0].crop((box.x, box.y, box.right, box.bottom))


def _file(picture: Image.Image, kind: str = "PNG") -> bytes:
    """Return a picture as the bytes of a file."""
    file = BytesIO()
    picture.save(file, kind)
    return file.getvalue()


def _png_of(width: int, height: int) -> bytes:
    """Return a small PNG file that claims to be large."""
    head = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes([1, 0, 0, 0, 0])
    chunks = (b"IHDR" + head, b"IDAT" + zlib.compress(b"\0" * 1000), b"IEND")
    body = b"".join(
        (len(chunk) - 4).to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big") for chunk in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + body


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WEBP", "TIFF", "BMP", "GIF", "PPM"])
def test_usual_picture_files_are_read(kind: str) -> None:
    """A code is read from every usual kind of picture file."""
    assert read_codes(_file(_code(), kind)) == [LABEL.payload]


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "CMYK", "I;16", "F"])
def test_every_kind_of_colour_is_read(mode: str) -> None:
    """Grey, colours, palettes, transparency and deep greys are all looked at."""
    kind = "TIFF" if mode in {"CMYK", "F", "I;16"} else "PNG"
    picture = (
        _code().convert("I").point(lambda grey: grey * 200).convert("I;16") if mode == "I;16" else _code()
    )

    assert read_codes(_file(picture.convert(mode), kind)) == [LABEL.payload]


def test_transparent_paper_is_white() -> None:
    """A code drawn in black on nothing is read."""
    picture = Image.new("RGBA", _code().size, (0, 0, 0, 0))
    picture.paste((0, 0, 0, 255), mask=ImageChops.invert(_code()))

    assert read_codes(_file(picture)) == [LABEL.payload]


def test_a_path_is_read(tmp_path: Path) -> None:
    """A picture may be named by its path."""
    (tmp_path / "label.png").write_bytes(_file(_code()))

    assert read_codes(tmp_path / "label.png") == [LABEL.payload]


def test_all_codes_of_a_sheet_are_read_in_the_order_of_its_rows() -> None:
    """A picture of a sheet gives every label, from the top downwards."""
    labels = some_labels(24)
    read = read_codes(draw_sheet(labels, stocks()["a4-3x8"]).pages_png()[0])

    assert [set(read[row : row + 3]) for row in range(0, 24, 3)] == [
        {label.payload for label in labels[row : row + 3]} for row in range(0, 24, 3)
    ]


def test_a_code_that_is_there_twice_is_reported_once() -> None:
    """Two prints of a label in a picture are one answer."""
    picture = draw_sheet([LABEL, LABEL], stocks()["a4-3x8"]).pages_png()[0]

    assert read_codes(picture) == [LABEL.payload]


def test_a_picture_without_a_code_gives_nothing() -> None:
    """White paper is no error; there is just nothing on it."""
    assert read_codes(_file(Image.new("L", (300, 200), 255))) == []


def test_light_on_dark_is_read() -> None:
    """A code in white on black is read."""
    assert read_codes(_file(ImageChops.invert(_code()))) == [LABEL.payload]


@pytest.mark.parametrize("turn", [15, 37, 45, 90, 180, 250])
def test_any_turn_is_read(turn: int) -> None:
    """It does not matter how the label is held."""
    assert read_codes(_file(_code(300).rotate(turn, expand=True, fillcolor=255))) == [LABEL.payload]


def test_a_second_look_reads_what_the_first_one_missed() -> None:
    """Of small, noisy pictures more are read by all looks together than by the first alone."""
    hard = [damaged(_code(), seed, noise=45, blur=0.9) for seed in range(24)]
    first = sum(read_by_zxing(picture) == {LABEL.payload} for picture in hard)
    all_looks = sum(read_codes(_file(picture)) == [LABEL.payload] for picture in hard)

    assert first < 18
    assert all_looks > first + 2


def test_a_soft_picture_is_read() -> None:
    """A picture out of focus by a whole module is read."""
    assert read_codes(_file(_code().filter(ImageFilter.GaussianBlur(3)))) == [LABEL.payload]


@pytest.mark.parametrize(
    "data", [b"", b"no picture", b"\x89PNG\r\n\x1a\n", b"GIF89a", b"%!PS-Adobe-3.0 EPSF-3.0\n"]
)
def test_what_is_no_picture_is_refused_in_words(data: bytes) -> None:
    """A file of another kind, or a torn one, is refused with what would help."""
    with pytest.raises(LabelError, match="cannot be read as a picture"):
        read_codes(data)


def test_half_a_picture_is_refused() -> None:
    """A picture that ends too soon is refused."""
    with pytest.raises(LabelError, match="cannot be read as a picture"):
        read_codes(_file(_code(600))[:400])


def test_a_pdf_is_distinguished() -> None:
    """A PDF is no picture, and the refusal says what to do."""
    with pytest.raises(LabelError, match="is a PDF and no picture"):
        read_codes(draw_sheet([LABEL], stocks()["a4-3x8"]).pdf())


@pytest.mark.parametrize("side", [10_000, 14_000, 60_000])
def test_a_picture_that_would_fill_the_memory_is_refused(side: int) -> None:
    """A small file that unpacks to more than 80 million pixels is refused unopened."""
    with pytest.raises(LabelError, match="too large"):
        read_codes(_png_of(side, side))


def test_a_large_photograph_is_read() -> None:
    """A JPEG beyond the bound is unpacked at a smaller size, and read."""
    picture = Image.new("L", (11_000, 8_000), 255)
    picture.paste(_code(300).resize((3000, 3000)), (2000, 2000))

    assert read_codes(_file(picture, "JPEG")) == [LABEL.payload]


@pytest.mark.parametrize("name", ["missing.png", "."])
def test_a_path_that_is_no_file_is_refused(tmp_path: Path, name: str) -> None:
    """A path to nothing, or to a folder, is refused."""
    with pytest.raises(LabelError, match="cannot be opened"):
        read_codes(tmp_path / name)


@given(st.binary(max_size=300))
def test_no_bytes_make_it_fail_otherwise(data: bytes) -> None:
    """Any bytes are read or refused."""
    with suppress(LabelError):
        assert isinstance(read_codes(data), list)
