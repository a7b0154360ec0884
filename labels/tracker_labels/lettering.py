"""Letters: the fonts we carry with us, what they cannot show, and how long a text is."""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

STANDS_FOR_MISSING = "\u25a1"
"""The white square that is drawn for a character which the font does not hold."""

ELLIPSIS = "…"

_FONTS = Path(__file__).parent / "fonts"
# No label holds more; cutting here keeps a pasted novel from being measured letter by letter.
_MOST_CHARACTERS = 300
_PROBE_SIZE = 32
# A noncharacter: no font may ever hold it, so what is drawn for it is the mark of a missing glyph.
_NEVER_A_CHARACTER = "\uffff"


@cache
def font(size: int, bold: bool) -> FreeTypeFont:
    """Return a font of so many dots.

    The plain layout engine is asked for by name, because the other one depends on libraries
    that some machines have and others have not.

    Fonts of the system are not used: a label must look alike, and fit alike, on every machine.
    """
    from PIL import ImageFont  # noqa: PLC0415 - a heavy import, paid by those who draw

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(_FONTS / name, size, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=4096)
def holds(char: str, bold: bool) -> bool:
    """Tell whether the font draws a character as itself, leaving a mark that can be seen."""
    if char == " ":
        return True
    try:
        drawn = _glyph(char, bold)
    except UnicodeError:
        # Half of a surrogate pair is no character at all.
        return False
    return any(drawn) and drawn != _glyph(_NEVER_A_CHARACTER, bold)


def _glyph(char: str, bold: bool) -> bytes:
    """Return the dots of one character."""
    return bytes(font(_PROBE_SIZE, bold).getmask(char, mode="1"))


@lru_cache(maxsize=4096)
def visible(text: str, bold: bool) -> str:
    """Return a text on one line in which every character can be seen.

    Letters with a separate accent are joined to one; any blank becomes a space; what the font does not
    hold, or what leaves no mark, becomes ``STANDS_FOR_MISSING``.
    """
    cut = text if len(text) <= _MOST_CHARACTERS else text[:_MOST_CHARACTERS] + ELLIPSIS
    joined = unicodedata.normalize("NFC", " ".join(cut.split()))
    return "".join(char if holds(char, bold) else STANDS_FOR_MISSING for char in joined)


def missing(text: str, bold: bool) -> str:
    """Return the characters of a text that are replaced on the label, each once, in order."""
    joined = unicodedata.normalize("NFC", " ".join(text[:_MOST_CHARACTERS].split()))
    return "".join(dict.fromkeys(char for char in joined if not holds(char, bold)))


@lru_cache(maxsize=8192)
def ink(text: str, size: int, bold: bool) -> tuple[int, int]:
    """Return where the ink of a text begins and ends, in dots from its origin."""
    left, _, right, _ = font(size, bold).getbbox(text, mode="1", anchor="ls")
    return int(left), int(right)


def width(text: str, size: int, bold: bool) -> int:
    """Return the width of a text's ink, in dots."""
    left, right = ink(text, size, bold)
    return right - left


@lru_cache(maxsize=4096)
def slashes(text: str, size: int, bold: bool) -> tuple[tuple[int, int, int, int, int], ...]:
    """Return the strokes that tell each zero of an ID from the letter O.

    Args:
        text: A row of text.
        size: Size of the font, in dots.
        bold: IDs alone are bold; other texts get no strokes.

    Returns:
        For each zero x0, y0, x1, y1 (dots from the origin of the text, y downwards from the baseline) and
        the thickness of a stroke from its lower left to its upper right.
    """
    if not bold:
        return ()
    face = font(size, bold)
    left, top, right, bottom = (int(edge) for edge in face.getbbox("0", mode="1", anchor="ls"))
    stem = max(1, round(size * 0.07))
    # Inside the bowl: a stroke that left it would look like a sign of its own.
    across, down = (right - left) * 3 // 10, (bottom - top) * 3 // 10
    found = [at for at, char in enumerate(text) if char == "0"]
    starts = [round(face.getlength(text[:at], mode="1")) for at in found]
    return tuple((x + left + across, bottom - down, x + right - across, top + down, stem) for x in starts)


def shorten(text: str, room: int, size: int, bold: bool) -> str:
    """Return a text that is at most ``room`` dots wide, cut at its end with an ellipsis if need be.

    The answer is empty only where not even the ellipsis has room.
    """
    if width(text, size, bold) <= room:
        return text
    # Halving, as the width grows with nearly every letter; a last look below catches those that reach back.
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width(_cut(text, middle), size, bold) <= room:
            low = middle
        else:
            high = middle - 1
    answer = _cut(text, low)
    return answer if width(answer, size, bold) <= room else ""


def _cut(text: str, length: int) -> str:
    """Return the first characters of a text, and the mark that there were more."""
    return text[:length].rstrip() + ELLIPSIS
