"""A spreadsheet saved as CSV: bytes in, rows with their line numbers out.

The delimiter is a comma, a semicolon or a tab, whichever the header line holds most of; quoting is
that of RFC 4180. Nothing of a line is guessed: one with more or fewer cells than the header is refused.
A sheet is read row by row as often as it is asked for, and never held whole.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Final, NamedTuple

from tracker.desk.importing.refusals import ImportRefusedError, LineRefusal
from tracker.inputs import LIMITS, MB, opened

MOST_ROWS: Final = 250_000
"""Rows of a sheet that is brought in: about half a kilobyte of each stays in memory until all is written."""

_LONGEST_ROW: Final = 1 << 16
_BLOCK: Final = MB
_DELIMITERS: Final = (",", ";", "\t")
_UTF16: Final = (b"\xff\xfe", b"\xfe\xff")
_KINDS: Final = {
    b"PK": "a workbook or archive",
    b"\x1f\x8b": "packed with gzip",
    b"\xd0\xcf\x11\xe0": "an old workbook",
    b"%PDF": "a PDF",
}

Source = Callable[[], AbstractContextManager[IO[bytes]]]


class SheetRow(NamedTuple):
    """One row: the number of the line it begins on, and its cells, stripped, as many as the header has."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A table of text.

    Attributes:
        name: File name.
        header: Words of the first line.
        rows: Rows that have as many cells as the header, as often as they are asked for; blank lines are
            left out.
        count: Number of these rows.
        refused: Lines that have not as many.
        notes: What was decided on the way, one sentence each.
        sha256: Digest of the bytes, hexadecimal.
        size: Number of the bytes.
    """

    name: str
    header: tuple[str, ...]
    rows: Iterable[SheetRow]
    count: int
    refused: tuple[LineRefusal, ...] = ()
    notes: tuple[str, ...] = ()
    sha256: str = ""
    size: int = 0

    def index(self, column: str) -> int:
        """Return the place of a column, counted from 0.

        Raises:
            ValueError: There is none of that name.
        """
        return self.header.index(column)


def open_sheet(file: Path) -> Sheet:
    """Look through a CSV file; its rows are read from the file again whenever they are asked for.

    Args:
        file: UTF-8 or UTF-16 with or without byte-order mark, else Windows-1252.

    Raises:
        ImportRefusedError: It cannot be read, is empty, binary, too large, without rows, or its header names
            a column twice.
    """
    try:
        return _looked_through(lambda: opened(file), file.name)
    except OSError as error:
        raise ImportRefusedError(f"{file} cannot be read", why=error.strerror or str(error)) from error


def read_sheet(data: bytes, name: str, most_rows: int = MOST_ROWS) -> Sheet:
    """Read a CSV file whole.

    Args:
        data: Its bytes, encoded as :func:`open_sheet` reads them.
        name: Its file name, for refusals.
        most_rows: How many rows it may have.

    Raises:
        ImportRefusedError: As :func:`open_sheet`.
    """
    sheet = _looked_through(lambda: nullcontext(io.BytesIO(data)), name, most_rows)
    return replace(sheet, rows=tuple(sheet.rows))


@dataclass(frozen=True)
class _Rows:
    """The rows of a sheet, read anew each time; lines of another width are left out, or handed on."""

    source: Source
    name: str
    encoding: str
    delimiter: str
    width: int
    ragged: Callable[[LineRefusal], object] = lambda _: None

    def __iter__(self) -> Iterator[SheetRow]:
        lines = _lines(self.source, self.encoding, self.delimiter, self.name)
        next(lines, None)
        width = self.width
        for row in lines:
            cells = row[1]
            if len(cells) != width:
                cells = _fitted(cells, width)
                if len(cells) != width:
                    # A shifted line would put a width under thickness and still look like numbers.
                    self.ragged(LineRefusal(row.line, _ragged(len(cells), width)))
                    continue
                row = SheetRow(row.line, cells)  # noqa: PLW2901 - the same row, cut to its width
            yield row


def _looked_through(source: Source, name: str, most_rows: int = MOST_ROWS) -> Sheet:
    encoding, notes, digest, size = _encoding(source, name)
    delimiter = _delimiter(source, encoding)
    header = _header(next(_lines(source, encoding, delimiter, name), SheetRow(1, ())), name)
    refused: list[LineRefusal] = []
    rows = _Rows(source, name, encoding, delimiter, len(header))
    count = 0
    for count, _ in enumerate(replace(rows, ragged=refused.append), start=1):
        if count + len(refused) > most_rows:
            raise _too_many(name, f"more than {most_rows:,} rows")
    if not count and not refused:
        raise ImportRefusedError(
            f"{name} has a header and no rows", do="Export the sheet again, with its rows"
        )
    if len(refused) > most_rows:
        raise _too_many(name, f"more than {most_rows:,} rows")
    return Sheet(name, header, rows, count, tuple(refused), notes, digest, size)


def _too_many(name: str, what: str) -> ImportRefusedError:
    return ImportRefusedError(
        f"{name} cannot be read",
        why=f"it has {what}",
        do="Divide it: give each part the header line, and keep the rows of a plate together",
    )


def _encoding(source: Source, name: str) -> tuple[str, tuple[str, ...], str, int]:
    """Return how the bytes are to be read, what is said of that, their digest and their number."""
    digest, size, blank, utf8 = hashlib.sha256(), 0, True, codecs.getincrementaldecoder("utf-8")()
    readable, encoding = True, "utf-8-sig"
    with source() as stream:
        while block := stream.read(_BLOCK):
            if not size:
                kind = next((kind for magic, kind in _KINDS.items() if block.startswith(magic)), "")
                encoding = "utf-16" if block[:2] in _UTF16 else encoding
            size += len(block)
            if size > LIMITS["sheet"]:
                raise _too_many(name, f"more than {LIMITS['sheet'] // MB} MB")
            digest.update(block)
            blank = blank and not block.strip(b"\xef\xbb\xbf\xff\xfe \t\r\n\0")
            if not blank and (kind or (encoding != "utf-16" and b"\0" in block)):
                raise ImportRefusedError(
                    f"{name} is not CSV", why=f"it is {kind or 'binary'}", do="Save the sheet as CSV"
                )
            if readable and encoding != "utf-16":
                readable = _decodes(utf8, block)
    if blank:
        raise ImportRefusedError(f"{name} is empty", do="Save the sheet as CSV again")
    if readable and encoding != "utf-16":
        readable = _decodes(utf8, b"", final=True)
    if not readable:
        notes = (f"{name} is not UTF-8; it was read as Windows-1252",)
        return "cp1252", notes, digest.hexdigest(), size
    return encoding, (), digest.hexdigest(), size


def _decodes(decoder: codecs.IncrementalDecoder, block: bytes, *, final: bool = False) -> bool:
    try:
        decoder.decode(block, final)
    except UnicodeDecodeError:
        return False
    return True


def _delimiter(source: Source, encoding: str) -> str:
    """Return what parts the cells of the first line; quoted text does not count."""
    with source() as stream, io.TextIOWrapper(stream, encoding, errors="replace") as text:
        first = next((line for line in iter(lambda: text.readline(_LONGEST_ROW), "") if line.strip()), "")
    outside = "".join(first.split('"')[::2])
    # By the header alone: its words hold no decimal commas.
    return max(_DELIMITERS, key=outside.count)


def _lines(source: Source, encoding: str, delimiter: str, name: str) -> Iterator[SheetRow]:
    """Yield every line that holds anything, with the number it begins on.

    Raises:
        ImportRefusedError: A quotation mark is never closed, or a row is longer than any can be; the line it
            begins on is named.
    """
    begins = 1
    # Windows-1252 has five bytes that are no character; the other encodings were held against the bytes.
    errors = "replace" if encoding == "cp1252" else "strict"
    with source() as stream, io.TextIOWrapper(stream, encoding, errors=errors, newline="") as text:
        room = _Room(text)
        # Strict: an unclosed quote would swallow the rest of the sheet into one cell.
        reader = csv.reader(room, delimiter=delimiter, strict=True)
        try:
            for cells in reader:
                stripped = tuple([cell.strip() for cell in cells])
                if any(stripped):
                    yield SheetRow(begins, stripped)
                begins = reader.line_num + 1
                room.left = _LONGEST_ROW
        except UnicodeError as error:
            raise ImportRefusedError(
                f"{name} cannot be read from line {begins} on",
                why=str(error),
                do="Save the sheet as CSV again",
            ) from error
        except csv.Error as error:
            raise ImportRefusedError(
                f"{name} cannot be read from line {begins} on",
                why=str(error),
                do="Look for a quotation mark that is never closed",
            ) from error


class _Room:
    """Hands out the lines of a text, and no more of them than one row can have before that row ends."""

    def __init__(self, text: IO[str]) -> None:
        self._text = text
        self.left = _LONGEST_ROW

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._text.readline(self.left + 1)
        if not line:
            raise StopIteration
        self.left -= len(line)
        if self.left < 0:
            raise csv.Error(f"the row has more than {_LONGEST_ROW:,} characters")
        return line


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
    end = len(cells)
    while end > width and not cells[end - 1]:
        end -= 1
    return cells[:end]


def _ragged(found: int, wanted: int) -> str:
    return f"{found} cells where the header has {wanted}; look for a delimiter too many or too few"
