"""The JSON schema of a method's readings, for programs that send them."""

from __future__ import annotations

import re
from typing import Any

from tracker.api._fields import Field, fields
from tracker.api._method import Method

_DRAFT = "https://json-schema.org/draft/2020-12/schema"
_BOUND_WORDS = {
    "greater than": "exclusiveMinimum",
    "or more": "minimum",
    "less than": "exclusiveMaximum",
    "or less": "maximum",
}


def schema(method: Method | type[Method]) -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of what ``dump`` gives and ``validate`` takes.

    Units stand in ``unit``; files are left out, for they travel beside the readings.
    """
    known = [field for field in fields(method.Readings) if field.kind != "file"]
    return {
        "$schema": _DRAFT,
        "title": f"{method.title} readings",
        "type": "object",
        "additionalProperties": False,
        "required": [field.name for field in known if field.required],
        "properties": {field.name: _property(field) for field in known},
    }


def _property(field: Field) -> dict[str, Any]:
    made = {"description": field.help, **({"unit": field.unit} if field.unit else {})}
    if field.kind == "series":
        return {**made, "type": "array", "items": _entry(field)}
    if field.kind == "choice":
        return {**made, "enum": list(field.choices)}
    if field.kind == "text":
        return {**made, "type": "string"}
    return {**made, "type": "number", **_bounds(field.allowed)}


def _entry(field: Field) -> dict[str, Any]:
    parts = [
        _part(name, unit, choices)
        for name, unit, choices in zip(field.columns, field.units, field.column_choices, strict=True)
    ]
    return {"type": "array", "prefixItems": parts, "minItems": len(parts), "maxItems": len(parts)}


def _part(name: str, unit: str, choices: tuple[str, ...]) -> dict[str, Any]:
    if choices:
        return {"title": name, "enum": list(choices)}
    if unit:
        return {"title": name, "type": ["number", "null"], "unit": unit}
    return {"title": name, "type": "string"}


def _bounds(allowed: str) -> dict[str, float]:
    """Return the bounds a field states in words, as keywords of the schema."""
    # The words are the one form in which bounds leave the model; they are read back here.
    found: dict[str, float] = {}
    for part in filter(None, allowed.split(" and ")):
        value = re.search(r"-?[\d.]+(e[+-]?\d+)?", part)
        key = next((key for words, key in _BOUND_WORDS.items() if words in part), "")
        if value and key:
            found[key] = float(value.group())
    return found
