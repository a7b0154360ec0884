"""Text tables as rigs, loggers and spreadsheets write them: the one reader for recordings, logs and sheets.

Delimiters, decimal commas and thousands separators, quotes, units in the header, in a row under it or absent,
times as ``hh:mm:ss``, gzip, two-byte text. What can be read in two ways is never guessed: :class:`Ambiguous`
names the option that decides, which then stands in ``Recording.read_as``.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import re
import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from tracker.api.readings import Recording
from tracker.errors import Refused
from tracker.lazy_modules import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]

# A packed file can unfold without bound; nobody pulls a piece for that long.
_LARGEST: Final = 256 * 1024 * 1024
_GZIP: Final = b"\x1f\x8b"
_HEADER_ROWS: Final = 60
_FALL: Final = 500
_HALF_A_DAY_S: Final = 43_200
_CLOCK: Final = re.compile(r"^(?:\d{4}-\d\d-\d\d[T ])?(\d{1,3}):(\d\d)(?::(\d\d(?:[.,]\d+)?))?$")
# Thin, narrow and no-break blanks and apostrophes group digits in some places.
_GROUPING: Final = re.compile("(?<=\\d)[\u0020\u00a0\u2009\u202f'\u2019](?=\\d{3}(?:\\D|$))")
_NUMBER: Final = re.compile(
    r"^[+\-\u2212]?(?:\d+(?:[.,]\d+)*[.,]?|[.,]\d+)(?:[eE][+-]?\d+)?$|^[+-]?(?:nan|inf(?:inity)?)$",
    re.IGNORECASE,
)
# What only a decimal mark can be: not followed by exactly three digits, or after a lone 0 or four digits.
_DECIDES: Final = re.compile(r"(?<![\d.])[+-]?(?:(?:0|\d{4,})?\.\d+|\d+\.(?:\d{1,2}|\d{4,}))(?![\d.])")
_GROUPED: Final = re.compile(r"^[+\-\u2212]?[1-9]\d{0,2}([.,])\d{3}$")
DECIMAL_WORDS: Final = {"comma": ",", ",": ",", "point": ".", "dot": ".", ".": "."}


class Ambiguous(Refused):
    r"""A file can be read in two ways; the option decides.

    Attributes:
        option: Key of ``Recording.read_as``: ``decimal``, ``force.unit``, ``force``.
        choices: What it may be, each with what it would mean.

    >>> try:
    ...     read_numbers(Recording("pull.csv", b"time_s;force_N\n1;1.234\n2;1.240\n"))
    ... except Ambiguous as question:
    ...     question.option, [word for word, _ in question.choices]
    ('decimal', ['point', 'comma'])
    """

    def __init__(self, what: str, option: str, choices: Sequence[tuple[str, str]], why: str = "") -> None:
        self.option, self.choices = option, tuple(choices)
        ways = " or ".join(f"{option}={value} ({meaning})" for value, meaning in choices)
        super().__init__(what, why=why, do=f"Say which: --read {ways}")


@dataclass(frozen=True)
class NumberTable:
    r"""A table of numbers with the words above its columns.

    Attributes:
        words: Header word of each column, a row of units joined on.
        values: Shape (rows, columns); NaN where a cell held no number. Times of day are seconds.
        how: What was decided on the way, one sentence each.
        problems: What was left out, one sentence each.
        clocks: Numbers of the columns that were written as hh:mm:ss.

    >>> read_numbers(Recording("pull.csv", b"time_s,force_N\n0,0\n1,50\n")).values.shape
    (2, 2)
    """

    words: tuple[str, ...]
    values: Any
    how: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    clocks: tuple[int, ...] = ()


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


# What parts the cells of a text. Three rules, because three kinds of file mislead in three ways; each reader
# takes the one that its files cannot deceive. A mark inside quotes parts nothing.

BLANKS: Final = " "
"""Any run of blanks, in the place of a single mark."""

_QUOTED: Final = re.compile(r'"(?:[^"]|"")*"')
_MOSTLY: Final = 0.6


def delimiter_of_row(line: str) -> str | None:
    """Return what parts a row of numbers, for recordings; None for blanks.

    Lines above the numbers are a preamble that may hold any mark, so the first row of numbers decides alone.
    """
    bare = re.sub(r'"[^"]*"', "", line)
    # Before the comma: a file of decimal commas has both.
    for candidate in (";", "\t"):
        if candidate in bare:
            return candidate
    return "," if "," in bare else None


def delimiter_of_header(line: str) -> str:
    """Return which mark a header line holds most of, for sheets.

    By the header alone: its words hold no decimal commas, and remarks in the rows below may hold any mark.
    """
    outside = "".join(line.split('"')[::2])
    return max((",", ";", "\t"), key=outside.count)


def delimiter_of_lines(lines: Sequence[str]) -> str | None:
    """Return what parts most of some lines, for logs: a mark, or :data:`BLANKS`; None where nothing does.

    A logger writes notes above and between its rows and sometimes no header: no single line can be trusted,
    but a mark that most lines hold equally often parts columns. The comma comes last, since it may be a
    decimal mark.
    """
    bare = [_QUOTED.sub("q", line) for line in lines]
    marks = ("\t", ";", "|", ",")
    for mark in marks:
        often, share = Counter(line.count(mark) for line in bare).most_common(1)[0]
        if often >= 1 and share >= _MOSTLY * len(bare):
            return mark
    for mark in marks:
        if sum(mark in line for line in bare) >= max(1, len(bare) // 2):
            return mark
    return BLANKS if sum(len(line.split()) > 1 for line in bare) >= _MOSTLY * len(bare) else None


def read_numbers(recording: Recording) -> NumberTable:
    r"""Read a delimited table of numbers under a line of header words.

    Lines above the header and a line of units below it are understood; the words keep the units.
    ``recording.read_as["decimal"]`` (``comma`` or ``point``) decides where the file does not.

    Raises:
        Ambiguous: Its numbers can be read in two ways.
        Refused: No text, or no table of numbers under header words; one line naming the file.

    >>> table = read_numbers(Recording("pull.csv", b"time_s;force_N\n0,5;1.234,50\n1,0;1.240,00\n"))
    >>> table.words, table.values[0].tolist()
    (('time_s', 'force_N'), [0.5, 1234.5])
    """
    text = text_of_file(recording)
    start, words, delimiter = _layout(recording.name, text)
    body = text[start:]
    how = [f"columns {', '.join(words)}"]
    asked = DECIMAL_WORDS.get(recording.read_as.get("decimal", ""), "")
    comma = delimiter != "," and "," in body and "." not in body and asked != "."
    values = None
    if asked != "," or comma:
        plain = body.replace(",", ".") if comma else body
        values = _plain_values(plain, delimiter, len(words), sure=bool(asked))
    if values is not None:
        how += ["decimal commas"] if comma else []
        return _checked(recording.name, words, values, how, [], ())
    cells = _rows(body, delimiter)
    _refuse_split_decimals(recording.name, cells, len(words), delimiter)
    decimal = _decimal_of(recording.name, words, cells, asked)
    if decimal == ",":
        how.append("decimal commas")
    values, clocks, problems = _parsed(cells, len(words), decimal)
    return _checked(recording.name, words, values, how, problems, clocks)


def _checked(
    name: str, words: list[str], values: Any, how: list[str], problems: list[str], clocks: tuple[int, ...]
) -> NumberTable:
    if not len(values):
        raise Refused(f"{name} holds no row of numbers", why=f"under {', '.join(words)}")
    return NumberTable(tuple(words), values, tuple(how), tuple(problems), clocks)


def _plain_values(body: str, delimiter: str | None, count: int, *, sure: bool) -> Numbers | None:
    """Read at once what has one decimal mark without a doubt (given as points); None for everything else.

    A recording of 100,000 rows takes 0.05 s here and ten times that cell by cell.
    """
    if '"' in body or (delimiter != "," and "," in body) or (":" in body[:4000]):
        return None
    if not sure and "." in body and _DECIDES.search(body) is None:
        return None
    try:
        # Reads in C and refuses any irregular row, so what it accepts needs no second look.
        values = np.loadtxt(io.StringIO(body), delimiter=delimiter, ndmin=2, comments=None, dtype=float)
    except ValueError:
        return None
    if values.shape[1] != count:
        return None
    # 999 followed by 1.000 are thousands with a point; a fall by hundreds is looked at cell by cell.
    with np.errstate(all="ignore"):
        fell = (values[:-1] > _FALL * np.abs(values[1:])) & (values[:-1] > _FALL) & (np.abs(values[1:]) >= 1)
    return None if fell.any() and not sure else values


def _layout(name: str, text: str) -> tuple[int, list[str], str | None]:
    """Find where the numbers begin, the words above them, and what parts the cells.

    Raises:
        Refused: No row of numbers in the first lines, or no words above it.
    """
    offset = 0
    above: list[str] = []
    for line in io.StringIO(text, newline=None) if "\r" in text[:65536] else io.StringIO(text):
        delimiter = delimiter_of_row(line)
        cells = _cells(line, delimiter)
        # Two numbers in a line begin the table; a preamble may hold one (a serial number).
        if sum(map(_is_number, cells)) >= min(2, len(cells)) and line.strip():
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


def _is_number(cell: str) -> bool:
    return bool(_NUMBER.match(_GROUPING.sub("", cell)) or _CLOCK.match(cell))


def _cells(line: str, delimiter: str | None) -> list[str]:
    stripped = line.strip().strip("\ufeff")
    if delimiter is not None and '"' in stripped:
        return [cell.strip() for cell in next(csv.reader([stripped], delimiter=delimiter), [])]
    return [cell.strip().strip('"').strip() for cell in stripped.split(delimiter)]


def _rows(body: str, delimiter: str | None) -> list[list[str]]:
    if delimiter is not None and '"' in body:
        made = csv.reader(io.StringIO(body), delimiter=delimiter)
        return [[cell.strip() for cell in row] for row in made if any(cell.strip() for cell in row)]
    return [_cells(line, delimiter) for line in body.splitlines() if line.strip()]


def _words(name: str, above: list[str], count: int, delimiter: str | None) -> list[str]:
    """Return the header words: the nearest fitting line above, with a line of units under it joined on.

    Raises:
        Refused: No line above the numbers fits their columns.
    """
    rows = [_cells(line, delimiter) for line in above if line.strip()]
    # Words may be followed by one line of units, no more; above that is preamble.
    fitting = [row for row in rows[-2:] if len([cell for cell in row if cell]) >= max(1, count - 1)]
    # Decimal commas in a file separated by commas make two cells of a number: said where rows are read.
    if not fitting and delimiter == "," and rows and len(rows[-1]) * 2 >= count > len(rows[-1]):
        return rows[-1]
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
    return len(cell.strip("[]()")) <= 5 and not re.search(r"\d", cell)  # noqa: PLR2004 - s, mm, kN, °C, mm/mm


def _refuse_split_decimals(name: str, rows: list[list[str]], count: int, delimiter: str | None) -> None:
    """Refuse numbers whose decimal commas were taken for the end of the cell.

    Raises:
        Refused: Most rows have more cells than the header, all of digits.
    """
    if delimiter != "," or not rows:
        return
    longer = sum(len(row) > count and all(cell.lstrip("+-").isdigit() for cell in row) for row in rows)
    if 2 * longer > len(rows):
        raise Refused(
            f"{name} has {len(rows[0])} cells in a row under {count} header words",
            why="decimal commas cannot be told from the commas between the cells",
            do="Export it with semicolons or tabs between the cells, or with decimal points.",
        )


def _decimal_of(name: str, words: Sequence[str], rows: list[list[str]], asked: str) -> str:
    """Return the decimal mark of a file's numbers: ``.`` or ``,``; empty where there are only whole numbers.

    Raises:
        Ambiguous: Both marks could be it, or one column contradicts the others.
    """
    if asked:
        return asked
    columns = [
        [_GROUPING.sub("", row[i]) for row in rows if i < len(row) and not _CLOCK.match(row[i])]
        for i in range(len(words))
    ]
    marked = [[cell for cell in column if "." in cell or "," in cell] for column in columns]
    found = {_decisive(cell) for column in marked for cell in column} - {""}
    if len(found) > 1:
        raise Ambiguous(f"{name} has decimal points and decimal commas", "decimal", _both("1.234"))
    decimal = found.pop() if found else ""
    for word, column, cells in zip(words, columns, marked, strict=True):
        # Only a column whose every marked number could be one of thousands leaves a doubt.
        if cells and all(_GROUPED.match(cell) for cell in cells):
            decimal = _of_thousands(f"{name}, column {word}", column, cells[0], decimal)
    return decimal


def _of_thousands(place: str, column: Sequence[str], cell: str, decimal: str) -> str:
    """Return the decimal mark after a column of numbers such as ``1.234``, given what the others show.

    Raises:
        Ambiguous: Nothing tells whether its mark parts thousands, or this column contradicts the others.
    """
    # Whole numbers without a mark up to 999 and then 1.234: the column itself says which it is.
    grouped = _continues_as_thousands(column)
    mark = cell.lstrip("+-\u2212").lstrip("0123456789")[0]
    if not decimal and grouped is None:
        raise Ambiguous(f"{place}: {cell} can be read in two ways", "decimal", _both(cell))
    if grouped and decimal == mark:
        raise Ambiguous(
            f"{place}: {cell} follows on whole numbers, so its mark parts "
            "thousands, while other columns have it as the decimal mark", "decimal", _both(cell),
        )  # fmt: skip
    return decimal or (("," if mark == "." else ".") if grouped else mark)


def _both(example: str) -> list[tuple[str, str]]:
    digits = re.sub(r"[.,]", "", example)
    mark = "." if "." in example else ","
    as_point = example if mark == "." else digits
    as_comma = digits if mark == "." else example.replace(",", ".")
    return [("point", f"{example} is {as_point}"), ("comma", f"{example} is {as_comma}")]


def _decisive(cell: str) -> str:
    """Return the decimal mark that a cell proves: ``1.234,5`` a comma, ``0.123`` a point; empty for none."""
    body = re.split(r"[eE]", cell.lstrip("+-\u2212"))[0]
    dots, commas = body.count("."), body.count(",")
    if dots and commas:
        return "." if body.rfind(".") > body.rfind(",") else ","
    mark = "." if dots else ","
    if dots + commas > 1:
        return "," if mark == "." else "."
    return "" if _GROUPED.match(body) and body == cell.lstrip("+-\u2212") else mark


def _continues_as_thousands(column: Sequence[str]) -> bool | None:
    """Tell whether 1.234 in a column is a thousand, going on from whole numbers; None for no saying."""
    votes = 0
    for one, other in itertools.pairwise(column):
        if _is_whole(one) == _is_whole(other):
            continue
        as_point = _close(_float(one.replace(",", ".")), _float(other.replace(",", ".")))
        as_group = _close(_float(re.sub(r"[.,]", "", one)), _float(re.sub(r"[.,]", "", other)))
        # From 998 to 1.002 is 0.4 % or a fall to a thousandth: a course does not jump back and forth by that.
        votes += as_group - as_point
    return None if votes == 0 else votes > 0


def _close(one: float, other: float) -> bool:
    low, high = sorted((abs(one), abs(other)))
    return high < 1.5 * low


def _is_whole(cell: str) -> bool:
    return cell.lstrip("+-\u2212").isdigit()


def _parsed(rows: list[list[str]], count: int, decimal: str) -> tuple[Numbers, tuple[int, ...], list[str]]:
    clocks: set[int] = set()
    made, uneven = [], 0
    for row in rows:
        uneven += len(row) != count
        numbers = []
        for i, cell in enumerate(row[:count]):
            seconds = _seconds(cell) if ":" in cell else None
            if seconds is not None:
                clocks.add(i)
            numbers.append(_cell(cell, decimal) if seconds is None else seconds)
        # Short rows are filled with NaN, long ones cut: the caller counts and leaves them out.
        made.append([*numbers, *[float("nan")] * (count - len(numbers))])
    values = np.array(made, dtype=float).reshape(-1, count)
    problems = [f"{uneven} of {len(rows)} rows have more or fewer cells than the header."] if uneven else []
    for i in sorted(clocks):
        # A clock that passes midnight goes on, it does not fall back by a day.
        falls = np.concatenate(([0.0], np.cumsum(np.diff(values[:, i]) < -_HALF_A_DAY_S)))
        values[:, i] += 86_400 * falls
    blank = np.isnan(values).all(axis=1)
    return values[~blank], tuple(sorted(clocks)), problems


def _seconds(cell: str) -> float | None:
    """Return ``hh:mm:ss``, ``mm:ss`` of a clock, or a moment, as seconds; None for what is none."""
    found = _CLOCK.match(cell)
    if found is None:
        return None
    first, second, third = found.groups()
    # Two parts alone are hours and minutes of a clock where a date stands before, else minutes and seconds.
    dated = cell[:4].isdigit() and "-" in cell
    if third is None:
        seconds = int(first) * 3600 + int(second) * 60 if dated else int(first) * 60 + int(second)
        fraction = 0.0
    else:
        seconds = int(first) * 3600 + int(second) * 60
        fraction = float(third.replace(",", "."))
    days = dt.date.fromisoformat(cell[:10]).toordinal() * 86_400 if dated else 0
    return days + seconds + fraction


def _cell(cell: str, decimal: str) -> float:
    plain = _GROUPING.sub("", cell).replace("\u2212", "-")
    if decimal == ",":
        plain = plain.replace(".", "").replace(",", ".")
    elif "," in plain:
        plain = plain.replace(",", "")
    return _float(plain)


def _float(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")


@dataclass(frozen=True)
class Role:
    """A kind of column that a reader looks for.

    Attributes:
        name: ``force``.
        words: Header words that claim it.
        units: Unit words to factor and offset: canonical = factor × value + offset.
        unit: The canonical unit, as people write it; also what a column without a unit is taken to be in.
    """

    name: str
    words: tuple[str, ...]
    units: Mapping[str, tuple[float, float]]
    unit: str


@dataclass(frozen=True)
class ReadColumn:
    """A column as it was understood.

    Attributes:
        role: ``force``.
        header: The header word as written.
        unit: The unit it is given in here.
        why: What decided the unit: ``header says kN``, ``as said: kN``, ``taken as N, no unit there``.
        values: Shape (rows,), in ``unit``.
        assumed: Whether nothing in the file said the unit.
        index: Number of the column.
    """

    role: str
    header: str
    unit: str
    why: str
    values: Any = field(repr=False, compare=False)
    assumed: bool = False
    index: int = 0


def _linear(**factors: float) -> dict[str, tuple[float, float]]:
    return {name: (factor, 0.0) for name, factor in factors.items()}


LENGTH: Final = {
    **_linear(mm=1.0, um=1e-3, cm=10.0, m=1e3, inch=25.4, inches=25.4, mil=0.0254, thou=0.0254),
    "in": (25.4, 0.0), "µm": (1e-3, 0.0), "″": (25.4, 0.0), '"': (25.4, 0.0),
}  # fmt: skip
TIME: Final = {
    **_linear(s=1.0, sec=1.0, secs=1.0, seconds=1.0, second=1.0, ms=1e-3, us=1e-6, min=60.0),
    **_linear(minutes=60.0, h=3600.0), "µs": (1e-6, 0.0), "hours": (3600.0, 0.0),
}  # fmt: skip
FORCE: Final = {
    **_linear(n=1.0, kn=1e3, mn=1e-3, kgf=9.80665, kp=9.80665, kg=9.80665, gf=9.80665e-3, g=9.80665e-3),
    **_linear(lbf=4.4482216152605, lb=4.4482216152605, lbs=4.4482216152605, ozf=0.27801385095378),
}
STRAIN: Final = {
    **_linear(pct=0.01, percent=0.01, ue=1e-6, microstrain=1e-6),
    "%": (0.01, 0.0), "1": (1.0, 0.0), "mm/mm": (1.0, 0.0), "m/m": (1.0, 0.0), "µe": (1e-6, 0.0),
    "in/in": (1.0, 0.0), "‰": (1e-3, 0.0), "µm/m": (1e-6, 0.0),
}  # fmt: skip
TEMPERATURE: Final = {
    **dict.fromkeys(("c", "°c", "degc", "celsius", "℃"), (1.0, 0.0)),
    **dict.fromkeys(("f", "°f", "degf", "fahrenheit", "℉"), (5 / 9, -160 / 9)),
    **dict.fromkeys(("k", "kelvin"), (1.0, -273.15)),
}


def header_tokens(word: str) -> list[str]:
    """Split a header word: ``Force (kN)`` and ``force_kN`` both give ``force``, ``kn``."""
    plain = word.casefold().replace("μ", "µ")
    return [token.strip(".") for token in re.split(r"[\s_\[\](){}:,;=]+", plain) if token.strip(".")]


def column_role(word: str, roles: Mapping[str, tuple[str, ...]]) -> str:
    """Return the first role one of whose words is in a header word, or empty text."""
    # Only the first two words: "time of force sensor" is a time.
    tokens = header_tokens(word)
    return next((role for token in tokens[:2] for role, names in roles.items() if token in names), "")


def columns_of(recording: Recording, table: NumberTable, roles: Sequence[Role]) -> dict[str, ReadColumn]:
    """Find the column of each role, converted to the role's unit.

    ``recording.read_as`` decides first: ``force`` names the column, ``force.unit`` its unit. Of several
    columns of a role the first counts where all of them agree within 1 % (rigs repeat them in other units).

    Raises:
        Ambiguous: Two columns of one role differ.
        Refused: A column or a unit that was named is not there.
    """
    by_role: dict[str, list[int]] = {}
    words = {role.name: role.words for role in roles}
    for index, word in enumerate(table.words):
        claimed = column_role(word, words)
        if claimed:
            by_role.setdefault(claimed, []).append(index)
    found: dict[str, ReadColumn] = {}
    for role in roles:
        named = recording.read_as.get(role.name, "")
        indexes = [_named(recording, table, named)] if named else by_role.get(role.name, [])
        made = [_converted(recording, table, index, role) for index in indexes]
        if made:
            _refuse_different(recording.name, role, made)
            found[role.name] = made[0]
    return found


def _named(recording: Recording, table: NumberTable, named: str) -> int:
    for index, word in enumerate(table.words):
        if word.casefold() == named.casefold() or header_tokens(word)[:1] == [named.casefold()]:
            return index
    raise Refused(f"{recording.name} has no column {named!r}", do=f"It has {', '.join(table.words)}.")


def _converted(recording: Recording, table: NumberTable, index: int, role: Role) -> ReadColumn:
    word, values = table.words[index], table.values[:, index]
    typed = recording.read_as.get(f"{role.name}.unit", "")
    if index in table.clocks and role.units is TIME:
        return ReadColumn(role.name, word, role.unit, "written as hh:mm:ss", values - values[0], index=index)
    tokens = header_tokens(word)
    unit = typed.casefold() if typed else next((token for token in tokens[1:] if token in role.units), "")
    if typed and unit not in role.units:
        raise Refused(f"{typed!r} is no unit of {role.name}", do=f"Known are {', '.join(role.units)}.")
    # "Weg/mm" and "Kraft/N" of German bench software.
    if not unit and "/" in word:
        unit = next((u for u in role.units if word.casefold().endswith(f"/{u}")), "")
    factor, offset = role.units.get(unit, (1.0, 0.0))
    # A copy without an offset keeps the digits of a column that is in its unit already.
    made = values if (factor, offset) == (1.0, 0.0) else values * factor + offset
    # As the header has it: kN, not kn.
    shown = next((part for part in re.split(r"[\s_\[\](){}:,;=]+", word) if part.casefold() == unit), unit)
    why = (
        f"as said: {typed}"
        if typed
        else f"header says {shown}"
        if unit
        else f"taken as {role.unit}, no unit there"
    )
    return ReadColumn(role.name, word, role.unit, why, made, assumed=not unit, index=index)


def _refuse_different(name: str, role: Role, made: list[ReadColumn]) -> None:
    first = made[0].values
    size = float(np.nanmax(np.abs(first))) if np.isfinite(first).any() else 0.0
    # A repeat without a unit of its own cannot be compared: in kilonewtons it differs and is the same.
    rivals = [each for each in made[1:] if not each.assumed or made[0].assumed]
    for other in rivals:
        with np.errstate(invalid="ignore"):
            apart = float(np.nanmax(np.abs(other.values - first))) if size else 0.0
        if apart > 0.01 * size:
            choices = [
                (each.header, f"greatest {float(np.nanmax(each.values)):.5g} {role.unit}") for each in made
            ]
            raise Ambiguous(f"{name} has {len(made)} columns of {role.name} that differ", role.name, choices)
