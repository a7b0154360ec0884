"""A programme as its TOML says it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.errors import Refused
from tracker.programme import read_programme, usual

SHORT = 'name = "short"\n[[test]]\nmethod = "tensile"\norientation = "upright"\nreplicates = 5\n'


def test_the_bundled_programme_is_read() -> None:
    """It has tensile pieces flat and upright."""
    ways = {(test.method, test.words) for test in usual().tests}

    assert {("tensile", "flat"), ("tensile", "upright")} <= ways


def test_letters_of_the_notation_fit_the_words() -> None:
    """ZXY and ZYX both stand upright; XYZ does not."""
    test = read_programme(SHORT).tests[0]

    assert [test.fits(letters) for letters in ("ZXY", "ZYX", "Z", "XYZ", None)] == [
        True,
        True,
        True,
        False,
        False,
    ]


def test_programmes_of_earlier_versions_are_read() -> None:
    """They call an orientation in words ``lie``; letters of the notation stand where words may."""
    assert read_programme(SHORT.replace("orientation", "lie")) == read_programme(SHORT)
    assert read_programme(SHORT.replace("upright", "zxy")).tests[0].letters == "ZXY"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("name = 5", "no name"), ('name = "x"', "no tests"), ("= 3", "no TOML"),
        (SHORT + "colour = 1", "unknown keys"), (SHORT.replace("5", "0"), "no count"),
        (SHORT.replace("upright", "sideways"), "orientation"),
        (SHORT.replace("upright", "XX"), "orientation"),
        ('name = "x"\nwhat = 1', "unknown"), (SHORT.replace("tensile", ""), "no method"),
        ("conditioning_h = -1\n" + SHORT, "hours"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(wrong: str, said: str) -> None:
    """Each refusal says which line of the file to look at."""
    with pytest.raises(Refused, match=said):
        read_programme(wrong)


@given(st.text())
def test_any_text_is_a_programme_or_refused(text: str) -> None:
    """No text ends in a traceback."""
    said = ""
    try:
        said = read_programme(text).name
    except Refused as refused:
        said = str(refused)

    assert said
    assert "\n" not in said
