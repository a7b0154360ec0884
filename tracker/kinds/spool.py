"""Spools, where each was kept (storage periods) and what it weighed (weighings)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.cards import Card, CardPicture
from tracker.forms import Ask, FormError, When, check_order
from tracker.kinds.base import Kind, Listing, add_note, numbered, plain, refuse_upside_down, struck_or_plain
from tracker.kinds.drying import cycle_words
from tracker.kinds.whereabouts import contradictions
from tracker.lazy_modules import lazy
from tracker.model import Drying, DryingSpool, JobSpool, Material, Spool, StoragePeriod, Weighing, live
from tracker.moments import local_day, local_time
from tracker.stating import compact

if TYPE_CHECKING:
    from tracker import history
else:
    # Reckoned for a spool that is looked at, not for every record of another kind.
    history = lazy("tracker.history")

PLACES: Final = ("open air", "sealed bag", "dry box", "printer")
OF_SPOOL: Final = Ask("spool", "Spool", "record", required=True, of=("spool",))
SUPPLIED: Final = ("bought", "given", "lent", "sponsored")
_MASS: Final[dict[str, Any]] = {"unit": "g", "low": 0.1, "high": 50_000.0}


_HEAVY_REEL_G: Final = 600.0


class SpoolKind(Kind):
    """A reel, from the day on which it came."""

    name, plural, model, place = "spool", "spools", Spool, 20
    title = "A spool arrives"
    form = (
        Ask("material", "Material", "record", required=True, of=("material",)),
        Ask("lot", "Lot", prompt=True),
        Ask("colour", "Colour"),
        Ask("diameter_mm", "Filament diameter", "number", "mm", prompt=True, low=0.5, high=6, usual="1.75"),
        Ask("net_g", "Net mass of filament on the label", "number", prompt=True, **_MASS),
        Ask("gross_g", "Mass of the whole spool as it came", "number", prompt=True, **_MASS),
        Ask("empty_g", "Mass of the empty reel", "number", **_MASS),
        Ask(
            "reel",
            "What the reel is made of",
            "choice",
            prompt=True,
            choices=("plastic", "cardboard", "none"),
        ),
        Ask("supplied", "How it came", "choice", prompt=True, choices=SUPPLIED),
        Ask("supplied_by", "From whom"),
        Ask("received_on", "Date received", "date", prompt=True, usual="today"),
        Ask("condition", "Condition on arrival (sealed, bag open, brittle …)", prompt=True),
        Ask("note", "Note"),
    )

    def check(self, session: Session, row: Any, when: When) -> None:
        """Refuse masses of which the whole is lighter than a part."""
        del session, when
        for part, name in ((row.net_g, "net mass"), (row.empty_g, "empty reel")):
            # Each part against the whole, never their sum: labels round the net mass, and reels come a few
            # per cent over or under.
            if row.gross_g is not None and part is not None and part >= row.gross_g:
                raise FormError(
                    f"The {name} ({part:g} g) is not lighter than the whole spool ({row.gross_g:g} g)",
                    do="Check both; leave out the one you are not sure of",
                )

    def odd(self, session: Session, row: Any, when: When) -> Iterable[str]:
        """Ask about masses that do not add up."""
        del session, when
        if row.net_g is not None and row.gross_g is not None and row.empty_g is not None:
            off = row.gross_g - row.net_g - row.empty_g
            # A label's net mass is within a few per cent. Common practice, no source.
            if abs(off) > 0.1 * row.net_g:
                yield (
                    f"gross less net less reel leaves {off:.0f} g; on most spools it is under"
                    f" {0.1 * row.net_g:.0f} g"
                )
        elif row.net_g is not None and row.gross_g is not None:
            reel = row.gross_g - row.net_g
            # Reels of card and plastic for up to some kilograms; a slip in the unit leaves far more.
            # Common practice, no source.
            if reel > max(_HEAVY_REEL_G, row.net_g):
                yield f"gross less net leaves a reel of {reel:.0f} g; few weigh over {_HEAVY_REEL_G:.0f} g"

    def remarks(self, session: Session, row: Any, when: When) -> list[str]:
        """What is left is known only where the reel's mass is known."""
        del session, when
        if row.empty_g is None and (row.net_g is None or row.gross_g is None):
            return ["The empty reel's mass is not recorded: what is left is known only roughly."]
        return []

    def listing(self) -> Listing:
        """With its material."""
        return (
            select(
                Spool.id, Material.name.label("material"), Spool.lot, Spool.colour, Spool.reel,
                Spool.supplied, Spool.received_on, Spool.condition,
            )
            .join(Material, Material.id == Spool.material_id)
            .order_by(Spool.id)
        )  # fmt: skip

    def head(self, row: Any) -> str:
        """ID and material."""
        return f"{self.name_of(row)}  {row.material.name}"

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """As it came, where it was, when it was weighed, dried and used."""
        card = self.begun(session, row, zone)
        card.data["material"] = row.material.name
        card.add("lot", row.lot)
        card.add("colour", row.colour)
        card.add("reel", row.reel)
        card.add("came", " ".join(filter(None, (row.supplied, row.supplied_by and f"by {row.supplied_by}"))))
        card.add("received", plain(row.received_on))
        card.add("condition", row.condition)
        card.add("diameter", compact(row.diameter_mm, "mm"), row.diameter_mm, "mm")
        masses = (row.net_g, row.gross_g, row.empty_g)
        card.add("net, gross, empty", ", ".join(compact(mass, "g") for mass in masses))
        add_note(card, row.note)
        for each in contradictions(session, row.id, dt.datetime.now(dt.UTC), zone):
            card.add("cannot both be true", f"{each.sentence}. Correct it: {each.do}")
            card.data.setdefault("contradictions", []).append({"what": each.sentence, "do": each.do})
        self._add_winding(session, row, zone, card)
        periods = _parts(session, StoragePeriod, row, StoragePeriod.began_at)
        card.add_all(
            "kept",
            struck_or_plain(periods, [f"storage{s.id}: {storage_words(s, zone)}" for s in periods]),
            None,
        )
        weighings = _parts(session, Weighing, row, Weighing.at)
        words = [
            f"weighing{each.id}: {local_time(each.at, zone)} {compact(each.mass_g, 'g')}"
            for each in weighings
        ]
        card.add_all("weighed", struck_or_plain(weighings, words))
        dryings = session.scalars(
            select(Drying).join(DryingSpool).where(DryingSpool.spool_id == row.id).order_by(Drying.began_at)
        ).all()
        cycles = [f"{ids.drying_id(each.id)}: {cycle_words(each, zone)}" for each in dryings]
        card.add_all("dried", struck_or_plain(dryings, cycles), none="never, as far as is recorded")
        used = session.scalars(select(JobSpool).where(JobSpool.spool_id == row.id).order_by(JobSpool.job_id))
        jobs = [ids.job_id(each.job_id) for each in live(used)]
        card.add("jobs", ", ".join(jobs) or "none yet")
        card.data |= {
            "storage": [numbered(each) for each in live(periods)],
            "weighings": [numbered(each) for each in live(weighings)],
            "dryings": [ids.drying_id(each.id) for each in live(dryings)],
            "jobs": jobs,
        }
        card.pictures.append(CardPicture("days", f"The days of {self.name_of(row)}"))
        return card

    def _add_winding(self, session: Session, row: Spool, zone: dt.tzinfo, card: Card) -> None:
        """Add from which reel its filament was wound, and onto which the rest of it went."""
        if row.wound_from_id is not None:
            source = ids.spool_id(row.wound_from_id)
            card.add("wound from", f"{source}, {local_time(row.wound_at, zone)}")
            card.data["wound_from"] = source
        onto = session.scalars(select(Spool).where(Spool.wound_from_id == row.id).order_by(Spool.id)).all()
        words = [f"{ids.spool_id(each.id)}, {local_time(each.wound_at, zone)}" for each in onto]
        card.add_all("wound onto", struck_or_plain(onto, words))

    def label(self, row: Any, zone: dt.tzinfo) -> dict[str, str]:
        """Material and lot."""
        del zone
        return {
            "material": row.material.name, "orientation": "", "lot": f"lot {row.lot}" if row.lot else "",
            "date": str(row.received_on or ""), "job": "", "name": row.colour or "",
        }  # fmt: skip


