"""From the bytes of a file to columns of fields and of figures, without looking at each row in Python."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from numpy.typing import NDArray

from tracker.api import Recording
from tracker.api.tables import BLANKS, delimiter_of_lines, text_of_file
from tracker.chamberlog.log import Array
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.lazy_modules import np

Letters = NDArray[np.uint8]
"""Fields of one column, one row each, filled up with zeros; shape (n, widest)."""

_NAMES: Final = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", BLANKS: "blanks"}
_UNIT_SEPARATOR = "\x1f"
_SAMPLE = 200
_WIDEST = 48
_CHUNK = 100_000

_VALUE = re.compile(
    r"""\s*(?:[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?\s*(?:°?\s*[CF]|%)?   # a number, its unit
    |\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[T\s,]\s*\d{1,2}:.*)?                          # a date, with a time
    |\d{1,3}:\d{2}(?::\d{2}(?:[.,]\d+)?)?                                            # a time
    |nan|n/a|null|none|-+)?\s*\Z""",
    re.VERBOSE | re.IGNORECASE,
)

_UNIT_FIELD = re.compile(
    r"[\[(]?(?:(?:°|deg)?\s*[CFK]|m?s|sec|min|h|%(?:\s*r\.?[hF]\.?)?|-)?[\])]?\Z", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Table:
    """The rows of a file, still as bytes.

    Attributes:
        delimiter: In words.
        header: Headings, empty where there are none.
        skipped: Lines before the headings (or the first row).
        columns: How many fields most rows have.
        rows: How many rows there are.
        ragged: How many rows have another number of fields.
        body: All rows, as bytes, closed by a line break.
        starts: Where each row begins, shape (n,).
        ends: Where each row ends, shape (n,).
        marks: Where the delimiters are, shape (m,), with one more entry for rows without.
        first: Index of each row's first delimiter in ``marks``, shape (n,).
        fields: How many fields each row has, shape (n,).
    """

    delimiter: str
    header: tuple[str, ...]
    skipped: int
    columns: int
    rows: int
    ragged: int
    body: NDArray[np.uint8]
    starts: NDArray[np.intp]
    ends: NDArray[np.intp]
    marks: NDArray[np.intp]
    first: NDArray[np.intp]
    fields: NDArray[np.intp]

    def column(self, number: int, most: int | None = None) -> Letters:
        """Return the fields of column ``number`` (from 0) of the first ``most`` rows, blanks cut off."""
        starts, ends, first, fields = (a[:most] for a in (self.starts, self.ends, self.first, self.fields))
        last = len(self.marks) - 1
        since = starts if number == 0 else self.marks[np.minimum(first + number - 1, last)] + 1
        until = np.where(fields > number + 1, self.marks[np.minimum(first + number, last)], ends)
        short = fields <= number
        if short.any():
            since = np.where(short, ends, since)
        return _gathered(self.body, *_stripped(self.body, since, until))

    def sample(self, number: int, most: int = 50) -> list[str]:
        """Return the first ``most`` fields of a column as text."""
        return texts(self.column(number, most))


def texts(letters: Letters) -> list[str]:
    """Return fields as text."""
    return [row.decode("utf-8", "replace") for row in as_bytes(letters).tolist()]


def as_bytes(letters: Letters) -> NDArray[np.bytes_]:
    """Return fields as an array of byte strings, shape (n,)."""
    width = max(1, letters.shape[1])
    padded = letters if letters.shape[1] else np.zeros((len(letters), 1), dtype=np.uint8)
    return np.ascontiguousarray(padded).view(f"S{width}")[:, 0]


def read_table(data: bytes | Path) -> Table:
    """Return the rows of a text table, its delimiter and headings guessed.

    Raises:
        Refused: The file cannot be read, is empty, is no text, or has no rows of at least two fields.
    """
    text = _text(_bytes(data) if isinstance(data, Path) else data)
    delimiter = _delimiter(_first_lines(text))
    mark = delimiter
    if delimiter == BLANKS:
        text, mark = re.sub(r"[ \t]+", "\t", re.sub(r"(?m)^[ \t]+|[ \t]+$", "", text)), "\t"
    elif '"' in text:
        text, mark = _unquoted(text, delimiter), _UNIT_SEPARATOR
    header, skipped, begins = _headings(text, mark)
    return _tabulated(text[begins:], mark, _NAMES[delimiter], header, skipped)


def _bytes(path: Path) -> bytes:
    """Return a file's bytes.

    Raises:
        Refused: It cannot be read.
    """
    try:
        return read_input(path, "log")
    except OSError as error:
        raise Refused(f"log {path}", why=f"cannot be read ({error.strerror})") from error


def _text(data: bytes) -> str:
    """Return a file's text, with line feeds only.

    Raises:
        Refused: It is empty, binary, an archive or a picture.
    """
    two_bytes = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    packed = data[:2] == b"\x1f\x8b"
    at = -1 if two_bytes or packed else data.find(b"\0")
    if at >= 0 or data[:4] in (b"PK\x03\x04", b"\x89PNG"):
        why = f"it is no text (byte 0 at {at})" if at >= 0 else "it is an archive or a picture, no text"
        raise Refused("log file", why=why, do="Export it from the logger as CSV.")
    if not data.strip():
        raise Refused("log file", why="it is empty", do="Export it again from the logger.")
    text = text_of_file(Recording("log file", data))
    if not text.strip():
        raise Refused("log file", why="it is empty", do="Export it again from the logger.")
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def _first_lines(text: str) -> list[str]:
    """Return the first lines that hold anything."""
    found = []
    for line in text[: 400 * _SAMPLE].split("\n"):
        if line.strip():
            found.append(line)
        if len(found) == _SAMPLE:
            break
    return found


def _delimiter(lines: Sequence[str]) -> str:
    """Return what parts the fields.

    Raises:
        Refused: Nothing parts the lines into columns.
    """
    mark = delimiter_of_lines(lines)
    if mark is not None:
        return mark
    raise Refused(
        "log file",
        why=f"its lines have no columns (tab, semicolon, comma or blanks); the first is '{lines[0][:40]}'",
        do="Export time and readings as columns.",
    )


def _unquoted(text: str, delimiter: str) -> str:
    """Return the text without quotes, its fields separated by a mark that no text holds."""
    rows = csv.reader(text.split("\n"), delimiter=delimiter)
    return "\n".join(_UNIT_SEPARATOR.join(field.replace("\n", " ") for field in row) for row in rows)


def _headings(text: str, mark: str) -> tuple[tuple[str, ...], int, int]:
    """Return the headings, how many lines come before them, and where the first row begins.

    Raises:
        Refused: No row holds a time and a reading.
    """
    before: list[list[str]] = []
    at = 0
    for line in _lines(text):
        fields = [field.strip() for field in line.rstrip("\n").split(mark)]
        if len(fields) > 1 and _is_row(fields):
            header = _joined(before, len(fields))
            used = len(before) if not header else len(before) - _heading_lines(before, len(fields))
            return header, used, at
        if line.strip():
            before.append(fields)
        at += len(line)
    raise Refused(
        "log file",
        why="no row in it holds a time and a reading",
        do="A row needs at least two columns, such as time and °C.",
    )


def _lines(text: str) -> Iterator[str]:
    """Give the lines with their line feeds."""
    at = 0
    while at < len(text):
        end = text.find("\n", at)
        end = len(text) if end < 0 else end + 1
        yield text[at:end]
        at = end


def _is_row(fields: Sequence[str]) -> bool:
    """Say whether fields are readings and no headings."""
    filled = [field for field in fields if field]
    values = sum(_VALUE.match(field) is not None for field in filled)
    # A heading such as "T1" is no value; a status word beside readings does not make a row a heading.
    return len(filled) > 1 and 2 * values >= len(filled) and _VALUE.match(filled[0]) is not None


def _heading_lines(before: Sequence[Sequence[str]], count: int) -> int:
    """Return how many of the last lines are headings: one, or two where the last one holds units."""
    fits = [abs(len(fields) - count) <= 1 and any(fields) for fields in before[-2:]]
    if not fits or not fits[-1]:
        return 0
    return 2 if all(fits) and len(fits) > 1 and all(map(_UNIT_FIELD.match, before[-1])) else 1


def _joined(before: Sequence[Sequence[str]], count: int) -> tuple[str, ...]:
    """Return the headings from the lines before the first row."""
    lines = before[len(before) - _heading_lines(before, count) :]
    if not lines:
        return ()
    padded = [[*line, *[""] * count][:count] for line in lines]
    return tuple(
        " ".join(part for part in parts if part).lstrip("#").strip() for parts in zip(*padded, strict=True)
    )


def _tabulated(text: str, mark: str, name: str, header: tuple[str, ...], skipped: int) -> Table:
    """Return where rows and fields lie."""
    body = np.frombuffer(f"{text}\n".encode(), dtype=np.uint8)
    ends = np.flatnonzero(body == ord("\n"))
    starts = np.concatenate([[0], ends[:-1] + 1])
    filled = ends > starts
    starts, ends = starts[filled], ends[filled]
    marks = np.flatnonzero(body == ord(mark))
    first = np.searchsorted(marks, starts)
    fields = np.diff(np.append(first, len(marks))) + 1
    # By most rows: one note or one broken line must not set the number of columns.
    usual = int(np.bincount(fields).argmax())
    columns = max(usual, len(header))
    # Some loggers close a line with a delimiter: one empty field more is no different row.
    closed = (fields == usual + 1) & (body[ends - 1] == ord(mark))
    ragged = int(np.count_nonzero((fields != usual) & ~closed))
    marks = np.append(marks, len(body) - 1)
    return Table(
        name, header, skipped, columns, len(starts), ragged, body, starts, ends, marks, first, fields
    )


def _stripped(
    body: NDArray[np.uint8], since: NDArray[np.intp], until: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the ends of fields without the blanks around them."""
    while np.any(blank := (since < until) & (body[since] == ord(" "))):
        since = since + blank
    while np.any(blank := (since < until) & (body[until - 1] == ord(" "))):
        until = until - blank
    return since, until


