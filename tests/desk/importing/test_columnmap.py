"""Column maps: what they say, and what is refused in them."""

from __future__ import annotations

import pytest

from tests.desk.importing.sheets import MAP
from tracker.desk.importing import ImportRefusedError, MapError, read_map


def refused(text: str) -> str:
    """Return what a map is refused with."""
    with pytest.raises(MapError) as caught:
        read_map(text.encode(), "old.toml")
    return str(caught.value)


def test_plate_columns_keep_their_order() -> None:
    """The columns that name a plate are read in the order written: the job's name follows it."""
    read = read_map(MAP.encode())

    assert [column.name for column in read.plate] == ["material", "orientation", "session"]


def test_a_reading_has_column_and_unit() -> None:
    """A reading is a column and the unit of its numbers."""
    area = read_map(MAP.encode()).readings["tensile"]["area"]

    assert (area.name, area.unit, area.file) == ("area", "mm^2", False)


def test_a_recording_is_marked_as_a_file() -> None:
    """``file = true`` makes the cells paths."""
    assert read_map(MAP.encode()).readings["tensile"]["curve"].file


def test_one_plate_column_needs_no_list() -> None:
    """A single plate column may be written without brackets."""
    read = read_map(b'[specimen]\nmaterial = "m"\nplate = "job"\n')

    assert [column.name for column in read.plate] == ["job"]


def test_an_unquoted_quantity_means_the_same() -> None:
    """TOML reads ``tensile.strength`` without quotes as two levels; it is one quantity all the same."""
    text = MAP + '[quantities]\ntensile.strength = { column = "s", unit = "MPa" }\n'

    assert list(read_map(text.encode()).quantities) == ["tensile.strength"]


def test_byte_order_mark_is_no_hindrance() -> None:
    """A map saved with a byte-order mark is read like any other."""
    assert read_map(b"\xef\xbb\xbf" + MAP.encode()).material.name == "material"


def test_unknown_section_is_named_with_those_allowed() -> None:
    """A misspelt section is refused by name, with what was probably meant."""
    said = refused(MAP + '\n[reading.tensile]\nwidth = "w"\n')

    assert "reading is unknown: did you mean readings?" in said


def test_unknown_specimen_key_is_named() -> None:
    """A misspelt key of a section is refused by its full name."""
    assert "specimen.orientaton is unknown: did you mean orientation?" in refused(
        '[specimen]\nmaterial = "m"\nplate = []\norientaton = "o"\n'
    )


def test_unknown_part_of_a_column_is_named() -> None:
    """A misspelt part of a column's table is refused by its full name."""
    assert "readings.tensile.area.units is unknown" in refused(
        MAP.replace('"area", unit', '"area", units'),
    )


def test_missing_material_and_plate_are_both_reported() -> None:
    """All that is wrong is said at once."""
    said = refused("[specimen]\n")

    assert "specimen.material is missing" in said
    assert "specimen.plate is missing" in said


@pytest.mark.parametrize("value", ["5", "true", '{ unit = "N" }', '""', '{ column = 3, unit = "N" }'])
def test_a_column_must_be_named_by_text(value: str) -> None:
    """A column given as anything but text is refused with its key."""
    assert "factors.printer" in refused(MAP.replace('"printer"', value))


def test_broken_toml_is_refused_with_its_line() -> None:
    """A map that is no TOML is refused in one line that names the place."""
    with pytest.raises(ImportRefusedError, match=r"is not TOML: .*line 2"):
        read_map(b'[specimen]\nmaterial = "m\n')


def test_binary_map_is_refused() -> None:
    """A map that is no text is refused."""
    with pytest.raises(ImportRefusedError, match="is not text"):
        read_map(b"\x89PNG\xff\xfe")


def test_a_column_may_state_its_uncertainty() -> None:
    """A number in the column's unit, a share, or the word exact."""
    for written, kept in (("0.2", "0.2"), ('"2 %"', "2 %"), ('"exact"', "exact")):
        text = MAP.replace('u = "exact"', f"u = {written}")
        assert read_map(text.encode()).readings["tensile"]["area"].u == kept


def test_an_uncertainty_that_is_neither_is_refused() -> None:
    """A list or a truth value says nothing."""
    assert "readings.tensile.area.u must be a number" in refused(MAP.replace('u = "exact"', "u = true"))
