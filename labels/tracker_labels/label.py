"""What is on one label, and what this package says when it cannot draw or read it."""

from __future__ import annotations

from dataclasses import dataclass

ALPHANUMERIC = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
"""The 45 characters of QR's alphanumeric mode (ISO/IEC 18004), in the order of their values."""

_ALLOWED = frozenset(ALPHANUMERIC)


class LabelError(ValueError):
    """A label, a picture or a request that cannot be used as it is.

    Args:
        what: What was refused, with the value concerned.
        why: The reason, if ``what`` does not already hold it.
        do: What to change next.

    The text is always one line, so that it can be shown as it stands.
    """

    def __init__(self, what: str, *, why: str = "", do: str = "") -> None:
        self.what = what
        self.why = why
        self.do = do
        head = f"{what}: {why}" if why else what
        text = f"{head.rstrip('.')}. {do}" if do else head
        super().__init__(" ".join(text.split()))


class StockError(LabelError):
    """A label stock that is unknown, or whose file does not describe a possible page."""


@dataclass(frozen=True, slots=True)
class Label:
    """One label, as text.

    Attributes:
        payload: What the code holds; only characters of ``ALPHANUMERIC``, so that the code stays small.
        id_text: The ID as people read it; drawn large.
        material: Name of the material.
        orientation: The piece's name and orientation in words, or what distinguishes this record.
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
                f"{wrong!r} cannot be in a label's code",
                why="only digits, capital letters, blank and $ % * + - . / : keep the code small",
                do="Write the payload in capitals, without other signs.",
            )
