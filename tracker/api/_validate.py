"""From raw values to readings and back, with refusals a person can act on."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pydantic

from tracker.api import _text
from tracker.api._fields import Field, fields
from tracker.api._method import Method
from tracker.api._readings import Readings, Recording
from tracker.errors import Refused


@dataclass(frozen=True)
class FieldError:
    """One reading that was refused.

    Attributes:
        field: Name of the reading.
        value: What was given, shortened to one line.
        problem: What is wrong and what is allowed.
    """

    field: str
    value: str
    problem: str

    def __str__(self) -> str:
        return f"{self.field} {self.value}: {self.problem}" if self.value else f"{self.field}: {self.problem}"


class ReadingsError(Refused, ValueError):
    """Readings that cannot be kept as they are.

    Attributes:
        errors: One for each reading at fault, in the order of the model.
        lines: The same as text, one line each.
    """

    def __init__(self, method: str, errors: tuple[FieldError, ...]) -> None:
        self.errors = errors
        self.lines = tuple(str(error) for error in errors)
        super().__init__(
            f"{method} readings refused" if method else "readings refused", why="; ".join(self.lines)
        )


def validate(method: Method | type[Method], raw: Mapping[str, Any]) -> Readings:
    """Return the readings that raw values make.

    Args:
        method: The method they belong to.
        raw: By field name: numbers in the field's unit (or as text), text or lists for series, text
            for choices, ``Recording`` for files. None and blank text mean "not read".

    Raises:
        ReadingsError: One line for each field at fault: its name, the value, what is allowed.
    """
    known = {field.name: field for field in fields(method.Readings)}
    errors: list[FieldError] = [_unknown(name, known) for name in raw if name not in known]
    given: dict[str, Any] = {}
    for name, value in raw.items():
        if name in known and not _blank(value):
            try:
                given[name] = _prepared(known[name], value)
            except ValueError as error:
                errors.append(FieldError(name, _short(value), str(error)))
    # Slips found here would make pydantic report consequences rather than causes.
    if errors:
        raise ReadingsError(method.id, tuple(errors))
    try:
        return method.Readings.model_validate(given)
    except pydantic.ValidationError as error:
        raise ReadingsError(method.id, _translated(error, known)) from error


def _blank(value: Any) -> bool:
    """Tell a reading not taken: a blank cell of a table is one, whatever the kind of the field."""
    return value is None or (isinstance(value, str) and not value.strip())


def dump(readings: Readings) -> dict[str, Any]:
    """Return readings as plain JSON values, files left out; ``validate`` gives them back unchanged."""
    kept = {
        field.name: getattr(readings, field.name) for field in fields(type(readings)) if field.kind != "file"
    }
    return {name: _plain(value) for name, value in kept.items() if value is not None}


def units_of(readings: Readings) -> dict[str, str]:
    """Return the unit of each reading that was taken and has one; of a series its parts', as ``h:mm``."""
    taken = dump(readings)
    units = {field.name: field.unit or ":".join(field.units) for field in fields(type(readings))}
    return {name: units[name] for name in taken if units[name].strip(":")}


def recordings(readings: Readings) -> dict[str, Recording]:
    """Return the files among the readings by field name."""
    found = {
        field.name: getattr(readings, field.name) for field in fields(type(readings)) if field.kind == "file"
    }
    return {name: value for name, value in found.items() if value is not None}


def row(readings: Readings) -> dict[str, str]:
    """Return readings as cells of a table: column name to text, blank where nothing was read."""
    return {
        field.name: _text.text_of(field, _plain(getattr(readings, field.name)))
        for field in fields(type(readings))
    }


def _plain(value: Any) -> Any:
    if isinstance(value, tuple | list):
        return [_plain(part) for part in value]
    if isinstance(value, str | int | Recording) or value is None:
        return value
    return float(getattr(value, "nominal_value", value))


