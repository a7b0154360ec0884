"""Numbers and words of plain moves, read as whole arrays."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tracker.platefile.scan import COLUMNS, _marks, _shaped, scan

Row = dict[str, float] | None


def rows(*lines: str) -> list[Row]:
    """Return the words of each line that was read as a move, None for the others."""
    found = scan(("\n".join(lines) + "\n").encode())
    return [
        {name: v for name, v in zip(COLUMNS, found.values[:, i].tolist(), strict=True) if not math.isnan(v)}
        if found.kinds[i]
        else None
        for i in range(len(lines))
    ]


numbers = st.builds(
    lambda sign, whole, point, fraction: f"{sign}{whole}{point}{fraction}",
    st.sampled_from(["", "-"]),
    st.integers(0, 10**8 - 1).map(str),
    st.just("."),
    st.text("0123456789", max_size=7),
)


@given(st.lists(numbers, min_size=1, max_size=30))
@example(["18000.000", "1676.72551", "-.5", "5.", "12345678", "0.0000001"])
def test_numbers_are_those_of_float(texts: list[str]) -> None:
    """Every number of up to fifteen digits is read to the last bit as ``float`` reads it."""
    found = rows(*(f"G1 X{text} E{text}" for text in texts))

    assert found == [{"X": float(text), "E": float(text)} for text in texts]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("G1 X1 Y2.5 Z-3 E.4 F1200", {"X": 1, "Y": 2.5, "Z": -3, "E": 0.4, "F": 1200}),
        ("G0 F9000 X1", {"X": 1, "F": 9000}),
        ("G3 X1 Y2 I-.5 J0 E1", {"X": 1, "Y": 2, "I": -0.5, "J": 0, "E": 1}),
        ("G2 Z.8 I1.2 J0 P1  F30000", {"Z": 0.8, "I": 1.2, "J": 0, "P": 1, "F": 30000}),
        ("G1 X1 Y2 ; X9 Y9 E9", {"X": 1, "Y": 2}),
        ("G1 X1 Y2;E9", {"X": 1, "Y": 2}),
        ("G1 X1 Y2 ", {"X": 1, "Y": 2}),
        ("G1 X1Y2E3", {"X": 1, "Y": 2, "E": 3}),
        ("G1 X1 X2", {"X": 2}),
        ("G1 X1 S500", {"X": 1}),
    ],
)
def test_plain_moves(line: str, words: dict[str, float]) -> None:
    """Words in any order, with or without blanks, with a comment behind."""
    assert rows(line) == [words]


@pytest.mark.parametrize(
    "line",
    [
        "g1 x1", "G01 X1", "G1 X 1", "G1 X+1", "G1 X1.2.3", "G1 X", "G1 X1e5", "G1 (a) X1",
        " G1 X1", "N1 G1 X1",
        "G1 X1*71", "G10 S1", "G1_X", "M104 S210", "G1 X1 G1 Y2", "G1 X--1",
        "G1 X1-2", "G1 x2", "G1 (X) x1", "G1 .5", "G1 X1234567890123456",
    ],
)  # fmt: skip
def test_anything_unusual_is_left_to_the_grammar(line: str) -> None:
    """A line that is not in plain form is no move here; it is named among the others."""
    found = scan((line + "\n").encode())

    assert found.kinds[0] == 0
    assert found.others.tolist() == [0]


def test_lines_keep_their_places() -> None:
    """Starts and ends give back every line."""
    text = b"G1 X1\n\n;c\nM104 S1\nG1 Y2\n"
    found = scan(text)

    cut = [text[a:b] for a, b in zip(found.starts.tolist(), found.ends.tolist(), strict=True)]
    assert cut == text.split(b"\n")[:-1]


def test_moves_beside_a_bad_one_are_read() -> None:
    """One unusual line does not cost its neighbours."""
    assert rows("G1 X1", "G1 X1.2.3", "G1 X3") == [{"X": 1.0}, None, {"X": 3.0}]


def test_moves_of_the_commonest_shape_are_read_by_columns() -> None:
    """No word of lines that are alike is left for the slower reading of words one by one."""
    marks = _marks(b"G1 X12.5 Y3.25 E0.125\n" * 8 + b"M104 S200\n")
    kinds, values = np.zeros(9, np.uint8), np.full((len(COLUMNS) + 1, 9), np.nan)
    left = list(_shaped(marks, kinds, values))
    assert sum(len(words.line) for words in left) == 0
    assert kinds.tolist() == [1] * 8 + [0]
    read = dict(zip(COLUMNS, values[:, 0].tolist(), strict=False))
    assert {name: value for name, value in read.items() if not math.isnan(value)} == {
        "X": 12.5, "Y": 3.25, "E": 0.125
    }  # fmt: skip
