"""How a record is put: a title, facts in lines for people, and the same facts as JSON."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from tracker.units import compact


@dataclass
class Shown:
    """A record, ready to be shown.

    Attributes:
        title: First line.
        facts: Label and text; an empty label goes on under the one before.
        data: The same for machines.
    """

    title: str
    facts: list[tuple[str, str]] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)

    def add(self, label: str, text: Any) -> None:
        """Add a fact; None is "not recorded"."""
        self.facts.append((label, "not recorded" if text is None or text == "" else str(text)))

    def add_all(self, label: str, texts: Iterable[str], none: str | None = "") -> None:
        """Add facts under one label; with none of them ``none`` is said, and nothing where that is empty."""
        said = list(texts)
        for number, text in enumerate(said):
            self.add("" if number else label, text)
        if not said and none != "":
            self.add(label, none)


def when(moment: dt.datetime | None, zone: dt.tzinfo) -> str | None:
    """Return a moment in the bench's zone, to the minute."""
    return None if moment is None else f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def iso(moment: dt.datetime | dt.date | None) -> str | None:
    """Return a moment or date as JSON has it."""
    return None if moment is None else moment.isoformat()


def columns(row: Any) -> dict[str, Any]:
    """Return a row's own columns as JSON has them; its number, entry and links are left out."""
    left_out = {"id", "entry", "plate_facts"}
    return {
        column.name: iso(value) if isinstance(value, (dt.datetime, dt.date)) else value
        for column in row.__table__.c
        if column.name not in left_out and not column.name.endswith("_id")
        for value in [getattr(row, column.key)]
    }


def numbered(row: Any) -> dict[str, Any]:
    """Return a row without an ID of its own: its columns, and the number by which ``amend`` finds it."""
    return {"number": row.id, **columns(row)}


def span(low: float | None, high: float | None, unit: str = "degC") -> str | None:
    """Return a range, an open end as ``…``; None where neither end is known."""
    if low is None and high is None:
        return None
    return f"{compact(low, missing='…')} – {compact(high, unit, missing='…')}"


def add_note(told: Shown, note: str | None) -> None:
    """Add a note where there is one; its absence is nothing to tell."""
    if note:
        told.add("note", note)
