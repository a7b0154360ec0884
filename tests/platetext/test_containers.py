"""Plates in binary G-code, ZIP containers and gzip read as the text that was packed."""

from __future__ import annotations

import gzip
import hashlib
import random
import zlib

import heatshrink2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.platefile.builder import TWO, boxes, text
from tests.platetext.packing import PNG, bgcode, container, meatpack
from tracker.errors import Refused
from tracker.platefile import Plate, PlateRefused, ReadAs, WhichPlate, plates_in, read_plate
from tracker.platetext.bgcode import MeatPack, unshrink

GOOD = text(boxes(TWO, layers=4))
DIGEST = hashlib.md5(GOOD, usedforsecurity=False).hexdigest().upper().encode()
OTHER = text(boxes({"alone": (5.0, 5.0, 20.0, 20.0)}, layers=2))
PROJECT = {"Metadata/plate_2.gcode": OTHER, "Metadata/plate_1.gcode": GOOD, "Metadata/plate_1.png": PNG}


def same(one: Plate, other: Plate) -> bool:
    """Tell whether two plates hold the same pieces, layers, filament and times."""
    return one.objects == other.objects and one.time_s == other.time_s


@pytest.mark.parametrize("compression", [0, 1, 2, 3])
@pytest.mark.parametrize("encoding", [0, 1, 2])
@pytest.mark.parametrize("check", [True, False])
def test_binary_gcode_reads_as_its_text(compression: int, encoding: int, check: bool) -> None:
    """Every compression and encoding, with and without checksums, gives the plate that was packed."""
    packed = bgcode(GOOD, compression=compression, encoding=encoding, check=check, size=700)
    found = read_plate(packed)
    expected = read_plate(GOOD, density_g_cm3=1.24)
    assert [(one.name, one.layers, one.box_mm) for one in found.objects] == [
        (one.name, one.layers, one.box_mm) for one in expected.objects
    ]
    assert found.filament_mm == pytest.approx(expected.filament_mm, rel=1e-12)
    assert found.filament_g == pytest.approx(expected.filament_g, rel=1e-12)
    assert found.stated.filament_mm == 12.5
    assert found.problems == ()


@given(st.binary(max_size=3000), st.sampled_from([(11, 4), (12, 4)]), st.integers(1, 40))
@settings(max_examples=60, deadline=None)
def test_heatshrink_of_the_reference_library(data: bytes, sizes: tuple[int, int], times: int) -> None:
    """What the reference library packs is unpacked, however it repeats."""
    plain = (data * times)[:20_000]
    packed = heatshrink2.compress(plain, window_sz2=sizes[0], lookahead_sz2=sizes[1]) if plain else b""
    assert unshrink(packed, *sizes, len(plain)) == plain


@given(st.text("0123456789. \nGXYE;M-abc", max_size=400))
@settings(max_examples=100, deadline=None)
def test_meatpack_gives_the_text_back(plain: str) -> None:
    """Whatever characters follow each other; a line end may be added to make the last pair whole."""
    found = MeatPack().decode(meatpack(plain.encode()))
    assert found.decode().removesuffix("\n") == plain.removesuffix("\n")


def test_meatpack_by_hand() -> None:
    """``G1 X5`` and a line end by the published table: G 13, 1, blank 11, X 14, 5, line end 12."""
    packed = bytes([0xFF, 0xFF, 0xFB, 1 << 4 | 13, 14 << 4 | 11, 12 << 4 | 5])
    assert MeatPack().decode(packed) == b"G1 X5\n"


def test_a_flipped_bit_is_reported() -> None:
    """A block that does not fit its checksum makes the plate incomplete, and names the block."""
    packed = bytearray(bgcode(GOOD))
    packed[-40] ^= 1
    found = read_plate(bytes(packed))
    assert not found.complete
    assert any("block 5 does not fit its checksum" in problem for problem in found.problems)


@pytest.mark.parametrize("kept", [0.4, 0.7, 0.95])
def test_a_binary_file_that_breaks_off_is_incomplete(kept: float) -> None:
    """What is there is read, and the file is said to break off."""
    packed = bgcode(GOOD, size=300)
    found = read_plate(packed[: int(len(packed) * kept)])
    assert not found.complete
    assert any("breaks off in block" in problem for problem in found.problems)


def test_gzip_reads_as_its_text() -> None:
    """One member or several."""
    assert same(read_plate(gzip.compress(GOOD)), read_plate(GOOD))
    half = len(GOOD) // 2
    assert same(read_plate(gzip.compress(GOOD[:half]) + gzip.compress(GOOD[half:])), read_plate(GOOD))


