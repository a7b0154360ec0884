"""Filters as people type them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.selection import FilterError, Term, parse_filter


def test_words_are_conditions_that_must_all_hold() -> None:
    """A piece that fulfils one condition of two is not meant."""
    wanted = parse_filter("material=PETG-2 nozzle_c>260")

    assert wanted.holds({"material": "PETG-2", "nozzle_c": 265.0})
    assert not wanted.holds({"material": "PETG-2", "nozzle_c": 255.0})


def test_a_value_with_blanks_is_in_quotes() -> None:
    """A job's name may hold blanks."""
    assert parse_filter('job="PETG-2 Z 1"').terms == (Term("job", "=", "PETG-2 Z 1"),)


@pytest.mark.parametrize("sign", ["=", "!=", "<", "<=", ">", ">="])
def test_every_sign_is_read(sign: str) -> None:
    """Two characters are one sign, not one and a value."""
    assert parse_filter(f"a{sign}1").terms == (Term("a", sign, "1"),)


def test_capitals_do_not_matter() -> None:
    """Nobody remembers how a name was written."""
    assert parse_filter("material=petg-2").holds({"material": "PETG-2"})


def test_what_is_not_recorded_fulfils_only_unequal() -> None:
    """A piece of unknown treatment is not wet, and not dry either."""
    assert not parse_filter("treatment=wet").holds({})
    assert parse_filter("treatment!=wet").holds({})
    assert not parse_filter("nozzle_c>1").holds({"nozzle_c": None})


def test_numbers_are_compared_as_numbers() -> None:
    """0.20 and 0.2 are one layer height."""
    assert parse_filter("layer_height_mm=0.20").holds({"layer_height_mm": 0.2})


@pytest.mark.parametrize("text", ["material", "=5", "nozzle_c~260", "job='open"])
def test_what_is_no_condition_is_refused(text: str) -> None:
    """The refusal says how a condition is written."""
    with pytest.raises(FilterError, match=r"is no condition|no closing quotation"):
        parse_filter(text)


@given(
    st.lists(
        st.builds(
            Term,
            st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True),
            st.sampled_from(["=", "!=", "<", "<=", ">", ">="]),
            st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1).filter(
                lambda text: not text.startswith("=")
            ),
        ),
        max_size=4,
    )
)
def test_a_filter_written_and_read_again_is_the_same(terms: list[Term]) -> None:
    """Whatever a value holds, quoting brings it back."""
    import shlex  # noqa: PLC0415 - for this one

    text = " ".join(f"{term.name}{term.sign}{shlex.quote(term.value)}" for term in terms)

    assert list(parse_filter(text).terms) == terms


@pytest.mark.parametrize("letters", ["Z", "ZX", "ZXY", "ZYX"])
@pytest.mark.parametrize("text", ["orientation=Z", "orientation=z", "orientation=upright", "orientation!=X"])
def test_an_orientation_is_asked_for_by_its_first_letters_or_in_words(text: str, letters: str) -> None:
    """As the standard's first letter is the axis along which a piece is longest."""
    assert parse_filter(text).holds({"orientation": letters})
    assert not parse_filter(text).holds({"orientation": "XYZ"})


@pytest.mark.parametrize("text", ["orientation=Q", "orientation=standing", "orientation=", "orientation>X"])
def test_an_orientation_that_there_is_none_of_is_refused(text: str) -> None:
    """It would silently hold of nothing."""
    with pytest.raises(FilterError, match=r"is no orientation|no orientation is more than another"):
        parse_filter(text)


def test_a_piece_of_unknown_orientation_has_no_orientation_in_words() -> None:
    """It is not upright, and not known to be anything else than asked for."""
    assert not parse_filter("orientation=Z").holds({})
    assert parse_filter("orientation!=Z").holds({})