def _parts(session: Session, model: Any, row: Spool, order: Any) -> list[Any]:
    return list(session.scalars(select(model).where(model.spool_id == row.id).order_by(order, model.id)))


class StorageKind(Kind):
    """Where a spool was kept from when to when."""

    name, plural, model, place = "storage", "storage", StoragePeriod, 22
    owner, part, aliases, verb = ("spool_id",), "storage", ("stay",), "spool keep"
    form = (
        OF_SPOOL,
        Ask("place", "Place", "choice", required=True, choices=PLACES),
        Ask("where", "Which one (box 2, shelf by the window …)"),
        Ask("began_at", "Since when", "moment", default="now"),
        Ask("ended_at", "Until when", "moment"),
        Ask("temperature_c", "Temperature there", "number", "degC", low=-40, high=150),
        Ask("rh_pct", "Relative humidity there", "number", "percent", low=0, high=100),
        Ask("rh_low_pct", "Lowest relative humidity there", "number", "percent", low=0, high=100),
        Ask("rh_high_pct", "Highest relative humidity there", "number", "percent", low=0, high=100),
        Ask("note", "Note"),
    )

    def check(self, session: Session, row: Any, when: When) -> None:
        """Refuse an end before its beginning."""
        del session
        check_order(row.began_at, row.ended_at, "The storage period", when.zone)
        refuse_upside_down(row.rh_low_pct, row.rh_high_pct, "humidity", "%")

    def odd(self, session: Session, row: Any, when: When) -> Iterable[str]:
        """Ask about a period that began before the spool came, and one that overlaps another."""
        found = contradictions(session, row.spool_id, when.now, when.zone, row)
        yield from (each.sentence for each in found)
        spool = session.get_one(Spool, row.spool_id)
        came = spool.received_on
        if came is not None and local_day(row.began_at, when.zone) < came:
            yield f"kept there from {local_day(row.began_at, when.zone)}, before it came ({came})"

    def listing(self) -> Listing:
        """With its spool."""
        period = StoragePeriod
        return (
            select(
                period.id, period.spool_id, period.place, period.where, period.began_at, period.ended_at,
                period.temperature_c, period.rh_pct,
            )
            .order_by(period.spool_id, period.began_at)
        )  # fmt: skip

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under the spool's ID."""
        return of_spool(super().listed(row))


