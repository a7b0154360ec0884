"""Rigs and instruments, and their calibrations."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.cards import Card
from tracker.forms import Ask, FormError, When
from tracker.kinds.base import Kind, Listing, add_note, columns_of, span, struck_or_plain
from tracker.model import Calibration, Rig, live
from tracker.stating import compact, shown
from tracker.units import parse

CANONICAL: Final = {"force": "N", "length": "mm", "mass": "g", "angle": "degree", "temperature": "degC",
                    "time": "s"}  # fmt: skip
"""Unit in which capacity, resolution and calibration of each kind of reading are kept."""
_FIGURES: Final = ("low", "capacity", "resolution")


class RigKind(Kind):
    """What a test is done on, or read with."""

    name, plural, model, unique, place = "rig", "rigs", Rig, "name", 60
    title = "A new rig or instrument"
    form = (
        Ask("name", "Name", required=True),
        Ask("role", "Role: a rig to test on, or an instrument to read", "choice", required=True,
            choices=("rig", "instrument")),
        Ask("measures", "What it reads", "choice", prompt=True, choices=tuple(CANONICAL)),
        Ask("low", "Least reading it is good for"),
        Ask("capacity", "Greatest reading it is good for", prompt=True),
        Ask("resolution", "Smallest step it shows", prompt=True),
        Ask("methods", "Methods it serves (empty: any)"),
        Ask("recalibrate_days", "Days until it should be calibrated again", "whole", low=1, high=36_500),
        Ask("note", "Note"),
    )  # fmt: skip

    def columns(self, answers: Mapping[str, Any]) -> dict[str, Any]:
        """Figures in the canonical unit of what it reads.

        Raises:
            FormError: A figure without saying what the rig reads, or one that cannot be.
        """
        unit = CANONICAL.get(answers["measures"] or "")
        figures = {key: _in_unit(answers[key], unit, key) for key in _FIGURES}
        low, capacity = figures["low"], figures["capacity"]
        if low is not None and capacity is not None and low >= capacity:
            raise FormError(
                f"The range runs from {answers['low']} to {answers['capacity']}",
                do="Give the lower end as --low",
            )
        methods = (answers["methods"] or "").replace(",", " ").split()
        return {**answers, **figures, "unit": unit, "methods": methods or None}

    def answer(self, row: Any, ask: Ask) -> Any:
        """Figures with their unit: what it reads decides the unit, so they are read again together."""
        value = getattr(row, ask.name)
        if ask.name in _FIGURES:
            return None if value is None else f"{value!r} {row.unit}"
        return " ".join(value or ()) if ask.name == "methods" else value

    def remarks(self, session: Session, row: Any, when: When) -> list[str]:
        """It wants calibrating."""
        del session, when
        return [f"Not calibrated yet: strandbook rig calibrate {self.name_of(row)}"]

    def listing(self) -> Listing:
        """By number."""
        return select(
            Rig.id, Rig.name, Rig.role, Rig.measures, Rig.capacity, Rig.resolution, Rig.unit
        ).order_by(Rig.id)

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """Range, step, methods, and every calibration."""
        card = self.begun(session, row, zone)
        card.add("is", f"{row.role}, reads {row.measures or 'nothing'}")
        card.add("range", span(row.low, row.capacity, row.unit or ""))
        card.add("smallest step", compact(row.resolution, row.unit or ""), row.resolution, row.unit or "")
        card.add("methods", ", ".join(row.methods) if row.methods else "any")
        words = [
            f"calibration{each.id}: {calibration_words(each, row.unit or '')}" for each in row.calibrations
        ]
        card.add_all(
            "calibrated", struck_or_plain(row.calibrations, words), none="never, as far as is recorded"
        )
        card.data["calibrations"] = [columns_of(each) for each in live(row.calibrations)]
        add_note(card, row.note)
        return card

    def label(self, row: Any, zone: dt.tzinfo) -> dict[str, str]:
        """Name and role."""
        del zone
        return {
            "material": row.name,
            "orientation": row.role,
            "lot": "",
            "date": "",
            "job": "",
            "name": row.name,
        }


class CalibrationKind(Kind):
    """A comparison with something better known."""

    name, plural, model, place = "calibration", "calibrations", Calibration, 62
    title, owner, part, verb = "A calibration", ("rig_id",), "calibration", "rig calibrate"
    form = (
        Ask("rig", "Rig or instrument", "record", required=True, of=("rig",)),
        Ask("done_on", "Done on", "date", prompt=True, usual="today", default="today"),
        Ask("uncertainty", "Uncertainty found (2 N, or 0.5 % of the reading)", required=True),
        Ask("errors", "Errors found, as 0:0 500:1.2 1000:2.5 (readings are corrected by them)"),
        Ask("compliance", "How far the rig itself gives, found with a stiff bar, in mm/N", "number",
            low=0, high=1),
        Ask("k", "Coverage factor of it (1 for a standard uncertainty)", "number", prompt=True, low=0.5,
            high=5, usual="1"),
        Ask("reference", "Compared with"),
        Ask("note", "Note"),
    )  # fmt: skip

    def columns(self, answers: Mapping[str, Any]) -> dict[str, Any]:
        """Standard uncertainties, absolute and relative, from the one that was typed.

        Raises:
            FormError: The rig reads nothing that could be calibrated.
        """
        rig = answers["rig"]
        if rig.unit is None:
            raise FormError(f"{ids.rig_id(rig.id)} reads nothing", do="strandbook correct it: measures=force")
        # Divided by the coverage factor: certificates mostly state twice the standard uncertainty, and the
        # arithmetic wants the single one.
        compliance = answers.get("compliance")
        unit = rig.unit if compliance is None else "mm/N"
        u_abs, u_rel = read_uncertainty(answers["uncertainty"], unit)
        if compliance is not None:
            # A part of the compliance itself: it has no reading to be relative to.
            u_abs, u_rel = u_abs + u_rel * compliance, 0.0
        k = answers["k"] or 1.0
        kept = {key: answers[key] for key in ("rig", "done_on", "reference", "note")}
        errors = read_errors(answers.get("errors"), rig.unit)
        return {**kept, "u_abs": u_abs / k, "u_rel": u_rel / k, "compliance": compliance, "errors": errors}

    def answer(self, row: Any, ask: Ask) -> Any:
        """The standard uncertainty as it could be typed, with a coverage factor of 1."""
        if ask.name == "uncertainty":
            unit = row.rig.unit if row.compliance is None else "mm/N"
            parts = [f"{row.u_abs!r} {unit}"] if row.u_abs else []
            return " + ".join([*parts, *([f"{100 * row.u_rel!r} %"] if row.u_rel else [])])
        if ask.name == "errors":
            return " ".join(f"{at:g}:{error:g}" for at, error in row.errors or ()) or None
        return 1.0 if ask.name == "k" else getattr(row, ask.name)

    def listing(self) -> Listing:
        """With its rig."""
        return select(
            Calibration.id, Calibration.rig_id, Calibration.done_on, Calibration.u_abs, Calibration.u_rel,
            Calibration.reference,
        ).order_by(Calibration.rig_id, Calibration.done_on)  # fmt: skip

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under the rig's ID."""
        return {("rig" if key == "rig_id" else key): ids.rig_id(value) if key == "rig_id" else value
                for key, value in super().listed(row).items()}  # fmt: skip


