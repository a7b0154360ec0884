"""Rigs and instruments: what is measured with, how far it can be trusted, since when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import Instrument
from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.finding import find
from tracker.desk.forms import Ask, FormError, clean, refuse_taken
from tracker.desk.moments import when_at
from tracker.ids import rig_id
from tracker.model import Calibration, Rig
from tracker.units import parse, same_kind

CANONICAL: Final = {"force": "N", "length": "mm", "mass": "g", "angle": "degree", "temperature": "degC",
                    "time": "s"}  # fmt: skip
"""Unit in which capacity, resolution and calibration of each kind of reading are kept."""

RIG_FORM: Final = (
    Ask("name", "Name", required=True),
    Ask("role", "A rig to test on, or an instrument to read", "choice", required=True,
        choices=("rig", "instrument")),
    Ask("measures", "What it reads", "choice", prompt=True, choices=tuple(CANONICAL)),
    Ask("low", "Least reading it is good for"),
    Ask("capacity", "Greatest reading it is good for", prompt=True),
    Ask("resolution", "Smallest step it shows", prompt=True),
    Ask("methods", "Methods it serves (empty: any)"),
    Ask("recalibrate_days", "Days until it should be calibrated again", "whole", low=1, high=36_500),
    Ask("note", "Note"),
)  # fmt: skip

OF_RIG: Final = Ask("rig", "Rig or instrument", required=True)

CALIBRATION_FORM: Final = (
    Ask("done_on", "Done on", "date", prompt=True, usual="today"),
    Ask("uncertainty", "Uncertainty found (2 N, or 0.5 % of the reading)", required=True),
    Ask(
        "k",
        "Coverage factor of it (1 for a standard uncertainty)",
        "number",
        prompt=True,
        low=0.5,
        high=5,
        usual="1",
    ),
    Ask("reference", "Compared with"),
    Ask("note", "Note"),
)


def add_rig(book: Book, who: str, typed: Mapping[str, Any]) -> Done:
    """Enter a rig or an instrument.

    Raises:
        FormError: A field is wrong, or the name is taken.
    """
    values = rig_columns(clean(RIG_FORM, typed, when_at(book)))
    with book.act("rig add", who) as act:
        refuse_taken("rig", values["name"], act.session.scalars(select(Rig.name)))
        rig = Rig(**values)
        act.session.add(rig)
        act.session.flush()
        act.about.append(rig_id(rig.id))
    return Done(rig_id(rig.id), [f"Not calibrated yet: strandbook rig calibrate {rig_id(rig.id)}"])


def rig_columns(answers: Mapping[str, Any]) -> dict[str, Any]:
    """Return a rig's columns from the answers to :data:`RIG_FORM`: figures in the canonical unit.

    Raises:
        FormError: A figure without saying what the rig reads, or one that cannot be.
    """
    unit = CANONICAL.get(answers["measures"] or "")
    figures = {key: _in_unit(answers[key], unit, key) for key in ("low", "capacity", "resolution")}
    if (
        figures["low"] is not None
        and figures["capacity"] is not None
        and figures["low"] >= figures["capacity"]
    ):
        raise FormError(
            f"The range runs from {answers['low']} to {answers['capacity']}", do="Give the lower end as --low"
        )
    methods = (answers["methods"] or "").replace(",", " ").split()
    return {**answers, **figures, "unit": unit, "methods": methods or None}


def rig_answers(rig: Rig) -> dict[str, Any]:
    """Return a rig as answers to :data:`RIG_FORM`, to be corrected and read again."""
    answers = {ask.name: getattr(rig, ask.name) for ask in RIG_FORM}
    for key in ("low", "capacity", "resolution"):
        answers[key] = None if answers[key] is None else f"{answers[key]!r} {rig.unit}"
    return {**answers, "methods": " ".join(rig.methods or ())}


def _in_unit(typed: str | None, unit: str | None, key: str) -> float | None:
    if typed is None:
        return None
    if unit is None:
        raise FormError(f"{key} {typed}: of what", do="Say what it reads, as --measures force")
    value = parse(typed, unit, key)
    if value < 0 or (value == 0 and key != "low"):
        raise FormError(f"{key} must be above zero, {typed} is not")
    return value


def calibrate(book: Book, who: str, rig: str, typed: Mapping[str, Any]) -> Done:
    """Enter a calibration.

    Raises:
        FormError: A field is wrong, or the rig reads nothing that could be calibrated.
    """
    when = when_at(book)
    values = clean(CALIBRATION_FORM, typed, when)
    with book.act("rig calibrate", who) as act:
        row = find(book, act.session, rig, "rig")
        if row.unit is None:
            raise FormError(f"{rig_id(row.id)} reads nothing", do="strandbook amend it: measures=force")
        # Divided by the coverage factor below: certificates mostly state twice the standard uncertainty,
        # and the arithmetic wants the single one.
        u_abs, u_rel = read_uncertainty(values["uncertainty"], row.unit)
        k = values["k"] or 1.0
        act.session.add(
            Calibration(
                rig_id=row.id, done_on=values["done_on"] or when.today, u_abs=u_abs / k, u_rel=u_rel / k,
                reference=values["reference"], note=values["note"],
            )
        )  # fmt: skip
        act.about.append(rig_id(row.id))
    return Done(rig_id(row.id))


def read_uncertainty(typed: str, unit: str) -> tuple[float, float]:
    """Return absolute and relative uncertainty from ``2 N``, ``0.5 %`` or ``1 N + 0.2 %``.

    Raises:
        FormError: A part is negative or of another kind.
    """
    absolute = relative = 0.0
    for part in typed.split("+"):
        if "%" in part:
            value = parse(part.split("%")[0], "1", "uncertainty") / 100
            relative += value
        else:
            value = parse(part, unit, "uncertainty")
            absolute += value
        if value < 0:
            raise FormError(f"An uncertainty is never below zero, {part.strip()} is", do="Give its amount")
    # Nothing is calibrated to no uncertainty; entered as nought, every result would look exact.
    if absolute + relative == 0:
        raise FormError(f"An uncertainty of {typed} is none", do="Give it as 2 N, or as 0.5 % of the reading")
    return absolute, relative


def in_force(rig: Rig, day: dt.date) -> Calibration | None:
    """Return the newest calibration done on or before a day."""
    # Never a later one: what a rig did in spring cannot be vouched for by what was found in autumn.
    done = [each for each in rig.calibrations if each.done_on <= day]
    return done[-1] if done else None


def instrument_of(rig: Rig, calibration: Calibration | None) -> Instrument | None:
    """Return what a method's arithmetic needs of a rig; None for one that reads nothing."""
    if rig.unit is None:
        return None
    return Instrument(
        id=rig_id(rig.id),
        unit=rig.unit,
        resolution=rig.resolution,
        u_abs=calibration.u_abs if calibration else 0.0,
        u_rel=calibration.u_rel if calibration else 0.0,
        low=rig.low,
        capacity=rig.capacity,
        note=f"calibrated {calibration.done_on}" if calibration else "not calibrated",
    )


def instruments(pairs: Iterable[tuple[Rig, Calibration | None]]) -> dict[str, Instrument]:
    """Return instruments by the kind of reading they serve; the first of a kind counts."""
    found: dict[str, Instrument] = {}
    for rig, calibration in pairs:
        instrument = instrument_of(rig, calibration)
        if instrument is not None and rig.measures is not None:
            found.setdefault(rig.measures, instrument)
    return found


def rigs_serving(session: Session, method: str, units: Iterable[str]) -> list[Rig]:
    """Return the rigs that serve a method and read something it needs, newest first."""
    wanted = set(units)
    rows = session.scalars(select(Rig).order_by(Rig.id.desc()))
    return [
        rig
        for rig in rows
        if (rig.methods is None or method in rig.methods)
        and (rig.unit is None or any(same_kind(rig.unit, unit) for unit in wanted))
    ]
