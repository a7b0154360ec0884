"""Bytes in: why a file is no plate, what kind of file it is, and its text in whole lines."""

from __future__ import annotations

import io
import os
import re
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from tracker.errors import Refused


class PlateRefused(Refused):
    """A file that is not a readable plate; the base of every refusal of this room."""


class PictureInstead(PlateRefused):
    """The file is a picture.

    Args:
        kind: PNG or JPEG.
    """

    def __init__(self, kind: str) -> None:
        super().__init__(
            f"This is a {kind} picture, not a plate", do="Give the G-code file the printer was sent."
        )


class NoRegularFile(PlateRefused):
    """The path leads to a folder, a pipe or a device.

    Args:
        path: The path.
        kind: What it is.
    """

    def __init__(self, path: Path, kind: str) -> None:
        super().__init__(f"{path} is a {kind}, no file", do="Give the G-code file the printer was sent.")


class NotText(PlateRefused):
    """The first 64 kB hold NUL bytes.

    Args:
        offset: Where the first one stands, in bytes from the start.
    """

    def __init__(self, offset: int) -> None:
        super().__init__(
            f"This is not text: byte {offset} is NUL",
            do="Export the plate again as plain-text G-code; the copy may be damaged.",
        )


class EmptyPlate(PlateRefused):
    """The file holds nothing."""

    def __init__(self) -> None:
        super().__init__("The file is empty", do="Export or copy the plate again.")


class NoExtrusion(PlateRefused):
    """The file is text but nothing in it deposits filament.

    Args:
        why: What was found instead, in words; empty if nothing telling.
    """

    def __init__(self, why: str = "") -> None:
        super().__init__(
            "No extrusion found: no move in this file deposits filament",
            why=why,
            do="A milling or laser file, or one cut off before its first layer, has no pieces to follow.",
        )


class BadWindow(PlateRefused):
    """A gauge window that selects nothing of the piece.

    Args:
        window: The window as text.
        have: What the piece spans, as text.
    """

    def __init__(self, window: str, have: str) -> None:
        super().__init__(f"No layer of the piece lies in {window}", why=f"it spans {have}")


Progress = Callable[[int, int], None]
Source = Path | BinaryIO | bytes

CHUNK_BYTES = 1 << 20
"""Large enough that the calls for a chunk do not count, small enough for its columns to stay in a cache."""
_HEAD_BYTES = 1 << 16
_LONGEST_LINE = 1 << 20
_BOM = b"\xef\xbb\xbf"
_KINDS: tuple[tuple[bytes, Callable[[], Exception]], ...] = (
    (b"\x89PNG", lambda: PictureInstead("PNG")),
    (b"\xff\xd8\xff", lambda: PictureInstead("JPEG")),
)


@contextmanager
def opened(source: Source) -> Iterator[BinaryIO]:
    """Open a path or bytes; a file that is already open is used from its start and stays open."""
    if isinstance(source, bytes | bytearray | memoryview):
        yield io.BytesIO(bytes(source))
    elif isinstance(source, str | Path):
        check_regular(Path(source))
        with Path(source).open("rb") as stream:
            yield stream
    else:
        # A plate is looked at more than once (guess, read, islands), which a pipe does not allow.
        yield source if source.seekable() else io.BytesIO(source.read())


def check_regular(path: Path) -> None:
    """Refuse what is no file: reading a pipe or a device may never end.

    Raises:
        NoRegularFile: It is a directory, a pipe, a socket or a device.
    """
    kind = path.stat().st_mode
    if not stat.S_ISREG(kind):
        raise NoRegularFile(path, _NO_FILES.get(stat.S_IFMT(kind), "device"))


_NO_FILES = {stat.S_IFDIR: "folder", stat.S_IFIFO: "pipe", stat.S_IFSOCK: "socket"}


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
