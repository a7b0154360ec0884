"""Test methods: what a plugin supplies, what it answers, and what it may know of the thing tested."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

from tracker.api.readings import Field, Readings, fields
from tracker.api.uncertainty import Contribution


@dataclass(frozen=True)
class Piece:
    """The specimen (or spool) under test, as far as it is recorded; None is "not recorded".

    Attributes:
        id: Its ID, ``J0012-04-K`` or ``S0007-K``.
        kind: ``specimen`` or ``spool``.
        name: Name of the object on the plate, or of the product.
        orientation: Letters of ISO/ASTM 52921, ``XYZ``.
        outcome: ``good``, ``usable``, ``failed`` or None.
        geometry: Name of the geometry template it was recognised as, or None.
        nominal_mm: Template dimensions by name (``width``, ``thickness``, ``length``).
        box_mm: Size of the printed box along X, Y and Z.
        material: Product name; ``family`` its polymer family.
        density_g_cm3: From the data sheet.
        factors: Every recorded factor by name.

    >>> Piece(id="J0012-04-K", orientation="XYZ", nominal_mm={"width": 10.0}).nominal_mm["width"]
    10.0
    """

    id: str = ""
    kind: str = "specimen"
    name: str = ""
    orientation: str | None = None
    outcome: str | None = None
    geometry: str | None = None
    nominal_mm: Mapping[str, float] = field(default_factory=dict)
    box_mm: tuple[float, float, float] | None = None
    material: str | None = None
    family: str | None = None
    density_g_cm3: float | None = None
    factors: Mapping[str, float | str | None] = field(default_factory=dict)


Relation = Literal["=", ">", "<"]


@dataclass(frozen=True)
class Quantity:
    """A thing that a method determines, in one fixed unit.

    Attributes:
        name: Dotted, with the method first: ``tensile.strength``.
        unit: Unit of every value of it, as pint reads it (``MPa``, ``kJ/m^2``); ``"1"`` for a
            ratio or a grade.
        larger_is_better: None where neither is better.
        title: A few words for people; the name is used where empty.
        scale: ``number`` can be averaged; ``ordinal`` grades are ranked, never averaged.
        positive: The quantity cannot be zero or negative, so its logarithm may be analysed.
        property: What of the material it is, for comparing with its polymer family: ``modulus``, ``strength``
            or ``density`` (``tracker.api.maths.family_span``); empty for none.

    >>> Quantity("shear.strength", "MPa", title="shear strength", property="strength").positive
    True
    """

    name: str
    unit: str
    larger_is_better: bool | None = True
    title: str = ""
    scale: Literal["number", "ordinal"] = "number"
    positive: bool = True
    property: str = ""


@dataclass(frozen=True)
class Outcome:
    """What one measurement says of one quantity.

    Attributes:
        quantity: Name of a declared quantity.
        value: A number in the quantity's unit, plain or carrying its standard uncertainty
            (``uncertainties.UFloat``); None where the quantity is refused.
        relation: ``=`` as a rule; ``>`` or ``<`` for a limit that was not reached (censored).
        remarks: Sentences to be kept beside the value (rule used, conditions not met).
        refused: Why there is no value, and what would give one; empty where there is one.
        uncertainty: Standard uncertainty, for methods that propagate by themselves (fits); None
            lets it be read off ``value``.
        group: What it may be averaged with: results of another group (another break type) never are.
        budget: Its contributions, where ``uncertainty`` is given; else read off ``value`` too.

    >>> Outcome("shear.strength", 31.2, remarks=("Pin of 5.00 mm.",)).relation
    '='
    >>> Outcome("shear.strength", refused="no section: measure the pin").value is None
    True
    """

    quantity: str
    value: Any = None
    relation: Relation = "="
    remarks: tuple[str, ...] = ()
    refused: str = ""
    uncertainty: float | None = None
    budget: tuple[Contribution, ...] = ()
    group: str = ""


@dataclass(frozen=True)
class Due:
    """When a test that runs over days wants its next reading.

    Attributes:
        after_s: Seconds after the time of the record, which is that of the last reading entered with it.
        what: What to do, a few words: ``read creep at 24 h``.

    >>> Due(after_s=24 * 3600.0, what="read creep at 24 h").what
    'read creep at 24 h'
    """

    after_s: float
    what: str


@dataclass(frozen=True)
class Formula:
    """A formula by which a method computes, as people read it.

    Attributes:
        text: The formula itself: ``σ = F/(b h)``.
        symbols: What its letters stand for, with units; parts stand apart by semicolons.
        source: Where it is from, with edition; "from memory" where nobody looked it up.

    >>> print(Formula("σ = F/A", "σ stress, MPa; F force, N; A section, mm²", "ISO 527-1:2019, 10.1"))
    σ = F/A (σ stress, MPa; F force, N; A section, mm²; ISO 527-1:2019, 10.1)
    """

    text: str
    symbols: str = ""
    source: str = ""

    def __str__(self) -> str:
        beside = "; ".join(part for part in (self.symbols, self.source) if part)
        return f"{self.text} ({beside})" if beside else self.text

    def data(self) -> dict[str, str]:
        """Return it as plain JSON values."""
        return {"text": self.text, "symbols": self.symbols, "source": self.source}


class Method:
    """Base class of test methods: declarations, one computation, and perhaps a figure.

    Attributes:
        id: One lower-case word: ``tensile``.
        title: What people call it.
        version: Of the arithmetic; goes into every result. Raise it when a number would change.
        standard: The standard followed, with its edition, and how the bench rig departs from it.
        cautions: Hazards shown where readings are taken.
        subject: What it is done on.
        destructive: The piece is used up; a second destructive test on it is questioned.
        Readings: The readings model.
        quantities: What it may answer.
        formulas: By which it computes, with their sources, for people.
        key: Name of the quantity that stands for it in a summary; empty takes the first.
        over_time: Name of the series that grows while the test runs over hours or days; its first part is the
            time since the start, in h, min, s or d. Empty for a test that is read once.

    >>> class Weight(Method):
    ...     id, title, version = "weight", "Weight of a piece", "1.0"
    ...     standard = "None: a balance."
    ...     class Readings(Readings):
    ...         mass: float
    ...     quantities = (Quantity("weight.mass", "g"),)
    ...     def compute(self, readings, piece):
    ...         yield Outcome("weight.mass", readings.mass)
    >>> [outcome.value for outcome in Weight().compute(Weight.Readings(mass=3.97), Piece())]
    [3.97]
    """

    id: ClassVar[str]
    title: ClassVar[str]
    version: ClassVar[str]
    standard: ClassVar[str]
    cautions: ClassVar[tuple[str, ...]] = ()
    subject: ClassVar[Literal["specimen", "spool"]] = "specimen"
    destructive: ClassVar[bool] = False
    Readings: ClassVar[type[Readings]]
    quantities: ClassVar[tuple[Quantity, ...]]
    formulas: ClassVar[tuple[Formula, ...]] = ()
    key: ClassVar[str] = ""
    over_time: ClassVar[str] = ""

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer what can be answered from the readings.

        Args:
            readings: The validated ``Readings``, its numbers (also those inside a series) carrying
                their standard uncertainty as ``uncertainties.UFloat``; files are ``Recording``.
            piece: What is recorded about the thing tested.

        Returns:
            One outcome for each quantity that has a value or deserves a reason for having none.

        Raises:
            Refused: The readings as a whole are unusable; the text goes to the person as it stands.
        """
        raise NotImplementedError

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Return a matplotlib ``Figure`` of the readings with the results, or None.

        Args:
            readings: The validated ``Readings``, plain numbers.
            piece: What is recorded about the thing tested.
            outcomes: The results as computed; each has ``quantity``, ``value``, ``uncertainty``,
                ``relation``, ``remarks`` and ``refused``.
        """
        del readings, piece, outcomes
        return None

    def next_due(self, readings: Any) -> Due | None:
        """Return when a test that runs over days wants its next reading; None where it has all it wants.

        Args:
            readings: The readings so far, plain numbers.
        """
        del readings
        return None

    @property
    def key_quantity(self) -> Quantity:
        """The quantity that stands for the method in a summary."""
        return next((each for each in self.quantities if each.name == self.key), self.quantities[0])

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings as a person might give them; the generic suite tries them all."""
        return []


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

    >>> class Weight(Method):
    ...     id, title, version, standard = "weight", "Weight", "1.0", "None"
    ...     class Readings(Readings):
    ...         mass: float
    ...     quantities = (Quantity("weight.mass", "g"),)
    >>> schema(Weight)["required"]
    ['mass']
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