def _in_unit(typed: str | None, unit: str | None, key: str) -> float | None:
    if typed is None:
        return None
    if unit is None:
        raise FormError(f"{key} {typed}: of what", do="Say what it reads, as --measures force")
    value = parse(typed, unit, key)
    if value < 0 or (value == 0 and key != "low"):
        raise FormError(f"{key} must be above zero, {typed} is not")
    return value


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
    # Nothing is calibrated to no uncertainty; entered as zero, every result would look exact.
    if absolute + relative == 0:
        raise FormError(f"An uncertainty of {typed} is none", do="Give it as 2 N, or as 0.5 % of the reading")
    return absolute, relative


def read_errors(typed: str | None, unit: str) -> list[list[float]] | None:
    """Return [reading, error] in the rig's unit from ``0:0 500:1.2``; None where nothing was typed.

    Raises:
        FormError: An entry is no pair, or a reading comes twice.
    """
    if not typed or not typed.strip():
        return None
    pairs = []
    for entry in typed.replace(";", " ").split():
        at, sign, error = entry.partition(":")
        if not sign:
            raise FormError(f"{entry!r} is no error at a reading", do="Write reading:error, as 500:1.2")
        pairs.append([parse(at, unit, "reading"), parse(error, unit, "error")])
    pairs.sort()
    if len({at for at, _ in pairs}) < len(pairs):
        raise FormError(f"{typed}: a reading comes twice", do="Give one error for each reading")
    return pairs


def calibration_words(row: Calibration, unit: str) -> str:
    """Return a calibration in words: its day and what it found."""
    if row.compliance is not None:
        return f"{row.done_on}: gives {row.compliance:.4g} mm/N, standard uncertainty {row.u_abs:.2g} mm/N"
    parts = [f"{row.u_abs:.3g} {shown(unit)}"] if row.u_abs else []
    parts += [f"{100 * row.u_rel:.3g} %"] if row.u_rel else []
    found = f", errors found at {len(row.errors)} readings" if row.errors else ""
    return f"{row.done_on}: standard uncertainty {' + '.join(parts)}{found}"


KINDS = (RigKind(), CalibrationKind())
