"""Readings: the one model that prompts, forms, schemas and CSV columns are made from."""

from __future__ import annotations

import types
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import pydantic
from pydantic.fields import FieldInfo

from tracker.errors import Refused

FieldKind = Literal["number", "text", "choice", "series", "file"]


@dataclass(frozen=True)
class Reading:
    """Annotation of one field of a ``Readings`` model.

    Attributes:
        unit: Unit the stored number has; empty for text, choices and files.
        help: One line for the prompt: what to read, where, when.
        resolution: Step of the reading as it is usually taken, in ``unit``; half of it bounds
            the rounding error (rectangular, GUM type B). None: taken as exact.
        kind: What is typed; guessed from the type where None.
        columns: For a series, the names of the parts of one entry (``("axis", "nominal")``).
        units: For a series, their units; empty text where a part is a word.
        resolutions: For a series, their steps; None where a part is exact or a word.
        parse: For a series, text as typed to a list of entries.
        ask: Whether it is prompted for; False: taken only when named, as rare readings are.
        exact: It was set or given, not read: no instrument and no step makes it uncertain.
        exact_columns: For a series, the names of the parts that are (``("nominal",)``).
        reads: For a file, the reader that can say what it understands of it: ``curve``, ``heating``,
            ``diameters``.

    >>> Reading(unit="mm", help="Calipers, mid length", resolution=0.01).unit
    'mm'
    """

    unit: str = ""
    help: str = ""
    resolution: float | None = None
    kind: FieldKind | None = None
    columns: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    resolutions: tuple[float | None, ...] = ()
    parse: Callable[[str], Any] | None = None
    ask: bool = True
    exact: bool = False
    exact_columns: tuple[str, ...] = ()
    reads: str = ""


@dataclass(frozen=True)
class Recording:
    r"""A file that belongs to a reading: a curve, a sound, an oven log.

    Attributes:
        name: File name as it came, with its endings.
        data: Bytes as they came (gzip is undone by the readers of ``tracker.api``).
        read_as: How a person said it is to be read, where the file alone does not say: ``decimal``
            (``comma``, ``point``), ``force`` (name of a column), ``force.unit``, ``take.spike`` (what to do
            about a finding).

    >>> Recording("pull.csv", b"time_s,force_N\n0,0\n", {"decimal": "point"}).read_as["decimal"]
    'point'
    """

    name: str
    data: bytes
    read_as: Mapping[str, str] = field(default_factory=dict)


class Readings(pydantic.BaseModel):
    """Base of every method's readings; numbers must be finite, unknown names are refused.

    A model says what can be *kept*: completeness for a quantity is the method's own business
    (``Outcome(refused=…)``), so that a reading taken today may wait for one taken tomorrow.

    >>> class Bar(Readings):
    ...     width: Annotated[float, Reading(unit="mm", help="Calipers", resolution=0.01)]
    >>> Bar(width=10.02).width
    10.02
    """

    model_config = pydantic.ConfigDict(
        extra="forbid", allow_inf_nan=False, frozen=True, arbitrary_types_allowed=True
    )
    # What the numbers were taken with; set on the copy that a method computes from.
    _measuring: Any = pydantic.PrivateAttr(default=None)


_BOUNDS = {
    "gt": "greater than {}",
    "ge": "{} or more",
    "lt": "less than {}",
    "le": "{} or less",
}


@dataclass(frozen=True)
class Field:
    """One thing to be read, typed or attached.

    Attributes:
        name: Name of the field, also its CSV column and form name.
        unit: Unit a bare number is taken in; empty for words and files.
        help: One line for the prompt.
        resolution: Step of the reading as it is usually taken, in ``unit``; None: exact.
        kind: ``number``, ``text``, ``choice``, ``series`` or ``file``.
        required: Whether the readings cannot be kept without it.
        default: What it is where nothing is given.
        choices: For a choice, what may be answered.
        columns: For a series, the names of the parts of one entry.
        units: For a series, the unit of each part; empty text for a word.
        resolutions: For a series, the step of each part.
        column_choices: For a series, what may be answered in each part; empty where anything may.
        ask: Whether it is prompted for; False: taken only when named.
        allowed: The bounds in words, ``greater than 0``; empty where any number will do.
        annotation: Its type in the model, without ``None``.
        reading: The annotation it was made from.

    >>> class Bar(Readings):
    ...     width: Annotated[float, Reading(unit="mm", help="Calipers", resolution=0.01)]
    >>> field = fields(Bar)[0]
    >>> field.name, field.hint, field.kind, field.required
    ('width', 'mm', 'number', True)
    """

    name: str
    unit: str
    help: str
    resolution: float | None
    kind: FieldKind
    required: bool
    default: Any
    choices: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    resolutions: tuple[float | None, ...] = ()
    column_choices: tuple[tuple[str, ...], ...] = ()
    ask: bool = True
    allowed: str = ""
    annotation: Any = float
    reading: Reading = field(default_factory=Reading)

    @property
    def hint(self) -> str:
        """What to type, in brackets behind the name: the unit, the choices, or the form of an entry."""
        if self.kind == "series":
            return ":".join(
                f"{name} [{unit}]" if unit else name
                for name, unit in zip(self.columns, self.units, strict=True)
            )
        return "/".join(self.choices) or self.unit


