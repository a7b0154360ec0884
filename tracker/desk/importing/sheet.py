"""A spreadsheet saved as CSV: its rows, the numbers in its cells, the files they name, what is refused.

The delimiter is a comma, a semicolon or a tab, whichever gives the columns that are wanted, else the one
that the first line holds most of; quoting is that of RFC 4180. Nothing of a line is guessed: one with more
or fewer cells than the header is refused.
A sheet is read row by row as often as it is asked for, and never held whole.

A single cell cannot say whether ``1,143`` is a little more than one or more than a thousand; its
neighbours often can. What stays open is refused, never guessed.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import itertools
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import IO, Final, Literal, NamedTuple

from tracker.api import Recording
from tracker.api.tables import delimiter_of_header
from tracker.errors import Refused
from tracker.inputs import LIMITS, MB, opened, read_input
from tracker.units import parse


class ImportRefusedError(Refused, ValueError):
    """A spreadsheet, its column map, or the import of it cannot be taken as it is."""


class MapError(ImportRefusedError):
    """A column map that does not fit; the text names each key and what is allowed.

    Attributes:
        lines: One for each key at fault.
    """

    def __init__(self, name: str, lines: Sequence[str]) -> None:
        self.lines = tuple(lines)
        super().__init__(f"The column map {name} does not fit", why="; ".join(self.lines))


@dataclass(frozen=True, slots=True)
class LineRefusal:
    """A line of the sheet, or one quantity of it, that is not taken.

    Attributes:
        line: Line number in the file, the header being line 1.
        why: The reason, and what would mend it.
        quantity: Name of the quantity; empty where the whole line is refused.
    """

    line: int
    why: str
    quantity: str = ""

    def __str__(self) -> str:
        """The refusal as it is shown: ``line 12: tensile.strength refused: no section``."""
        return f"line {self.line}{f': {self.quantity}' if self.quantity else ''} refused: {self.why}"


MOST_ROWS: Final = 250_000
"""Rows of a sheet that is brought in: about half a kilobyte of each stays in memory until all is written."""

_MOST_ABOVE: Final = 30
_DELIMITERS: Final = (",", ";", "\t")
_LONGEST_ROW: Final = 1 << 16
_BLOCK: Final = MB
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
        header: Words of the line with the names of the columns.
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


def open_sheet(file: Path, wanted: Iterable[str] = ()) -> Sheet:
    """Look through a CSV file; its rows are read from the file again whenever they are asked for.

    Args:
        file: UTF-8 or UTF-16 with or without byte-order mark, else Windows-1252.
        wanted: Columns that the map names. The header is the line that holds most of them, as titles and
            merged headings often stand above it; the first line of all where none holds any.

    Raises:
        ImportRefusedError: It cannot be read, is empty, binary, too large, without rows, or its header names
            a column twice.
    """
    try:
        return _looked_through(lambda: opened(file), file.name, wanted=wanted)
    except OSError as error:
        raise ImportRefusedError(f"{file} cannot be read", why=error.strerror or str(error)) from error


def read_sheet(data: bytes, name: str, most_rows: int = MOST_ROWS, wanted: Iterable[str] = ()) -> Sheet:
    """Read a CSV file whole.

    Args:
        data: Its bytes, encoded as :func:`open_sheet` reads them.
        name: Its file name, for refusals.
        most_rows: How many rows it may have.
        wanted: Columns that the map names, as :func:`open_sheet` takes them.

    Raises:
        ImportRefusedError: As :func:`open_sheet`.
    """
    sheet = _looked_through(lambda: nullcontext(io.BytesIO(data)), name, most_rows, wanted)
    return replace(sheet, rows=tuple(sheet.rows))


@dataclass(frozen=True)
class _Rows:
    """The rows of a sheet, read again each time; lines of another width are left out, or handed on."""

    source: Source
    name: str
    encoding: str
    delimiter: str
    width: int
    above: int
    ragged: Callable[[LineRefusal], object] = lambda _: None

    def __iter__(self) -> Iterator[SheetRow]:
        lines = _lines(self.source, self.encoding, self.delimiter, self.name)
        width = self.width
        for row in itertools.islice(lines, self.above + 1, None):
            cells = row[1]
            if len(cells) != width:
                cells = _fitted(cells, width)
                if len(cells) != width:
                    # A shifted line would put a width under thickness and still look like numbers.
                    self.ragged(LineRefusal(row.line, _ragged(len(cells), width)))
                    continue
                row = SheetRow(row.line, cells)  # noqa: PLW2901 - the same row, cut to its width
            yield row


def _looked_through(
    source: Source, name: str, most_rows: int = MOST_ROWS, wanted: Iterable[str] = ()
) -> Sheet:
    encoding, notes, digest, size = _encoding(source, name)
    delimiter, above, row = _header_row(source, encoding, name, frozenset(wanted))
    header = _header(row, name)
    if above:
        notes = (*notes, f"The columns are named in line {row.line}; what is above was left out")
    refused: list[LineRefusal] = []
    rows = _Rows(source, name, encoding, delimiter, len(header), above)
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


def _header_row(
    source: Source, encoding: str, name: str, wanted: frozenset[str]
) -> tuple[str, int, SheetRow]:
    """Return the delimiter, how many lines that hold anything stand above the header, and the header."""
    most, found = 0, None
    for delimiter in _DELIMITERS if wanted else ():
        lines = _lines(source, encoding, delimiter, name)
        # A quotation mark that is none, under a delimiter that is none: the next one is tried.
        with suppress(ImportRefusedError):
            for above, row in enumerate(itertools.islice(lines, _MOST_ABOVE + 1)):
                named = len(wanted & set(row.cells))
                if named > most:
                    most, found = named, (delimiter, above, row)
    if found is not None:
        return found
    delimiter = delimiter_of_header(_header_line(source, encoding))
    return delimiter, 0, next(_lines(source, encoding, delimiter, name), SheetRow(1, ()))


def _header_line(source: Source, encoding: str) -> str:
    """Return the first line that holds anything."""
    with source() as stream, io.TextIOWrapper(stream, encoding, errors="replace") as text:
        return next((line for line in iter(lambda: text.readline(_LONGEST_ROW), "") if line.strip()), "")


def _lines(source: Source, encoding: str, delimiter: str, name: str) -> Iterator[SheetRow]:
    """Yield every line that holds anything, with the number it begins on.

    Raises:
        ImportRefusedError: A quotation mark is never closed, or a row is longer than any can be; the line it
            begins on is named.
    """
    begins = 1
    # Windows-1252 has five bytes that are no character; the other encodings were compared with the bytes.
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


Style = Literal["point", "comma", "open"]
STYLES: Final[tuple[Style, ...]] = ("point", "comma", "open")

_PLAIN: Final = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")
_DECIMAL: Final = {mark: re.compile(rf"[+-]?[0-9]+\{mark}[0-9]+") for mark in ",."}
_GROUP_LIKE: Final = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[.,][0-9]{3})+")
_BOTH: Final = {
    "comma": re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+"),
    "point": re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+"),
}
_MISSING: Final = {"nan", "na", "n/a", "#n/a", "-", "–", "—", "?", "none", "null"}


def style_of(cells: Iterable[str]) -> Style:
    """Return how a sheet writes decimals, from all its cells that should be numbers."""
    comma = point = False
    for cell in cells:
        comma = comma or ("," in cell and _clear(cell, ",", "comma"))
        point = point or ("." in cell and _clear(cell, ".", "point"))
        # Both styles in one sheet: nothing can be inferred, and each doubtful cell is asked about.
        if comma and point:
            return "open"
    return "comma" if comma else "point" if point else "open"


def _clear(cell: str, mark: str, style: str) -> bool:
    """Whether a cell leaves no doubt that the mark is its decimal mark."""
    if _BOTH[style].fullmatch(cell):
        return True
    return bool(_DECIMAL[mark].fullmatch(cell)) and not _GROUP_LIKE.fullmatch(cell)


def read_number(cell: str, style: Style, unit: str, what: str) -> float:
    """Return the finite number in a cell.

    Args:
        cell: Its text, not blank; a unit behind the number is converted.
        style: How the sheet writes decimals.
        unit: Unit of a bare number.
        what: Name for the refusal.

    Raises:
        Refused: It is no finite number, or could be two.
    """
    if style == "comma":
        cell = _with_point(cell, what)
    elif _BOTH["point"].fullmatch(cell):
        cell = cell.replace(",", "")
    if _PLAIN.fullmatch(cell):
        number = float(cell)
        if number not in (float("inf"), float("-inf")):
            return number
    # What sheets write for "not measured": it needs no mending as a number, but an empty cell.
    if cell.casefold() in _MISSING:
        raise ImportRefusedError(
            f"{what}: {cell!r} is not a number", do="Leave the cell empty if it is not known"
        )
    return parse(cell, unit, what)


def _with_point(cell: str, what: str) -> str:
    """Return a number of a sheet with decimal commas as it is written with a point.

    Raises:
        ImportRefusedError: It has a point alone, before three digits.
    """
    if "," not in cell and _GROUP_LIKE.fullmatch(cell):
        raise ImportRefusedError(
            f"{what}: {cell} can mean {cell.replace('.', '')} or {cell.replace('.', ',')}",
            do="The other numbers of this sheet have decimal commas; write this one without a point",
        )
    return cell.replace(".", "").replace(",", ".") if "," in cell else cell


class Besides:
    """Finds files by the paths that are in a sheet.

    A path is taken from the sheet's own folder, else from one folder directly below it; it never
    leads out of there, whatever links or dots it holds.

    Args:
        folder: Folder of the sheet.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder.resolve()
        self.below: set[str] = set()
        """Names of folders in which files were found that the sheet names without their folder."""

    def find(self, written: str) -> Path:
        """Return where a file lies.

        Raises:
            ImportRefusedError: There is none, more than one fits, or the path leads elsewhere.
        """
        path = PurePosixPath(written.replace("\\", "/"))
        # A sheet that came by mail must not bring files of this computer into a book that is published.
        if path.is_absolute() or PureWindowsPath(written).drive or ".." in path.parts:
            raise self._elsewhere(written)
        own = self._file(self._folder / path, written)
        if own is not None:
            return own
        fitting = [found for folder in self._folders if (found := self._file(folder / path, written))]
        if len(fitting) > 1:
            named = " and ".join(str(place.relative_to(self._folder)) for place in fitting)
            raise ImportRefusedError(f"{written!r} fits {named}", do="Write the folder into the cell")
        if not fitting:
            raise ImportRefusedError(
                f"there is no file {written!r} beside the sheet or in a folder beside it",
                do="Put it there, or empty the cell",
            )
        self.below.add(str(fitting[0].parent.relative_to(self._folder)))
        return fitting[0]

    def recording(self, written: str) -> Recording:
        """Return a file as the recording of a measurement.

        Raises:
            ImportRefusedError: As :meth:`find`, or it cannot be read.
        """
        place = self.find(written)
        try:
            return Recording(place.name, read_input(place, "recording"))
        except OSError as error:
            raise ImportRefusedError(
                f"{written!r} cannot be read", why=error.strerror or str(error)
            ) from error

    @cached_property
    def _folders(self) -> list[Path]:
        return sorted(place for place in self._folder.iterdir() if place.is_dir())

    def _file(self, place: Path, written: str) -> Path | None:
        try:
            if not place.is_file():
                return None
            resolved = place.resolve()
        except (OSError, ValueError):
            # Too long a name, or a character no file can have: nothing lies there.
            return None
        if not resolved.is_relative_to(self._folder):
            raise self._elsewhere(written)
        return resolved

    def _elsewhere(self, written: str) -> ImportRefusedError:
        return ImportRefusedError(
            f"{written!r} leads out of the folder of the sheet",
            do="Copy the file beside the sheet and write its name alone",
        )


