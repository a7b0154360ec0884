"""Rows and fields of a file, before anything is understood."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.chamberlog.table import as_bytes, read_table, texts
from tracker.errors import Refused


def fields(text: str, number: int) -> list[str]:
    """Return a column as text."""
    return texts(read_table(text.encode()).column(number))


def test_fields_by_column() -> None:
    """Each column holds its fields in order."""
    assert fields("t;a;b\n0;1;2\n3;4;5\n", 1) == ["1", "4"]
    assert fields("t;a;b\n0;1;2\n3;4;5\n", 2) == ["2", "5"]


def test_blanks_around_fields_are_cut() -> None:
    """Blanks around a field are no part of it; blanks inside are."""
    assert fields("t;a;b\n 0 ;  1;x y  \n3;4;5\n", 0) == ["0", "3"]
    assert fields("t;a;b\n 0 ;  1;x y  \n3;4;5\n", 2) == ["x y", "5"]


def test_empty_fields() -> None:
    """A field with nothing in it is empty, not the next one."""
    assert fields("t;a;b\n0;;2\n3;4;\n", 1) == ["", "4"]
    assert fields("t;a;b\n0;;2\n3;4;\n", 2) == ["2", ""]


def test_missing_fields_are_empty() -> None:
    """A short row lends nothing from the next row."""
    text = "t;a;b\n0;1;2\n3\n4;5\n6;7;8\n"
    assert fields(text, 1) == ["1", "", "5", "7"]
    assert fields(text, 2) == ["2", "", "", "8"]
    assert read_table(text.encode()).ragged == 2


def test_more_headings_than_fields() -> None:
    """A heading without a column gives an empty one."""
    assert fields("t;a;b;c\n0;1;2\n3;4;5\n", 3) == ["", ""]


def test_blank_lines_are_no_rows() -> None:
    """Lines with nothing in them are not counted."""
    assert read_table(b"t;a\n0;1\n\n\n2;3\n\n").rows == 2


def test_a_file_without_a_last_line_break() -> None:
    """The last row counts without a line break behind it."""
    assert fields("t;a\n0;1\n2;3", 1) == ["1", "3"]


def test_long_fields_are_cut() -> None:
    """A field of a thousand letters costs no thousand columns."""
    found = read_table(f"t;a;note\n0;1;{'x' * 1000}\n2;3;\n".encode())
    assert found.column(2).shape[1] <= 64


def test_letters_beyond_ascii() -> None:
    """Fields with other letters come back whole."""
    assert fields("t;a;b\n0;1;Düse\n2;3;°C\n", 2) == ["Düse", "°C"]


@pytest.mark.parametrize(
    ("text", "header"),
    [
        ("t;a\n0;1\n", ("t", "a")),
        ("# t;a\n0;1\n", ("t", "a")),
        ("0;1\n2;3\n", ()),
        ("Report;of;many;words;here\nt;a\n0;1\n", ("t", "a")),
        ("t;a\ns;°C\n0;1\n", ("t s", "a °C")),
        ("t;a\n[s];[°C]\n0;1\n", ("t [s]", "a [°C]")),
    ],
)
def test_headings(text: str, header: tuple[str, ...]) -> None:
    """Headings are the last line before the rows, with the units below them."""
    assert read_table(text.encode()).header == header


def test_the_semicolon_wins_over_decimal_commas() -> None:
    """Decimal commas do not make the comma a delimiter."""
    assert read_table(b"t;a;b\n0,5;1,5;2,5\n1,5;1,5;2,5\n").delimiter == "semicolon"


def test_a_tab_wins_over_commas_in_dates() -> None:
    """A comma inside a field does not part it where tabs do."""
    assert read_table(b"t\ta\n1.3.2025, 12:00\t1\n1.3.2025, 12:01\t2\n").delimiter == "tab"


def test_a_line_break_inside_quotes_is_survived() -> None:
    """A quoted heading over two lines does not end the reading."""
    assert fields('"t";"a"\n"0";"1"\n"2";"3"\n', 1) == ["1", "3"]


def test_only_a_byte_order_mark() -> None:
    """A file of nothing but a byte order mark is empty."""
    with pytest.raises(Refused, match="empty"):
        read_table(b"\xff\xfe")


plain = st.text("abcxyz0123456789.", min_size=1, max_size=8)


@given(st.lists(st.lists(plain, min_size=3, max_size=3), min_size=1, max_size=15), st.sampled_from("\t;|,"))
def test_what_is_written_comes_back(rows: list[list[str]], mark: str) -> None:
    """Fields come back as they were written, whatever parts them."""
    text = "\n".join(mark.join(["1", *row]) for row in [["2", "3", "4"], *rows])
    table = read_table(text.encode())
    for number in range(3):
        assert texts(table.column(number + 1))[1:] == [row[number] for row in rows]


def test_byte_strings_of_an_empty_column() -> None:
    """A column without letters is a column of empty strings."""
    assert as_bytes(read_table(b"t;a;b\n0;1;\n2;3;\n").column(2)).tolist() == [b"", b""]
