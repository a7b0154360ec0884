"""Photographs of plates and pieces, on both databases."""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.desk.bench import WHO, a_job, last_entry
from tracker.backup import backup, restore
from tracker.book import Book, open_book
from tracker.desk import photographs
from tracker.desk.photographs import MOST_BYTES, add_photograph, photograph_of, picture_kind
from tracker.errors import Refused
from tracker.kinds import Card, card_of
from tracker.verify import verify

PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)
"""One grey pixel, whole: its header is read before it is kept."""


def shown(book: Book, target: str) -> Card:
    """Return a record as it is shown."""
    from tracker.kinds import find  # noqa: PLC0415 - here alone

    with book.read() as session:
        return card_of(session, find(book, session, target), book.zone)


def test_pixels_are_bounded_by_what_their_kind_takes_to_unpack(monkeypatch: pytest.MonkeyPatch) -> None:
    """JPEG is decoded at a fraction of its size; PNG, WebP and JPEG in passes take memory for each pixel."""
    monkeypatch.setattr(photographs, "_UNPACKED", 60_000)

    def of(pixels: int, **saved: Any) -> bytes:
        made = io.BytesIO()
        Image.new("RGB", (100, pixels // 100)).save(made, **saved)
        return made.getvalue()

    for most, saved in (
        (60_000, {"format": "JPEG"}),
        (7_500, {"format": "JPEG", "progressive": True}),
        (10_000, {"format": "PNG"}),
        (3_500, {"format": "WEBP"}),
    ):
        photographs.check_pixels(of(most, **saved), "It")
        with pytest.raises(photographs.PictureError, match=r"million pixels.*lower resolution"):
            photographs.check_pixels(of(most + 100, **saved), "It")


def test_a_photograph_is_kept_with_note_and_time_in_one_act(book: Book) -> None:
    """Its bytes, who took it in, when, and what is to be seen; the journal names the piece."""
    piece = a_job(book).also[1]
    add_photograph(book, WHO, piece, "corner.jpg", PNG, " lifted ")
    (kept,) = shown(book, piece).data["photographs"]
    assert (kept["of"], kept["kind"], kept["by"], kept["note"]) == (piece, "image/png", WHO, "lifted")
    assert photograph_of(book, piece, kept["id"])[0] == PNG
    assert last_entry(book).at == photograph_of(book, piece, kept["id"])[2]


def test_a_plate_shows_its_pieces_photographs_too(book: Book) -> None:
    """Each says whose it is; a piece does not show its neighbour's."""
    job = a_job(book)
    add_photograph(book, WHO, job.id, "plate.png", PNG)
    add_photograph(book, WHO, job.also[0], "piece.png", PNG)
    assert [each["of"] for each in shown(book, job.id).data["photographs"]] == [job.id, job.also[0]]
    assert shown(book, job.also[1]).data["photographs"] == []
    assert any("piece.png" in text and job.also[0] in text for _, text in shown(book, job.id).lines)


@pytest.mark.parametrize(
    ("data", "do"),
    [
        (b"<svg onload=''/>", "Send JPEG"), (b"", "Send JPEG"), (b"II*\x00 a scan", "Send JPEG"),
        (b"\x00" * 40, "Send JPEG"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "few browsers show. Set the camera to JPEG"),
    ],
)  # fmt: skip
def test_what_no_browser_shows_is_refused(book: Book, data: bytes, do: str) -> None:
    """By its first bytes, whatever it is called; to a phone's own kind it is said what to do."""
    with pytest.raises(Refused, match=f"no photograph that can be shown.*{do}"):
        add_photograph(book, WHO, a_job(book).id, "a.png", data)


def test_too_large_a_photograph_is_refused(book: Book) -> None:
    """One byte more than may be."""
    with pytest.raises(Refused, match="more than 15 MB"):
        add_photograph(book, WHO, a_job(book).id, "a.png", PNG.ljust(MOST_BYTES + 1))


def test_a_photograph_is_given_at_its_own_piece_alone(book: Book) -> None:
    """Another piece's number leads nowhere."""
    job = a_job(book)
    add_photograph(book, WHO, job.also[0], "a.png", PNG)
    with pytest.raises(Refused, match="has no photograph 1"):
        photograph_of(book, job.also[1], 1)


def test_a_lost_photograph_is_named_by_verify(book: Book) -> None:
    """The finding says of which job it was."""
    job = a_job(book)
    add_photograph(book, WHO, job.id, "a.png", PNG)
    book.files.path(_digest(book, job.id)).unlink()
    assert any(f"a photograph of job {job.id}" in line for line in verify(book).lines())


def _digest(book: Book, job: str) -> str:
    return str(shown(book, job).data["photographs"][0]["sha256"])


def test_a_backup_brings_photographs_back(book: Book, tmp_path: Path) -> None:
    """Restored elsewhere, row and bytes are there and the book is clean."""
    job = a_job(book)
    add_photograph(book, WHO, job.id, "a.png", PNG)
    backup(book, tmp_path / "b.zip")
    restore(tmp_path / "b.zip", str(tmp_path / "again"))
    with open_book(str(tmp_path / "again")) as again:
        assert photograph_of(again, job.id, 1)[0] == PNG
        assert verify(again).clean


def test_a_picture_is_known_by_its_first_bytes() -> None:
    """WebP is in a RIFF container, four bytes of length behind its first word (RFC 9649)."""
    assert picture_kind(b"RIFF\x1a\0\0\0WEBPVP8L") == "image/webp"
    assert picture_kind(b"RIFF\x1a\0\0\0WAVEfmt ") == ""
