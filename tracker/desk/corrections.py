"""Corrections: what was entered wrong is put right with a reason; the old value stays in the journal."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.api import Recording, dump, fields, units_of, validate
from tracker.book import Book
from tracker.desk import plausibility
from tracker.desk.doubts import Done, ask_all
from tracker.desk.dryings import DRYING_FORM
from tracker.desk.finding import NotFoundError, find, ident_of, material_named
from tracker.desk.forms import Ask, FormError, When, read, refuse_taken
from tracker.desk.jobforms import END_FORM, MEANT_FORM
from tracker.desk.materials import MATERIAL_FORM, check_ranges
from tracker.desk.measuring import MEASURE_FORM, compute_again, in_units, readings_of
from tracker.desk.moments import check_order, when_at
from tracker.desk.offbed import OUTCOMES, check_outcome
from tracker.desk.rigs import RIG_FORM, in_force, instruments, rig_answers, rig_columns
from tracker.desk.spools import SPOOL_FORM, STAY_FORM, WEIGHING_FORM, check_masses, refuse_overlap
from tracker.ids import IdError, read_id
from tracker.model import (
    Drying,
    Job,
    Material,
    Measurement,
    MeasurementFile,
    Rig,
    SettingChange,
    Specimen,
    Spool,
    Stay,
    Weighing,
)
from tracker.orientation import checked_letters
from tracker.plugins import Plugged

SPECIMEN_FORM: Final = (
    Ask("name", "Name"),
    Ask("orientation", "Orientation"),
    Ask("geometry", "Geometry"),
    Ask("gauge", "Gauge section"),
    Ask("outcome", "Outcome", "choice", choices=OUTCOMES),
    Ask("remark", "Remark"),
    Ask("cause", "Cause"),
    Ask("broken_at", "Used up at", "moment"),
    Ask("broken_height_mm", "Height at which it broke", "number", "mm", low=0, high=5_000),
    Ask("note", "Note"),
)

CHANGE_FORM: Final = (
    Ask("setting", "Setting", required=True),
    Ask("value", "Value", "number"),
    Ask("text", "Value in words"),
    Ask("at", "When", "moment"),
    Ask("layer", "From layer", "whole", low=0),
    Ask("height_mm", "From height", "number", "mm", low=0),
    Ask("note", "Note"),
)

FORMS: Final[Mapping[type[Any], tuple[Ask, ...]]] = {
    Material: MATERIAL_FORM,
    Spool: SPOOL_FORM,
    Drying: DRYING_FORM,
    Job: (*MEANT_FORM, *END_FORM),
    Specimen: SPECIMEN_FORM,
    Rig: RIG_FORM,
    Measurement: MEASURE_FORM,
}
"""Which form a record was entered by, and is corrected by."""

PARTS: Final[Mapping[str, tuple[type[Any], tuple[Ask, ...], str]]] = {
    "stay": (Stay, STAY_FORM, "spool_id"),
    "weighing": (Weighing, WEIGHING_FORM, "spool_id"),
    "change": (SettingChange, CHANGE_FORM, "job_id"),
}
"""Rows without an ID of their own, addressed as ``stay3.ended_at`` on the record that has one."""


def amend(
    book: Book,
    who: str,
    plugged: Plugged,
    target: str,
    assignments: Sequence[str],
    reason: str,
    files: Mapping[str, Recording] | None = None,
    *,
    sure: bool = False,
) -> Done:
    """Correct a record; a measurement's results are computed anew.

    Args:
        book: The book.
        who: Who corrects.
        plugged: The methods.
        target: An ID, or the name of a material.
        assignments: ``field=value``; an empty value makes it "not recorded".
        reason: Why; always wanted.
        files: For a measurement, recordings put in the place of what was there.
        sure: A number that looks wrong beside its siblings is meant.

    Raises:
        Doubt: The corrected number looks wrong beside its siblings.
        FormError: No reason, no such field, or a value that cannot be.
    """
    if not reason.strip():
        raise FormError("A correction needs a reason", do="Give it with --reason")
    changes = dict(_assignment(each) for each in assignments)
    if not changes and not files:
        raise FormError("Nothing is to be changed", do="Write field=value")
    with book.act("amend", who, reason=" ".join(reason.split())) as act:
        row = target_of(book, act.session, target)
        name = row.name if isinstance(row, Material) else str(ident_of(row))
        act.about.append(name)
        when = when_at(book)
        says: list[str] = []
        if isinstance(row, Measurement):
            says = _amend_measurement(act, book, plugged, row, changes, files or {}, when, sure=sure)
        else:
            _amend_columns(act.session, row, changes, when)
            _follow_up(act, book, plugged, row, list(changes))
        _check_whole(row, book)
    return Done(name, says)


def _follow_up(act: Act, book: Book, plugged: Plugged, row: Any, changed: Sequence[str]) -> None:
    """Bring what was taken from plate and logs up to date, where the correction concerns it."""
    wanted = {
        Job: ("started_at", "first_layer_at", "ended_at"),
        Specimen: ("geometry", "gauge", "broken_height_mm"),
    }
    if set(wanted.get(type(row), ())) & set(changed):
        from tracker.desk.logs import after_amending  # noqa: PLC0415 - brings numpy

        after_amending(act, book, plugged, row, changed)


def _assignment(text: str) -> tuple[str, str]:
    name, sign, value = text.partition("=")
    if not sign or not name.strip():
        raise FormError(f"{text!r} changes nothing", do="Write field=value")
    return name.strip(), value.strip()


def target_of(book: Book, session: Session, target: str) -> Any:
    """Return the row that is to be corrected: of an ID, or a material of a name.

    Raises:
        IdError: It is neither; what is near is named.
        NotFoundError: It is an ID, of which there is nothing.
    """
    try:
        return find(book, session, target)
    # A material has no label; its name is tried when the text is no ID. What is then said is about the ID,
    # the likelier slip.
    except (IdError, NotFoundError):
        try:
            return material_named(session, target)
        except NotFoundError:
            pass
        raise


def _amend_columns(session: Session, row: Any, changes: Mapping[str, str], when: When) -> None:
    form = {ask.name: ask for ask in FORMS[type(row)]}
    for name, typed in changes.items():
        part = re.fullmatch(r"(?P<kind>stay|weighing|change)(?P<number>\d+)\.(?P<field>\w+)", name)
        weighed = re.fullmatch(r"(?P<spool>[Ss]\d+-?\w)\.(?P<field>before_g|after_g)", name)
        if weighed is not None and isinstance(row, Drying):
            _amend_mass(row, weighed, typed, when)
        elif part is not None:
            _amend_part(session, row, part, typed, when)
        elif isinstance(row, Rig):
            # A rig's figures depend on one another (what it reads decides the unit): all are read again as
            # if newly typed.
            answers = {**rig_answers(row), name: _value(form, name, typed, when)}
            for column, value in rig_columns(answers).items():
                setattr(row, column, value)
        else:
            _set(row, form, name, typed, when)
    if "name" in changes and isinstance(row, (Material, Rig)):
        _refuse_another_of_the_name(session, row)
    session.flush()


def _refuse_another_of_the_name(session: Session, row: Material | Rig) -> None:
    """Refuse a new name that another has; the row's own, in other letters, will do.

    Raises:
        FormError: One has it.
    """
    model = type(row)
    # Before the flush: the database holds names apart too, but cannot say what to do about it, and knows no
    # capital letters.
    others = session.scalars(select(model.name).where(model.id != row.id))
    refuse_taken(row.__tablename__, row.name, others)


def _set(row: Any, form: Mapping[str, Ask], name: str, typed: str, when: When) -> None:
    value = _value(form, name, typed, when)
    # Asked of the table, so that a column that becomes compulsory is refused here without being listed
    # twice.
    if value is None and not row.__table__.c[name].nullable:
        raise FormError(f"{form[name].label} cannot be left out", do=f"Give it as {name}=VALUE")
    setattr(row, name, value)


def _value(form: Mapping[str, Ask], name: str, typed: str, when: When) -> Any:
    ask = form.get(name)
    if ask is None:
        raise FormError(f"There is no {name!r} to correct here", do=f"There are {', '.join(form)}")
    if name == "orientation" and typed:
        return checked_letters(typed)
    if name == "gauge" and typed:
        from tracker.platefile import read_gauge  # noqa: PLC0415 - brings numpy

        return read_gauge(typed).text
    return read(ask, typed, when)


def _amend_part(session: Session, row: Any, part: re.Match[str], typed: str, when: When) -> None:
    model, form, owner = PARTS[part["kind"]]
    piece = session.get(model, int(part["number"]))
    if piece is None or getattr(piece, owner) != row.id or owner.split("_")[0] != ident_of(row).kind:
        raise FormError(f"{ident_of(row)} has no {part['kind']} {part['number']}", do="See: strandbook show")
    _set(piece, {ask.name: ask for ask in form}, part["field"], typed, when)
    if isinstance(piece, Stay):
        check_order(piece.began_at, piece.ended_at, "The stay", when.zone)
        refuse_overlap(session, piece, when.zone)


def _amend_mass(row: Drying, weighed: re.Match[str], typed: str, when: When) -> None:
    numbers = {ident.number for ident in read_id(weighed["spool"])}
    spool = next((each for each in row.spools if each.spool_id in numbers), None)
    if spool is None:
        raise FormError(f"{weighed['spool']} was not in {ident_of(row)}", do="See: strandbook show")
    ask = Ask(weighed["field"], f"Mass of {weighed['spool']}", "number", "g", low=0.1, high=50_000)
    setattr(spool, weighed["field"], read(ask, typed, when))


def _amend_measurement(
    act: Act,
    book: Book,
    plugged: Plugged,
    row: Measurement,
    changes: Mapping[str, str],
    files: Mapping[str, Recording],
    when: When,
    *,
    sure: bool,
) -> list[str]:
    own = {ask.name: ask for ask in MEASURE_FORM}
    readings = {name: typed for name, typed in changes.items() if name not in own}
    for name in changes.keys() & own.keys():
        setattr(row, name, _value(own, name, changes[name], when))
    moved = "at" in changes and _calibrations_moved(row, when.zone)
    # A corrected operator or remark changes no number, so a method that is gone is no bar to it.
    if not (readings or files or moved):
        return []
    _amend_readings(act, book, plugged, row, readings, files)
    act.session.flush()
    computation = compute_again(act, book, plugged, row)
    if row.method in plugged.methods:
        used = instruments((each.rig, each.calibration) for each in row.rigs).values()
        subject: Any = row.specimen if row.specimen is not None else row.spool
        method = plugged.method(row.method)
        asked = plausibility.questions(
            act.session, subject, method, row.readings, computation.outcomes, used, leave_out=row.id
        )
        ask_all(asked, sure=sure)
    return [computation.problem] if computation.problem else []


def _amend_readings(
    act: Act,
    book: Book,
    plugged: Plugged,
    row: Measurement,
    readings: Mapping[str, str],
    files: Mapping[str, Recording],
) -> None:
    """Put corrected readings and recordings in the place of the old ones, checked as a whole.

    Raises:
        FormError: The method has no such reading.
        ReadingsError: Together they cannot be kept.
    """
    method = plugged.method(row.method)
    known = [each.name for each in fields(method.Readings)]
    strangers = [name for name in (*readings, *files) if name not in known]
    if strangers:
        raise FormError(f"{method.title} has no reading {strangers[0]!r}", do=f"It has {', '.join(known)}")
    # An empty value makes a reading "not recorded"; the model must not see the old one under it.
    kept = {key: value for key, value in (row.readings or {}).items() if readings.get(key) != ""}
    attached = {
        each.field: Recording(each.name, book.files.get(each.sha256))
        for each in row.files
        if each.field in known
    }
    fresh = validate(method, {**kept, **in_units(method, readings), **attached, **files})
    row.readings, row.units = dump(fresh), units_of(fresh)
    for name, recording in files.items():
        _replace_file(act, row, name, recording)


def _calibrations_moved(row: Measurement, zone: dt.tzinfo) -> bool:
    """Put in the calibrations that were in force on the corrected day; tells whether one is another."""
    if row.at is None:
        return False
    day = row.at.astimezone(zone).date()
    moved = False
    for each in row.rigs:
        # A corrected date may fall before a calibration: the uncertainty then was another one, and the
        # result is computed anew.
        right = in_force(each.rig, day)
        moved = moved or right is not each.calibration
        each.calibration = right
    return moved


def _replace_file(act: Act, row: Measurement, name: str, recording: Recording) -> None:
    digest = act.attach(recording.data, recording.name)
    for each in row.files:
        if each.field == name:
            each.sha256, each.name = digest, recording.name
            return
    row.files.append(MeasurementFile(field=name, sha256=digest, name=recording.name))


def _check_whole(row: Any, book: Book) -> None:
    """Hold the corrected record to what holds when it is first entered."""
    if isinstance(row, Spool):
        check_masses({"net_g": row.net_g, "gross_g": row.gross_g, "empty_g": row.empty_g})
    if isinstance(row, Material):
        check_ranges({key: getattr(row, key) for key in Material.__table__.c.keys()})  # noqa: SIM118 - not a dict
    if isinstance(row, Drying):
        check_order(row.began_at, row.ended_at, "The drying", book.zone)
    if isinstance(row, Job):
        check_order(row.started_at, row.ended_at, "The job", book.zone)
        check_order(row.started_at, row.first_layer_at, "The heating", book.zone)
        check_order(row.first_layer_at, row.ended_at, "The printing", book.zone)
    if isinstance(row, Specimen):
        check_outcome(row.piece, row.outcome, row.cause if row.outcome == "failed" else row.remark)


def recompute_all(book: Book, who: str, plugged: Plugged, measurements: Sequence[str]) -> Done:
    """Compute measurements anew: for those that waited for a method that is back.

    Raises:
        Refused: There is no such measurement, or one cannot be computed yet; then none is.
    """
    with book.act("compute", who) as act:
        for each in measurements:
            row = find(book, act.session, each, "measurement")
            readings_of(book, plugged, row)
            compute_again(act, book, plugged, row)
            act.about.append(str(ident_of(row)))
    return Done(", ".join(act.about))
