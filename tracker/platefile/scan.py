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

import numpy.typing as npt

from tracker.lazy_modules import np

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Words = npt.NDArray[np.uint64]
Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]


_PAD = b" " * 16
_WORD = 8
_MOST_CHARACTERS, _MOST_DIGITS = 16, 15
"""Fifteen digits are exact in a double; longer numbers go to the grammar, which rounds once."""
_MINUS, _LINE_FEED = 45, 10
_ALL = (1 << 64) - 1
_EACH = 0x0101010101010101
_POINT_LESS_ZERO = 0x1E
_LAST_BYTE = 8 * (_WORD - 1)


def _last(count: int) -> int:
    """Return a mask of the last ``count`` characters of a word."""
    return _ALL ^ (_ALL >> (8 * count)) if count else 0


_TENS = 10.0 ** np.arange(_MOST_CHARACTERS + 1)
_SIGN = np.array([1.0, -1.0])
_ZEROS = np.uint64(0x30 * _EACH)
_ZEROS_BUT_LAST = np.uint64(0x30 * (_EACH >> 8))
_ODD = np.uint64(0x10 * _EACH)
_ONES, _POINTS = np.uint64(_EACH), np.uint64(0x20 * _EACH)
_LAST_OF = np.array([_last(count) for count in range(_WORD + 1)], np.uint64)
# By the distance from the letter to the next one, or to the line end: the number and the character behind
# it. Of a letter without a number and of a number that is too long nothing is kept, and then nothing fits.
_KEPT_BEFORE = np.array([0, 0, 0, *(_last(count) for count in range(2, _WORD + 1)), 0], np.uint64)
_KEPT_AT_END = _KEPT_BEFORE[1:]
_ONCE, _THRICE, _EIGHT = np.uint64(1), np.uint64(3), np.uint64(8)
_TOP, _BITS = np.uint64(_LAST_BYTE), np.uint64(8 * _WORD)
_THREE = 3
# Two digits, four, eight: each step takes the value on the left so many times and adds the one on the right.
_STEPS = (
    (np.uint64(10 << 8 | 1), np.uint64(8), np.uint64(0x00FF00FF00FF00FF)),
    (np.uint64(100 << 16 | 1), np.uint64(16), np.uint64(0x0000FFFF0000FFFF)),
    (np.uint64(10_000 << 32 | 1), np.uint64(32), np.uint64(_ALL >> 32)),
)
_NONE: Indices = np.empty(0, np.intp)

MOST_ALIKE = 6
"""Digits behind the point that `Text.alike` can read at most."""


def words_at(words: Words, place: Indices) -> Words:
    """Return the eight bytes from each place on as one word.

    Args:
        words: Bytes as words.
        place: Places among the bytes, the last of them one word before the end.
    """
    # Each is put together from two words: numpy copies a whole array eightfold before it takes anything
    # from places that are not aligned.
    number = place >> _THREE
    shift = (place & (_WORD - 1)).view(np.uint64)
    shift <<= _THRICE
    low: Words = words.take(number)
    low >>= shift
    high = words[1:].take(number)
    # Shifted by a whole word, nothing is left of it, which is right.
    high <<= np.subtract(_BITS, shift, out=shift)
    low |= high
    return low


