"""Files that are sent: bounded in size, packed and unpacked, and of the kinds a bench has."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import PurePath
from typing import Final

from starlette.datastructures import FormData, UploadFile

from tracker.api import Recording
from tracker.desk.photographs import MOST_BYTES as MOST_PICTURE
from tracker.desk.photographs import check_pixels, picture_kind
from tracker.web.refusals import TooLargeError, UploadError

MOST_RECORDING: Final = 30_000_000
MOST_UNPACKED: Final = 120_000_000
"""What a packed file may unpack to: four times the largest that may be sent plain."""

MOST_TEXT: Final = 10_000
"""Characters of one text: a series of some thousand readings; longer ones come as a file."""

_RECORDINGS: Final = (".csv", ".tsv", ".txt", ".log", ".dat", ".json", ".gz", ".wav", ".png", ".jpg", ".jpeg",
                      ".webp")  # fmt: skip
_PART: Final = 1 << 16


def check_unpacked(name: str, data: bytes) -> None:
    """Refuse a packed file that unpacks to too much, with no more than a part of it in memory at a time.

    Raises:
        TooLargeError: It does; a picture has too many pixels.
        UploadError: It is packed and cannot be unpacked.
    """
    if data[:2] == b"\x1f\x8b":
        _check_gzip(name, data)
    elif data[:4] == b"PK\x03\x04":
        _check_zip(name, data)
    elif picture_kind(data) and name.lower().endswith((".png", ".jpg", ".jpeg", ".webp")):
        check_pixels(data, name)


def _check_gzip(name: str, data: bytes) -> None:
    unpacker, left, size = zlib.decompressobj(31), data, 0
    try:
        while left:
            size += len(unpacker.decompress(left, _PART))
            if size > MOST_UNPACKED:
                raise _too_large(name)
            left = unpacker.unconsumed_tail
            if unpacker.eof:
                # A gzip file may have several members, one after another.
                left = unpacker.unused_data
                unpacker = zlib.decompressobj(31)
                if left[:2] != b"\x1f\x8b":
                    return
    except zlib.error as error:
        raise UploadError(f"{name} cannot be unpacked", why=str(error), do="Send it again") from error


def _check_zip(name: str, data: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            # What the directory states is not believed by those who unpack; it refuses the honest bombs.
            if sum(each.file_size for each in archive.infolist()) > MOST_UNPACKED:
                raise _too_large(name)
    except (zipfile.BadZipFile, NotImplementedError, ValueError) as error:
        raise UploadError(f"{name} cannot be unpacked", why=str(error), do="Send it again") from error


def _too_large(name: str) -> TooLargeError:
    return TooLargeError(
        f"{name} unpacks to more than {MOST_UNPACKED // 1_000_000} MB", do="Send a shorter recording"
    )


def sent_file(form: FormData, name: str) -> UploadFile | None:
    """Return a file of a form; None where none was chosen."""
    found = form.get(name)
    return found if isinstance(found, UploadFile) and found.filename else None


def bytes_of(file: UploadFile, most: int) -> bytes:
    """Return the bytes of a file.

    Raises:
        TooLargeError: There are more than may be, as they are or unpacked.
    """
    data = file.file.read(most + 1)
    if len(data) > most:
        raise TooLargeError(
            f"{plain_name(file)} has more than {most // 1_000_000} MB", do="Send a smaller one"
        )
    check_unpacked(plain_name(file), data)
    return data


def picture_sent(form: FormData, name: str) -> bytes:
    """Return the bytes of a picture.

    Raises:
        UploadError: None was sent, or no picture of a known kind.
        PictureError: It has too many pixels, or is damaged.
    """
    file = _chosen(form, name)
    data = bytes_of(file, MOST_PICTURE)
    if not picture_kind(data):
        raise UploadError(
            f"{plain_name(file)} is no picture that can be read here",
            do="Send PNG, JPEG, WebP, BMP, TIFF or GIF",
        )
    check_pixels(data, plain_name(file))
    return data


def photograph_sent(form: FormData, name: str) -> tuple[str, bytes]:
    """Return the plain name and the bytes of a photograph; whether it can be kept is for the desk to say.

    Raises:
        UploadError: None was sent.
    """
    file = _chosen(form, name)
    return plain_name(file), bytes_of(file, MOST_PICTURE)


def _chosen(form: FormData, name: str) -> UploadFile:
    file = sent_file(form, name)
    if file is None:
        raise UploadError("No picture was chosen", do="Take one, or choose one")
    return file


def recordings_sent(form: FormData, names: Sequence[str], before: str) -> dict[str, Recording]:
    """Return the files that belong to readings.

    Raises:
        UploadError: One is empty, or of a kind that no rig writes.
        TooLargeError: One is too large, as it is or unpacked.
    """
    found = {}
    for name in names:
        file = sent_file(form, before + name)
        if file is not None:
            found[name] = Recording(plain_name(file), _recording(file))
    return found


def every_recording_sent(form: FormData, name: str) -> list[Recording]:
    """Return all files that were chosen in one field.

    Raises:
        UploadError: One is empty, or of a kind that no rig writes.
        TooLargeError: One is too large, as it is or unpacked.
    """
    sent = [each for each in form.getlist(name) if isinstance(each, UploadFile) and each.filename]
    return [Recording(plain_name(each), _recording(each)) for each in sent]


def _recording(file: UploadFile) -> bytes:
    if not (file.filename or "").lower().endswith(_RECORDINGS):
        raise UploadError(
            f"{plain_name(file)} is of no kind that a rig writes", do=f"Send {', '.join(_RECORDINGS)}"
        )
    data = bytes_of(file, MOST_RECORDING)
    if not data:
        raise UploadError(f"{plain_name(file)} is empty", do="Save it again at the rig")
    return data


def plain_name(file: UploadFile) -> str:
    """Return the bare name of a file: whatever path a sender writes before it is dropped."""
    name = PurePath((file.filename or "").replace("\\", "/")).name
    return "".join(c for c in name if c.isprintable())[:120] or "file"
