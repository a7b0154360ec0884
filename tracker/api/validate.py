"""What people type, as readings: texts parsed, checked against the model, and written out again."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pydantic

from tracker.api.method import Method
from tracker.api.readings import Field, Readings, Recording, fields
from tracker.errors import Refused

# A comma parts entries only with a blank behind it: between digits it is a decimal comma.
_ENTRIES = re.compile(r"[;\r\n]+|,\s+|,$")
# Groups of three only, so that two numbers side by side are not joined into one.
_GROUPING = re.compile(r"(?<=\d)[\s\u202f\u00a0'](?=\d{3}(?!\d))")


def number(text: str) -> float:
    r"""Return a number as typed: ``12.5``, ``12,5``, ``1 830``, ``−3``.

    Raises:
        ValueError: It is none.

    >>> number("12,5"), number("1 830"), number("\N{MINUS SIGN}3")
    (12.5, 1830.0, -3.0)
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

    >>> class Points(Readings):
    ...     rows: Annotated[tuple[tuple[str, float], ...], Reading(columns=("axis", "mm"), units=("", "mm"))]

    >>> entries(fields(Points)[0], "X:79.62 Y:59.8")
    [['X', 79.62], ['Y', 59.8]]
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
    """Return a value as the text that gives it back: what is in a CSV cell.

    Numbers are written with all their digits; a file is written as its name.

    >>> class Points(Readings):
    ...     rows: Annotated[tuple[tuple[str, float], ...], Reading(columns=("axis", "mm"), units=("", "mm"))]

    >>> text_of(fields(Points)[0], [["X", 79.62], ["Y", 59.8]])
    'X:79.62; Y:59.8'
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


@dataclass(frozen=True)
class FieldError:
    """One reading that was refused.

    Attributes:
        field: Name of the reading.
        value: What was given, shortened to one line.
        problem: What is wrong and what is allowed.

    >>> str(FieldError("width", "-3 mm", "must be greater than 0"))
    'width -3 mm: must be greater than 0'
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

    >>> ReadingsError("shear", (FieldError("width", "-3 mm", "must be greater than 0"),)).lines
    ('width -3 mm: must be greater than 0',)
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

    >>> class Weight(Method):
    ...     id, title, version, standard = "weight", "Weight", "1.0", "None"
    ...     class Readings(Readings):
    ...         mass: Annotated[float, Reading(unit="g", help="Balance")]
    ...     quantities = (Quantity("weight.mass", "g"),)

    >>> validate(Weight, {"mass": "3,97"}).mass
    3.97
    >>> validate(Weight, {"mas": 3.97})
    Traceback (most recent call last):
    tracker.api.validate.ReadingsError: weight readings refused: mas: no such reading; did you mean mass?
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
    """Return readings as plain JSON values, files left out; ``validate`` gives them back unchanged.

    >>> class Weight(Readings):
    ...     mass: Annotated[float, Reading(unit="g", help="Balance")]
    ...     photo: Annotated[Recording | None, Reading(kind="file")] = None
    >>> weighed = Weight(mass=3.97, photo=Recording("scale.jpg", b"..."))

    >>> dump(weighed)
    {'mass': 3.97}
    """
    kept = {
        field.name: getattr(readings, field.name) for field in fields(type(readings)) if field.kind != "file"
    }
    return {name: _plain(value) for name, value in kept.items() if value is not None}


def units_of(readings: Readings) -> dict[str, str]:
    """Return the unit of each reading that was taken and has one; of a series its parts', as ``h:mm``.

    >>> class Weight(Readings):
    ...     mass: Annotated[float, Reading(unit="g", help="Balance")]
    ...     photo: Annotated[Recording | None, Reading(kind="file")] = None
    >>> weighed = Weight(mass=3.97, photo=Recording("scale.jpg", b"..."))

    >>> units_of(weighed)
    {'mass': 'g'}
    """
    return {
        field.name: unit
        for field in fields(type(readings))
        if field.kind != "file"
        and (unit := field.unit or ":".join(field.units)).strip(":")
        and getattr(readings, field.name) is not None
    }


def recordings(readings: Readings) -> dict[str, Recording]:
    """Return the files among the readings by field name.

    >>> class Weight(Readings):
    ...     mass: Annotated[float, Reading(unit="g", help="Balance")]
    ...     photo: Annotated[Recording | None, Reading(kind="file")] = None
    >>> weighed = Weight(mass=3.97, photo=Recording("scale.jpg", b"..."))

    >>> [(name, file.name) for name, file in recordings(weighed).items()]
    [('photo', 'scale.jpg')]
    """
    found = {
        field.name: getattr(readings, field.name) for field in fields(type(readings)) if field.kind == "file"
    }
    return {name: value for name, value in found.items() if value is not None}


def row(readings: Readings) -> dict[str, str]:
    """Return readings as cells of a table: column name to text, blank where nothing was read.

    >>> class Weight(Readings):
    ...     mass: Annotated[float, Reading(unit="g", help="Balance")]
    ...     photo: Annotated[Recording | None, Reading(kind="file")] = None
    >>> weighed = Weight(mass=3.97, photo=Recording("scale.jpg", b"..."))

    >>> row(weighed)
    {'mass': '3.97', 'photo': 'scale.jpg'}
    """
    return {
        field.name: text_of(field, _plain(getattr(readings, field.name))) for field in fields(type(readings))
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
        return entries(field, value)
    # One number alone is a series of one, where an entry has one part.
    return [[value]] if isinstance(value, int | float) and len(field.columns) == 1 else value


def _number(field: Field, text: str) -> float:
    try:
        return number(text)
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
