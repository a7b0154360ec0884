"""Files that are no plates are refused by their bytes, with what to do instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.platefile.builder import TWO, boxes, text
from tracker.errors import Refused
from tracker.platefile import (
    EmptyPlate,
    NoExtrusion,
    NotText,
    PictureInstead,
    PlateRefused,
    read_plate,
)
from tracker.platetext.containers import DamagedContainer

GOOD = text(boxes(TWO))


@pytest.mark.parametrize(
    ("data", "refusal", "word"),
    [
        (b"GCDE\x09\x00\x00\x00\x01\x00" + GOOD, DamagedContainer, "version 9"),
        (b"PK\x03\x04" + GOOD, DamagedContainer, "not a zip"),
        (b"\x89PNG\r\n\x1a\n" + GOOD, PictureInstead, "PNG"),
        (b"\xff\xd8\xff\xe0" + GOOD, PictureInstead, "JPEG"),
        (b"G1 X1 E1\n\0\n", NotText, "byte 9 is NUL"),
        (b"", EmptyPlate, "empty"),
        (b" \n\n", EmptyPlate, "empty"),
        (b"G20\nG0 X1 Y1\nG1 Z-0.1 F5\nG1 X2 Y2\n", NoExtrusion, "inch"),
        (b"; only a comment\n", NoExtrusion, "no moves"),
        (b"M83\nG1 X1 Y1 Z1\nG1 E5\n", NoExtrusion, "No extrusion"),
    ],
)
def test_what_is_no_plate_is_refused(data: bytes, refusal: type[Refused], word: str) -> None:
    """Each kind of wrong file has its own refusal, which names what it is."""
    with pytest.raises(refusal, match=word) as caught:
        read_plate(data)

    assert isinstance(caught.value, PlateRefused)


def test_binary_is_found_in_a_file_with_a_plain_name(tmp_path: Path) -> None:
    """The bytes decide, not the ending of the name."""
    path = tmp_path / "plate.gcode"
    path.write_bytes(b"GCDE\x01\x00\x00\x00")

    with pytest.raises(DamagedContainer, match="it breaks off in its header"):
        read_plate(path)


@pytest.mark.parametrize(
    "refusal", [EmptyPlate(), NotText(3), DamagedContainer("it breaks off"), NoExtrusion()]
)
def test_refusals_say_what_to_do(refusal: Refused) -> None:
    """Every refusal is one line and ends with the next step."""
    assert "\n" not in str(refusal)
    assert refusal.do


def test_path_file_and_bytes_give_the_same(tmp_path: Path) -> None:
    """A plate is the same by path, as an open file and as bytes."""
    path = tmp_path / "plate.gcode"
    path.write_bytes(GOOD)
    with path.open("rb") as stream:
        assert read_plate(path) == read_plate(stream) == read_plate(GOOD)


def test_progress_is_reported_to_the_end() -> None:
    """Progress counts bytes up to the whole."""
    told: list[tuple[int, int]] = []
    read_plate(GOOD, progress=lambda done, total: told.append((done, total)), chunk_bytes=500)

    assert told[-1] == (len(GOOD), len(GOOD))
