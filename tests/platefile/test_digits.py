"""Numbers read from words of eight characters."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from tracker.platefile.scan import MOST_ALIKE, Text, words_at

digits = st.text("0123456789", min_size=1, max_size=9)
anything = st.text(" +-./0123456789*!", max_size=18)


def is_number(text: str) -> bool:
    """Tell whether a text is a plain number of up to fifteen digits: a minus at most before it."""
    body = text.removeprefix("-")
    whole, _, fraction = body.partition(".")
    return 0 < len(whole + fraction) <= 15 and (whole + fraction).isdigit() and (whole + fraction).isascii()


@given(st.lists(anything, min_size=1, max_size=20))
@example(
    ["1.2", "1 2", "1.2.3", "-5", "--5", "5-", ".", "-", "", "123456789012345", "1234567890123456", ".5/"]
)
def test_numbers_of_any_form_are_those_of_float(texts: list[str]) -> None:
    """What is a number is read to the last bit as ``float`` reads it, and nothing else passes for one."""
    whole = "".join(f"X{text}" for text in texts) + "\n"
    ends = np.cumsum([len(text) + 1 for text in texts])
    begins = ends - [len(text) for text in texts]
    read, good = Text(whole.encode()).any_form(begins, ends)

    trimmed = [text.rstrip(" ") for text in texts]
    assert good.tolist() == [is_number(text) for text in trimmed]
    assert [v for v, fits in zip(read.tolist(), good.tolist(), strict=True) if fits] == [
        float(text) for text in trimmed if is_number(text)
    ]


def alike(texts: list[str], fraction: int, *, at_end: bool) -> list[float | None]:
    """Read texts as words with that many digits behind the point; None for those that are not."""
    behind = "\n" if at_end else " Y"
    whole = "".join(f"X{text}{behind}" for text in texts)
    stops = np.cumsum([len(text) + 1 + len(behind) for text in texts]) - 1
    letters = stops - [len(text) + len(behind) for text in texts]
    numbers, bad = Text(whole.encode()).alike(letters, stops, fraction, at_end=at_end)
    return [None if n in bad else number for n, number in enumerate(numbers.tolist())]


@given(
    st.lists(anything, min_size=1, max_size=20),
    st.sampled_from([-1, *range(1, MOST_ALIKE + 1)]),
    st.booleans(),
)
@example(texts=["59.948", "7", "-1.5", "1234.567", "", ".500", "1 5.000"], fraction=3, at_end=False)
def test_words_of_one_form_are_distinguished_from_all_others(
    texts: list[str], fraction: int, at_end: bool
) -> None:
    """Numbers without sign, of so many decimals and up to seven characters, are read; others are named."""

    def fits(text: str) -> bool:
        decimals = len(text.partition(".")[2]) if "." in text else -1
        return is_number(text) and decimals == fraction and len(text) < 8 and "-" not in text

    assert alike(texts, fraction, at_end=at_end) == [float(text) if fits(text) else None for text in texts]


@given(st.binary(min_size=24, max_size=64), st.data())
def test_words_at_any_place(data: bytes, draw: st.DataObject) -> None:
    """Eight bytes from any place, aligned or not, are one little-endian word."""
    padded = data + bytes(-len(data) % 8)
    place = draw.draw(st.integers(0, len(padded) - 16))
    word = words_at(np.frombuffer(padded, "<u8"), np.array([place]))[0]

    assert int(word) == int.from_bytes(padded[place : place + 8], "little")
