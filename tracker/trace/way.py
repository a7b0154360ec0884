"""What a trace found: the rows of the way back, and which number is meant."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from tracker.trace.facts import named_rows
from tracker.trace.missing import not_recorded
from tracker.trace.reading import Row
from tracker.trace.walk import Measured, Path


@dataclass
class Way:
    """The whole way back from one thing.

    Attributes:
        book: Code of the book.
        path: The rows.
        chosen: The measurement the number belongs to, or None.
        number: The result that was asked for, or None where there is none or more than one.
        described: What is said of the method beside its id and version; units of readings, say.
        factors: Every factor of the piece with its basis; None where not asked: then those given outright.
        exposure: What is known of open-air hours and moisture at the print; None where not asked.
        zone: Zone that times are shown in; the JSON has UTC.
    """

    book: str
    path: Path
    chosen: Measured | None = None
    number: Row | None = None
    described: Mapping[str, Any] = field(default_factory=dict)
    factors: list[dict[str, Any]] | None = None
    exposure: Mapping[str, Any] | None = None
    zone: dt.tzinfo = dt.UTC

    @property
    def id(self) -> str:
        """The ID it begins at."""
        return str(self.path.ident)

    @property
    def missing(self) -> list[str]:
        """Places at which the book holds nothing, keys of :data:`tracker.trace.missing.WORDS`."""
        return not_recorded(self.path, self.chosen, self.number)

    def names(self) -> Mapping[tuple[str, str], str]:
        """Return what the rows of the path are called, by table and key."""
        return named_rows(self.path)
