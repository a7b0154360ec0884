"""Readings: the one model that prompts, forms, schemas and CSV columns are made from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import pydantic

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


@dataclass(frozen=True)
class Recording:
    """A file that belongs to a reading: a curve, a sound, an oven log.

    Attributes:
        name: File name as it came, with its endings.
        data: Bytes as they came (gzip is undone by the readers of ``tracker.api``).
    """

    name: str
    data: bytes


class Readings(pydantic.BaseModel):
    """Base of every method's readings; numbers must be finite, unknown names are refused.

    A model says what can be *kept*: completeness for a quantity is the method's own business
    (``Outcome(refused=…)``), so that a reading taken today may wait for one taken tomorrow.
    """

    model_config = pydantic.ConfigDict(
        extra="forbid", allow_inf_nan=False, frozen=True, arbitrary_types_allowed=True
    )
    # What the numbers were taken with; set on the copy that a method computes from.
    _measuring: Any = pydantic.PrivateAttr(default=None)
