"""The demonstration: a bench of our own invention, its days, and a walk through the book they make.

``scenario.toml`` says what happened when; ``building`` lets it happen through the same desk functions
that people use; ``readings`` makes the raw readings a rig would have given; ``walking`` shows the
book. ``year.toml`` and ``year`` are the large one: a year with causes that the program should find. Makers,
products and every number are invented; only the polymer families are real.
"""

from __future__ import annotations

from typing import Any

from tracker_demo.building import build
from tracker_demo.walking import Walked, walk

__all__ = ["Walked", "build", "build_year", "questions", "walk"]


def __getattr__(name: str) -> Any:
    """Load the large demonstration when it is asked for: it brings publishing and pictures."""
    if name in ("build_year", "questions"):
        from tracker_demo import year  # noqa: PLC0415 - the short walk needs none of it

        return getattr(year, name)
    raise AttributeError(name)
