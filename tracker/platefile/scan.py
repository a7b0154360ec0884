"""Find the moves of a chunk of text and read their numbers, all lines at once.

Only moves in plain form are read here: ``G0`` to ``G3``, capitals, numbers of at
most sixteen digits. Every other line, a move in unusual form among them, is named
in `Scan.others` for the grammar to take apart.

A number is read from the eight bytes before its end as one 64-bit word: the
decimal point is closed up, what stands before the number is blanked, and three
multiplications turn eight digits into their value. Mantissa and power of ten are
exact, so one division rounds as ``float`` does.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Words = npt.NDArray[np.uint64]
Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]

X, Y, Z, E, F, I, J, R, P = range(9)  # noqa: E741 - the words' own letters
"""Columns of `Scan.values`."""
COLUMNS = "XYZEFIJRP"

_PAD = b" " * 16
_NEWLINE, _SEMICOLON, _POINT, _BLANK, _MINUS, _G = 10, 59, 46, 32, 45, 71
_LETTERS = range(65, 91)
_MARKS = bytes(1 if code in _LETTERS or code in (_NEWLINE, _SEMICOLON, _POINT) else 0 for code in range(256))
_SPARE = len(COLUMNS)
_COLUMN_OF = np.full(256, _SPARE, np.intp)
_COLUMN_OF[[ord(letter) for letter in COLUMNS]] = np.arange(_SPARE)
# A second command or line number inside a move makes it unusual.
_SECOND = np.zeros(256, np.bool_)
_SECOND[[ord(letter) for letter in "GMTN"]] = True

_ONE = (1 << 64) - 1
_TOP = np.array([_ONE ^ (_ONE >> (8 * n)) if n else 0 for n in range(9)], np.uint64)
_FULL = np.array([_ONE, 0], np.uint64)
_SIGN = np.array([1.0, -1.0])
_TENS = 10.0 ** np.arange(23)
_ZEROS = np.uint64(0x3030303030303030)
_ABOVE_NINE = np.uint64(0x7676767676767676)
_HIGH_BITS = np.uint64(0x8080808080808080)
_PAIRS = np.uint64(0x000000FF000000FF)
_MUL1 = np.uint64(0x000F424000000064)
_MUL2 = np.uint64(0x0000271000000001)
_EIGHT, _SIXTEEN, _THIRTY_TWO, _TEN = (np.uint64(n) for n in (8, 16, 32, 10))
_WORD = 8
_CLOSED = 7
_MOST_DIGITS = 15


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


def scan(chunk: bytes) -> Scan:
    """Read the plain moves of a chunk.

    Args:
        chunk: Whole lines, each ended by one line feed; no carriage returns.
    """
    padded = _PAD + chunk + _PAD
    text = np.frombuffer(padded, np.uint8)
    # Letters, points, semicolons and line feeds are enough to find every word and both its ends.
    marks = np.flatnonzero(np.frombuffer(padded.translate(_MARKS), np.bool_))
    letters = text.take(marks)
    line_marks = np.flatnonzero(letters == _NEWLINE)
    ends = marks.take(line_marks)
    starts = np.empty_like(ends)
    starts[0] = len(_PAD)
    starts[1:] = ends[:-1] + 1
    plain, kinds = _plain_moves(text, starts)
    plain &= _first_word_follows(marks, letters, line_marks, starts)
    kinds *= plain
    lines = np.repeat(np.arange(len(ends)), np.diff(line_marks, prepend=-1))
    kept = _words(letters, lines, plain, marks, starts)
    values = np.full((_SPARE + 1, len(ends)), np.nan)
    if len(kept):
        _read(padded, text, marks, letters, lines, kept, values, kinds)
    others = np.flatnonzero((kinds == 0) & (ends > starts))
    shift = len(_PAD)
    return Scan(starts - shift, ends - shift, kinds, values[:_SPARE], others)


def _plain_moves(text: Bytes, starts: Indices) -> tuple[Flags, Bytes]:
    """Tell which lines begin as a move in plain form, and of which kind."""
    digit = text.take(starts + 1)
    after = text.take(starts + 2)
    plain = (text.take(starts) == _G) & (digit >= 48) & (digit <= 51)  # noqa: PLR2004 - "0" to "3"
    plain &= (after == _BLANK) | ((after >= 65) & (after <= 90))  # noqa: PLR2004 - "A" to "Z"
    kinds = np.where(plain, np.maximum(digit - 48, 1), 0).astype(np.uint8)
    return plain, kinds


def _first_word_follows(marks: Indices, letters: Bytes, line_marks: Indices, starts: Indices) -> Flags:
    """Tell in which lines nothing but one blank stands between the command and its first word."""
    second = np.empty_like(line_marks)
    second[0] = 1
    second[1:] = line_marks[:-1] + 2
    second = np.minimum(second, len(marks) - 1)
    near: Flags = (marks.take(second) <= starts + 3) & (letters.take(second) != _POINT)
    return near


def _words(letters: Bytes, lines: Indices, plain: Flags, marks: Indices, starts: Indices) -> Indices:
    """Return the numbers (among the marks) of the letters that begin a word of a plain move."""
    wanted = (letters >= 65) & plain.take(lines)  # noqa: PLR2004 - "A"; nothing above "Z" is marked
    semicolons = np.flatnonzero(letters == _SEMICOLON)
    semicolons = semicolons[plain.take(lines.take(semicolons))]
    if len(semicolons):
        first = np.full(len(starts), len(letters))
        # From back to front, so that the first semicolon of a line is written last and stays.
        first[lines.take(semicolons[::-1])] = semicolons[::-1]
        wanted &= np.arange(len(letters)) < first.take(lines)
    kept = np.flatnonzero(wanted)
    words: Indices = kept[marks.take(kept) != starts.take(lines.take(kept))]
    return words


def _read(
    padded: bytes,
    text: Bytes,
    marks: Indices,
    letters: Bytes,
    lines: Indices,
    kept: Indices,
    values: Floats,
    kinds: Bytes,
) -> None:
    """Read the numbers of the words into ``values``; a line with one that is unusual loses its kind."""
    following = kept + 1
    begin = marks.take(kept)
    begin += 1
    pointed = letters.take(following) == _POINT
    point = marks.take(following)
    following += pointed
    end = marks.take(following)
    closing = letters.take(following)
    # One blank before the next letter is the rule; where more stand, the digits will not be digits.
    end -= text.take(end - 1) == _BLANK
    negative = text.take(begin) == _MINUS
    begin += negative
    number, good = _numbers(padded, begin, end, point, pointed)
    good &= closing != _POINT
    if not good.all():
        _retry(padded, text, (begin, end, point, pointed), closing, number, good)
    # A table of signs, because negating where a flag says so is thirty times as slow.
    number *= _SIGN.take(negative)
    names = letters.take(kept)
    line = lines.take(kept)
    good &= ~_SECOND.take(names)
    if not good.all():
        kinds[line[~good]] = 0
    # One flat index is put in a third of the time of a pair. A repeated word keeps its last number.
    place = _COLUMN_OF.take(names)
    place *= values.shape[1]
    place += line
    values.ravel()[place] = number


Ends = tuple[Indices, Indices, Indices, Flags]


def _retry(padded: bytes, text: Bytes, ends: Ends, closing: Bytes, number: Floats, good: Flags) -> None:
    """Read the numbers again behind which more than one blank stands."""
    again = np.flatnonzero(~good & (closing != _POINT))
    begin, end, point = ends[0].take(again), ends[1].take(again), ends[2].take(again)
    pointed = ends[3].take(again)
    while (blank := text.take(end - 1) == _BLANK).any():
        end -= blank
    number[again], good[again] = _numbers(padded, begin, end, point, pointed)


def _numbers(
    padded: bytes, begin: Indices, end: Indices, point: Indices, pointed: Flags
) -> tuple[Floats, Flags]:
    """Return the numbers between ``begin`` and ``end``, and which of them could be read.

    Args:
        padded: The text.
        begin: Where the digits begin.
        end: Where they end.
        point: Where the decimal point stands, if there is one.
        pointed: Whether there is one.
    """
    words = np.ndarray(shape=(len(padded) - _WORD + 1,), dtype="<u8", buffer=padded, strides=(1,))
    fraction = end - point
    fraction -= 1
    fraction *= pointed
    digits = end - begin
    digits -= pointed
    word = words.take(end - _WORD)
    top = _TOP.take(fraction, mode="clip")
    shifted = word << _EIGHT
    # Above the point as it is, below it moved up by one place: (word & top) | (shifted & ~top).
    shifted ^= word
    shifted &= ~(top | _FULL.take(pointed))
    word ^= shifted
    number, good = _eight_digits(word, digits)
    # One word holds seven digits beside a point, eight without one.
    long = np.flatnonzero(digits > _WORD - pointed)
    good &= digits > 0
    exact: Floats = number.astype(np.float64)
    if len(long):
        exact[long], good[long] = _long(words, end[long], digits[long], fraction[long], pointed[long])
    # Divided and not multiplied by a negative power, which no double holds exactly.
    exact /= _TENS.take(fraction, mode="clip")
    return exact, good


def _eight_digits(word: Words, digits: Indices) -> tuple[Words, Flags]:
    """Return the value of the last ``digits`` characters of each word, and whether all are digits."""
    word = word ^ _ZEROS
    word &= _TOP.take(digits, mode="clip")
    strange = word + _ABOVE_NINE
    strange |= word
    strange &= _HIGH_BITS
    upper = word >> _EIGHT
    word *= _TEN
    word += upper
    upper = word >> _SIXTEEN
    upper &= _PAIRS
    upper *= _MUL2
    word &= _PAIRS
    word *= _MUL1
    word += upper
    word >>= _THIRTY_TWO
    return word, strange == 0


def _long(
    words: Words, end: Indices, digits: Indices, fraction: Indices, pointed: Flags
) -> tuple[Floats, Flags]:
    """Read numbers of more than one word: digits before the point and after it apart."""
    tail = np.where(pointed, fraction, np.minimum(digits, _WORD))
    head = digits - tail
    # Fifteen digits are exact in a double; longer numbers go to the grammar, which rounds once.
    fits = (tail <= _WORD) & (head <= _WORD) & (digits <= _MOST_DIGITS)
    low, low_good = _eight_digits(words.take(end - _WORD), np.minimum(tail, _WORD))
    head_end = end - tail - pointed
    high, high_good = _eight_digits(words.take(head_end - _WORD), np.minimum(head, _WORD))
    return high.astype(np.float64) * _TENS.take(np.minimum(tail, 22)) + low, fits & low_good & high_good
