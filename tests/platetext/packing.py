"""Writes binary G-code and containers, so that reading them is checked by the way back.

Heatshrink data comes from the reference library (heatshrink2 wraps it), deflate and CRC-32 from zlib;
MeatPack is written here by its published table, which knows nothing of the reader.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

import heatshrink2

_NIBBLES = {letter: number for number, letter in enumerate("0123456789. \nGX")}
_HEATSHRINK = {2: (11, 4), 3: (12, 4)}
PNG = b"\x89PNG\r\n\x1a\n picture"


def meatpack(text: bytes, *, no_blanks: bool = False) -> bytes:
    """Return text as MeatPack: two characters a byte where both have a nibble, the others whole behind it."""
    table = dict(_NIBBLES)
    if no_blanks:
        table["E"] = table.pop(" ")
        text = text.replace(b" ", b"")
    found = bytearray(b"\xff\xff\xfb" + (b"\xff\xff\xf7" if no_blanks else b"\xff\xff\xf6"))
    letters = text.decode("latin-1")
    at = 0
    while at < len(letters):
        first = letters[at]
        # The second place behind a line end is never looked at.
        second = "\n" if first == "\n" else letters[at + 1 : at + 2] or "\n"
        at += 1 if first == "\n" else 2
        pair = [table.get(letter, 15) for letter in (first, second)]
        found.append(pair[1] << 4 | pair[0])
        found += bytes(ord(one) for one, code in zip((first, second), pair, strict=True) if code == 15)
    return bytes(found + b"\xff\xff\xf9")


def moves_packed(text: bytes) -> bytes:
    """Return text with its moves as MeatPack without blanks, and all other lines as they are."""
    lines = text.splitlines(keepends=True)
    return b"".join(
        meatpack(line, no_blanks=True) if line.startswith(b"G1") else b"\xff\xff\xfa" + line for line in lines
    )


def block(
    kind: int, data: bytes, parameters: bytes = b"\0\0", compression: int = 0, *, check: bool = True
) -> bytes:
    """Return one block of binary G-code."""
    packed = data
    if compression == 1:
        packed = zlib.compress(data)
    elif compression in _HEATSHRINK:
        window, lookahead = _HEATSHRINK[compression]
        packed = heatshrink2.compress(data, window_sz2=window, lookahead_sz2=lookahead)
    head = struct.pack("<HHI", kind, compression, len(data))
    head += struct.pack("<I", len(packed)) if compression else b""
    whole = head + parameters + packed
    return whole + (struct.pack("<I", zlib.crc32(whole)) if check else b"")


def bgcode(
    text: bytes, *, compression: int = 0, encoding: int = 0, check: bool = True, size: int = 1 << 16
) -> bytes:
    """Return a plate as binary G-code, with metadata and a picture.

    Args:
        text: The plate.
        compression: Of the G-code: 0 none, 1 deflate, 2 and 3 heatshrink.
        encoding: 0 none, 1 MeatPack without blanks, 2 MeatPack.
        check: Whether blocks carry checksums.
        size: Bytes of text in a block; blocks end with a line.
    """
    found = struct.pack("<4sIH", b"GCDE", 1, int(check))
    found += block(0, b"Producer=nobody\n", check=check)
    found += block(4, b"filament used [mm]=12.5\n", check=check)
    found += block(5, PNG, struct.pack("<HHH", 0, 16, 16), check=check)
    found += block(2, b"filament_density=1.24\nlayer_height=0.2\n", compression=1, check=check)
    while text:
        cut = text.rfind(b"\n", 0, size) + 1 or len(text)
        part, text = text[:cut], text[cut:]
        data = {0: bytes, 1: moves_packed, 2: meatpack}[encoding](part)
        found += block(1, data, struct.pack("<H", encoding), compression, check=check)
    return found


def container(members: dict[str, bytes]) -> bytes:
    """Return a ZIP container."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in members.items():
            packed.writestr(name, data)
    return file.getvalue()
