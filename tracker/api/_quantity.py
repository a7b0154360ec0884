"""What a method answers: quantities, and the outcomes it gives for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from tracker.api._gum import Contribution

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
    """

    quantity: str
    value: Any = None
    relation: Relation = "="
    remarks: tuple[str, ...] = ()
    refused: str = ""
    uncertainty: float | None = None
    budget: tuple[Contribution, ...] = ()
    group: str = ""
