"""Columns of fields to columns of numbers, whole columns at a time."""

from __future__ import annotations

import re
from typing import Final

from numpy.typing import NDArray

from tracker.chamberlog.log import Array
from tracker.chamberlog.table import Letters, as_bytes
from tracker.lazy_modules import np

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
