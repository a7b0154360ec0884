"""Tables of numbers as rigs and loggers write them: delimiters, decimal commas, gaps, gzip."""

from __future__ import annotations

import io
import re
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tracker.api._readings import Recording
from tracker.errors import Refused

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]

# A packed file can unfold without bound; nobody pulls a piece for that long.
_LARGEST = 256 * 1024 * 1024
_GZIP = b"\x1f\x8b"
_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$|^[+-]?(nan|inf(inity)?)$", re.IGNORECASE)
_HEADER_ROWS = 60


@dataclass(frozen=True)
class NumberTable:
    """A table of numbers with the words above its columns.

    Attributes:
        words: Header word of each column.
        values: Shape (rows, columns); NaN where a cell held no number.
        how: What was decided on the way, one sentence each.
        problems: What was left out, one sentence each.
    """

    words: tuple[str, ...]
    values: Any
    how: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


def text_of_file(recording: Recording) -> str:
    """Return the text of a file, gzip undone, byte-order mark removed.

    Raises:
        Refused: It is empty, broken, too large or no text.
    """
    data = _unpacked(recording)
    if not data.strip():
        raise Refused(f"{recording.name} is empty", do="Export the recording again and attach that file.")
    # Some loggers write two-byte text; the mark tells, and zero bytes would look binary below.
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return data.decode("utf-16", errors="replace").lstrip("\ufeff")
    if b"\x00" in data[:65536]:
        raise Refused(f"{recording.name} is not text", why="it holds binary data", do="Export it as CSV.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Degree and micro signs of old loggers; no byte is refused by this.
        return data.decode("cp1252", errors="replace")


def _unpacked(recording: Recording) -> bytes:
    if not recording.data.startswith(_GZIP):
        return recording.data
    try:
        # Through zlib rather than gzip, because only it can stop at a size.
        inflate = zlib.decompressobj(wbits=zlib.MAX_WBITS | 16)
        data = inflate.decompress(recording.data, _LARGEST)
    except zlib.error as error:
        raise Refused(f"{recording.name} cannot be unpacked", why=str(error), do="Copy it again.") from error
    if inflate.unconsumed_tail:
        raise Refused(f"{recording.name} holds more than 256 MB", do="Export fewer readings a second.")
    # A cut file would silently give the first part of the curve, without its break.
    if not inflate.eof:
        raise Refused(f"{recording.name} is cut short", why="its gzip data has no end", do="Copy it again.")
    return data


def read_numbers(recording: Recording) -> NumberTable:
    """Read a delimited table of numbers under a line of header words.

    Lines above the header and a line of units below it are understood; the words keep the units.

    Raises:
        Refused: No text, or no table of numbers under header words; one line naming the file.
    """
    text = text_of_file(recording)
    start, words, delimiter = _layout(recording.name, text)
    body = text[start:]
    how = [f"columns {', '.join(words)}"]
    # Decimal commas can only be told where commas do not part cells.
    comma = delimiter != "," and re.search(r"\d,\d", body[:20_000]) is not None
    if comma:
        how.append("decimal commas")
        body = body.replace(",", ".")
    values, problems = _numbers(body, delimiter, len(words))
    if not len(values):
        raise Refused(f"{recording.name} holds no row of numbers", why=f"under {', '.join(words)}")
    return NumberTable(tuple(words), values, tuple(how), tuple(problems))


def _layout(name: str, text: str) -> tuple[int, list[str], str | None]:
    """Find where the numbers begin, the words above them, and what parts the cells.

    Raises:
        Refused: No row of numbers in the first lines, or no words above it.
    """
    offset = 0
    above: list[str] = []
    for line in io.StringIO(text, newline=None) if "\r" in text[:65536] else io.StringIO(text):
        delimiter = _delimiter(line)
        cells = _cells(line, delimiter)
        # Two numbers in a line begin the table; a preamble may hold one (a serial number).
        if sum(bool(_NUMBER.match(cell)) for cell in cells) >= min(2, len(cells)) and line.strip():
            return offset, _words(name, above, len(cells), delimiter), delimiter
        above.append(line)
        offset += len(line)
        if len(above) > _HEADER_ROWS:
            break
    raise Refused(
        f"{name} is no table of numbers",
        why=f"no row of numbers in its first {min(len(above), _HEADER_ROWS)} lines",
        do="A first line such as time_ms,force_N and rows of numbers are wanted.",
    )


def _delimiter(line: str) -> str | None:
    # Before the comma: a file of decimal commas has both.
    for candidate in (";", "\t"):
        if candidate in line:
            return candidate
    return "," if "," in line else None


def _cells(line: str, delimiter: str | None) -> list[str]:
    cells = line.strip().strip("\ufeff").split(delimiter)
    return [cell.strip().strip('"').strip() for cell in cells]


def _words(name: str, above: list[str], count: int, delimiter: str | None) -> list[str]:
    """Return the header words: the nearest fitting line above, with a line of units under it joined on.

    Raises:
        Refused: No line above the numbers fits their columns.
    """
    rows = [_cells(line, delimiter) for line in above if line.strip()]
    # Words may be followed by one line of units, no more; above that is preamble.
    fitting = [row for row in rows[-2:] if len([cell for cell in row if cell]) >= max(1, count - 1)]
    if not fitting:
        raise Refused(
            f"{name} has no header words",
            why="which column is which would be a guess",
            do="Write a first line such as time_ms,force_N.",
        )
    padded = [[*row, *[""] * count][:count] for row in fitting]
    if len(padded) == 2 and all(_is_unit(cell) for cell in padded[1]):  # noqa: PLR2004 - words and units
        return [f"{word} {unit}".strip() for word, unit in zip(*padded, strict=True)]
    return padded[-1]


def _is_unit(cell: str) -> bool:
    return len(cell.strip("[]()")) <= 4 and not re.search(r"\d", cell)  # noqa: PLR2004 - s, mm, kN, °C


def _numbers(body: str, delimiter: str | None, count: int) -> tuple[Numbers, list[str]]:
    """Read the rows, at once where they are regular, else line by line."""
    import numpy as np  # noqa: PLC0415 - heavy to load

    try:
        # Reads in C and refuses any irregular row, so what it accepts needs no second look.
        values = np.loadtxt(io.StringIO(body), delimiter=delimiter, ndmin=2, comments=None, dtype=float)
    except ValueError:
        return _patiently(body, delimiter, count)
    return (values, []) if values.shape[1] == count else _patiently(body, delimiter, count)


def _patiently(body: str, delimiter: str | None, count: int) -> tuple[Numbers, list[str]]:
    import numpy as np  # noqa: PLC0415 - heavy to load

    rows, short = [], 0
    for line in body.splitlines():
        if not line.strip():
            continue
        cells = [_float(cell) for cell in _cells(line, delimiter)]
        short += len(cells) != count
        # Short rows are filled with NaN, long ones cut: the caller counts and leaves them out.
        rows.append([*cells, *[float("nan")] * count][:count])
    values = np.array(rows, dtype=float).reshape(-1, count)
    problems = [f"{short} of {len(rows)} rows have more or fewer cells than the header."] if short else []
    blank = np.isnan(values).all(axis=1)
    return values[~blank], problems


def _float(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")
