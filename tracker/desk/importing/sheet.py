"""A spreadsheet saved as CSV: bytes in, rows with their line numbers out.

The delimiter is a comma, a semicolon or a tab, whichever the header line holds most of; quoting is
that of RFC 4180. Nothing of a line is guessed: one with more or fewer cells than the header is refused.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from tracker.desk.importing.refusals import ImportRefusedError, LineRefusal

_DELIMITERS: Final = (",", ";", "\t")
_UTF16: Final = (b"\xff\xfe", b"\xfe\xff")
_KINDS: Final = {
    b"PK": "a workbook or archive",
    b"\x1f\x8b": "packed with gzip",
    b"\xd0\xcf\x11\xe0": "an old workbook",
    b"%PDF": "a PDF",
}


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row: the number of the line it begins on, and its cells, stripped, as many as the header has."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A table of text.

    Attributes:
        name: File name.
        header: Words of the first line.
        rows: Rows that have as many cells as the header; blank lines are left out.
        refused: Lines that have not.
        notes: What was decided on the way, one sentence each.
    """

    name: str
    header: tuple[str, ...]
    rows: tuple[SheetRow, ...]
    refused: tuple[LineRefusal, ...] = ()
    notes: tuple[str, ...] = ()

    def index(self, column: str) -> int:
        """Return the place of a column, counted from 0.

        Raises:
            ValueError: There is none of that name.
        """
        return self.header.index(column)


def read_sheet(data: bytes, name: str) -> Sheet:
    """Read a CSV file.

    Args:
        data: Its bytes; UTF-8 or UTF-16 with or without byte-order mark, else Windows-1252.
        name: Its file name, for refusals.

    Raises:
        ImportRefusedError: It is empty, binary, without rows, or its header names a column twice.
    """
    text, notes = _decoded(data, name)
    delimiter = _delimiter(text)
    rows: list[SheetRow] = []
    refused: list[LineRefusal] = []
    lines = _lines(text, delimiter, name)
    header = _header(next(lines, SheetRow(1, ())), name)
    for row in lines:
        cells = _fitted(row.cells, len(header))
        if len(cells) != len(header):
            # A shifted line would put a width under thickness and still look like numbers.
            refused.append(LineRefusal(row.line, _ragged(len(cells), len(header))))
        else:
            rows.append(SheetRow(row.line, cells))
    if not rows and not refused:
        raise ImportRefusedError(
            f"{name} has a header and no rows", do="Export the sheet again, with its rows"
        )
    return Sheet(name, header, tuple(rows), tuple(refused), notes)


def _decoded(data: bytes, name: str) -> tuple[str, tuple[str, ...]]:
    if not data.strip(b"\xef\xbb\xbf\xff\xfe \t\r\n\0"):
        raise ImportRefusedError(f"{name} is empty", do="Save the sheet as CSV again")
    kind = next((kind for magic, kind in _KINDS.items() if data.startswith(magic)), "")
    encoding = "utf-16" if data[:2] in _UTF16 else "utf-8-sig"
    if kind or (encoding != "utf-16" and b"\0" in data):
        raise ImportRefusedError(
            f"{name} is not CSV", why=f"it is {kind or 'binary'}", do="Save the sheet as CSV"
        )
    try:
        return data.decode(encoding), ()
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        return text, (f"{name} is not UTF-8; it was read as Windows-1252",)


def _delimiter(text: str) -> str:
    """Return what parts the cells of the first line; quoted text does not count."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    outside = "".join(first.split('"')[::2])
    # By the header alone: its words hold no decimal commas.
    return max(_DELIMITERS, key=outside.count)


def _lines(text: str, delimiter: str, name: str) -> Iterator[SheetRow]:
    """Yield every line that holds anything, with the number it begins on.

    Raises:
        ImportRefusedError: A quotation mark is never closed; the line it begins on is named.
    """
    # Strict: an unclosed quote would swallow the rest of the sheet into one cell.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    begins = 1
    try:
        for cells in reader:
            stripped = tuple([cell.strip() for cell in cells])
            if any(stripped):
                yield SheetRow(begins, stripped)
            begins = reader.line_num + 1
    except csv.Error as error:
        raise ImportRefusedError(
            f"{name} cannot be read from line {begins} on",
            why=str(error),
            do="Look for a quotation mark that is never closed",
        ) from error


def _header(row: SheetRow, name: str) -> tuple[str, ...]:
    twice = [word for word, count in Counter(row.cells).items() if word and count > 1]
    if twice:
        raise ImportRefusedError(
            f"{name} has the column {twice[0]!r} more than once", do="Give each column a name of its own"
        )
    # Delimiters at the end of the header line are columns without a name, and not columns.
    cells = list(row.cells)
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def _fitted(cells: tuple[str, ...], width: int) -> tuple[str, ...]:
    """Cut off blank cells beyond the header: they hold nothing that could be lost."""
    while len(cells) > width and not cells[-1]:
        cells = cells[:-1]
    return cells


def _ragged(found: int, wanted: int) -> str:
    return f"{found} cells where the header has {wanted}; look for a delimiter too many or too few"