def _gathered(body: NDArray[np.uint8], since: NDArray[np.intp], until: NDArray[np.intp]) -> Letters:
    """Return fields of different length as rows of equal length."""
    width = min(_WIDEST, int((until - since).max(initial=0)))
    letters = np.zeros((len(since), width), dtype=np.uint8)
    steps = np.arange(width)
    for first in range(0, len(since), _CHUNK):
        part = slice(first, first + _CHUNK)
        where = since[part, np.newaxis] + steps
        inside = where < until[part, np.newaxis]
        letters[part] = np.where(inside, body[np.minimum(where, len(body) - 1)], 0)
    return letters


_EXACT_DIGITS: Final = 15
"""Up to here an integer and a power of ten are exact, and so their quotient is rounded once."""

_NUMBER = re.compile(
    r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(?:°?\s*[CFK]|%(?:\s*r\.?[hF]\.?)?)?\s*\Z"
)


def numbers(letters: Letters, *, decimal_comma: bool) -> Array:
    """Return the numbers of a column, shape (n,); NaN where a field is empty or no number.

    Args:
        letters: Fields as from :meth:`Table.column`, shape (n, width), bytes.
        decimal_comma: Whether the comma stands where others write a point.
    """
    if letters.shape[1] == 0:
        return np.full(len(letters), np.nan)
    if decimal_comma:
        letters = np.where(letters == ord(","), np.uint8(ord(".")), letters)
    values, plain = _plain(letters)
    if not plain.all():
        # A status word stands in thousands of rows and is looked at once.
        others, where = np.unique(as_bytes(letters[~plain]), return_inverse=True)
        values[~plain] = np.array([_one(field) for field in others.tolist()])[where]
    return values


