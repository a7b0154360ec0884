"""What may be on a label."""

from __future__ import annotations

import pytest
from tracker_labels import ALPHANUMERIC, Label, LabelError


def test_the_alphanumeric_mode_has_45_characters() -> None:
    """QR's alphanumeric mode holds 45 different characters."""
    assert len(set(ALPHANUMERIC)) == 45


@pytest.mark.parametrize(
    "payload", ["J0012-04-K.7QX", "HTTP://192.168.1.20:8000/J0012-04-K.7QX", ALPHANUMERIC]
)
def test_a_payload_in_capitals_is_taken(payload: str) -> None:
    """ID with book code, the same behind an address, and every character of the mode are taken."""
    assert Label(payload, "J0012-04-K").payload == payload


@pytest.mark.parametrize("wrong", ["j", "_", "ü", "\n", "٣", "#"])
def test_another_character_is_refused_by_name(wrong: str) -> None:
    """A character that would force the larger byte mode is refused, and the refusal shows it."""
    with pytest.raises(LabelError) as refusal:
        Label(f"J0012{wrong}04", "J0012-04-K")

    assert repr(wrong) in str(refusal.value)


def test_an_empty_payload_is_refused() -> None:
    """There is no label without something to encode."""
    with pytest.raises(LabelError, match="something to encode"):
        Label("", "J0012-04-K")


def test_a_refusal_is_one_line() -> None:
    """Whatever was typed into a message, it stays on one line."""
    assert "\n" not in str(LabelError("a\nb", why="c\n\nd", do="e\tf"))
