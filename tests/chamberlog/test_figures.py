"""Columns of digits against Python's own reading of numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.chamberlog.table import Letters, numbers, runs_of_digits


def letters(fields: list[str]) -> Letters:
    """Return fields as rows of bytes, filled up with zeros."""
    width = max(1, *(len(field) for field in fields))
    return np.array([list(field.encode().ljust(width, b"\0")) for field in fields], dtype=np.uint8)


@given(st.lists(st.decimals(-99999, 99999, places=4).map(str), min_size=1, max_size=20))
def test_decimals_are_rounded_as_python_rounds(fields: list[str]) -> None:
    """Plain decimals are read to the very bit that float() gives."""
    assert numbers(letters(fields), decimal_comma=False).tolist() == [float(field) for field in fields]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False).map(repr), min_size=1, max_size=20))
def test_any_float_comes_back(fields: list[str]) -> None:
    """Whatever Python writes for a number, exponent and seventeen digits included, is read back."""
    assert numbers(letters(fields), decimal_comma=False).tolist() == [float(field) for field in fields]


@pytest.mark.parametrize("field", ["", "-", ".", "1.2.3", "12-5", "abc", "1 2", "+-1"])
def test_what_is_no_number_is_nan(field: str) -> None:
    """A field that is no number is nothing, not zero."""
    assert math.isnan(numbers(letters([field, "1"]), decimal_comma=False)[0])


@pytest.mark.parametrize(
    ("field", "value"), [("+1.5", 1.5), (".5", 0.5), ("5.", 5.0), ("-0.25", -0.25), ("1e3", 1000.0)]
)
def test_ways_to_write_a_number(field: str, value: float) -> None:
    """Signs, bare points and exponents are understood."""
    assert numbers(letters([field]), decimal_comma=False).tolist() == [value]


def test_decimal_comma() -> None:
    """With a decimal comma 1,5 is one and a half."""
    assert numbers(letters(["1,5"]), decimal_comma=True).tolist() == [1.5]


def test_an_empty_column() -> None:
    """A column without any letter holds no numbers."""
    assert np.isnan(numbers(np.zeros((3, 0), dtype=np.uint8), decimal_comma=False)).all()


def test_runs_of_digits() -> None:
    """A clock with a fraction falls into hours, minutes, seconds and the fraction."""
    found, lengths, count = runs_of_digits(letters(["12:05:30.250", "9:05", "x"]), 4)
    assert found.tolist() == [[12, 5, 30, 250], [9, 5, 0, 0], [0, 0, 0, 0]]
    assert lengths[0].tolist() == [2, 2, 2, 3]
    assert count.tolist() == [4, 2, 0]