def _prepared(field: Field, value: Any) -> Any:
    """Turn what was typed into what the model takes; types that lie are refused here.

    Raises:
        ValueError: The value cannot be what the field wants, in words.
    """
    if field.kind == "file":
        if not isinstance(value, Recording):
            raise ValueError("a file is wanted here, not a value")
        return value
    # A bool is an int to Python and would be kept as 1.0.
    if isinstance(value, bool | Recording):
        raise ValueError(f"{_wanted(field)} is wanted here")  # noqa: TRY004 - one kind for all slips
    if field.kind == "series":
        return _series(field, value)
    if field.kind == "number":
        return _number(field, value) if isinstance(value, str) else value
    return str(value).strip()


def _series(field: Field, value: Any) -> Any:
    if isinstance(value, str):
        return _text.entries(field, value)
    # One number alone is a series of one, where an entry has one part.
    return [[value]] if isinstance(value, int | float) and len(field.columns) == 1 else value


def _number(field: Field, text: str) -> float:
    try:
        return _text.number(text)
    except ValueError as error:
        raise ValueError(f"{_wanted(field)} is wanted here") from error


def _wanted(field: Field) -> str:
    unit = f" in {field.unit}" if field.unit not in {"", "1"} else ""
    return {
        "number": f"a number{unit}",
        "text": "text",
        "choice": f"one of {', '.join(field.choices)}",
        "series": f"a series such as {':'.join(field.columns)}",
        "file": "a file",
    }[field.kind]


def _unknown(name: str, known: Mapping[str, Field]) -> FieldError:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
    return FieldError(name, "", f"no such reading; {hint}")


def _translated(error: pydantic.ValidationError, known: Mapping[str, Field]) -> tuple[FieldError, ...]:
    """Say in plain words, once for each field, what pydantic found."""
    by_field: dict[str, FieldError] = {}
    for found in error.errors(include_url=False):
        where = found["loc"]
        name = str(where[0]) if where else "readings"
        # One line a field: the first finding is the one that explains the others.
        by_field.setdefault(name, _one(found, name, known.get(name)))
    return tuple(by_field.values())


def _one(found: Any, name: str, field: Field | None) -> FieldError:
    message = _message(found, field)
    # The location of a finding in a series is (field, entry, part).
    place = [int(part) for part in found["loc"][1:] if isinstance(part, int)]
    if field is not None and field.kind == "series" and place:
        part = field.columns[place[1]] if len(place) > 1 and place[1] < len(field.columns) else ""
        message = f"entry {place[0] + 1}{f', {part}' if part else ''}: {message}"
    if found["type"] == "missing":
        return FieldError(name, "", message)
    return FieldError(name, _short(found["input"], field.unit if field else ""), message)


def _message(found: Any, field: Field | None) -> str:
    context = found.get("ctx", {})
    bounds = {
        "greater_than": "must be greater than {gt:g}",
        "greater_than_equal": "must be {ge:g} or more",
        "less_than": "must be less than {lt:g}",
        "less_than_equal": "must be {le:g} or less",
        "literal_error": "allowed are {expected}",
        "too_short": "at least {min_length} entries are wanted",
    }
    plain = {
        "finite_number": "must be a finite number",
        "missing": "is needed",
        "float_parsing": "a number is wanted here",
        "float_type": "a number is wanted here",
        "int_from_float": "must be a whole number",
        "int_parsing": "must be a whole number",
    }
    kind = found["type"]
    if kind in bounds:
        return bounds[kind].format(**context)
    if kind == "value_error":
        return str(context.get("error", found["msg"]))
    fallback = f"{_wanted(field)} is wanted here" if field else str(found["msg"])
    return plain.get(kind, fallback)


def _short(value: Any, unit: str = "") -> str:
    text = " ".join(str(value).split()) if isinstance(value, str) else repr(value)
    text = text if len(text) <= 40 else f"{text[:37]}…"  # noqa: PLR2004 - a line of a terminal
    return f"{text} {unit}".rstrip() if isinstance(value, int | float) and unit != "1" else text
