"""Spools: taken in, weighed, kept here and there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.finding import find, material_named
from tracker.desk.forms import Ask, FormError, clean
from tracker.desk.moments import check_order, local, when_at
from tracker.history import check_days, contradiction
from tracker.ids import spool_id
from tracker.model import Spool, Stay, Weighing

PLACES: Final = ("open air", "sealed bag", "dry box", "printer")

_MASS: Final[dict[str, Any]] = {"unit": "g", "low": 0.1, "high": 50_000.0}

OF_MATERIAL: Final = Ask("material", "Material", required=True)

SPOOL_FORM: Final = (
    Ask("lot", "Lot", prompt=True),
    Ask("colour", "Colour"),
    Ask("diameter_mm", "Filament diameter", "number", "mm", prompt=True, low=0.5, high=6, usual="1.75"),
    Ask("net_g", "Net mass of filament on the label", "number", prompt=True, **_MASS),
    Ask("gross_g", "Mass of the whole spool as it came", "number", prompt=True, **_MASS),
    Ask("empty_g", "Mass of the empty reel", "number", **_MASS),
    Ask("reel", "What the reel is made of", "choice", prompt=True, choices=("plastic", "cardboard", "none")),
    Ask("supplied", "How it came", "choice", prompt=True, choices=("bought", "given", "lent", "sponsored")),
    Ask("supplied_by", "From whom"),
    Ask("received_on", "Date received", "date", prompt=True, usual="today"),
    Ask("condition", "Condition on arrival (sealed, bag open, brittle …)", prompt=True),
    Ask("note", "Note"),
)

STAY_FORM: Final = (
    Ask("place", "Place", "choice", required=True, choices=PLACES),
    Ask("where", "Which one (box 2, shelf by the window …)"),
    Ask("began_at", "Since when", "moment"),
    Ask("ended_at", "Until when", "moment"),
    Ask("temperature_c", "Temperature there", "number", "degC", low=-40, high=150),
    Ask("rh_pct", "Relative humidity there", "number", "percent", low=0, high=100),
    Ask("rh_low_pct", "Lowest relative humidity there", "number", "percent", low=0, high=100),
    Ask("rh_high_pct", "Highest relative humidity there", "number", "percent", low=0, high=100),
    Ask("note", "Note"),
)

WEIGHING_FORM: Final = (
    Ask("mass_g", "Mass of the whole spool", "number", required=True, **_MASS),
    Ask("at", "Weighed at", "moment"),
    Ask("note", "Note"),
)


def add_spool(book: Book, who: str, material: str, typed: Mapping[str, Any]) -> Done:
    """Take a spool in.

    Raises:
        NotFoundError: There is no such material.
        FormError: A field is wrong, or the masses cannot all be true.
    """
    values = clean(SPOOL_FORM, typed, when_at(book))
    check_masses(values)
    with book.act("spool add", who) as act:
        spool = Spool(material=material_named(act.session, material), **values)
        act.session.add(spool)
        act.session.flush()
        act.about.append(spool_id(spool.id))
    return Done(spool_id(spool.id), _unknown_masses(values))


def check_masses(values: Mapping[str, Any]) -> None:
    """Refuse masses that contradict each other.

    Raises:
        FormError: The whole is lighter than a part of it.
    """
    net, gross, empty = values.get("net_g"), values.get("gross_g"), values.get("empty_g")
    for part, name in ((net, "net mass"), (empty, "empty reel")):
        # Each part against the whole, never their sum: labels round the net mass, and reels come a few per
        # cent over or under.
        if gross is not None and part is not None and part >= gross:
            raise FormError(
                f"The {name} ({part:g} g) is not lighter than the whole spool ({gross:g} g)",
                do="Check both; leave out the one you are not sure of",
            )


def _unknown_masses(values: Mapping[str, Any]) -> list[str]:
    if values["empty_g"] is None and (values["net_g"] is None or values["gross_g"] is None):
        return ["The empty reel's mass is not recorded: what is left can be told only roughly."]
    return []


def keep_spool(book: Book, who: str, spool: str, typed: Mapping[str, Any]) -> Done:
    """Put a spool somewhere; the stay it was in ends as this one begins.

    Raises:
        FormError: The stay overlaps another one; both are named.
    """
    when = when_at(book)
    values = clean(STAY_FORM, typed, when)
    values["began_at"] = values["began_at"] or when.now
    check_order(values["began_at"], values["ended_at"], "The stay", book.zone)
    check_humidity(values["rh_low_pct"], values["rh_high_pct"])
    with book.act("spool keep", who) as act:
        row = find(book, act.session, spool, "spool")
        # A book may hold contradictions from before they were looked for; only new ones are refused, or
        # nothing could be entered any more.
        already = contradiction(act.session, row, when.now)
        ended = _end_running(act, row, values["began_at"])
        stay = Stay(spool_id=row.id, **values)
        refuse_overlap(act.session, stay, book.zone)
        act.session.add(stay)
        # A closed stay inside a running one is an excursion: afterwards the spool is back where it was.
        if ended is not None and stay.ended_at is not None:
            act.session.flush()
            act.session.add(_gone_on(ended, stay.ended_at))
        check_days(act.session, row, when.now, besides=already)
        act.about.append(spool_id(row.id))
    says = [f"{ended.place} ended {local(ended.ended_at, book.zone)}."] if ended is not None else []
    return Done(spool_id(row.id), says)


def _gone_on(stay: Stay, since: dt.datetime) -> Stay:
    """Return the stay that went on where it was when a short one inside it was over."""
    return Stay(
        spool_id=stay.spool_id, place=stay.place, where=stay.where, began_at=since,
        temperature_c=stay.temperature_c, rh_pct=stay.rh_pct, rh_low_pct=stay.rh_low_pct,
        rh_high_pct=stay.rh_high_pct, note=stay.note,
    )  # fmt: skip


def check_humidity(low: float | None, high: float | None) -> None:
    """Refuse a lowest humidity above the highest.

    Raises:
        FormError: It is.
    """
    if low is not None and high is not None and low > high:
        raise FormError(f"The humidity runs from {low:g} to {high:g} %", do="Give the lower one first")


def _end_running(act: Act, spool: Spool, at: dt.datetime) -> Stay | None:
    running = act.session.scalar(
        select(Stay)
        .where(Stay.spool_id == spool.id, Stay.ended_at.is_(None), Stay.began_at <= at)
        .order_by(Stay.began_at.desc())
        .limit(1)
    )
    if running is not None:
        # A spool is in one place: whoever puts it into the box has taken it off the printer, and seldom
        # says so.
        running.ended_at = at
        act.session.flush()
    return running


def refuse_overlap(session: Session, stay: Stay, zone: dt.tzinfo) -> None:
    """Refuse a stay that shares time with another of the same spool.

    Raises:
        FormError: It does; both are named.
    """
    others = session.scalars(select(Stay).where(Stay.spool_id == stay.spool_id))
    for other in (each for each in others if each is not stay):
        starts_before_end = stay.ended_at is None or other.began_at < stay.ended_at
        ends_after_start = other.ended_at is None or other.ended_at > stay.began_at
        if starts_before_end and ends_after_start:
            raise FormError(
                f"{span_text(stay, zone)} overlaps {span_text(other, zone)}",
                do="One spool is in one place: correct the times with --began and --ended",
            )


def span_text(stay: Stay, zone: dt.tzinfo) -> str:
    """Return a stay in words: place, from, until."""
    until = local(stay.ended_at, zone) if stay.ended_at else "still there"
    return f"{stay.place} {local(stay.began_at, zone)} – {until}"


def weigh_spool(book: Book, who: str, spool: str, typed: Mapping[str, Any]) -> Done:
    """Enter a weighing of a whole spool.

    Raises:
        FormError: A field is wrong.
    """
    when = when_at(book)
    values = clean(WEIGHING_FORM, typed, when)
    values["at"] = values["at"] or when.now
    with book.act("spool weigh", who) as act:
        row = find(book, act.session, spool, "spool")
        act.session.add(Weighing(spool_id=row.id, **values))
        act.about.append(spool_id(row.id))
    return Done(spool_id(row.id))