class Text:
    """A text of which numbers are read.

    Args:
        text: The text.

    Attributes:
        codes: Its characters; blanks follow behind its end.
    """

    def __init__(self, text: bytes) -> None:
        self._padded = b"".join((_PAD, text, _PAD, _PAD[: -len(text) % _WORD]))
        self.codes: Bytes = np.frombuffer(self._padded, np.uint8)[len(_PAD) :]
        self._words = np.frombuffer(self._padded, "<u8")

    def _before(self, place: Indices) -> Words:
        """Return the eight characters before each place."""
        return words_at(self._words[len(_PAD) // _WORD - 1 :], place)

    def _upto(self, place: Indices) -> Words:
        """Return the eight characters up to each place, its own among them."""
        return words_at(self._words[len(_PAD) // _WORD - 1 :], place + 1)

    def fraction(self, letter: int, stop: int) -> int:
        """Return how many digits stand behind the point of the word between two places; -1 without one."""
        word = self._padded[len(_PAD) + letter : len(_PAD) + stop].rstrip()
        return len(word) - 1 - word.rindex(b".") if b"." in word else -1

    def alike(self, letter: Indices, stop: Indices, fraction: int, *, at_end: bool) -> tuple[Floats, Indices]:
        """Read numbers without sign that all have the same count of digits behind the point.

        Args:
            letter: Where the letters of the words stand.
            stop: Where the next letters stand, one blank behind the numbers.
            fraction: Digits behind the point, 1 to `MOST_ALIKE`; -1 for numbers without one.
            at_end: Line ends stand at ``stop``, right behind the numbers.

        Returns:
            The numbers, and which of them are not of this form: their values mean nothing.
        """
        # The character behind the number stays in the word, so that it is checked on the way; as a zero it
        # makes the number tenfold, and the point can be closed up towards it.
        kept, words, behind = (
            (_KEPT_AT_END, self._upto, _LINE_FEED) if at_end else (_KEPT_BEFORE, self._before, _BLANK)
        )
        word = words(stop)
        word ^= _ZEROS_BUT_LAST
        word &= kept.take(stop - letter, mode="clip")
        point = _LAST_BYTE - 8 * (fraction + 1)
        pointed = fraction > 0
        word ^= np.uint64(behind << _LAST_BYTE | (_POINT_LESS_ZERO << point if pointed else 0))
        check = np.uint64(0xFF << _LAST_BYTE | 0x10 * (_EACH >> 8) | (0x1F << point if pointed else 0))
        bad = np.flatnonzero((word & check) != 0) if np.bitwise_or.reduce(word) & check else _NONE
        if not pointed:
            word <<= _EIGHT
            return _value(word).astype(np.float64), bad
        whole = word & np.uint64((1 << point) - 1)
        whole <<= _EIGHT
        word &= np.uint64(_ALL ^ ((1 << point) - 1))
        word |= whole
        number = _value(word).astype(np.float64)
        # Divided and not multiplied by a negative power, which no double holds exactly.
        number /= _TENS[fraction + 1]
        return number, bad

    def any_form(self, begin: Indices, end: Indices) -> tuple[Floats, Flags]:
        """Read numbers of any form.

        Args:
            begin: Where they begin, sign included.
            end: Where they end; blanks before it do not count.

        Returns:
            The numbers, and which of them could be read.
        """
        end = self._without_blanks(end)
        negative = self.codes.take(begin) == _MINUS
        length = end - begin
        length -= negative
        number, good = self._short(end, length)
        long = np.flatnonzero(length > _WORD)
        if len(long):
            number[long], good[long] = self._long(end.take(long), length.take(long))
        # A table of signs, because negating where a flag says so is thirty times as slow.
        number *= _SIGN.take(negative)
        return number, good

    def _without_blanks(self, end: Indices) -> Indices:
        blank = np.flatnonzero(self.codes.take(end - 1) == _BLANK)
        end = end.copy()
        while len(blank):
            end[blank] -= 1
            blank = blank[self.codes.take(end.take(blank) - 1) == _BLANK]
        return end

    def _short(self, end: Indices, length: Indices) -> tuple[Floats, Flags]:
        """Read numbers that fit into one word, signs taken off."""
        word = self._before(end)
        word ^= _ZEROS
        word &= _LAST_OF.take(length, mode="clip")
        point, strange = _points(word)
        lower = _upto_point(point)
        word = _closed(word, lower)
        pointed = point != 0
        behind = np.where(pointed, _WORD - _characters(lower), 0)
        number = _value(word).astype(np.float64)
        number /= _TENS.take(behind)
        return number, (strange == 0) & (length > pointed)

    def _long(self, end: Indices, length: Indices) -> tuple[Floats, Flags]:
        """Read numbers that need two words."""
        low = self._before(end)
        low ^= _ZEROS
        high = self._before(end - _WORD)
        high ^= _ZEROS
        high &= _LAST_OF.take(length - _WORD, mode="clip")
        low_point, strange = _points(low)
        high_point, strange_too = _points(high)
        low_lower, high_lower = _upto_point(low_point), _upto_point(high_point)
        # A point in the lower word draws one character over from the upper one, which then moves up whole.
        low = _closed(low, low_lower)
        low |= (high >> _TOP) & low_lower
        high = _closed(high, np.where(low_point != 0, np.uint64(_ALL), high_lower))
        behind = np.where(low_point != 0, _WORD - _characters(low_lower), 0)
        behind += np.where(high_point != 0, 2 * _WORD - _characters(high_lower), 0)
        number = _value(high).astype(np.float64) * _TENS[_WORD] + _value(low)
        number /= _TENS.take(behind, mode="clip")
        pointed = (low_point != 0) | (high_point != 0)
        good = ((strange | strange_too) == 0) & ((low_point == 0) | (high_point == 0))
        return number, good & (length <= _MOST_CHARACTERS) & (length - pointed <= _MOST_DIGITS)


def _value(word: Words) -> Words:
    """Return the value of eight digits; the words given are changed."""
    for times, shift, kept in _STEPS:
        word *= times
        word >>= shift
        word &= kept
    return word


def _points(word: Words) -> tuple[Words, Words]:
    """Return a bit in the byte of each point, and something but 0 where a word is no number."""
    # Of the odd characters only the point, its lowest bit turned over, is the last of them: one more reaches
    # the next bit.
    point = word ^ _ONES
    point += _ONES
    point &= _POINTS
    strange = word & _ODD
    strange += strange
    strange ^= point
    # Of two points the upper one outlives taking one off.
    strange |= point & (point - _ONCE)
    return point, strange


def _upto_point(point: Words) -> Words:
    """Return a mask of the characters up to the point; of none where there is no point."""
    lower = point << _THRICE
    lower -= _ONCE
    lower *= point != 0
    return lower


def _closed(word: Words, lower: Words) -> Words:
    """Return the words with what is before the point moved up over it."""
    moved = word << _EIGHT
    moved ^= word
    moved &= lower
    moved ^= word
    return moved


def _characters(lower: Words) -> Indices:
    return (np.bitwise_count(lower) >> 3).astype(np.intp)


X, Y, Z, E, F, I, J, R, P = range(9)  # noqa: E741 - the words' own letters
"""Columns of `Scan.values`."""
COLUMNS = "XYZEFIJRP"

_NEWLINE, _SEMICOLON, _BLANK, _G, _ONE = 10, 59, 32, 71, 49
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

# The grammar passes such a word over, as `tracker.platefile.meaning.TOO_LARGE` says.
_TOO_LARGE = 1e8
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
        places: Where they are.
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
    letters = np.empty((len(places) // _LONGEST_SHAPE + 3) * _LONGEST_SHAPE, np.uint8)
    letters[len(places) :] = 0
    codes.take(places, out=letters[: len(places)], mode="clip")
    last = np.flatnonzero(letters == _NEWLINE)
    first, starts = np.zeros_like(last), np.zeros_like(last)
    np.add(last[:-1], 1, out=first[1:])
    np.add(places.take(last[:-1]), 1, out=starts[1:])
    return _Marks(text, places, letters, first, last, starts)


def _shaped(marks: _Marks, kinds: Bytes, values: Floats) -> Iterator[_Left]:
    """Read the straight moves of the commonest shapes; yield words that are not like their column."""
    shapes = words_at(marks.letters.view("<u8"), marks.first)
    codes = marks.text.codes
    for shape in _common(shapes[:: max(1, len(shapes) // _SAMPLE)].tolist()):
        same = shapes << np.uint64(8 * (_LONGEST_SHAPE - len(shape)))
        rows = np.flatnonzero(same == int.from_bytes(shape.rjust(_LONGEST_SHAPE, b"\0"), "little"))
        start, first = marks.starts.take(rows), marks.first.take(rows)
        # "G0 " or "G1 ", and the first word right behind it.
        plain = (codes.take(start + 1) | 1) == _ONE
        plain &= codes.take(start + 2) == _BLANK
        plain &= marks.places[1:].take(first) == start + 3
        plain &= marks.places.take(first) == start
        if not plain.all():
            rows, first = rows[plain], first[plain]
        if len(rows):
            kinds[rows] = 1
            yield from _columns(marks, shape, rows, first, values)


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
        if (
            newline
            and letters
            and shape[0] == _G
            and len(set(letters)) == len(letters)
            and not _UNUSUAL[[*letters]].any()
        ):
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
    # Nothing but one blank may be between the command and its first word.
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
    good &= np.abs(number) < _TOO_LARGE
    if not good.all():
        kinds[line[~good]] = 0
    # One flat index is put in a third of the time of a pair. A repeated word keeps its last number.
    place = _COLUMN_OF.take(letter)
    place *= values.shape[1]
    place += line
    values.ravel()[place] = number
