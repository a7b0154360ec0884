"""Dryings: one cycle of one or more spools."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.cards import Card
from tracker.forms import Ask, When, check_order
from tracker.kinds.base import Kind, Listing, add_note, far_end, struck_or_plain
from tracker.kinds.whereabouts import contradictions
from tracker.model import Drying, Spool, live
from tracker.moments import local_day, local_time
from tracker.stating import compact


class DryingKind(Kind):
    """A cycle in the dryer; what was set and what was measured are different fields."""

    name, plural, model, place = "drying", "dryings", Drying, 30
    form = (
        Ask("set_c", "Temperature set", "number", "degC", prompt=True, low=20, high=300),
        Ask("planned_h", "Time planned", "number", "h", prompt=True, low=0.05, high=2000),
        Ask("measured_c", "Temperature measured inside", "number", "degC", low=10, high=300),
        Ask("began_at", "Began", "moment", prompt=True),
        Ask("ended_at", "Ended", "moment"),
        Ask("room_c", "Room temperature", "number", "degC", low=-20, high=60),
        Ask("room_rh_pct", "Room humidity", "number", "percent", low=0, high=100),
        Ask("dryer_rh_pct", "Humidity measured inside", "number", "percent", low=0, high=100),
        Ask("dryer", "Dryer"),
        Ask("operator", "Operator"),
        Ask("note", "Note"),
    )

    def check(self, session: Session, row: Any, when: When) -> None:
        """Refuse an end before its beginning."""
        del session
        check_order(row.began_at, row.ended_at, "The drying", when.zone)

    def odd(self, session: Session, row: Any, when: When) -> Iterable[str]:
        """Ask about a drying before its spool came, or of a spool that is dried elsewhere at that time."""
        for part in row.spools:
            spool = session.get_one(Spool, part.spool_id)
            day = local_day(row.began_at, when.zone)
            if spool.received_on is not None and day < spool.received_on:
                yield f"dried {day}, before {ids.spool_id(spool.id)} came ({spool.received_on})"
            for each in contradictions(session, part.spool_id, when.now, when.zone, row):
                yield f"{ids.spool_id(spool.id)}: {each.sentence}"
            if part.before_g is not None:
                yield from _odd_mass(part.before_g, spool)

        far = far_end(row.began_at, row.ended_at, row.planned_h, "the plan")
        if far:
            yield far

    def listing(self) -> Listing:
        """By number."""
        return select(
            Drying.id, Drying.began_at, Drying.ended_at, Drying.set_c, Drying.measured_c, Drying.planned_h
        ).order_by(Drying.id)

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """The cycle, the room, and each spool with its masses."""
        card = self.begun(session, row, zone)
        card.add("cycle", cycle_words(row, zone))
        card.add("meant", compact(row.planned_h, "h"), row.planned_h, "h")
        card.add("room", f"{compact(row.room_c, 'degC')}, {compact(row.room_rh_pct, '%')}")
        card.add("inside", compact(row.dryer_rh_pct, "%"), row.dryer_rh_pct, "%")
        card.add("dryer", row.dryer)
        spools = sorted(row.spools, key=lambda one: one.spool_id)
        for each in spools:
            masses = f"{compact(each.before_g, 'g')} before, {compact(each.after_g, 'g')} after"
            for fact in struck_or_plain([each], [f"{each.spool.material.name}: {masses}"]):
                card.add(ids.spool_id(each.spool_id), fact.text, struck=fact.struck)
        card.data["spools"] = [
            {"id": ids.spool_id(each.spool_id), "before_g": each.before_g, "after_g": each.after_g}
            for each in live(spools)
        ]
        add_note(card, row.note)
        return card

    def label(self, row: Any, zone: dt.tzinfo) -> dict[str, str]:
        """Heat, hours and the materials inside."""
        heat = f"{row.set_c:g} °C" if row.set_c is not None else ""
        hours = f"{row.planned_h:g} h" if row.planned_h is not None else ""
        return {
            "material": ", ".join(sorted({each.spool.material.name for each in row.spools})),
            "orientation": f"{heat} {hours}".strip(), "lot": "", "date": local_time(row.began_at, zone)[:10],
            "job": "", "name": row.dryer or "",
        }  # fmt: skip


_REEL_PART: Final = 0.1
"""No reel weighs less than this part of the whole spool as it came; common practice, no source."""


def _odd_mass(grams: float, spool: Any) -> Iterable[str]:
    """Ask about a mass before a drying that the spool cannot have; of the whole spool, in g."""
    ident, came, reel = ids.spool_id(spool.id), spool.gross_g, spool.empty_g
    least = 0.98 * reel if reel is not None else _REEL_PART * came if came is not None else 0.0
    if grams < least:
        against = f"the empty reel ({reel:g} g)" if reel is not None else f"any reel of {came:g} g as it came"
        yield f"{ident}: {grams:g} g is less than {against}"
    elif came is not None and grams > came + max(5.0, 0.01 * came):
        yield f"{ident}: {grams:g} g is more than the whole spool as it came ({came:g} g)"


def cycle_words(row: Drying, zone: dt.tzinfo) -> str:
    """Return a drying in words: set and measured temperature, from, until."""
    measured = f" (measured {row.measured_c:g} °C)" if row.measured_c is not None else ""
    heat = f"set {row.set_c:g} °C" if row.set_c is not None else "set temperature not recorded"
    until = local_time(row.ended_at, zone) if row.ended_at else "not ended"
    return f"{heat}{measured}, {local_time(row.began_at, zone)} – {until}"


KINDS = (DryingKind(),)
