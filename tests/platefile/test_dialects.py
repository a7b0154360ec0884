"""Markers of objects: five dialects, their decoys, and files in which several stand."""

from __future__ import annotations

import pytest

from tests.platefile.builder import DIALECTS, HEAD, TWO, boxes, ring, text
from tracker.platefile import Plate, read_plate


def read(*lines: str) -> Plate:
    """Read a plate of these lines behind the usual head."""
    return read_plate(text([*HEAD, *lines]))


def square(x: float, z: float = 0.2) -> list[str]:
    """Return a ring of 10 mm at x, on a layer; 1.2 mm of filament."""
    return [f"G1 Z{z}", *ring(x, 10, 10, 10)]


def names(plate: Plate) -> list[str]:
    """Return the names of a plate's objects."""
    return [one.name for one in plate.objects]


@pytest.mark.parametrize("dialect", DIALECTS)
def test_each_dialect_finds_both_objects(dialect: str) -> None:
    """Two bars are two objects, in the dialect they are marked in."""
    plate = read_plate(text(boxes(TWO, dialect=dialect)))

    assert plate.dialect == dialect
    assert len(plate.objects) == 2
    assert not plate.objects_guessed


@pytest.mark.parametrize("winner", range(5))
def test_precedence(winner: int) -> None:
    """Where several dialects stand side by side, the first by precedence is used alone."""
    marks = [*DIALECTS.values()][winner:]
    begin = [mark[0](0, f"part{winner + n}") for n, mark in enumerate(marks)]
    end = [mark[1](0, f"part{winner + n}") for n, mark in enumerate(marks)][::-1]
    plate = read(*begin, *square(0), *end, *square(50))

    assert plate.dialect == [*DIALECTS][winner]
    assert len(plate.objects) == 1
    assert plate.unassigned_mm == pytest.approx(1.2)


def test_definitions_alone_are_no_dialect() -> None:
    """Objects that are only defined do not outrank markers that hold deposits."""
    plate = read("EXCLUDE_OBJECT_DEFINE NAME=a CENTER=5,15 POLYGON=[[0,10],[10,10]]", ";MESH:a", *square(0))

    assert plate.dialect == "MESH"


def test_definition_pass_at_the_top() -> None:
    """M486 names given before any move are used."""
    plate = read("M486 T2", "M486 S0", "M486 ACube (Instance 1)", 'M486 S1 A"Rod"', "M486 S-1",
                 "M486 S0", *square(0), "M486 S1", *square(50), "M486 S-1")  # fmt: skip

    assert names(plate) == ["Cube (Instance 1)", "Rod"]


def test_number_alone_takes_the_name_another_dialect_gives() -> None:
    """An object that M486 only numbers is called as the comments call it."""
    plate = read("M486 S0", "; printing object rod id:0 copy 0", *square(0), "M486 S-1")

    assert names(plate) == ["rod"]


def test_cancelled_object_is_reported() -> None:
    """M486 P inside a file removes an object while printing: a warning."""
    assert any("cancelled" in text for text in read("M486 P1", *square(0)).problems)


def test_decoys_of_start_code_are_no_markers() -> None:
    """``INIT printing object`` comments do not open an object."""
    plate = read(
        "; INIT printing object a id:0 copy 0", *square(0), "; INIT stop printing object a id:0 copy 0"
    )

    assert plate.dialect == "islands"


def test_unique_label_ids() -> None:
    """The variant with label numbers is the same dialect."""
    start, stop = "; start printing object, unique label id: ", "; stop printing object, unique label id: "
    plate = read(f"{start}12", *square(0), f"{stop}12", f"{start}17", *square(50), f"{stop}17")

    assert names(plate) == ["12", "17"]


def test_same_name_different_copies() -> None:
    """Copies of one name are objects of their own, numbered."""
    plate = read("; printing object a id:0 copy 0", *square(0), "; stop printing object a id:0 copy 0",
                 "; printing object a id:0 copy 1", *square(50))  # fmt: skip

    assert names(plate) == ["a #1", "a #2"]


def test_same_name_different_printing_ids() -> None:
    """PRINTING_ID tells equal names apart."""
    plate = read(
        ";PRINTING: a", ";PRINTING_ID: 0", *square(0), ";PRINTING: a", ";PRINTING_ID: 1", *square(50)
    )

    assert names(plate) == ["a #1", "a #2"]


def test_new_start_closes_the_old_one() -> None:
    """A marker that is never closed ends where the next begins."""
    plate = read("EXCLUDE_OBJECT_START NAME=a", *square(0), "EXCLUDE_OBJECT_START NAME=b", *square(50))

    assert [round(one.filament_mm, 3) for one in plate.objects] == [1.2, 1.2]


def test_end_without_start_is_nothing() -> None:
    """A stray end leaves the plate as it is."""
    plate = read("EXCLUDE_OBJECT_END NAME=z", "EXCLUDE_OBJECT_START NAME=a", *square(0), "EXCLUDE_OBJECT_END")

    assert names(plate) == ["a"]


def test_names_beyond_ascii() -> None:
    """Names are UTF-8."""
    assert names(read(";MESH:Zugstab_ä.stl", *square(0))) == ["Zugstab_ä.stl"]


def test_broken_utf8_in_a_name_is_no_reason_to_fail() -> None:
    """Bytes that are no UTF-8 are replaced."""
    plate = read_plate(b";MESH:\xff\xfe\n" + text([*HEAD, *square(0)]))

    assert names(plate) == ["\ufffd\ufffd"]


def test_auxiliary_features_are_not_of_the_box() -> None:
    """A brim under an object's marker counts as its filament and its auxiliary part, not as its size."""
    plate = read(";MESH:a", ";TYPE:Skirt/Brim", *square(-5), ";TYPE:Outer wall", *square(0), *square(0, 0.4))
    piece = plate.objects[0]

    assert (round(piece.filament_mm, 3), round(piece.aux_mm, 3)) == (3.6, 1.2)
    assert piece.box_mm[0] == pytest.approx(-piece.line_width_mm / 2)


def test_order_is_that_of_beginning() -> None:
    """Objects come in the order of their first deposit."""
    assert names(read(";MESH:b", *square(50), ";MESH:a", *square(0))) == ["b", "a"]
