"""Letters: all that people type can be seen, and what is too long is shortened."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tracker_labels.drawing import text_dots
from tracker_labels.lettering import ELLIPSIS, STANDS_FOR_MISSING, holds, missing, shorten, visible, width

any_text = st.text(alphabet=st.characters(), max_size=60)


@pytest.mark.parametrize("text", ["ÄÖÜäöüß", "µ μ ° ± ×", "Łódź", "Ελλάδα", "Москва", "½ ² ₂ ‰ →"])
def test_what_benches_type_is_shown_as_it_is(text: str) -> None:
    """Umlauts, µ, degrees, Polish, Greek, Cyrillic and signs are in the font."""
    assert visible(text, bold=False) == text


@pytest.mark.parametrize("text", ["שלום", "مرحبا"])
def test_right_to_left_letters_are_shown(text: str) -> None:
    """Hebrew and Arabic letters leave their own marks."""
    assert missing(text, bold=False) == ""


@pytest.mark.parametrize("char", ["材", "한", "か", "\u200d", "\x00", "\ud800", "\ufffe", "\u202e", "\u3164"])
def test_what_the_font_lacks_becomes_a_square(char: str) -> None:
    """CJK, invisible and impossible characters are replaced one for one, never dropped."""
    assert visible(f"a{char}b", bold=True) == f"a{STANDS_FOR_MISSING}b"


def test_a_replaced_character_leaves_a_mark() -> None:
    """The square that stands for a missing character is ink on the label."""
    text = visible("材", bold=False)

    assert text_dots(text, 20, bold=False, width=20, height=24).getbbox() is not None


def test_separate_accents_are_joined() -> None:
    """A u with a separate diaeresis is the letter ü."""
    assert visible("Mu\u0308ller", bold=False) == "Müller"


def test_a_line_break_becomes_a_blank() -> None:
    """A text stays on its row."""
    assert visible("two\r\n lines\t", bold=False) == "two lines"


@given(any_text)
def test_no_character_is_dropped(text: str) -> None:
    """A text keeps its length, but for runs of blanks and joined accents."""
    joined = unicodedata.normalize("NFC", " ".join(text.split()))

    assert len(visible(text, bold=False)) == len(joined)


@given(any_text, st.booleans())
def test_all_that_is_shown_is_in_the_font(text: str, bold: bool) -> None:
    """After replacement nothing is left that the font does not hold."""
    assert all(holds(char, bold) for char in visible(text, bold))


@given(any_text, st.integers(0, 400), st.sampled_from([12, 25, 40]))
def test_a_shortened_text_fits(text: str, room: int, size: int) -> None:
    """However little room there is, what is left is no wider."""
    assert width(shorten(visible(text, bold=False), room, size, bold=False), size, bold=False) <= room


def test_what_is_cut_off_is_marked() -> None:
    """A shortened text ends with an ellipsis."""
    assert shorten("annealed at 90 °C for two hours", 100, 16, bold=False).endswith(ELLIPSIS)


def test_no_more_than_needed_is_cut_off() -> None:
    """One more letter would not have fitted."""
    text = "annealed at 90 °C for two hours"
    kept = shorten(text, 100, 16, bold=False).removesuffix(ELLIPSIS)

    assert width(text[: len(kept) + 2].rstrip() + ELLIPSIS, 16, bold=False) > 100


def test_what_fits_is_left_alone() -> None:
    """A text with room enough is not touched."""
    assert shorten("ASA", 400, 16, bold=False) == "ASA"
