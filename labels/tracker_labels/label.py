"""What stands on one label: the text of its code, and what people read."""

from __future__ import annotations

from dataclasses import dataclass

from tracker_labels.errors import LabelError

ALPHANUMERIC = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
"""The 45 characters of QR's alphanumeric mode (ISO/IEC 18004), in the order of their values."""

_ALLOWED = frozenset(ALPHANUMERIC)


@dataclass(frozen=True, slots=True)
class Label:
    """One label, as text.

    Attributes:
        payload: What the QR code holds; only characters of ``ALPHANUMERIC``, so that the code stays small.
        id_text: The ID as people read it; drawn large.
        material: Name of the material.
        orientation: How the piece lay on the plate.
        date: A date, as it shall be read.
        line: One line of the person's choice.

    Raises:
        LabelError: The payload is empty or holds a character outside the alphanumeric mode.
    """

    payload: str
    id_text: str
    material: str = ""
    orientation: str = ""
    date: str = ""
    line: str = ""

    def __post_init__(self) -> None:
        if not self.payload:
            raise LabelError("A label needs something to encode", do="Give it an ID as its payload.")
        wrong = next((char for char in self.payload if char not in _ALLOWED), None)
        if wrong is not None:
            raise LabelError(
                f"{wrong!r} cannot stand in a label's code",
                why="only digits, capital letters, blank and $ % * + - . / : keep the code small",
                do="Write the payload in capitals, without other signs.",
            )