def _plain(letters: Letters) -> tuple[Array, NDArray[np.bool_]]:
    """Read fields of the form -12.345; return the values and which fields have that form."""
    size = len(letters)
    mantissa, digits, decimals = np.zeros(size, np.int64), np.zeros(size, np.int8), np.zeros(size, np.int8)
    pointed, odd = np.zeros(size, bool), np.zeros(size, bool)
    negative = letters[:, 0] == ord("-")
    signed = negative | (letters[:, 0] == ord("+"))
    for place in range(letters.shape[1]):
        letter = letters[:, place]
        digit = (letter >= ord("0")) & (letter <= ord("9"))
        # Beyond 15 digits the integer could overflow; such fields are read one by one.
        mantissa = np.where(digit & (digits < _EXACT_DIGITS), mantissa * 10 + (letter - ord("0")), mantissa)
        digits += digit
        decimals += digit & pointed
        point = letter == ord(".")
        odd |= ~(digit | point | (letter == 0)) & ~(signed if place == 0 else np.False_)
        odd |= point & pointed
        pointed |= point
    plain = ~odd & (digits > 0) & (digits <= _EXACT_DIGITS)
    value = mantissa / 10.0 ** np.minimum(decimals, _EXACT_DIGITS)
    return np.where(negative, -value, value), plain


def _one(field: bytes) -> float:
    """Read one field that is no plain decimal; NaN where it is no number."""
    found = _NUMBER.match(field.decode("utf-8", "replace"))
    return float(found[1]) if found else float("nan")


def runs_of_digits(letters: Letters, most: int) -> tuple[Array, NDArray[np.int8], NDArray[np.int8]]:
    """Return the numbers made by unbroken digits in each field: 12:05:30.25 gives 12, 5, 30, 25.

    Args:
        letters: Fields, shape (n, width).
        most: How many runs to keep.

    Returns:
        The numbers, shape (n, most), zero where there are fewer; how many digits each has; how many runs
        each field has, shape (n,).
    """
    size = len(letters)
    rows = np.arange(size)
    values, lengths = np.zeros((size, most + 1)), np.zeros((size, most + 1), np.int8)
    run, inside = np.zeros(size, np.intp), np.zeros(size, bool)
    for place in range(letters.shape[1]):
        letter = letters[:, place]
        digit = (letter >= ord("0")) & (letter <= ord("9"))
        run = np.minimum(run + (inside & ~digit), most)
        values[rows, run] = np.where(digit, values[rows, run] * 10.0 + letter - ord("0"), values[rows, run])
        lengths[rows, run] += digit
        inside = digit
    count = np.minimum(run + inside, most).astype(np.int8)
    return values[:, :most], lengths[:, :most], count
