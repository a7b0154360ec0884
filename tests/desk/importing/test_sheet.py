"""CSV files as old spreadsheets leave them."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.desk.importing import ImportRefusedError, Sheet, read_sheet
from tracker.desk.importing.sheet import open_sheet


def read(text: str, encoding: str = "utf-8") -> Sheet:
    """Read a sheet given as text."""
    return read_sheet(text.encode(encoding), "old.csv")


def refusal(data: bytes) -> str:
    """Return what a file is refused with."""
    with pytest.raises(ImportRefusedError) as caught:
        read_sheet(data, "old.csv")
    return str(caught.value)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiter_is_read_off_the_header(delimiter: str) -> None:
    """Commas, semicolons and tabs are understood."""
    sheet = read(f"a{delimiter}b\n1{delimiter}2\n")

    assert (sheet.header, sheet.rows[0].cells) == (("a", "b"), ("1", "2"))


def test_quoted_delimiters_do_not_count() -> None:
    """A comma inside a quoted header word does not make commas the delimiter."""
    assert read('"a, b, c";d\n1;2\n').header == ("a, b, c", "d")


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_titles_and_merged_headings_above_the_header_are_left_out(delimiter: str) -> None:
    """The line that names most of the columns that the map wants is the header; lines keep their numbers."""
    lines = ("Pulls of 1, 2; and 3", "||Tensile|", "", "Material|F [kN]|b|", "|||", "ASA|1.8|10|", "|||")
    text = "".join(f"{line.replace('|', delimiter)}\n" for line in lines)
    sheet = read_sheet(text.encode(), "old.csv", wanted=["Material", "F [kN]", "h"])

    assert sheet.header == ("Material", "F [kN]", "b")
    assert [(row.line, row.cells[:3]) for row in sheet.rows] == [(6, ("ASA", "1.8", "10"))]
    assert "named in line 4" in sheet.notes[0]


def test_a_sheet_without_the_wanted_columns_begins_with_its_first_line() -> None:
    """What is missing is then said of the columns there."""
    assert read_sheet(b"a;b\n1;2\n", "old.csv", wanted=["c"]).header == ("a", "b")


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_byte_order_mark_is_not_part_of_the_first_column(encoding: str) -> None:
    """With or without byte-order mark the first column has its own name."""
    assert read("a,b\n1,2\n", encoding).header == ("a", "b")


def test_old_encoding_is_read_and_reported() -> None:
    """A file in Windows-1252 keeps its letters, and the sheet says how it was read."""
    sheet = read("a\nGrüße\n", "cp1252")

    assert sheet.rows[0].cells == ("Grüße",)
    assert "Windows-1252" in sheet.notes[0]


def test_line_numbers_count_lines_of_the_file() -> None:
    """A row's line number is that of the file, past blank lines and line breaks inside quotes."""
    sheet = read('a,b\n\n"one\ntwo",2\n3,4\n')

    assert [row.line for row in sheet.rows] == [3, 5]


def test_a_short_row_is_refused_with_its_line() -> None:
    """A row with too few cells is refused, not filled up."""
    sheet = read("a,b,c\n1,2,3\n1,2\n")

    assert str(sheet.refused[0]).startswith("line 3 refused: 2 cells where the header has 3")


def test_a_long_row_is_refused() -> None:
    """A row with cells beyond the header is refused, not cut."""
    assert read("a,b\n1,2,3\n").refused[0].line == 2


def test_blank_cells_beyond_the_header_are_nothing() -> None:
    """Delimiters without anything behind the last column lose nothing when cut."""
    assert read("a,b,,\n1,2,,\n").rows[0].cells == ("1", "2")


@pytest.mark.parametrize("data", [b"", b"\n \r\n", b"\xef\xbb\xbf"])
def test_empty_file_is_refused_in_one_line(data: bytes) -> None:
    """An empty file is called empty."""
    assert refusal(data).startswith("old.csv is empty")


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"PK\x03\x04xx", "workbook"),
        (b"\x1f\x8b\x08xx", "gzip"),
        (b"a,b\n\x00\x01", "binary"),
        (b"%PDF-1.7", "PDF"),
    ],
)
def test_binary_file_is_refused_by_what_it_is(data: bytes, kind: str) -> None:
    """A file that is no text is refused with what it looks like."""
    assert kind in refusal(data)


def test_header_alone_is_refused() -> None:
    """A sheet without rows is refused."""
    assert "no rows" in refusal(b"a,b\n")


def test_two_columns_of_one_name_are_refused() -> None:
    """Which of two columns is meant would be a guess."""
    assert "'a' more than once" in refusal(b"a,b,a\n1,2,3\n")


def test_the_first_of_several_columns_named_twice_is_reported() -> None:
    """The person mends the header from the left."""
    assert "the column 'a' more than once" in refusal(b"a,b,b,a\n1,2,3,4\n")


def test_a_sheet_that_is_not_there_is_refused_with_the_reason(tmp_path: Path) -> None:
    """In the words of the disk, the path once."""
    with pytest.raises(ImportRefusedError) as caught:
        open_sheet(tmp_path / "old.csv")
    assert str(caught.value) == f"{tmp_path / 'old.csv'} cannot be read: No such file or directory"


def test_open_quotation_mark_is_refused_with_its_line() -> None:
    """A quotation mark that is never closed would swallow the rest; the line is named."""
    assert "from line 3 on" in refusal(b'a,b\n1,2\n"3,4\n5,6\n')


TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=30).map(str.strip)


@given(
    st.lists(st.lists(TEXT, min_size=2, max_size=2).filter(any), min_size=1, max_size=8),
    st.sampled_from(",;\t"),
)
def test_what_a_csv_writer_wrote_is_read_back(rows: list[list[str]], delimiter: str) -> None:
    """Quotes, delimiters, emoji and right-to-left text in cells come back as they were written."""
    stream = io.StringIO()
    csv.writer(stream, delimiter=delimiter).writerows([["a", "b"], *rows])

    assert [list(row.cells) for row in read(stream.getvalue()).rows] == rows


@given(st.binary(max_size=200))
def test_any_bytes_make_a_sheet_or_a_refusal(data: bytes) -> None:
    """No file makes the reader fail in any way but by a refusal."""
    try:
        sheet = read_sheet(data, "old.csv")
    except ImportRefusedError:
        return
    assert all(len(row.cells) == len(sheet.header) for row in sheet.rows)
