"""One line, taken apart."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tracker.platefile.meaning import checksum, of_comment, of_line, take_apart


@pytest.mark.parametrize(
    "line",
    [
        b"G1 X10 Y5 E.3",
        b"g1 x10 y5 e.3",
        b"G1X10Y5E.3",
        b"G01 X 10 Y+5. E0.3",
        b"  G1   X10  Y5   E.3  ; out",
        b"G1 X10 (inline) Y5 E.3 (open",
        b"G1 X1 X10 Y5 E.3",
        b"N12 G1 X10 Y5 E.3",
    ],
)
def test_ways_of_writing_one_move(line: bytes) -> None:
    """Case, blanks, leading zeros, comments and line numbers change nothing."""
    assert take_apart(line).code == "G1"
    assert take_apart(line).words == {"X": 10.0, "Y": 5.0, "E": 0.3}


@pytest.mark.parametrize(
    ("text", "value"), [("-.8", -0.8), ("5.", 5.0), ("+1", 1.0), ("-0", 0.0), ("-.00001", -0.00001)]
)
def test_numbers(text: str, value: float) -> None:
    """Numbers may lack digits on either side of the point and carry a sign."""
    assert take_apart(f"G1 E{text}".encode()).words == {"E": value}


def test_an_exponent_is_an_axis() -> None:
    """``X1E5`` is X 1 and E 5."""
    assert take_apart(b"G1 X1E5").words == {"X": 1.0, "E": 5.0}


def test_a_number_with_an_exponent_is_reported() -> None:
    """Where words stand apart, ``1e-5`` was meant as one number and is not read as one: a warning."""
    line = take_apart(b"G1 X1e-5 Y2")

    assert line.words["E"] == -5.0
    assert "exponent" in line.trouble


def test_checksum_that_fits() -> None:
    """A right checksum is removed without a word."""
    body = b"N3 G1 X5"
    line = take_apart(body + b"*%d" % checksum(body))

    assert (line.code, line.words, line.trouble) == ("G1", {"X": 5.0}, "")


def test_checksum_that_does_not_fit() -> None:
    """A wrong one is told; the line is still read."""
    line = take_apart(b"N3 G1 X5*1")

    assert line.words == {"X": 5.0}
    assert "checksum" in line.trouble


def test_a_checksum_with_a_digit_too_many_does_not_fit() -> None:
    """102 is right, 1020 is a line that somebody damaged."""
    assert take_apart(b"N3 G1 X5*102").trouble == ""
    assert "checksum" in take_apart(b"N3 G1 X5*1020").trouble


@pytest.mark.parametrize(
    ("line", "code"), [(b"M569.1 P1", "M569.1"), (b"G38.2 Z1", "G38.2"), (b"M620.1 E", "M620.1")]
)
def test_sub_commands_are_commands_of_their_own(line: bytes, code: str) -> None:
    """``M620.1`` is not ``M620``."""
    assert take_apart(line).code == code


def test_macro_with_arguments() -> None:
    """A macro's arguments are kept without quotes, keys in capitals."""
    line = take_apart(b'start_print bed=60 NAME="a b"')

    assert (line.code, line.args) == ("START_PRINT", {"BED": "60", "NAME": "a b"})


def test_a_semicolon_cuts_even_inside_quotes() -> None:
    """Firmware cuts there, so a name is cut there too."""
    assert take_apart(b'EXCLUDE_OBJECT_START NAME="a;b"').args == {"NAME": "a"}


def test_bare_coordinates_are_reported_not_guessed() -> None:
    """Modal motion is the style of milling files."""
    assert "without a command" in take_apart(b"X10 Y5").trouble
    assert not take_apart(b"X10 Y5").code


@pytest.mark.parametrize("line", [b"T?", b"Tx", b"Tc"])
def test_menu_tools_are_no_tools(line: bytes) -> None:
    """Tool letters without a number belong to the firmware's menu."""
    assert take_apart(line).code != "T"


def test_a_number_after_t_is_a_tool() -> None:
    """``T1`` is a tool, ``T1_LOAD`` a macro."""
    assert take_apart(b"T1").code == "T"
    assert take_apart(b"T1_LOAD").code == "T1_LOAD"


@given(st.binary(max_size=80))
@example(b"t")
@example(b"M486")
@example(b"G92")
def test_no_line_fails(raw: bytes) -> None:
    """Whatever is in a line, it can be taken apart and given a meaning."""
    assert isinstance(of_line(raw.replace(b"\n", b"")), tuple)


@pytest.mark.parametrize(
    ("comment", "meaning"),
    [
        ("TYPE:External perimeter", ("feature", False, True, "External perimeter")),
        (" FEATURE: Outer wall", ("feature", False, True, "Outer wall")),
        ("TYPE:WALL-INNER", ("feature", False, False, "WALL-INNER")),
        ("TYPE:Skirt/Brim", ("feature", True, False, "Skirt/Brim")),
        ("TYPE:SUPPORT-INTERFACE", ("feature", True, False, "SUPPORT-INTERFACE")),
        ("TYPE:Prime tower", ("feature", True, False, "Prime tower")),
        ("WIDTH:0.45", ("width", 0.45)),
        (" LINE_WIDTH: 0.42", ("width", 0.42)),
        ("LAYER_CHANGE", ("layer", None, "LAYER_")),
        (" CHANGE_LAYER", ("layer", None, "CHANGE")),
        ("LAYER:7", ("layer", None, "LAYER:")),
        (" BEGIN_LAYER_OBJECT z=0.400 layer_thickness=0.2", ("layer", 0.4, "BEGIN")),
        ("; --- layer 3 (0.2 @ 0.6) ---", ("layer", 0.6, "; --- ")),
        ("Z:0.6", ("layer_z", 0.6)),
        (" Z_HEIGHT: 0.6", ("layer_z", 0.6)),
        ("HEIGHT:0.2", ("layer_height", 0.2)),
        (" LAYER_HEIGHT: 0.2", ("layer_height", 0.2)),
        ("BEFORE_LAYER_CHANGE", None),
        (" printing object a b id:1 copy 0", ("object", 2, "a b id:1 copy 0", "a b")),
        (" start printing object, unique label id: 15", ("object", 2, "unique label id: 15", "15")),
        (" stop printing object a b id:1 copy 0", ("object", 2, "", "")),
        (" INIT printing object a id:1 copy 0", None),
        (" INIT stop printing object a id:1 copy 0", None),
        ("MESH:a.stl(1)", ("object", 3, "a.stl(1)", "a.stl(1)")),
        ("MESH:NONMESH", ("object", 3, "", "NONMESH")),
        ("PRINTING: NON-OBJECT", ("object", 4, "", "NON-OBJECT")),
        ("PRINTING_ID: -1", ("object_id", "-1")),
        (" filament_density = 1.24", ("setting", "filament_density", "1.24", True)),
        (" wipe = ", ("setting", "wipe", "", True)),
        ("Filament used: 0.27m", ("setting", "Filament used", "0.27m")),
        (" a plain remark", None),
        ("", None),
    ],
)
def test_meaning_of_comments(comment: str, meaning: tuple[object, ...] | None) -> None:
    """Each pattern is known by its words alone; what only looks like one is nothing."""
    found = of_comment(comment)

    assert (found if meaning is not None else found if found and found[0] == "object" else None) == meaning
