"""Blocks, members and lines one by one: each limit of what is read as a plate, from both sides."""

from __future__ import annotations

import gzip
import hashlib
import io
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tracker.platetext import bgcode, containers, source
from tracker.platetext.bgcode import (
    Block,
    DamagedBlocksError,
    MeatPack,
    blocks,
    picture_of,
    text_of,
    unshrink,
)
from tracker.platetext.containers import (
    Bomb,
    DamagedContainer,
    NoPlateInside,
    NoSuchPlate,
    PackedPlate,
    WhichPlate,
    copied,
    plates_in,
    unpacked,
)
from tracker.platetext.source import (
    EmptyPlate,
    NoRegularFile,
    NotText,
    PictureInstead,
    check,
    chunks,
    opened,
    size_of,
)

# Blocks, by the public specification: type, compression, size, packed size, parameters, data, CRC-32.


def block(
    kind: int, data: bytes, *, compression: int = 0, crc: bool = True, plain: int | None = None, **how: Any
) -> bytes:
    """Return a block as it stands in a file."""
    packed = zlib.compress(data) if compression == 1 else data
    head = struct.pack("<HHI", kind, compression, len(data) if plain is None else plain)
    head += struct.pack("<I", how.get("packed", len(packed))) if compression else b""
    head += how.get("parameters", bytes(6 if kind == 5 else 2)) + packed
    return head + (struct.pack("<I", zlib.crc32(head) ^ how.get("wrong", 0)) if crc else b"")


def file_of(*found: bytes, version: int = 1, checksum: int = 1) -> io.BytesIO:
    """Return a file of blocks."""
    return io.BytesIO(b"GCDE" + struct.pack("<IH", version, checksum) + b"".join(found))


def read(stream: io.BytesIO, only: int | None = None) -> tuple[list[Block], list[str]]:
    """Return the blocks of a file and what is said of them."""
    notes: list[str] = []
    return list(blocks(stream, notes, only=only)), notes


def test_blocks_are_read_one_after_the_other() -> None:
    """Kind, parameters and data, packed or not, with checksums or without."""
    found, notes = read(
        file_of(
            block(0, b"a=1\n"),
            block(1, b"G1\n" * 9, compression=1),
            block(5, b"PIC", parameters=b"\1\0\2\0\3\0"),
        )
    )
    bare, _ = read(file_of(block(1, b"G28\n", crc=False), checksum=0))

    assert found == [
        Block(0, b"\0\0", b"a=1\n"),
        Block(1, b"\0\0", b"G1\n" * 9),
        Block(5, b"\1\0\2\0\3\0", b"PIC"),
    ]
    assert notes == []
    assert bare == [Block(1, b"\0\0", b"G28\n")]
    # The others are passed over, and their checksums looked at all the same.
    only, said = read(file_of(block(0, b"a=1\n", wrong=1), block(1, b"G28\n")), only=1)
    assert (only, said) == ([Block(1, b"\0\0", b"G28\n")], ["block 1 does not fit its checksum"])


@pytest.mark.parametrize(("version", "checksum"), [(0, 1), (2, 1), (1, 2)])
def test_other_versions_are_refused(version: int, checksum: int) -> None:
    """By number; a header that breaks off is none."""
    with pytest.raises(
        DamagedBlocksError, match=f"version {version} with checksum kind {checksum} is not known"
    ):
        read(file_of(version=version, checksum=checksum))
    with pytest.raises(DamagedBlocksError, match="it breaks off in its header"):
        read(io.BytesIO(b"GCDE\1\0\0\0\1"))
    with pytest.raises(DamagedBlocksError, match="version 1 "):
        read(io.BytesIO(b"GCDF" + struct.pack("<IH", 1, 1)))
    assert read(file_of()) == ([], [])


def test_a_file_that_breaks_off_says_in_which_block() -> None:
    """In its head, its packed size, its data, its checksum: what was whole before is kept."""
    first, second = block(0, b"a=1\n"), block(1, b"G1\n" * 9, compression=1)
    whole = len(second)
    for cut in range(1, whole):
        found, notes = read(file_of(first, second[:cut]))
        assert (len(found), notes) == (1, ["the file breaks off in block 2"]), cut
    assert read(file_of(first, second))[1] == []


