"""Plates inside other files: ZIP containers with several plates, gzip, and binary G-code.

A container is unpacked into plain text, in memory while it is small and in a temporary file
beyond that, and never beyond a bound: a few kilobytes may unpack to gigabytes of nothing.
ZIP containers are read by general rules only: whatever ends in ``.gcode`` is a plate, its
number is the last number in its name, and a picture of the same name is its picture.
"""

from __future__ import annotations

import hashlib
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO, BinaryIO, Final, cast

from tracker.platetext.bgcode import MAGIC, DamagedBlocksError, blocks, picture_of, text_of
from tracker.platetext.source import PlateRefused, Source, opened

_ZIP, _EMPTY_ZIP, _GZIP = b"PK\x03\x04", b"PK\x05\x06", b"\x1f\x8b"
_IN_MEMORY: Final = 16 << 20
_BLOCK: Final = 1 << 20
_MOST_BYTES: Final = 2 << 30
_SURELY_FINE: Final = 64 << 20
_MOST_RATIO: Final = 60
"""Text of moves is packed to a tenth, of settings to a thirtieth; a file of zeros to a thousandth."""
_MOST_MEMBERS: Final = 5000
_PICTURE_BYTES: Final = 8 << 20
_NESTED: Final = 2


class Bomb(PlateRefused):
    """A container that would unpack to far more than a plate holds."""

    def __init__(self) -> None:
        super().__init__(
            "This container unpacks to far more than a plate holds",
            do="Export the plate again as plain-text G-code.",
        )


class NoPlateInside(PlateRefused):
    """A container without sliced plates.

    Args:
        project: Whether it holds models, so that slicing it gives plates.
    """

    def __init__(self, *, project: bool) -> None:
        what = "a project with models and no sliced plate" if project else "a ZIP container without G-code"
        super().__init__(f"This is {what}", do="Slice it, export the plate, and give that file.")


class WhichPlate(PlateRefused):
    """A container with several plates, of which one must be named.

    Args:
        plates: Those it holds.
    """

    def __init__(self, plates: tuple[PackedPlate, ...]) -> None:
        listed = ", ".join(plate.text for plate in plates)
        super().__init__(
            f"This file holds {len(plates)} plates: {listed}",
            do="Name the one that is printed: --plate NUMBER",
        )
        self.plates = plates


class NoSuchPlate(PlateRefused):
    """A number that no plate of the container has.

    Args:
        number: What was asked for.
        plates: Those it holds.
    """

    def __init__(self, number: int, plates: tuple[PackedPlate, ...]) -> None:
        listed = ", ".join(plate.text for plate in plates) or "one plate"
        super().__init__(f"There is no plate {number} in this file", why=f"it holds {listed}")


class DamagedContainer(PlateRefused):
    """A container that cannot be opened at all.

    Args:
        why: What is wrong, in words.
    """

    def __init__(self, why: str) -> None:
        super().__init__("This container is damaged", why=why, do="Copy or export it again.")


@dataclass(frozen=True)
class PackedPlate:
    """A plate inside a container.

    Attributes:
        number: By which it is chosen.
        name: Of the file inside.
        size: Bytes of its text.
        picture: PNG or JPEG, None where the container has none.
    """

    number: int
    name: str
    size: int
    picture: bytes | None = field(default=None, repr=False)

    @property
    def text(self) -> str:
        """The plate in a word: ``2 (plate_2.gcode, 1.4 MB)``."""
        return f"{self.number} ({self.name.rpartition('/')[2]}, {self.size / 1e6:.1f} MB)"


@dataclass
class Unpacked:
    """The text of a plate.

    Attributes:
        stream: Stands at its start, and can be read again.
        notes: What was found damaged on the way, in words.
    """

    stream: BinaryIO
    notes: list[str]


def plates_in(source: Source) -> tuple[PackedPlate, ...]:
    """Return the plates that a file holds as a container; empty for a plain plate.

    Raises:
        PlateRefused: It is a container without plates, or damaged.
    """
    with opened(source) as stream:
        head = _head(stream)
        if head.startswith((_ZIP, _EMPTY_ZIP)):
            with _archive(stream) as archive:
                return tuple(_packed(archive, number, info) for number, info in _members(archive))
        if head.startswith(MAGIC):
            picture = picture_of(stream)
            return (PackedPlate(1, "binary G-code", 0, picture),)
        return ()


@contextmanager
def unpacked(stream: BinaryIO, plate: int | None = None) -> Iterator[Unpacked]:
    """Give the text of a plate, whatever it is packed in.

    Args:
        stream: The file, at its start.
        plate: Number of the plate in a container with several; None where there is only one.

    Raises:
        WhichPlate: There are several and none is named.
        PlateRefused: It is no plate, damaged beyond use, or too large.
    """
    opened_files: list[BinaryIO] = []
    notes: list[str] = []
    try:
        for _ in range(_NESTED):
            head = _head(stream)
            if head.startswith((_ZIP, _EMPTY_ZIP)):
                stream = _from_zip(stream, plate, notes)
            elif head.startswith(_GZIP):
                stream = copied(_gunzipped(stream, notes), _size(stream))
            elif head.startswith(MAGIC):
                stream = copied(_text(stream, notes), _size(stream))
            else:
                break
            plate = None
            opened_files.append(stream)
        if plate not in (None, 1):
            raise NoSuchPlate(plate, ())
        yield Unpacked(stream, notes)
    finally:
        for each in opened_files:
            each.close()


