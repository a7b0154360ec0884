"""Materials: named products of a polymer family, with the ranges of their data sheets."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from tracker.cards import Card
from tracker.forms import Ask, When
from tracker.kinds.base import Kind, Listing, add_note, refuse_upside_down, span
from tracker.model import Material
from tracker.stating import compact

HEATED: Final = ("nozzle", "bed", "chamber")
_HOT: Final[dict[str, Any]] = {"unit": "degC", "low": -50.0, "high": 600.0}


def _range(stem: str) -> tuple[Ask, Ask]:
    label = stem.capitalize()
    return (
        Ask(f"{stem}_low_c", f"{label}, lowest of the data sheet", "number", **_HOT),
        Ask(f"{stem}_high_c", f"{label}, highest of the data sheet", "number", **_HOT),
    )


class MaterialKind(Kind):
    """A material goes by its name: it hangs on no hook and bears no label."""

    name, plural, model, unique, place = "material", "materials", Material, "name", 10
    title = "A new material"
    form = (
        Ask("name", "Name of the product", required=True),
        Ask("family", "Polymer family (PLA, PETG, ASA, PA6 …)", prompt=True),
        Ask("maker", "Maker", prompt=True),
        Ask("density_g_cm3", "Density", "number", "g/cm^3", prompt=True, low=0.1, high=10),
        *(ask for stem in HEATED for ask in _range(stem)),
        Ask("drying_c", "Drying temperature advised", "number", "degC", prompt=True, low=20, high=250),
        Ask("drying_h", "Drying time advised", "number", "h", low=0, high=500),
        Ask("drying_max_c", "Highest drying temperature it withstands", "number", "degC", low=20, high=300),
        Ask("note", "Note"),
    )

    def check(self, session: Session, row: Any, when: When) -> None:
        """Refuse a name that is taken, and ranges upside down: every job would lie outside of one."""
        # Two spellings of one product would split its results into two materials that nobody thinks to
        # compare.
        super().check(session, row, when)
        for stem in HEATED:
            refuse_upside_down(getattr(row, f"{stem}_low_c"), getattr(row, f"{stem}_high_c"), f"{stem} range")

    def listing(self) -> Listing:
        """By name."""
        return select(
            Material.name, Material.family, Material.maker, Material.density_g_cm3, Material.drying_c
        ).order_by(Material.name)

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Its ID is its name."""
        return {"id": row.name, **row._mapping}

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """The data sheet, each range on one line."""
        card = self.begun(session, row, zone)
        card.add("family", row.family)
        card.add("maker", row.maker)
        card.add("density", compact(row.density_g_cm3, "g/cm^3"), row.density_g_cm3, "g/cm^3")
        for stem in HEATED:
            card.add(stem, span(getattr(row, f"{stem}_low_c"), getattr(row, f"{stem}_high_c")))
        hours = compact(row.drying_h, "h", "time not recorded")
        card.add("drying", f"{compact(row.drying_c, 'degC', 'temperature not recorded')}, {hours}")
        card.add("withstands at most", compact(row.drying_max_c, "degC"), row.drying_max_c, "degC")
        add_note(card, row.note)
        return card


KINDS = (MaterialKind(),)