def test_gzip_that_breaks_off_is_incomplete() -> None:
    """What is there is read."""
    packed = gzip.compress(GOOD + bytes(random.Random("noise").choices(b"; abcdef", k=4000)))
    found = read_plate(packed[:-800])
    assert any("gzip data breaks off" in problem for problem in found.problems)


def test_plates_of_a_container_are_offered_by_number_and_picture() -> None:
    """Several plates are listed by the numbers in their names; the one with a picture brings it."""
    data = container(PROJECT)
    assert [(each.number, each.name, each.picture) for each in plates_in(data)] == [
        (1, "Metadata/plate_1.gcode", PNG),
        (2, "Metadata/plate_2.gcode", None),
    ]
    with pytest.raises(WhichPlate, match=r"2 plates: 1 \(plate_1\.gcode"):
        read_plate(data)
    assert same(read_plate(data, read_as=ReadAs(plate=2)), read_plate(OTHER))
    with pytest.raises(PlateRefused, match="no plate 7"):
        read_plate(data, read_as=ReadAs(plate=7))


def test_a_single_plate_needs_no_number() -> None:
    """A container of one plate is read as that."""
    assert same(read_plate(container({"a/plate_3.gcode": GOOD})), read_plate(GOOD))


def test_a_picture_of_binary_gcode() -> None:
    """The thumbnail of a binary file is its picture."""
    assert plates_in(bgcode(GOOD))[0].picture == PNG
    assert plates_in(GOOD) == ()


@pytest.mark.parametrize(
    ("members", "word"),
    [({"3D/3dmodel.model": b"<model/>"}, "no sliced plate"), ({"readme.txt": b"x"}, "without G-code")],
)
def test_a_container_without_plates_is_reported_as_such(members: dict[str, bytes], word: str) -> None:
    """A project that was never sliced is told what to do; so is a container of something else."""
    with pytest.raises(PlateRefused, match=word):
        read_plate(container(members))


def test_a_plate_that_does_not_fit_its_digest() -> None:
    """A digest beside a plate is compared."""
    good = {"plate_1.gcode": GOOD, "plate_1.gcode.md5": DIGEST}
    assert read_plate(container(good)).complete
    bad = read_plate(container(good | {"plate_1.gcode": OTHER}))
    assert any("does not fit the digest" in problem for problem in bad.problems)


@pytest.mark.parametrize("pack", [gzip.compress, lambda data: container({"plate_1.gcode": data})])
def test_bombs_are_refused(pack: object, monkeypatch: pytest.MonkeyPatch) -> None:
    """What unpacks to far more than a plate is refused before it is all unpacked."""
    monkeypatch.setattr("tracker.platetext.containers._SURELY_FINE", 1 << 20)
    with pytest.raises(PlateRefused, match="far more"):
        read_plate(pack(b"G1 X0\n" * 2_000_000))  # type: ignore[operator]


@pytest.mark.parametrize("nested", ["gzip", "bgcode"])
def test_a_packed_plate_inside_a_container(nested: str) -> None:
    """A container may hold a packed plate."""
    inner = gzip.compress(GOOD) if nested == "gzip" else bgcode(GOOD)
    assert len(read_plate(container({"plate_1.gcode": inner})).objects) == 2


@pytest.mark.parametrize("kind", ["zip", "gzip", "bgcode"])
def test_damaged_containers_are_read_or_refused(kind: str) -> None:
    """Cut, overwritten and scrambled containers end in a plate or in words."""
    seed = {
        "zip": container(PROJECT),
        "gzip": gzip.compress(GOOD),
        "bgcode": bgcode(GOOD, compression=2, encoding=2),
    }
    chance = random.Random(kind)
    for _ in range(120):
        data = bytearray(seed[kind])
        for _ in range(chance.randint(1, 3)):
            data[chance.randrange(4, len(data))] = chance.randrange(256)
        cut = bytes(data[: chance.choice((len(data), chance.randrange(5, len(data))))])
        try:
            found = read_plate(cut, read_as=ReadAs(plate=1))
        except Refused:
            continue
        assert found.filament_mm > 0


def test_deflate_without_a_header_of_its_own_is_no_crash() -> None:
    """A block that cannot be unpacked is reported by its size."""
    raw = zlib.compress(GOOD)[5:]
    packed = bgcode(GOOD, compression=1).replace(
        zlib.compress(GOOD), raw.ljust(len(zlib.compress(GOOD)), b"\0")
    )
    with pytest.raises(PlateRefused, match="No extrusion found"):
        read_plate(packed)
