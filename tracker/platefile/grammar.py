"""One line of a plate file, taken apart: command, words, macro arguments, comment.

The public grammar is that of the common open firmwares: a command letter with an
integer, words of one letter and a number without exponent, macros as
``NAME KEY=VALUE``, comments after ``;`` or between round brackets, optional line
number and checksum.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

_NUMBERED = re.compile(r"\s*[Nn]\s*\d+\s*(?=[^\s\d]|$)")
_CHECKSUM = re.compile(r"\*\s*(\d+)\s*$")
# "T1_LOAD" is a macro, "G1X10" is a command: only "_" after the number tells them apart.
_COMMAND = re.compile(r"\s*([GMT])\s*(\d+)(?:\.(\d+))?(?![\d_])", re.IGNORECASE)
_MACRO = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_]+)")
_ONE_LETTER = re.compile(r"\s*([A-Za-z])")
_WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))?")
_ARGUMENT = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)\s*=\s*(\"[^\"]*\"|'[^']*'|\S*)")
_BRACKETS = re.compile(r"\([^)]*\)?")
# An exponent is one only where words stand apart; in "X1E-5" without blanks E is the axis.
_EXPONENT = re.compile(r"[\s][A-Za-z][-+]?[\d.]+[eE][-+]?\d")
_COORDINATE = re.compile(r"\s*[XYZEFxyzef]\s*[-+.\d]")


@dataclass(frozen=True, slots=True)
class Line:
    """One line, taken apart.

    Attributes:
        code: ``G1``, ``M104``, ``M569.1``, ``T``, or the macro's name in capitals; empty if none.
        words: Letter to number; None for a letter without one. The last duplicate wins.
        args: A macro's ``KEY=VALUE`` pairs, keys in capitals, quotes removed.
        text: What follows the command, before the comment, as it stands.
        comment: What follows the first ``;``.
        trouble: What is wrong with the line, in words; empty if nothing.
    """

    code: str = ""
    words: dict[str, float | None] = field(default_factory=dict)
    args: dict[str, str] = field(default_factory=dict)
    text: str = ""
    comment: str = ""
    trouble: str = ""


def take_apart(raw: bytes) -> Line:
    """Take one line apart; never fails.

    Args:
        raw: The line without its line end.
    """
    # Replaced and not refused: object names come in any encoding, and a strange letter in a name changes no
    # move.
    whole = raw.decode("utf-8", "replace")
    text, _, comment = whole.partition(";")
    text, trouble = _without_frame(text, raw)
    command = _COMMAND.match(text)
    if command:
        return _command(command, text[command.end() :], comment, trouble)
    macro = _MACRO.match(text)
    if macro and not _COORDINATE.match(text):
        return _macro(macro, text[macro.end() :], comment, trouble)
    if _COORDINATE.match(text):
        return Line(comment=comment, text=text, trouble="coordinates without a command")
    letter = _ONE_LETTER.match(text)
    return Line(code=text.strip().upper()[:8] if letter else "", comment=comment, trouble=trouble)


def numbers(text: str) -> dict[str, float | None]:
    """Return the words of a command: letter to number, None where none stands."""
    found = _WORD.findall(_BRACKETS.sub(" ", text).upper())
    # Of a repeated letter the last one holds, as firmware reads from left to right.
    return {letter: float(number) if number else None for letter, number in found}


def _without_frame(text: str, raw: bytes) -> tuple[str, str]:
    """Remove line number and checksum; say so if the checksum is wrong."""
    trouble = ""
    check = _CHECKSUM.search(text)
    if check:
        body = raw.partition(b";")[0]
        # A warning only: a file is no serial line, and somebody edited it by hand more likely than that a
        # bit fell over.
        if int(check.group(1)) != checksum(body[: body.rindex(b"*")]):
            trouble = "checksum does not fit"
        text = text[: check.start()]
    return _NUMBERED.sub("", text, count=1) if _NUMBERED.match(text) else text, trouble


def checksum(body: bytes) -> int:
    """Return the exclusive-or of all bytes before the ``*``."""
    total = 0
    for byte in body:
        total ^= byte
    return total


def _command(found: re.Match[str], rest: str, comment: str, trouble: str) -> Line:
    letter, number, sub = found.group(1).upper(), int(found.group(2)), found.group(3)
    if _EXPONENT.search(rest):
        trouble = trouble or "a number with an exponent: E is an axis"
    if letter == "T":
        return Line("T", {"T": float(number), **numbers(rest)}, {}, rest, comment, trouble)
    code = f"{letter}{number}" + (f".{sub}" if sub else "")
    return Line(code, numbers(rest), {}, rest, comment, trouble)


def _macro(found: re.Match[str], rest: str, comment: str, trouble: str) -> Line:
    args = {key.upper(): value.strip("\"'") for key, value in _ARGUMENT.findall(rest)}
    return Line(found.group(1).upper(), {}, args, rest, comment, trouble)