def _head(stream: BinaryIO) -> bytes:
    here = stream.tell()
    head = stream.read(4)
    stream.seek(here)
    return head


def _size(stream: BinaryIO) -> int:
    here = stream.tell()
    size = stream.seek(0, 2) - here
    stream.seek(here)
    return size


def copied(pieces: Iterator[bytes], packed: int) -> BinaryIO:
    """Write pieces of text into a file of our own, as long as they are not too many."""
    most = min(_MOST_BYTES, _SURELY_FINE + _MOST_RATIO * packed)
    file = cast("BinaryIO", tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY))  # noqa: SIM115 - closed by who asked
    written = 0
    try:
        for piece in pieces:
            written += len(piece)
            if written > most:
                raise Bomb  # noqa: TRY301 - where the file is closed
            file.write(piece)
    except BaseException:
        file.close()
        raise
    file.seek(0)
    return file


def _gunzipped(stream: BinaryIO, notes: list[str]) -> Iterator[bytes]:
    """Yield the text of gzip members, one after another; what is cut off or damaged ends it with a note."""
    unpack = zlib.decompressobj(zlib.MAX_WBITS | 16)
    try:
        while block := stream.read(_BLOCK):
            while block:
                yield unpack.decompress(block, _BLOCK)
                block = unpack.unconsumed_tail
                if unpack.eof:
                    block = unpack.unused_data
                    unpack = zlib.decompressobj(zlib.MAX_WBITS | 16)
                    if not block.startswith(_GZIP):
                        return
    except zlib.error as error:
        notes.append(f"the gzip data is damaged ({error})")
        return
    if not unpack.eof:
        notes.append("the gzip data breaks off")


def _text(stream: BinaryIO, notes: list[str]) -> Iterator[bytes]:
    try:
        yield from text_of(blocks(stream, notes))
    except DamagedBlocksError as error:
        raise DamagedContainer(str(error)) from error


@contextmanager
def _archive(stream: BinaryIO) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(cast("IO[bytes]", stream)) as archive:
            yield archive
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise DamagedContainer(str(error) or "it breaks off") from error
    except RuntimeError as error:
        # What the library says of a container that wants a password.
        raise DamagedContainer("it is encrypted") from error


def _members(archive: zipfile.ZipFile) -> list[tuple[int, zipfile.ZipInfo]]:
    """Return the plates of a container with their numbers."""
    members = archive.infolist()
    if len(members) > _MOST_MEMBERS:
        raise Bomb
    found = [info for info in members if re.search(r"\.b?g(?:code|co)?$", info.filename, re.IGNORECASE)]
    if not found:
        raise NoPlateInside(project=any(info.filename.lower().endswith(".model") for info in members))
    numbers = [re.findall(r"\d+", info.filename.rpartition("/")[2].partition(".")[0]) for info in found]
    own = [int(each[-1][:6]) if each else 0 for each in numbers]
    # By the numbers in their names, where these tell them apart; else as they stand.
    distinct = len(set(own)) == len(found) and min(own) > 0
    return sorted(
        zip(own if distinct else range(1, len(found) + 1), found, strict=True), key=lambda one: one[0]
    )


def _packed(archive: zipfile.ZipFile, number: int, info: zipfile.ZipInfo) -> PackedPlate:
    stem = re.sub(r"\.b?g(?:code|co)?$", "", info.filename, flags=re.IGNORECASE).lower()
    for other in archive.infolist():
        name = other.filename.lower()
        if name in (f"{stem}.png", f"{stem}.jpg", f"{stem}.jpeg") and other.file_size <= _PICTURE_BYTES:
            with archive.open(other) as file:
                return PackedPlate(number, info.filename, info.file_size, file.read(_PICTURE_BYTES))
    return PackedPlate(number, info.filename, info.file_size)


def _from_zip(stream: BinaryIO, plate: int | None, notes: list[str]) -> BinaryIO:
    with _archive(stream) as archive:
        members = _members(archive)
        if plate is None and len(members) > 1:
            raise WhichPlate(tuple(_packed(archive, number, info) for number, info in members))
        wanted = [info for number, info in members if plate in (None, number)]
        if not wanted:
            raise NoSuchPlate(plate or 0, tuple(PackedPlate(n, i.filename, i.file_size) for n, i in members))
        info = wanted[0]
        with archive.open(info) as inside:
            text = copied(iter(lambda: inside.read(_BLOCK), b""), info.compress_size)
        _check_digest(archive, info, text, notes)
        return text


def _check_digest(archive: zipfile.ZipFile, info: zipfile.ZipInfo, text: BinaryIO, notes: list[str]) -> None:
    """Compare a plate with the digest that lies beside it, where there is one."""
    beside = archive.NameToInfo.get(f"{info.filename}.md5")
    if beside is None or beside.file_size > 1 << 10:
        return
    stated = archive.read(beside).decode("ascii", "replace").split()
    found = hashlib.md5(usedforsecurity=False)
    while block := text.read(_BLOCK):
        found.update(block)
    text.seek(0)
    if stated and stated[0].lower() != found.hexdigest():
        notes.append(f"{info.filename} does not fit the digest beside it")