class WeighingKind(Kind):
    """A spool on the scales, whole."""

    name, plural, model, place = "weighing", "weighings", Weighing, 24
    owner, part, verb = ("spool_id",), "weighing", "spool weigh"
    form = (
        OF_SPOOL,
        Ask("mass_g", "Mass of the whole spool", "number", required=True, **_MASS),
        Ask("at", "Weighed at", "moment", default="now"),
        Ask("note", "Note"),
    )

    def odd(self, session: Session, row: Any, when: When) -> Iterable[str]:
        """Ask about a mass that the spool's history does not explain."""
        spool = session.get_one(Spool, row.spool_id)
        if spool.empty_g is not None and row.mass_g < 0.98 * spool.empty_g:
            yield f"{row.mass_g:g} g is less than the empty reel ({spool.empty_g:g} g)"
        before = _weighed_before(session, row)
        if before is not None:
            grams, at = before
            # Filament takes up water by tenths of a per cent; scales are off by a gram or two.
            if row.mass_g > grams + max(5.0, 0.01 * grams):
                yield (
                    f"{row.mass_g:g} g is {row.mass_g - grams:.0f} g more than it weighed"
                    f" {local_time(at, when.zone)} ({grams:g} g); a spool gets lighter"
                )
        elif spool.gross_g is not None and row.mass_g > spool.gross_g + max(5.0, 0.01 * spool.gross_g):
            yield f"{row.mass_g:g} g is more than the whole spool as it came ({spool.gross_g:g} g)"
        if spool.received_on is not None and local_day(row.at, when.zone) < spool.received_on:
            yield f"weighed {local_day(row.at, when.zone)}, before it came ({spool.received_on})"

    def remarks(self, session: Session, row: Any, when: When) -> list[str]:
        """The step since the weighing before it, or since the spool came; what is left now."""
        spool = session.get_one(Spool, row.spool_id)
        weighed = _weighed_before(session, row)
        steps = []
        if weighed is not None:
            steps = [_step(row.mass_g, weighed[0], local_time(weighed[1], when.zone))]
        elif spool.gross_g is not None:
            steps = [_step(row.mass_g, spool.gross_g, "as it came")]
        return [*steps, history.mass_left(session, spool, when.now, when.zone).sentence]

    def listing(self) -> Listing:
        """With its spool."""
        return select(Weighing.id, Weighing.spool_id, Weighing.at, Weighing.mass_g, Weighing.note).order_by(
            Weighing.at, Weighing.id
        )

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under the spool's ID."""
        return of_spool(super().listed(row))


def _step(grams: float, before: float, since: str) -> str:
    """Return in words how a mass differs from an earlier one."""
    step = round(grams - before, 3)
    if not step:
        return f"As heavy as {since}."
    return f"{abs(step):g} g {'lighter' if step < 0 else 'heavier'} than {since} ({before:g} g)."


def _weighed_before(session: Session, row: Weighing) -> tuple[float, dt.datetime] | None:
    """Return the last mass of a spool before a weighing, by itself or with a drying, with its moment."""
    weighed = select(Weighing.mass_g, Weighing.at).where(
        Weighing.spool_id == row.spool_id, Weighing.at < row.at, Weighing.id != row.id
    )
    dried = (
        select(DryingSpool.before_g, DryingSpool.after_g, Drying.began_at, Drying.ended_at)
        .join(Drying)
        .where(DryingSpool.spool_id == row.spool_id, Drying.began_at < row.at)
    )
    found = [(float(grams), at) for grams, at in session.execute(weighed)]
    for before, after, began, ended in session.execute(dried):
        found += [(before, began)] if before is not None else []
        found += [(after, ended)] if after is not None and ended is not None and ended < row.at else []
    return max(found, key=lambda each: each[1], default=None)


def of_spool(listed: dict[str, Any]) -> dict[str, Any]:
    """Return a row of a list with its spool's ID in the place of the number."""
    return {("spool" if key == "spool_id" else key): ids.spool_id(value) if key == "spool_id" else value
            for key, value in listed.items()}  # fmt: skip


def storage_words(period: StoragePeriod, zone: dt.tzinfo) -> str:
    """Return a storage period in words: place, from, until, humidity."""
    until = "now" if period.ended_at is None else local_time(period.ended_at, zone)
    where = f" ({period.where})" if period.where else ""
    air = f", {period.rh_pct:g} %RH" if period.rh_pct is not None else ""
    return f"{period.place}{where}, {local_time(period.began_at, zone)} – {until}{air}"


KINDS = (SpoolKind(), StorageKind(), WeighingKind())
