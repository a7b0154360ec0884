"""Text from outside, made safe for where it is shown: terminals, spreadsheets, Markdown.

A name that came in with a file may hold an escape sequence, letters that run backwards or signs that take
no room: on a terminal it would do or show something else than it says.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Any, Final

# Bidirectional marks and overrides (Unicode Standard Annex 9), zero-width and invisible signs, line and
# paragraph separators, tags, and the two control blocks.
_UNSEEN: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u2028-\u202e"
    "\u2060-\u206f\u3164\ufeff\uffa0\ufff9-\ufffb\U000e0000-\U000e0fff\ud800-\udfff]"
)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_NUMBER: Final = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?\s*%?")
_MARKDOWN: Final = re.compile(r"([\\\\`*_{}\[\]<>#|~])")


def unseen(text: str) -> str | None:
    """Return the first character of a text that acts or hides instead of being seen, or None."""
    if text.isascii() and text.isprintable():
        return None
    found = _UNSEEN.search(text)
    return found[0] if found else None


def named(character: str) -> str:
    """Return what a character is called: ``U+202E RIGHT-TO-LEFT OVERRIDE``."""
    return f"U+{ord(character):04X} {unicodedata.name(character, '')}".rstrip()


_COLOUR: Final = re.compile(r"(\x1b\[[0-9;]*m)")


def visible(text: str) -> str:
    r"""Return text with every unseen character as ``\u202e``, which JSON reads back as the character.

    Tabs and line breaks stay.
    """
    if text.isascii() and text.isprintable():
        return text
    return _UNSEEN.sub(lambda found: _escaped(found[0]), text)


def visible_but_colours(text: str) -> str:
    """Return text as :func:`visible` does, but for colours: a terminal's stream passes our own, too."""
    if "\x1b" not in text:
        return visible(text)
    return "".join(part if number % 2 else visible(part) for number, part in enumerate(_COLOUR.split(text)))


def _escaped(character: str) -> str:
    code = ord(character)
    low = 0x10000
    if code < low:
        return f"\\u{code:04x}"
    code -= low
    return f"\\u{0xD800 + (code >> 10):04x}\\u{0xDC00 + (code & 0x3FF):04x}"


def cell(value: Any) -> Any:
    """Return a value for a CSV file that no spreadsheet will run as a formula.

    A text that begins like one gets an apostrophe before it, which spreadsheets do not show; numbers stay.
    See OWASP, "CSV Injection".
    """
    if isinstance(value, str) and value.startswith(_FORMULA) and not _NUMBER.fullmatch(value):
        return f"'{value}"
    return value


def markdown(text: str) -> str:
    """Return text that Markdown shows as it is, on one line."""
    return _MARKDOWN.sub(r"\\\1", " ".join(visible(text).split()))
