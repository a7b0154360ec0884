"""Bytes in: what kind of file it is, and its text in whole lines."""

from __future__ import annotations

import io
import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from tracker.platefile.refusals import BinaryPlate, EmptyPlate, NotText, PackedPlate, PictureInstead

Progress = Callable[[int, int], None]
Source = Path | BinaryIO | bytes

CHUNK_BYTES = 2 << 20
"""Large enough that the calls for a chunk do not count, small enough for its columns to stay in a cache."""
_HEAD_BYTES = 1 << 16
_LONGEST_LINE = 1 << 20
_BOM = b"\xef\xbb\xbf"
_KINDS: tuple[tuple[bytes, Callable[[], Exception]], ...] = (
    (b"GCDE", BinaryPlate),
    (b"PK\x03\x04", lambda: PackedPlate("ZIP container")),
    (b"\x1f\x8b", lambda: PackedPlate("gzip file")),
    (b"\x89PNG", lambda: PictureInstead("PNG")),
    (b"\xff\xd8\xff", lambda: PictureInstead("JPEG")),
)


@contextmanager
def opened(source: Source) -> Iterator[BinaryIO]:
    """Open a path or bytes; a file that is already open is used from its start and stays open."""
    if isinstance(source, bytes | bytearray | memoryview):
        yield io.BytesIO(bytes(source))
    elif isinstance(source, str | Path):
        with Path(source).open("rb") as stream:
            yield stream
    else:
        # A plate is looked at more than once (guess, read, islands), which a pipe does not allow.
        yield source if source.seekable() else io.BytesIO(source.read())


def size_of(stream: BinaryIO) -> int:
    """Return the number of bytes from the present place to the end."""
    here = stream.tell()
    end = stream.seek(0, os.SEEK_END)
    stream.seek(here)
    return end - here


def check(stream: BinaryIO) -> None:
    """Look at the first 64 kB and go back.

    Raises:
        PlateRefused: It is empty, no text, or a kind of file known not to be a plate.
    """
    here = stream.tell()
    head = stream.read(_HEAD_BYTES)
    stream.seek(here)
    # The bytes decide, never the name: binary files go about as .gcode too.
    for magic, refusal in _KINDS:
        if head.startswith(magic):
            raise refusal()
    if not head.strip():
        raise EmptyPlate
    if b"\0" in head:
        raise NotText(head.index(b"\0"))


def chunks(stream: BinaryIO, size: int, progress: Progress | None = None) -> Iterator[bytes]:
    r"""Yield the text in whole lines, every line end one ``\n``.

    The last piece is the unterminated last line, if there is one: without a line end.
    """
    total, done, rest, first = size_of(stream), 0, b"", True
    while block := stream.read(size):
        done += len(block)
        text = rest + block
        if first and len(text) >= len(_BOM):
            text, first = text.removeprefix(_BOM), False
        # A carriage return at the very end may be half of a line end: it waits for the next block.
        cut = text.rfind(b"\n") + 1 or (text.rfind(b"\r", 0, -1) + 1)
        if not cut and len(text) < _LONGEST_LINE:
            rest = text
            continue
        cut = cut or len(text)
        rest = text[cut:]
        yield _one_line_end(text[:cut])
        if progress:
            progress(done, total)
    if rest:
        yield from _last_lines(rest.removeprefix(_BOM) if first else rest)


def _line_feeds(text: bytes) -> bytes:
    """Return the text with every line end one line feed."""
    if b"\r" in text:
        # The usual pair first, which goes ten times as fast; what is left is rare.
        text = text.replace(b"\r\n", b"\n")
    if b"\r" in text:
        text = re.sub(rb"\r+\n|\r", b"\n", text)
    return text


def _one_line_end(text: bytes) -> bytes:
    text = _line_feeds(text)
    return text if text.endswith(b"\n") else text + b"\n"


def _last_lines(rest: bytes) -> Iterator[bytes]:
    text = _line_feeds(rest)
    cut = text.rfind(b"\n") + 1
    if cut:
        yield text[:cut]
    if cut < len(text):
        yield text[cut:]