def test_a_block_that_is_of_no_known_kind_ends_it() -> None:
    """Kinds to 5, compressions to 3, sizes to 64 MB."""
    said = ["block 2 is of no known kind, and what follows cannot be read"]
    first = block(0, b"a=1\n")
    for odd in (
        block(6, b"x"), block(1, b"x", compression=4), block(1, b"", plain=(64 << 20) + 1),
        block(1, b"", compression=1, packed=(64 << 20) + 1),
    ):  # fmt: skip
        found, notes = read(file_of(first, odd, first))
        assert (len(found), notes) == (1, said)
    assert read(file_of(first, block(1, b"", plain=64 << 20)))[1] == ["the file breaks off in block 2"]


def test_a_block_that_unpacks_to_another_size_is_told() -> None:
    """It is taken as it is; what cannot be unpacked is nothing."""
    found, notes = read(file_of(block(1, b"G1\n", compression=1, plain=5)))
    assert (found[0].data, notes) == (b"G1\n", ["block 1 unpacks to 3 bytes of 5"])
    head = struct.pack("<HHII", 1, 1, 4, 3) + b"\0\0" + b"abc"
    found, notes = read(file_of(head + struct.pack("<I", zlib.crc32(head))))
    assert (found[0].data, notes) == (b"", ["block 1 unpacks to 0 bytes of 4"])
    assert read(file_of(block(1, b"G1 X1\n", compression=1, plain=3)))[0][0].data == b"G1 "


