"""Find the moves of a chunk of text and read their numbers, all lines at once.

Only moves in plain form are read here: ``G0`` to ``G3``, capitals, numbers of at
most fifteen digits. Every other line, a move in unusual form among them, is named
in `Scan.others` for the grammar to take apart.

Most moves of a plate have one of a few *shapes*: the same letters in the same order.
Lines of a shape are read column by column; what does not fit its column, and all
other plain moves, are read word by word.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tracker.platefile.digits import MOST_ALIKE, Text, words_at

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Words = npt.NDArray[np.uint64]
Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]

X, Y, Z, E, F, I, J, R, P = range(9)  # noqa: E741 - the words' own letters
"""Columns of `Scan.values`."""
COLUMNS = "XYZEFIJRP"

_NEWLINE, _SEMICOLON, _BLANK, _G = 10, 59, 32, 71
_FIRST_LETTER, _LAST_LETTER = 65, 90
# Characters from blank to "9" are those of numbers; all others are marks.
_BELOW_MARKS, _NOT_MARKS = np.uint8(32), np.uint8(57 - 32)
_SPARE = len(COLUMNS)
_COLUMN_OF = np.full(256, _SPARE, np.intp)
_COLUMN_OF[[ord(letter) for letter in COLUMNS]] = np.arange(_SPARE)
# A second command or line number inside a move makes it unusual, and so does whatever is no capital.
_UNUSUAL = np.ones(256, np.bool_)
_UNUSUAL[_FIRST_LETTER : _LAST_LETTER + 1] = False
_UNUSUAL[[ord(letter) for letter in "GMTN"]] = True

# "G0 " or "G1 " and a letter, as a little-endian number: the bit of "1" is left open.
_STRAIGHT, _STRAIGHT_BITS = np.uint64(0x40203047), np.uint64(0x40FFFEFF)
_LONGEST_SHAPE = 8
_SAMPLE = 96
_LEAST_SHARE = 25
"""A shape of a smaller part of the lines, one in so many, is not worth the calls for its columns."""


class Scan(NamedTuple):
    """The lines of a chunk.

    Attributes:
        starts: Where each line begins in the chunk.
        ends: Where it ends, line end excluded.
        kinds: 1 straight, 2 and 3 arcs, 0 anything else; shape (lines,).
        values: One row per letter of `COLUMNS`; NaN where a line has no such word.
        others: Lines that the grammar must take apart, in order.
    """

    starts: Indices
    ends: Indices
    kinds: Bytes
    values: Floats
    others: Indices


class _Marks(NamedTuple):
    """The marks of a chunk: all that is no part of a number.

    Attributes:
        text: The chunk.
        places: Where they stand.
        letters: What they are; a few more bytes follow, so that shapes can be read as words.
        first: Number of the first mark of each line.
        last: Number of each line's end among the marks.
        starts: Where each line begins.
    """

    text: Text
    places: Indices
    letters: Bytes
    first: Indices
    last: Indices
    starts: Indices


class _Left(NamedTuple):
    """Words left to be read one by one: where they begin and end, letter codes and lines."""

    begin: Indices
    end: Indices
    letter: Bytes
    line: Indices


def scan(chunk: bytes) -> Scan:
    """Read the plain moves of a chunk.

    Args:
        chunk: Whole lines, each ended by one line feed; no carriage returns.
    """
    marks = _marks(chunk)
    ends = marks.places.take(marks.last)
    kinds = np.zeros(len(ends), np.uint8)
    values = np.full((_SPARE + 1, len(ends)), np.nan)
    left = [*_shaped(marks, kinds, values), _words(marks, kinds)]
    _read(marks.text, left, kinds, values)
    others = np.flatnonzero((kinds == 0) & (ends > marks.starts))
    return Scan(marks.starts, ends, kinds, values[:_SPARE], others)


def _marks(chunk: bytes) -> _Marks:
    text = Text(chunk)
    codes = text.codes[: len(chunk)]
    places = np.flatnonzero((codes - _BELOW_MARKS) > _NOT_MARKS)
    letters = np.zeros((len(places) // _LONGEST_SHAPE + 3) * _LONGEST_SHAPE, np.uint8)
    codes.take(places, out=letters[: len(places)], mode="clip")
    last = np.flatnonzero(letters == _NEWLINE)
    first, starts = np.zeros_like(last), np.zeros_like(last)
    np.add(last[:-1], 1, out=first[1:])
    np.add(places.take(last[:-1]), 1, out=starts[1:])
    return _Marks(text, places, letters, first, last, starts)


def _shaped(marks: _Marks, kinds: Bytes, values: Floats) -> Iterator[_Left]:
    """Read the straight moves of the commonest shapes; yield words that are not like their column."""
    heads = marks.text.ahead(marks.starts)
    heads &= _STRAIGHT_BITS
    lines = np.flatnonzero(heads == _STRAIGHT)
    first = marks.first.take(lines)
    shapes = words_at(marks.letters.view("<u8"), first)
    for shape in _common(shapes[:: max(1, len(shapes) // _SAMPLE)].tolist()):
        same = shapes << np.uint64(8 * (_LONGEST_SHAPE - len(shape)))
        chosen = np.flatnonzero(same == int.from_bytes(shape.rjust(_LONGEST_SHAPE, b"\0"), "little"))
        rows = lines.take(chosen)
        kinds[rows] = 1
        yield from _columns(marks, shape, rows, first.take(chosen), values)


def _common(some: list[int]) -> list[bytes]:
    """Return the shapes that a good share of a sample have.

    Args:
        some: The first letters of lines, as words.
    """
    counts: Counter[bytes] = Counter()
    for word, count in Counter(some).items():
        shape, newline, _ = word.to_bytes(_LONGEST_SHAPE, "little").partition(b"\n")
        letters = shape[1:]
        # A repeated letter wants the last of its numbers, which a column does not know.
        if newline and letters and len(set(letters)) == len(letters) and not _UNUSUAL[[*letters]].any():
            counts[shape + newline] += count
    return [shape for shape, count in counts.items() if count * _LEAST_SHARE >= len(some)]


def _columns(marks: _Marks, shape: bytes, rows: Indices, first: Indices, values: Floats) -> Iterator[_Left]:
    """Read lines of one shape; yield words that are not like the others in their column."""
    text = marks.text
    letter = marks.places[1:].take(first)
    for number, code in enumerate(shape[1:-1], 2):
        stop = marks.places[number:].take(first)
        at_end = number == len(shape) - 1
        fraction = _usual_fraction(text, letter, stop)
        if fraction:
            found, bad = text.alike(letter, stop, fraction, at_end=at_end)
            values[_COLUMN_OF[code]][rows] = found
        else:
            bad = np.arange(len(rows))
        if len(bad):
            codes = np.full(len(bad), code, np.uint8)
            yield _Left(letter.take(bad) + 1, stop.take(bad), codes, rows.take(bad))
        letter = stop


def _usual_fraction(text: Text, letter: Indices, stop: Indices) -> int:
    """Return the commonest count of digits behind the point of some words, -1 for none, 0 for useless."""
    some = slice(None, None, max(1, len(letter) // 5))
    places = zip(letter[some].tolist(), stop[some].tolist(), strict=True)
    found = Counter(text.fraction(*place) for place in places)
    fraction = found.most_common(1)[0][0] if found else 0
    return fraction if fraction <= MOST_ALIKE else 0


def _words(marks: _Marks, kinds: Bytes) -> _Left:
    """Take apart all plain moves that are not read yet, and give them their kinds."""
    text = marks.text
    lines = np.flatnonzero(kinds == 0)
    start = marks.starts.take(lines)
    digit, after = text.codes.take(start + 1), text.codes.take(start + 2)
    plain = (text.codes.take(start) == _G) & (digit >= 48) & (digit <= 51)  # noqa: PLR2004 - "0" to "3"
    plain &= (after == _BLANK) | ((after >= _FIRST_LETTER) & (after <= _LAST_LETTER))
    first = marks.first.take(lines)
    # Nothing but one blank may stand between the command and its first word.
    plain &= marks.places.take(np.minimum(first + 1, len(marks.places) - 1)) <= start + 3
    chosen = np.flatnonzero(plain)
    lines, first = lines.take(chosen), first.take(chosen)
    kinds[lines] = np.maximum(digit.take(chosen) - 48, 1)
    counts = marks.last.take(lines) - first - 1
    row = np.repeat(np.arange(len(lines)), counts)
    mark = np.arange(len(row)) + (first + 1 - np.cumsum(counts) + counts).take(row)
    letters = marks.letters.take(mark)
    semicolons = np.flatnonzero(letters == _SEMICOLON)
    if len(semicolons):
        cut = np.full(len(lines), len(letters))
        # From back to front, so that the first semicolon of a line is written last and stays.
        cut[row.take(semicolons[::-1])] = semicolons[::-1]
        kept = np.flatnonzero(np.arange(len(letters)) < cut.take(row))
        row, mark, letters = row.take(kept), mark.take(kept), letters.take(kept)
    line = lines.take(row)
    return _Left(marks.places.take(mark) + 1, marks.places.take(mark + 1), letters, line)


def _read(text: Text, left: list[_Left], kinds: Bytes, values: Floats) -> None:
    """Read words into ``values``; a line with one that is unusual loses its kind."""
    begin, end, letter, line = (np.concatenate(columns) for columns in zip(*left, strict=True))
    if not len(begin):
        return
    number, good = text.any_form(begin, end)
    good &= ~_UNUSUAL.take(letter)
    if not good.all():
        kinds[line[~good]] = 0
    # One flat index is put in a third of the time of a pair. A repeated word keeps its last number.
    place = _COLUMN_OF.take(letter)
    place *= values.shape[1]
    place += line
    values.ravel()[place] = number
