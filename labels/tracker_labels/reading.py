"""Reading the codes in a picture, an easy one at once and a hard one by several looks at it."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from tracker_labels.label import LabelError

if TYPE_CHECKING:
    import zxingcpp
    from PIL import Image

# Others are refused unopened: some of Pillow's readers start programs, none of them is a camera's format.
_FORMATS = ("PNG", "JPEG", "WEBP", "TIFF", "BMP", "GIF", "PPM", "MPO")
_MOST_BYTES = 32_000_000
_MOST_PIXELS = 40_000_000
_MOST_DEEP = 12_000_000
_MOST_PROGRESSIVE = 25_000_000
"""Pixels of a JPEG that comes in passes: all of them are held, eight bytes a pixel, at whatever size it is
unpacked."""
_LOOKED_AT = 16_000_000
"""So many pixels are looked at, with ten bytes each; a larger picture is halved before."""
"""Pixels of a picture with transparency or deep shades, which is unpacked three times over: within 300 MB."""
# Beyond this many pixels the harder looks would take seconds each and see nothing more.
_ENOUGH_PIXELS = 6_000_000
_SMALL_PIXELS = 1_500_000
_TURNS = (45, 20, 70)
_STRIP_ROWS = 256


def read_codes(image: bytes | Path) -> list[str]:
    """Return the text of every QR code in a picture, each once, from the top downwards.

    A picture in which nothing is found is looked at again: larger, smaller, smoothed, with other
    contrast, and turned.

    Args:
        image: The bytes of a picture file, or its path.

    Returns:
        The texts; empty if the picture holds no code that can be read.

    Raises:
        LabelError: The file cannot be read, is no picture, or is too large.
    """
    picture = _open(_load(image) if isinstance(image, Path) else image)
    # The plain look first: nine pictures of ten need no other, and each further one costs time at the rig.
    for look, fixed in _looks(picture):
        found = _read(look, fixed)
        if found:
            return found
    return []


def _load(path: Path) -> bytes:
    """Return the bytes of a file, which may not be endless.

    Raises:
        LabelError: It cannot be opened.
    """
    if path.exists() and not path.is_file():
        # Opening a pipe waits until somebody writes to it.
        raise LabelError(f"The picture {path} cannot be opened", why="it is no file", do="Check its path.")
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except OSError as error:
        why = error.strerror or "it cannot be read"
        raise LabelError(f"The picture {path} cannot be opened", why=why, do="Check its path.") from error
    return data


def _open(data: bytes) -> Image.Image:
    """Return a picture in shades of grey.

    Raises:
        LabelError: It is no picture that is known here, is damaged, or too large.
    """
    if len(data) > _MOST_BYTES:
        raise _too_large(f"more than {_MOST_BYTES // 1_000_000} MB")
    if data[:5] == b"%PDF-":
        raise LabelError("This is a PDF and no picture", do="Photograph the label, or save the page as PNG.")
    from PIL import Image  # noqa: PLC0415 - a heavy import, paid by those who read

    try:
        with warnings.catch_warnings():
            # The size is judged here, by our own bound.
            warnings.simplefilter("ignore")
            picture = Image.open(BytesIO(data), formats=_FORMATS)
            return _grey(picture)
    except LabelError:
        raise
    except Image.DecompressionBombError as error:
        raise _too_large("hundreds of millions of pixels") from error
    except Exception as error:  # Pillow's readers raise whatever a broken file makes them raise
        raise LabelError(
            "This cannot be read as a picture",
            why="it is damaged or of another format" if data else "it is empty",
            do="Use a PNG, JPEG, WebP, TIFF, BMP or GIF file.",
        ) from error


def _grey(picture: Image.Image) -> Image.Image:
    """Return a freshly opened picture in shades of grey, on white where it is transparent.

    Raises:
        LabelError: It is too large and cannot be unpacked smaller.
    """
    from PIL import Image  # noqa: PLC0415 - a heavy import, paid by those who read

    if "progressive" in picture.info and picture.width * picture.height > _MOST_PROGRESSIVE:
        raise _too_large(f"{picture.width} × {picture.height} pixels in passes", _MOST_PROGRESSIVE)
    while picture.width * picture.height > _LOOKED_AT:
        # JPEG can be unpacked at a half, a quarter, an eighth of its size without being unpacked whole.
        before = picture.size
        picture.draft("L", (picture.width // 2, picture.height // 2))
        if picture.size == before:
            break
    if picture.width * picture.height > _MOST_PIXELS:
        raise _too_large(f"{picture.width} × {picture.height} pixels")
    # WebP is unpacked into three whole copies.
    deep = picture.has_transparency_data or picture.mode.startswith(("I", "F")) or picture.format == "WEBP"
    if deep and picture.width * picture.height > _MOST_DEEP:
        raise _too_large(f"{picture.width} × {picture.height} pixels", _MOST_DEEP)
    if picture.has_transparency_data:
        paper = Image.new("RGBA", picture.size, "white")
        return Image.alpha_composite(paper, picture.convert("RGBA")).convert("L")
    if picture.mode.startswith(("I", "F")):
        return _eight_bits(picture)
    return picture.convert("L") if picture.width * picture.height <= _LOOKED_AT else _halved(picture)


def _halved(picture: Image.Image) -> Image.Image:
    """Return a picture in shades of grey at half its size, made strip by strip to keep memory small."""
    from PIL import Image  # noqa: PLC0415 - a heavy import, paid by those who read

    small = Image.new("L", (-(-picture.width // 2), -(-picture.height // 2)))
    for top in range(0, picture.height, _STRIP_ROWS):
        strip = picture.crop((0, top, picture.width, min(picture.height, top + _STRIP_ROWS)))
        small.paste(strip.convert("L").reduce(2), (0, top // 2))
    return small


def _eight_bits(picture: Image.Image) -> Image.Image:
    """Return a picture of deeper shades with its range brought to 0 to 255."""
    deep = picture.convert("F")
    low, high = deep.getextrema()
    scale = 255.0 / (high - low) if high > low else 1.0  # type: ignore[operator]
    return deep.point(lambda value: value * scale - low * scale).convert("L")  # type: ignore[operator]


def _too_large(size: str, most: int = _MOST_PIXELS) -> LabelError:
    """Return the refusal of a picture that would fill the memory."""
    return LabelError(
        f"The picture is too large ({size})",
        do=f"Use one of at most {most // 1_000_000} million pixels, or a part of it.",
    )


def _looks(picture: Image.Image) -> Iterator[tuple[Image.Image, bool]]:
    """Yield the picture as it is, then ever more changed; with each, whether one threshold serves it all."""
    # Lamp light that falls off needs a threshold from place to place, fine noise one for the whole.
    yield picture, False
    yield picture, True
    from PIL import Image, ImageFilter, ImageOps  # noqa: PLC0415 - a heavy import, paid by those who read

    if picture.width * picture.height > _ENOUGH_PIXELS:
        picture = picture.copy()
        side = max(picture.size) * (_ENOUGH_PIXELS / (picture.width * picture.height)) ** 0.5
        picture.thumbnail((round(side), round(side)))
    clear = ImageOps.autocontrast(picture, cutoff=1)
    # A reader needs some pixels a module; a small picture has them only when it is enlarged.
    small = clear.width * clear.height < _SMALL_PIXELS
    if small:
        clear = clear.resize((clear.width * 2, clear.height * 2), Image.Resampling.BICUBIC)
    for look in (
        clear,
        clear.filter(ImageFilter.GaussianBlur(1.5)),
        clear.filter(ImageFilter.MedianFilter(5)),
    ):
        yield look, False
        yield look, True
    yield clear.filter(ImageFilter.UnsharpMask(4, 200, 0)), False
    yield clear.reduce(2 if not small else 4), False
    for turn in _TURNS:
        yield clear.rotate(turn, Image.Resampling.BICUBIC, expand=True, fillcolor=255), False


def _read(picture: Image.Image, fixed: bool) -> list[str]:
    """Return what one look shows."""
    import zxingcpp  # noqa: PLC0415 - a heavy import, paid by those who read

    binarizer = zxingcpp.Binarizer.GlobalHistogram if fixed else zxingcpp.Binarizer.LocalAverage
    formats = zxingcpp.BarcodeFormats([zxingcpp.BarcodeFormat.QRCode, zxingcpp.BarcodeFormat.DataMatrix])
    found = zxingcpp.read_barcodes(picture, formats=formats, binarizer=binarizer)
    return list(dict.fromkeys(code.text for code in sorted(found, key=_where) if code.text))


def _where(code: zxingcpp.Barcode) -> tuple[int, int]:
    """Return where a code begins, downwards then to the right."""
    corner = code.position.top_left
    return corner.y, corner.x
