"""One thing on the way back, as it is shown on the screen and drawn in the picture."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Station:
    """One thing on the way back.

    Attributes:
        label: One word that says what it is.
        head: Its ID, name or value.
        facts: What is known of it, one short clause each.
        known: False where the book holds nothing here.
        link: How it comes from the next station: ``computed from``.
        sides: What stands beside it.
    """

    label: str
    head: str
    facts: tuple[str, ...] = ()
    known: bool = True
    link: str = ""
    sides: tuple[Station, ...] = ()
