"""Numbers of words in a text, whole arrays at once.

A number is read from the eight bytes up to its end as one 64-bit word, its first
character lowest: what stands before the number is blanked, the decimal point is
closed up, and three multiplications turn eight digits into their value. Mantissa and
power of ten are exact, so that one division rounds as ``float`` does.

With the bits of ``0`` taken off a word, digits are 0 to 9, and every other character
between blank and ``9`` has the bit of sixteen set. Only such characters may stand
where numbers are looked for.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Words = npt.NDArray[np.uint64]
Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]

_PAD = b" " * 16
_WORD = 8
_MOST_CHARACTERS, _MOST_DIGITS = 16, 15
"""Fifteen digits are exact in a double; longer numbers go to the grammar, which rounds once."""
_BLANK, _MINUS, _LINE_FEED = 32, 45, 10
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

    def ahead(self, place: Indices) -> Words:
        """Return the eight characters from each place on, the first one lowest."""
        return words_at(self._words[len(_PAD) // _WORD :], place)

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
        # The character behind the number stays in the word, so that it is checked on the way; as a nought it
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
    """Return the words with what stands before the point moved up over it."""
    moved = word << _EIGHT
    moved ^= word
    moved &= lower
    moved ^= word
    return moved


def _characters(lower: Words) -> Indices:
    return (np.bitwise_count(lower) >> 3).astype(np.intp)