def test_heatshrink_by_hand() -> None:
    """A 1 and eight bits are a character; a 0, distance - 1 and count - 1 repeat; zeros stand before."""

    def packed(*parts: str) -> bytes:
        text = "".join(parts)
        return int(text.ljust(-(-len(text) // 8) * 8, "0"), 2).to_bytes(-(-len(text) // 8), "big")

    def letter(character: str) -> str:
        return "1" + format(ord(character), "08b")

    def again(distance: int, count: int) -> str:
        return "0" + format(distance - 1, "011b") + format(count - 1, "04b")

    assert unshrink(packed(letter("a"), letter("b"), again(2, 2), letter("c")), 11, 4, 5) == b"ababc"
    assert unshrink(packed(letter("a"), again(1, 5)), 11, 4, 6) == b"aaaaaa"
    assert unshrink(packed(letter("a"), letter("b"), again(2, 5)), 11, 4, 7) == b"abababa"
    assert unshrink(packed(letter("a"), again(3, 4)), 11, 4, 5) == b"a\0\0a\0"
    assert unshrink(packed(letter("a"), again(3, 2)), 11, 4, 3) == b"a\0\0"
    # No more than asked for; what breaks off gives what is there.
    assert unshrink(packed(letter("a"), again(1, 5)), 11, 4, 3) == b"aaa"
    assert unshrink(packed(letter("a"), letter("b"))[:2], 11, 4, 9) == b"a"
    assert unshrink(packed(letter("a"), again(1, 5))[:2], 11, 4, 9) == b"a"
    assert unshrink(b"", 11, 4, 9) == b""


def test_meatpack_commands_and_whole_characters() -> None:
    """A blank may stand for E; a nibble of fifteen is followed by its character; plain text between."""
    on, off, no_blanks, blanks, reset = (bytes([0xFF, 0xFF, byte]) for byte in (0xFB, 0xFA, 0xF7, 0xF6, 0xF9))

    def pair(low: int, high: int) -> bytes:
        return bytes([high << 4 | low])

    def decoded(*parts: bytes) -> bytes:
        return MeatPack().decode(b"".join(parts))

    assert decoded(on, pair(13, 1), pair(11, 14), pair(5, 10)) == b"G1 X5."
    assert decoded(on, no_blanks, pair(13, 1), pair(11, 5)) == b"G1E5"
    assert decoded(on, no_blanks, pair(11, 5), blanks, pair(11, 5)) == b"E5 5"
    assert decoded(on, pair(15, 1), b"M", pair(2, 15), b"Y", pair(15, 15), b"ab") == b"M12Yab"
    assert decoded(on, no_blanks, pair(15, 11), b"M", pair(11, 15), b"Z") == b"MEEZ"
    assert decoded(on, pair(12, 7), pair(1, 12), pair(12, 15), pair(3, 3)) == b"\n1\n\n33"
    assert decoded(b"G28\n", on, pair(1, 2), off, b"M84 ", on, pair(3, 4)) == b"G28\n12M84 34"
    assert decoded(on, no_blanks, pair(11, 1), reset, b"E1", on, pair(11, 1)) == b"E1E1 1"
    # Unknown commands change nothing; what breaks off is no command, and a lone byte stays.
    assert decoded(on, pair(1, 2), bytes([0xFF, 0xFF, 0x01]), pair(3, 4)) == b"1234"
    assert decoded(b"a\xff\xff") == b"a\xff"
    kept = MeatPack()
    assert (kept.decode(on), kept.decode(pair(1, 2))) == (b"", b"12")


def test_metadata_are_settings_lines() -> None:
    """Of kinds 0 and 2 to 4; lines without a sign between are left out; pictures are no text."""
    found = [Block(kind, b"\0\0", b"key %d = value = %d\nnone\n" % (kind, kind)) for kind in range(6)]
    encoded = Block(1, b"\2\0", bytes([0xFF, 0xFF, 0xFB, 2 << 4 | 1]))

    assert list(text_of([*found, encoded])) == [
        b"; key 0 = value = 0\n", found[1].data, b"; key 2 = value = 2\n", b"; key 3 = value = 3\n",
        b"; key 4 = value = 4\n", b"12",
    ]  # fmt: skip


def test_the_largest_picture_that_browsers_draw_is_shown() -> None:
    """PNG and JPEG; others are passed over."""

    def thumbnail(form: int, data: bytes) -> bytes:
        return block(5, data, parameters=struct.pack("<HHH", form, 9, 9))

    assert (
        picture_of(
            file_of(thumbnail(0, b"ab"), thumbnail(1, b"abc"), thumbnail(2, b"abcdef"), thumbnail(0, b"x"))
        )
        == b"abc"
    )
    assert picture_of(file_of(thumbnail(2, b"abcdef"), block(1, b"G28\n"))) is None


# Containers


def zipped(members: dict[str, bytes], **how: Any) -> bytes:
    """Return a ZIP container."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", how.get("compression", zipfile.ZIP_STORED)) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


def text_in(data: bytes, plate: int | None = None) -> tuple[bytes, list[str]]:
    """Return the text of a plate and what was found damaged."""
    with unpacked(io.BytesIO(data), plate) as found:
        return found.stream.read(), found.notes


@pytest.mark.parametrize(
    ("names", "numbers"),
    [
        (["p_2.gcode", "p_1.gcode"], {1: "p_1.gcode", 2: "p_2.gcode"}),
        (["a/10/p_7.GCODE", "p3.gco", "x.g"], {1: "a/10/p_7.GCODE", 2: "p3.gco", 3: "x.g"}),
        (["p_2.gcode", "q_2.gcode"], {1: "p_2.gcode", 2: "q_2.gcode"}),
        (["p_0.gcode", "p_1.gcode"], {1: "p_0.gcode", 2: "p_1.gcode"}),
        (["9/p_4.v5.gcode", "p_12 of 3.bgcode"], {3: "p_12 of 3.bgcode", 4: "9/p_4.v5.gcode"}),
        (["p_1234567.gcode"], {123456: "p_1234567.gcode"}),
        (["p_5.gcode.txt", "p_6.gcode"], {6: "p_6.gcode"}),
    ],
)  # fmt: skip
def test_plates_have_the_last_number_in_their_names(names: list[str], numbers: dict[int, str]) -> None:
    """Where these tell them apart and none is 0; else as they stand. Folders do not count."""
    found = plates_in(zipped({name: name.encode() for name in names}))

    assert {each.number: each.name for each in found} == numbers
    assert [each.number for each in found] == sorted(numbers)
    for number, name in numbers.items():
        assert text_in(zipped({each: each.encode() for each in names}), number) == (name.encode(), [])


def test_one_of_several_plates_is_to_be_named() -> None:
    """And one that is not there is refused, with those that are."""
    two = zipped({"p_1.gcode": b"one" * 100_000, "p_2.gcode": b"two"})

    with pytest.raises(
        WhichPlate, match=r"2 plates: 1 \(p_1.gcode, 0.3 MB\), 2 \(p_2.gcode, 0.0 MB\)"
    ) as asked:
        text_in(two)
    assert [plate.number for plate in asked.value.plates] == [1, 2]
    with pytest.raises(NoSuchPlate, match="no plate 3 in this file: it holds 1 "):
        text_in(two, 3)
    assert text_in(zipped({"a/p_7.gcode": b"seven"})) == (b"seven", [])
    with pytest.raises(NoSuchPlate, match="no plate 1 in this file: it holds 7 "):
        text_in(zipped({"a/p_7.gcode": b"seven"}), 1)
    with pytest.raises(NoSuchPlate, match="no plate 2 in this file: it holds one plate"):
        text_in(b"G28\n", 2)
    assert text_in(b"G28\n", 1) == (b"G28\n", [])


def test_a_picture_has_the_name_of_its_plate() -> None:
    """PNG or JPEG beside it, whatever the case, up to 8 MB; another name is of something else."""

    def picture(name: str, data: bytes = b"PIC") -> bytes | None:
        (plate,) = plates_in(zipped({"m/P_1.gcode": b"G28", name: data}))
        assert (plate.name, plate.size) == ("m/P_1.gcode", 3)
        return plate.picture

    assert [picture(f"m/p_1.{end}") for end in ("png", "jpg", "JPEG", "gif")] == [
        b"PIC",
        b"PIC",
        b"PIC",
        None,
    ]
    assert picture("m/p_1_small.png") is None
    assert picture("p_1.png") is None
    assert PackedPlate(2, "a/b/p_2.gcode", 1_449_999).text == "2 (p_2.gcode, 1.4 MB)"
    assert "PIC" not in repr(PackedPlate(2, "p_2.gcode", 3, b"PIC"))


def test_a_picture_that_is_too_large_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """8 MB; here a few bytes."""
    assert containers._PICTURE_BYTES == 8 << 20
    monkeypatch.setattr(containers, "_PICTURE_BYTES", 4)
    for data, shown in ((b"1234", b"1234"), (b"12345", None)):
        assert plates_in(zipped({"p.gcode": b"G28", "p.png": data}))[0].picture == shown


def test_a_container_of_too_many_members_is_a_bomb(monkeypatch: pytest.MonkeyPatch) -> None:
    """5000; here two."""
    assert containers._MOST_MEMBERS == 5000
    monkeypatch.setattr(containers, "_MOST_MEMBERS", 2)
    assert len(plates_in(zipped({"p_1.gcode": b"", "p_2.gcode": b""}))) == 2
    with pytest.raises(Bomb):
        plates_in(zipped({"p_1.gcode": b"", "p_2.gcode": b"", "x": b""}))


@pytest.mark.parametrize(
    ("name", "said"),
    [("3D/a.MODEL", "a project with models"), ("a.model.txt", "a ZIP container without G-code")],
)
def test_a_container_without_plates(name: str, said: str) -> None:
    """A project is to be sliced first."""
    with pytest.raises(NoPlateInside, match=said):
        plates_in(zipped({name: b""}))


def test_a_digest_beside_a_plate_is_compared() -> None:
    """MD5 in hexadecimal, whatever the case, and a name that may follow; an empty or a large file is none."""
    good = hashlib.md5(b"G28\n", usedforsecurity=False).hexdigest()

    def notes(beside: bytes) -> list[str]:
        return text_in(zipped({"p.gcode": b"G28\n", "p.gcode.md5": beside}))[1]

    assert notes(good.upper().encode() + b"  p.gcode\n") == []
    assert notes(b"0" * 32) == ["p.gcode does not fit the digest beside it"]
    assert notes(b"") == notes(b" \n") == notes(b"0" * 1025) == []
    assert notes(b"0" * 1024) == ["p.gcode does not fit the digest beside it"]


def test_what_is_unpacked_is_bounded_by_what_was_packed(monkeypatch: pytest.MonkeyPatch) -> None:
    """64 MB surely, and sixty times the packed size, up to 2 GB; here bytes."""
    assert (containers._SURELY_FINE, containers._MOST_RATIO, containers._MOST_BYTES) == (
        64 << 20,
        60,
        2 << 30,
    )
    monkeypatch.setattr(containers, "_SURELY_FINE", 10)
    monkeypatch.setattr(containers, "_MOST_RATIO", 3)
    monkeypatch.setattr(containers, "_MOST_BYTES", 100)

    def pieces(count: int) -> Iterator[bytes]:
        yield from (b"x" for _ in range(count))

    for packed, most in ((0, 10), (4, 22), (30, 100), (99, 100)):
        file = copied(pieces(most), packed)
        assert (file.tell(), len(file.read())) == (0, most)
        file.close()
        with pytest.raises(Bomb):
            copied(pieces(most + 1), packed)


def test_gzip_members_follow_each_other() -> None:
    """What is behind them and is none is left; damage and a break are told."""
    one, two = gzip.compress(b"G28\n" * 9), gzip.compress(b"G1\n")

    assert text_in(one + two) == (b"G28\n" * 9 + b"G1\n", [])
    assert text_in(one + b"trailer") == (b"G28\n" * 9, [])
    assert text_in((one + two)[:-4])[1] == ["the gzip data breaks off"]
    text, notes = text_in(one + two[:10] + b"\xff" * 9)
    assert text == b"G28\n" * 9
    assert notes[0].startswith("the gzip data is damaged (Error -3")
    # A packed plate inside a packed file, and no deeper.
    assert text_in(gzip.compress(gzip.compress(b"G28\n"))) == (b"G28\n", [])
    assert text_in(gzip.compress(gzip.compress(one)))[0] == one
    assert text_in(zipped({"p_4.gcode": one}), 4) == (b"G28\n" * 9, [])


def test_a_container_that_cannot_be_opened_is_damaged() -> None:
    """In words: what is wrong, or that it breaks off, or that it is encrypted."""
    data = zipped({"p_1.gcode": b"G28\n" * 400}, compression=zipfile.ZIP_DEFLATED)
    with pytest.raises(DamagedContainer, match="not a zip file"):
        text_in(data[:40])
    locked = bytearray(data)
    locked[6] |= 1
    locked[data.index(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(DamagedContainer, match="it is encrypted"):
        text_in(bytes(locked))
    with pytest.raises(DamagedContainer, match="version 7"):
        text_in(b"GCDE" + struct.pack("<IH", 7, 0))
    assert plates_in(b"G28\n") == ()
    assert plates_in(file_of(block(5, b"PIC")).getvalue()) == (PackedPlate(1, "binary G-code", 0, b"PIC"),)


# Lines


def test_what_is_no_file_is_refused_by_what_it_is(tmp_path: Path) -> None:
    """A folder, a pipe, a socket, a device; a file is opened by path, as it stands open, or as bytes."""
    kinds = {
        "folder": stat.S_IFDIR, "pipe": stat.S_IFIFO, "socket": stat.S_IFSOCK, "device": stat.S_IFCHR,
    }  # fmt: skip
    for kind, mode in kinds.items():
        place: Any = SimpleNamespace(stat=lambda mode=mode: SimpleNamespace(st_mode=mode | 0o600))
        with pytest.raises(NoRegularFile, match=f"is a {kind}, no file"):
            source.check_regular(place)
    with pytest.raises(NoRegularFile, match="is a folder, no file"), opened(tmp_path):
        pass
    (tmp_path / "plate").write_bytes(b"G28\n")
    source.check_regular(tmp_path / "plate")
    given: list[Any] = [
        tmp_path / "plate",
        str(tmp_path / "plate"),
        b"G28\n",
        bytearray(b"G28\n"),
        memoryview(b"G28\n"),
    ]
    for each in given:
        with opened(each) as stream:
            assert stream.read() == b"G28\n"
    kept = io.BytesIO(b"G28\n")
    with opened(kept) as stream:
        assert stream is kept
    assert not kept.closed
    kept.seekable = lambda: False  # type: ignore[method-assign]
    with opened(kept) as stream:
        assert (stream is kept, stream.read()) == (False, b"G28\n")
    kept.seek(1)
    assert (size_of(kept), kept.tell()) == (3, 1)


def test_the_first_64_kb_tell_a_plate_from_other_files() -> None:
    """Pictures, nothing, blanks alone, a NUL; beyond is not looked at, and the place stays."""
    for head, kind in ((b"\x89PNG\r\n", "PNG"), (b"\xff\xd8\xff\xe0", "JPEG")):
        with pytest.raises(PictureInstead, match=f"a {kind} picture"):
            check(io.BytesIO(head))
    for empty in (b"", b" \r\n\t"):
        with pytest.raises(EmptyPlate):
            check(io.BytesIO(empty))
    text = b"G1 X1 Y1\n" * 7282 + b"G1"
    for at, refused in ((0, True), (65535, True), (65536, False)):
        stream = io.BytesIO(b"skip" + text[:at] + b"\0" + text[at:])
        stream.seek(4)
        if refused:
            with pytest.raises(NotText, match=f"byte {at} is NUL"):
                check(stream)
        else:
            check(stream)
        assert stream.tell() == 4


def lines_of(data: bytes, size: int) -> list[bytes]:
    """Return the pieces in which a text is given."""
    return list(chunks(io.BytesIO(data), size))


def test_text_comes_in_whole_lines() -> None:
    """A line that is cut waits for its end; the last one may have none; a mark of the encoding goes."""
    assert lines_of(b"ab\ncd\nef", 4) == [b"ab\n", b"cd\n", b"ef"]
    assert lines_of(b"ab\ncd\nef", 100) == [b"ab\ncd\n", b"ef"]
    assert lines_of(b"abcdefgh\n", 4) == [b"abcdefgh\n"]
    assert b"".join(lines_of(b"\xef\xbb\xbfG28\nG1\n", 2)) == b"G28\nG1\n"
    assert b"".join(lines_of(b"\xef\xbb\xbf", 100)) == b""
    assert b"".join(lines_of(b"G28\n\xef\xbb\xbf\n", 100)) == b"G28\n\xef\xbb\xbf\n"
    assert lines_of(b"", 4) == []


def test_returns_are_line_ends_too() -> None:
    """One at the end of a block may be half of a pair."""
    assert lines_of(b"ab\r\ncd\r\n", 3) == [b"ab\n", b"cd\n"]
    assert lines_of(b"ab\rcd\ref", 4) == [b"ab\n", b"cd\n", b"ef"]
    assert b"".join(lines_of(b"ab\r\r\ncd\r", 100)) == b"ab\ncd\n"
    assert b"".join(lines_of(b"ab\rcd", 100)) == b"ab\ncd"


def test_a_line_without_end_is_cut_at_a_megabyte(monkeypatch: pytest.MonkeyPatch) -> None:
    """It would else be gathered for ever; here at ten bytes."""
    assert source._LONGEST_LINE == 1 << 20
    monkeypatch.setattr(source, "_LONGEST_LINE", 10)
    assert lines_of(b"a" * 9 + b"\n", 3) == [b"a" * 9 + b"\n"]
    assert lines_of(b"a" * 25, 5) == [b"a" * 10 + b"\n", b"a" * 10 + b"\n", b"a" * 5]


def test_progress_counts_bytes_of_the_whole() -> None:
    """Of what is given out; from where the stream stands."""
    told: list[tuple[int, int]] = []
    stream = io.BytesIO(b"xxab\ncd\nefgh\n")
    stream.seek(2)
    assert list(chunks(stream, 4, lambda done, total: told.append((done, total)))) == [
        b"ab\n",
        b"cd\n",
        b"efgh\n",
    ]
    assert told == [(4, 11), (8, 11), (11, 11)]
    assert bgcode.MAGIC == b"GCDE"
