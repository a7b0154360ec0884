"""Readings as text: numbers and series as people type them, and back again without loss."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from tracker.api._fields import Field

# A comma parts entries only with a blank behind it: between digits it is a decimal comma.
_ENTRIES = re.compile(r"[;\r\n]+|,\s+|,$")
# Groups of three only, so that two numbers side by side are not joined into one.
_GROUPING = re.compile(r"(?<=\d)[\s\u202f\u00a0'](?=\d{3}(?!\d))")


def number(text: str) -> float:
    """Return a number as typed: ``12.5``, ``12,5``, ``1 830``, ``−3``.

    Raises:
        ValueError: It is none.
    """
    tidy = _GROUPING.sub("", text.strip()).replace("−", "-")
    # With both signs present either could be the grouping; float() then refuses.
    if "," in tidy and "." not in tidy and tidy.count(",") == 1:
        tidy = tidy.replace(",", ".")
    return float(tidy)


def entries(field: Field, text: str) -> list[list[Any]]:
    """Return the entries of a series as typed: ``X:80:79.62 Y:60:59.8`` or ``5: 0.42 0.45; 10: …``.

    Entries stand apart by ``;``, a line break or a comma with a blank, and by mere blanks where
    each of them holds its parts together by colons. Parts stand apart by colons or blanks.

    Raises:
        ValueError: An entry has another number of parts than the series.
    """
    if field.reading.parse is not None:
        return [list(entry) for entry in field.reading.parse(text)]
    chunks = [chunk.strip() for chunk in _ENTRIES.split(text) if chunk.strip()]
    return [_typed(field, parts) for chunk in chunks for parts in _split(chunk, len(field.columns))]


def _split(chunk: str, count: int) -> list[list[str]]:
    words = chunk.split()
    if count == 1:
        return [[word] for word in words]
    # ``X:80 Y:60`` is two entries, ``5: 0.42 0.45`` is one: the colons tell.
    if len(words) > 1 and all(":" in word.strip(":") for word in words):
        return [word.split(":") for word in words]
    return [[part for part in re.split(r"\s*:\s*|\s+", chunk) if part]]


def _typed(field: Field, parts: Sequence[str]) -> list[Any]:
    if len(parts) != len(field.columns):
        form = ":".join(field.columns)
        raise ValueError(
            f"{':'.join(parts)!r} has {len(parts)} parts, not the {len(field.columns)} of {form}"
        )
    return [_part(text, unit) for text, unit in zip(parts, field.units, strict=True)]


def _part(text: str, unit: str) -> Any:
    """A part with a unit is a number, or ``-`` where nothing was read; any other stays a word."""
    if not unit:
        return text
    if text in {"-", "–"}:
        return None
    try:
        return number(text)
    except ValueError:
        # The model says what is wrong with it, in the same words as for any other number.
        return text


def text_of(field: Field, value: Any) -> str:
    """Return a value as the text that gives it back: what stands in a CSV cell.

    Numbers are written with all their digits; a file is written as its name.
    """
    if value is None:
        return ""
    if field.kind == "series":
        return "; ".join(":".join(_cell(part) for part in entry) for entry in value)
    return _cell(value)


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    # repr gives the shortest digits that read back to the same double.
    return repr(float(value)) if isinstance(value, float) else str(getattr(value, "name", value))
