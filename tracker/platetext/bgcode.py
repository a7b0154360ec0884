"""Binary G-code: blocks of text, packed and checked, as its public specification has them.

A file begins with ``GCDE``, a version and the kind of checksum. Each block has a type, a kind
of compression, its sizes, a few parameters, its data and, with checksums, the CRC-32 of all
that. Metadata blocks hold ``key=value`` lines, G-code blocks text that may be encoded by
MeatPack: two characters a byte for the commonest fifteen.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator
from typing import BinaryIO, Final, NamedTuple

MAGIC: Final = b"GCDE"
_HEADER: Final = struct.Struct("<4sIH")
_BLOCK: Final = struct.Struct("<HHI")
_SIZE: Final = struct.Struct("<I")
_METADATA: Final = frozenset({0, 2, 3, 4})
_GCODE, _THUMBNAIL = 1, 5
_PLAIN, _DEFLATE = 0, 1
_HEATSHRINK: Final = {2: (11, 4), 3: (12, 4)}
"""Bits of window and of lookahead by kind of compression."""
_CRC32: Final = 1
_PICTURES: Final = frozenset({0, 1})
"""Formats of thumbnails that browsers draw: PNG and JPEG."""
_CUT: Final = "the file breaks off in block"
_MOST_BLOCK: Final = 64 << 20
"""Blocks of G-code hold 64 kB; one of this size is no such block."""


class DamagedBlocksError(ValueError):
    """The blocks cannot be followed."""


class Block(NamedTuple):
    """One block.

    Attributes:
        kind: 1 G-code, 5 thumbnail, 0 and 2 to 4 metadata.
        parameters: As they stand: encoding, or format, width and height.
        data: Unpacked.
    """

    kind: int
    parameters: bytes
    data: bytes


def blocks(stream: BinaryIO, notes: list[str], *, only: int | None = None) -> Iterator[Block]:
    """Yield the blocks of a file, unpacked; one that fails its checksum is told and taken as it is.

    Args:
        stream: At the start of the file.
        notes: Takes what is found damaged, in words.
        only: The one kind that is wanted; None for all.

    Raises:
        DamagedBlocksError: It is no such file, or of a version that is not known.
    """
    header = stream.read(_HEADER.size)
    if len(header) < _HEADER.size:
        raise DamagedBlocksError("it breaks off in its header")
    magic, version, checksum = _HEADER.unpack(header)
    if magic != MAGIC or version != 1 or checksum > _CRC32:
        raise DamagedBlocksError(f"version {version} with checksum kind {checksum} is not known")
    number = 0
    while head := stream.read(_BLOCK.size):
        number += 1
        block = _block(stream, head, number, notes, checked=checksum == _CRC32, only=only)
        if block is None:
            return
        if only in (None, block.kind):
            yield block


def _block(
    stream: BinaryIO, head: bytes, number: int, notes: list[str], *, checked: bool, only: int | None
) -> Block | None:
    """Read one block whose head has been read; None where the file breaks off or cannot be followed."""
    if len(head) < _BLOCK.size:
        notes.append(f"{_CUT} {number}")
        return None
    kind, compression, plain = _BLOCK.unpack(head)
    packed = plain
    if compression != _PLAIN:
        size = stream.read(_SIZE.size)
        if len(size) < _SIZE.size:
            notes.append(f"{_CUT} {number}")
            return None
        packed, head = _SIZE.unpack(size)[0], head + size
    if kind > _THUMBNAIL or compression > max(_HEATSHRINK) or max(plain, packed) > _MOST_BLOCK:
        notes.append(f"block {number} is of no known kind, and what follows cannot be read")
        return None
    parameters = stream.read(6 if kind == _THUMBNAIL else 2)
    data = stream.read(packed)
    check = stream.read(_SIZE.size) if checked else b""
    if len(data) < packed or len(check) < _SIZE.size * checked:
        notes.append(f"{_CUT} {number}")
        return None
    if checked and zlib.crc32(head + parameters + data) != _SIZE.unpack(check)[0]:
        notes.append(f"block {number} does not fit its checksum")
    if only not in (None, kind):
        return Block(kind, parameters, b"")
    text = _unpack(data, compression, plain)
    if len(text) != plain:
        notes.append(f"block {number} unpacks to {len(text)} bytes of {plain}")
    return Block(kind, parameters, text)


def _unpack(data: bytes, compression: int, size: int) -> bytes:
    if compression == _PLAIN:
        return data
    if compression == _DEFLATE:
        try:
            return zlib.decompressobj().decompress(data, size)
        except zlib.error:
            return b""
    return unshrink(data, *_HEATSHRINK[compression], size)


def unshrink(data: bytes, window: int, lookahead: int, size: int) -> bytes:
    """Unpack heatshrink: a 1 and eight bits are a character, a 0 repeats what stands some way back.

    Args:
        data: Packed, highest bit first.
        window: Bits of the distance, less one.
        lookahead: Bits of the count, less one.
        size: Bytes to give at most.
    """
    found = bytearray()
    # All bits as one text of digits: slices of it cost less than shifting a number of half a million bits.
    bits = format(int.from_bytes(b"\x01" + data), "b")[1:]
    at, end = 0, len(bits)
    back = 1 + window + lookahead
    while at < end and len(found) < size:
        if bits[at] == "1":
            if at + 9 > end:
                break
            found.append(int(bits[at + 1 : at + 9], 2))
            at += 9
            continue
        if at + back > end:
            break
        distance = int(bits[at + 1 : at + 1 + window], 2) + 1
        count = int(bits[at + 1 + window : at + back], 2) + 1
        at += back
        start = len(found) - distance
        if start < 0:
            # Before the first character the window is full of zeros.
            found += bytes(min(-start, count))
            count -= min(-start, count)
            start = 0
        if count <= len(found) - start:
            found += found[start : start + count]
        else:
            piece = bytes(found[start:])
            found += (piece * (count // len(piece) + 1))[:count]
    return bytes(found[:size])


_ALPHABET: Final = b"0123456789. \nGX"
_FULL: Final = 15
_SIGNAL, _RESET, _PACKING, _PLAIN_TEXT = 0xFF, 0xF9, 0xFB, 0xFA
_NO_BLANKS, _BLANKS = 0xF7, 0xF6
_BLANK: Final = 11


class MeatPack:
    """Decodes MeatPack; keeps its state from one block to the next."""

    def __init__(self) -> None:
        self._packing = False
        self._table = _pairs(b" ")

    def decode(self, data: bytes) -> bytes:
        """Return the text of some bytes."""
        found, at, end = bytearray(), 0, len(data)
        while at < end:
            byte = data[at]
            if byte == _SIGNAL and at + 2 < end and data[at + 1] == _SIGNAL:
                self._command(data[at + 2])
                at += 3
            elif not self._packing:
                stop = data.find(b"\xff\xff", at)
                stop = end if stop < 0 else stop
                found += data[at:stop]
                at = stop if stop > at else at + 1
            else:
                at = self._pair(data, at, found)
        return bytes(found)

    def _pair(self, data: bytes, at: int, found: bytearray) -> int:
        """Decode the pair of characters at a place; return the place behind it."""
        byte = data[at]
        pair = self._table[byte]
        if pair is not None:
            found += pair
            return at + 1
        # A nibble of fifteen stands for a character that follows whole.
        low, high = byte & 0x0F, byte >> 4
        at += 1
        for nibble in (low, high):
            if nibble == _FULL:
                found += data[at : at + 1]
                at += 1
            else:
                found.append(self._letters[nibble])
            if nibble == low and found[-1:] == b"\n" and low != _FULL:
                break
        return at

    def _command(self, byte: int) -> None:
        if byte == _RESET:
            self._packing, self._table = False, _pairs(b" ")
        elif byte in (_PACKING, _PLAIN_TEXT):
            self._packing = byte == _PACKING
        elif byte in (_NO_BLANKS, _BLANKS):
            self._table = _pairs(b"E" if byte == _NO_BLANKS else b" ")

    @property
    def _letters(self) -> bytes:
        # Two elevens tell which letter is in the place of a blank.
        pair = self._table[_BLANK << 4 | _BLANK] or b"  "
        return _ALPHABET[:_BLANK] + pair[:1] + _ALPHABET[_BLANK + 1 :]


def _pairs(blank: bytes) -> list[bytes | None]:
    """Return the characters of each byte; None where one of them follows whole."""
    letters = _ALPHABET[:_BLANK] + blank + _ALPHABET[_BLANK + 1 :]
    table: list[bytes | None] = []
    for byte in range(256):
        low, high = byte & 0x0F, byte >> 4
        if low == _FULL or (high == _FULL and letters[low : low + 1] != b"\n"):
            table.append(None)
        else:
            # A line end in the first place leaves the second without meaning.
            table.append(b"\n" if letters[low : low + 1] == b"\n" else bytes((letters[low], letters[high])))
    return table


def text_of(found: Iterable[Block]) -> Iterator[bytes]:
    """Yield the text of a plate: metadata as settings lines, then the G-code."""
    decoder = MeatPack()
    for block in found:
        if block.kind in _METADATA:
            for line in block.data.splitlines():
                key, equals, value = line.partition(b"=")
                if equals:
                    yield b"; %s = %s\n" % (key.strip(), value.strip())
        elif block.kind == _GCODE:
            encoded = int.from_bytes(block.parameters, "little")
            text = decoder.decode(block.data) if encoded else block.data
            yield text


def picture_of(stream: BinaryIO) -> bytes | None:
    """Return the largest picture of a file that browsers draw, None where it has none."""
    pictures = [
        block.data
        for block in blocks(stream, [], only=_THUMBNAIL)
        if int.from_bytes(block.parameters[:2], "little") in _PICTURES
    ]
    return max(pictures, key=len, default=None)