@cache
def fields(readings: type[Readings]) -> tuple[Field, ...]:
    """Return the fields of a readings model in their order of declaration.

    Raises:
        Refused: A field has a type that cannot be prompted for, or a series does not name its parts.

    >>> class Bar(Readings):
    ...     width: Annotated[float, Reading(unit="mm", help="Calipers", resolution=0.01)]
    ...     note: str = ""
    >>> [field.name for field in fields(Bar)]
    ['width', 'note']
    """
    return tuple(_field(name, info) for name, info in readings.model_fields.items())


def _field(name: str, info: FieldInfo) -> Field:
    reading = next((item for item in info.metadata if isinstance(item, Reading)), Reading())
    bare, nested = _bare(info.annotation)
    kind = reading.kind or _kind(name, bare)
    parts = _parts(name, bare, reading) if kind == "series" else ()
    count = len(parts)
    return Field(
        name=name,
        unit=reading.unit,
        help=reading.help or (info.description or ""),
        resolution=reading.resolution,
        kind=kind,
        # Pydantic keeps "required" and "default" apart; a default of None is still a default.
        required=info.is_required(),
        default=None if info.is_required() else info.get_default(call_default_factory=True),
        # What is inside ``| None`` decides: an optional choice is prompted for like any other.
        choices=_choices(bare),
        columns=reading.columns,
        units=_padded(reading.units, count, ""),
        resolutions=_padded(reading.resolutions, count, None),
        column_choices=tuple(_choices(_bare(part)[0]) for part in parts),
        ask=reading.ask,
        allowed=_allowed((*info.metadata, *nested)),
        annotation=bare,
        reading=reading,
    )


def _padded(given: tuple[Any, ...], count: int, filler: Any) -> tuple[Any, ...]:
    return (*given, *[filler] * (count - len(given)))


def _bare(annotation: Any) -> tuple[Any, tuple[Any, ...]]:
    """Return a type without ``None`` and ``Annotated``, and the metadata met on the way."""
    metadata: tuple[Any, ...] = ()
    # ``Annotated`` and ``| None`` may wrap each other in any depth and order.
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *found = get_args(annotation)
            metadata += tuple(found)
        elif get_origin(annotation) in {Union, types.UnionType}:
            inner = [part for part in get_args(annotation) if part is not type(None)]
            # ``int | str`` has no one way to be typed; the kind is then refused by the caller.
            if len(inner) != 1:
                return annotation, metadata
            annotation = inner[0]
        else:
            return annotation, metadata


def _kind(name: str, bare: Any) -> FieldKind:
    """Guess what is typed from the type that is kept.

    Raises:
        Refused: A type that can be neither prompted for nor written in a table.
    """
    if get_origin(bare) is Literal:
        return "choice"
    if get_origin(bare) in {tuple, list}:
        return "series"
    plain: dict[Any, FieldKind] = {float: "number", int: "number", str: "text", Recording: "file"}
    if bare in plain:
        return plain[bare]
    raise Refused(
        f"reading {name!r} has the type {bare!r}",
        why="it can be neither prompted for nor written in a table",
        do="Use float, int, str, Literal, Recording, or a tuple of tuples.",
    )


def _parts(name: str, bare: Any, reading: Reading) -> tuple[Any, ...]:
    """Return the types of the parts of one entry of a series.

    Raises:
        Refused: An entry has another number of parts than it names.
    """
    # ``tuple[E, ...]`` and ``list[E]`` both have the entry first.
    (entry, *_) = get_args(bare) or (Any,)
    entry, _metadata = _bare(entry)
    # A series of single numbers may be declared without its inner tuple.
    parts = get_args(entry) if get_origin(entry) is tuple else (entry,)
    if len(parts) != len(reading.columns):
        raise Refused(
            f"series {name!r} has {len(parts)} parts an entry and names {len(reading.columns)}",
            do='Name each part: Reading(columns=("axis", "nominal", "measured")).',
        )
    return parts


def _choices(bare: Any) -> tuple[str, ...]:
    return tuple(str(choice) for choice in get_args(bare)) if get_origin(bare) is Literal else ()


def _allowed(metadata: Iterable[Any]) -> str:
    # Bounds come as objects with one attribute each; other metadata has none of these names.
    words = [
        text.format(f"{float(getattr(item, bound)):g}")
        for item in metadata
        for bound, text in _BOUNDS.items()
        if isinstance(getattr(item, bound, None), int | float)
    ]
    return " and ".join(words)
