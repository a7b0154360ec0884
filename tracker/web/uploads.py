"""Files that are sent: bounded in size, and of the kinds a bench has."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import Final

from starlette.datastructures import FormData, UploadFile

from tracker.api import Recording
from tracker.desk.photographs import picture_kind
from tracker.errors import Refused

MOST_PICTURE: Final = 15_000_000
MOST_RECORDING: Final = 30_000_000
_RECORDINGS: Final = (".csv", ".tsv", ".txt", ".log", ".dat", ".json", ".gz", ".wav", ".png", ".jpg", ".jpeg",
                      ".webp")  # fmt: skip


class UploadError(Refused, ValueError):
    """A file is too large, or of a kind that does not belong here."""


def sent_file(form: FormData, name: str) -> UploadFile | None:
    """Return a file of a form; None where none was chosen."""
    found = form.get(name)
    return found if isinstance(found, UploadFile) and found.filename else None


def bytes_of(file: UploadFile, most: int) -> bytes:
    """Return the bytes of a file.

    Raises:
        UploadError: There are more than may be.
    """
    data = file.file.read(most + 1)
    if len(data) > most:
        raise UploadError(f"{_plain(file)} has more than {most // 1_000_000} MB", do="Send a smaller one")
    return data


def picture_sent(form: FormData, name: str) -> bytes:
    """Return the bytes of a picture.

    Raises:
        UploadError: None was sent, it is too large, or no picture of a known kind.
    """
    file = sent_file(form, name)
    if file is None:
        raise UploadError("No picture was chosen", do="Take one, or choose one")
    data = bytes_of(file, MOST_PICTURE)
    if not picture_kind(data):
        raise UploadError(
            f"{_plain(file)} is no picture that can be read here", do="Send PNG, JPEG, WebP, BMP, TIFF or GIF"
        )
    return data


def photograph_sent(form: FormData, name: str) -> tuple[str, bytes]:
    """Return the plain name and the bytes of a photograph.

    Raises:
        UploadError: None was sent, it is too large, or no picture of a known kind.
    """
    data = picture_sent(form, name)
    file = sent_file(form, name)
    return (_plain(file) if file is not None else "photograph"), data


def recordings_sent(form: FormData, names: Sequence[str], before: str) -> dict[str, Recording]:
    """Return the files that belong to readings.

    Raises:
        UploadError: One is too large, empty, or of a kind that no rig writes.
    """
    found = {}
    for name in names:
        file = sent_file(form, before + name)
        if file is not None:
            found[name] = Recording(_plain(file), _recording(file))
    return found


def _recording(file: UploadFile) -> bytes:
    if not (file.filename or "").lower().endswith(_RECORDINGS):
        raise UploadError(
            f"{_plain(file)} is of no kind that a rig writes", do=f"Send {', '.join(_RECORDINGS)}"
        )
    data = bytes_of(file, MOST_RECORDING)
    if not data:
        raise UploadError(f"{_plain(file)} is empty", do="Save it again at the rig")
    return data


def _plain(file: UploadFile) -> str:
    """Return the bare name of a file: whatever path a sender writes before it is dropped."""
    name = PurePath((file.filename or "").replace("\\", "/")).name
    return "".join(c for c in name if c.isprintable())[:120] or "file"