class SentWith:
    """Finds recordings among the files that were sent with a sheet; the disk of this computer is not read.

    A browser sends the bare names of files, so that a path in the sheet is held to its last part.

    Args:
        files: What was sent.

    Raises:
        ImportRefusedError: Two different files have one name.
    """

    def __init__(self, files: Sequence[Recording]) -> None:
        self._files: dict[str, Recording] = {}
        self._written: dict[str, str] = {}
        for each in files:
            if self._files.setdefault(each.name, each).data != each.data:
                raise ImportRefusedError(
                    f"two different files are called {each.name!r}",
                    do="Rename one, and write its new name into the sheet",
                )

    def recording(self, written: str) -> Recording:
        """Return the file that a cell names.

        Raises:
            ImportRefusedError: It was not sent, or another path of the sheet ends in the same name.
        """
        # Both separators: the sheet may come from another system than the one that reads it.
        name = PureWindowsPath(written).name
        first = self._written.setdefault(name, written)
        if PureWindowsPath(first) != PureWindowsPath(written):
            raise ImportRefusedError(
                f"{first!r} and {written!r} have one name, and files are sent without their folders",
                do="Rename one of the files, and write its new name into the sheet",
            )
        if name not in self._files:
            raise ImportRefusedError(
                f"no file {name!r} was sent with the sheet", do="Choose it with the sheet, or empty the cell"
            )
        return self._files[name]

    @property
    def not_named(self) -> list[str]:
        """Names of files that were sent and that no cell named so far."""
        return sorted(set(self._files) - set(self._written))
