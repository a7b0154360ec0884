"""Materials: named products and the ranges of their data sheets."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import select

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.forms import Ask, FormError, clean, refuse_taken
from tracker.desk.moments import when_at
from tracker.model import Material

_HOT: Final = {"unit": "degC", "low": -50.0, "high": 600.0}


def _range(stem: str, label: str) -> tuple[Ask, Ask]:
    return (
        Ask(f"{stem}_low_c", f"{label}, lowest of the data sheet", "number", **_HOT),  # type: ignore[arg-type]
        Ask(f"{stem}_high_c", f"{label}, highest of the data sheet", "number", **_HOT),  # type: ignore[arg-type]
    )


MATERIAL_FORM: Final = (
    Ask("name", "Name of the product", required=True),
    Ask("family", "Polymer family (PLA, PETG, ASA, PA6 …)", prompt=True),
    Ask("maker", "Maker", prompt=True),
    Ask("density_g_cm3", "Density", "number", "g/cm^3", prompt=True, low=0.1, high=10),
    *_range("nozzle", "Nozzle"),
    *_range("bed", "Bed"),
    *_range("chamber", "Chamber"),
    Ask("drying_c", "Drying temperature advised", "number", "degC", prompt=True, low=20, high=250),
    Ask("drying_h", "Drying time advised", "number", "h", low=0, high=500),
    Ask("drying_max_c", "Highest drying temperature it stands", "number", "degC", low=20, high=300),
    Ask("note", "Note"),
)


def add_material(book: Book, who: str, typed: Mapping[str, Any]) -> Done:
    """Enter a material.

    Raises:
        FormError: A field is wrong, a range is upside down, or the name is taken.
    """
    values = clean(MATERIAL_FORM, typed, when_at(book))
    check_ranges(values)
    with book.act("material add", who) as act:
        # Two spellings of one product would split its results into two materials that nobody thinks to
        # compare.
        refuse_taken("material", values["name"], act.session.scalars(select(Material.name)))
        act.session.add(Material(**values))
        act.about.append(values["name"])
    return Done(values["name"])


def check_ranges(values: Mapping[str, Any]) -> None:
    """Refuse ranges whose low end is above their high end.

    Raises:
        FormError: One is.
    """
    for stem in ("nozzle", "bed", "chamber"):
        low, high = values.get(f"{stem}_low_c"), values.get(f"{stem}_high_c")
        # A range upside down would make every job lie outside of it.
        if low is not None and high is not None and low > high:
            raise FormError(
                f"The {stem} range runs from {low:g} to {high:g} °C", do="Give the lower one first"
            )
