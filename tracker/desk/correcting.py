"""Corrections: what was entered wrong is corrected with a reason; the old value stays in the journal.

Every field of a kind's form can be corrected. Beside them: the spool of a job, what a measurement was done on
and with, its readings and recordings, the masses of a drying, and the parts of a record by their names
(``storage3.ended_at``). What follows from a corrected value follows: results are computed again, pieces are
cut again, a specimen whose test was moved is free again.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import select
from sqlalchemy.orm import object_session

from tracker.acts import Act
from tracker.api import Recording, dump, fields, text_of, units_of, validate
from tracker.book import WITH_VOIDED, Book
from tracker.desk import plausibility
from tracker.desk.doubts import Done, confirm
from tracker.desk.entering import linked, owner_of
from tracker.desk.jobs import SPOOL_USE_FORM, put_spool, spool_answers
from tracker.desk.measuring import compute_again, in_units, readings_of, settle_used_up
from tracker.desk.method_inputs import compliance_in_force, in_force, instruments
from tracker.forms import Ask, FormError, When, column_named, when_at
from tracker.ids import IdError, read_id, spool_id
from tracker.kinds import KINDS, Kind, find, find_row, kind_of, name_of
from tracker.kinds.base import typed_again
from tracker.lazy_modules import lazy
from tracker.model import Drying, Job, Measurement, MeasurementFile, MeasurementRig, Rig, Specimen, Spool
from tracker.plugins import Computation, Plugged

if TYPE_CHECKING:
    from tracker.desk import logs
else:
    logs = lazy("tracker.desk.logs")

_MASSES: Final = (("before_g", "before"), ("after_g", "after"))
_FOLLOWED: Final = {
    Job: ("started_at", "first_layer_at", "ended_at"),
    Specimen: ("geometry", "gauge", "broken_height_mm"),
}
"""What plate and logs are laid against: corrected, they are laid against it again."""


_OF_SPOOL: Final = frozenset(ask.name for ask in SPOOL_USE_FORM)


@dataclass(frozen=True)
class Correction:
    """What a correction works with.

    Attributes:
        act: It is part of.
        book: The book.
        plugged: The methods.
        when: The present.
        sure: What is unusual is meant.
    """

    act: Act
    book: Book
    plugged: Plugged
    when: When
    sure: bool


def correct(
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
    """Correct a record; a measurement's results are computed again.

    Args:
        book: The book.
        who: Who corrects.
        plugged: The methods.
        target: An ID, a name, or a part as ``storage3``.
        assignments: ``field=value``; an empty value makes it "not recorded".
        reason: Why; required.
        files: For a measurement, recordings put in the place of what was there.
        sure: What is unusual about the new values is meant.

    Raises:
        Doubt: A new value is unusual.
        FormError: No reason, no such field, or a value that cannot be.
    """
    if not reason.strip():
        raise FormError("A correction needs a reason", do="Give it with --reason")
    changes = dict(_assignment(each) for each in assignments)
    if not changes and not files:
        raise FormError("Nothing is to be changed", do="Write field=value")
    with book.act("correct", who, reason=" ".join(reason.split())) as act:
        row = find_row(book, act.session, target)
        doing = Correction(act, book, plugged, when_at(book), sure)
        owner = owner_of(act.session, kind_of(row), row) if kind_of(row).part else row
        act.about.append(name_of(owner if owner is not None else row))
        notes: list[str] = []
        if isinstance(row, Measurement):
            notes = _correct_measurement(doing, row, changes, files or {})
        else:
            _correct_row(doing, row, changes)
    return Done(name_of(row), notes)


def _assignment(text: str) -> tuple[str, str]:
    name, sign, value = text.partition("=")
    if not sign or not name.strip():
        raise FormError(f"{text!r} changes nothing", do="Write field=value")
    return name.strip(), value.strip()


def _correct_row(doing: Correction, row: Any, changes: Mapping[str, str]) -> None:
    own: dict[str, str] = {}
    rest = dict(changes)
    if isinstance(row, Job) and (named := _OF_SPOOL & rest.keys()):
        now = {name: value for name, _, value in spool_answers(row)}
        of_spool = {"spool": now["spool"], **{name: rest.pop(name) for name in named}}
        put_spool(doing.book, doing.act, row, of_spool, replace=True, sure=doing.sure)
    for name, typed in rest.items():
        head, dot, field = name.partition(".")
        if not dot:
            own[name] = typed
        elif isinstance(row, Drying) and field in dict(_MASSES):
            _correct_mass(doing, row, head, field, typed)
        else:
            _set_fields(doing, _part_of(doing, row, head), {field: typed})
    if own:
        _set_fields(doing, row, own)
    _follow_up(doing, row, [column_named(kind_of(row).form, name) for name in own])


def _set_fields(doing: Correction, row: Any, given: Mapping[str, str]) -> None:
    """Put answers to a kind's form into a row, held to what holds when it is first entered."""
    kind, session = kind_of(row), doing.act.session
    typed = {column_named(kind.form, name): text for name, text in given.items()}
    new = {name: _value(doing, kind, row, name, text) for name, text in typed.items()}
    # All together and read again: of a rig's figures, what it reads decides the unit.
    for column, value in kind.columns({**kind.answers(row), **new}).items():
        if getattr(row, column) != value:
            setattr(row, column, value)
    kind.check(session, row, doing.when)
    session.flush()
    confirm(row, kind.odd(session, row, doing.when), sure=doing.sure)


def _value(doing: Correction, kind: Kind, row: Any, name: str, typed: str) -> Any:
    form = {ask.name: ask for ask in kind.form}
    ask = form.get(name)
    if ask is None:
        there = ", ".join([*form, *(["spool"] if isinstance(row, Job) else [])])
        raise FormError(f"There is no {name!r} to correct here", do=f"There are {there}")
    value = kind.read(ask, typed, doing.when) if typed else None
    # Asked of the table, so that a column that becomes compulsory is refused here without being listed.
    column = kind.model.__table__.c.get(name)
    if value is None and (
        (column is not None and not column.nullable) or (ask.required and ask.kind == "record")
    ):
        raise FormError(f"{ask.label} cannot be left out", do=f"Give it as {name}=VALUE")
    if ask.kind == "record" and value is not None:
        return linked(doing.book, doing.act.session, ask, value)
    return value


def _part_of(doing: Correction, row: Any, named: str) -> Any:
    """Return a part of a record by its name.

    Raises:
        FormError: The record has no such part.
    """
    word = re.match(r"[a-z]+", named.lower())
    known = [kind for kind in KINDS.values() if word and word[0] in (kind.part, *kind.aliases)]
    if not known:
        raise FormError(f"There is no {named!r} to correct here", do="See: strandbook show")
    part = known[0].model and _row_numbered(doing, known[0], named[word.end() :] if word else "")
    if part is None or owner_of(doing.act.session, known[0], part) is not row:
        raise FormError(f"{name_of(row)} has no {known[0].part} {named[len(word[0]) if word else 0 :]}",
                        do="See: strandbook show")  # fmt: skip
    return part


def _row_numbered(doing: Correction, kind: Kind, number: str) -> Any:
    return doing.act.session.get(kind.model, int(number)) if number.isascii() and number.isdigit() else None


def _correct_mass(doing: Correction, row: Drying, spool: str, field: str, typed: str) -> None:
    try:
        numbers = {ident.number for ident in read_id(spool)}
    except IdError as error:
        raise FormError(f"There is no {spool!r} to correct here", do="See: strandbook show") from error
    part = next((each for each in row.spools if each.spool_id in numbers), None)
    if part is None:
        raise FormError(f"{spool} was not in {name_of(row)}", do="See: strandbook show")
    ask = Ask(field, f"Mass of {spool}", "number", "g", low=0.1, high=50_000)
    setattr(part, field, KINDS["drying"].read(ask, typed, doing.when) if typed else None)
    doing.act.session.flush()


def _follow_up(doing: Correction, row: Any, changed: Sequence[str]) -> None:
    """Bring what was taken from plate and logs up to date, where the correction concerns it."""
    if set(_FOLLOWED.get(type(row), ())) & set(changed):
        logs.after_correcting(doing.act, doing.book, doing.plugged, row, changed)
    if isinstance(row, Rig) and {"measures", "resolution"} & set(changed):
        doing.act.session.flush()


def _correct_measurement(
    doing: Correction, row: Measurement, changes: Mapping[str, str], files: Mapping[str, Recording]
) -> list[str]:
    own, links, readings = _sorted_changes(doing, row, changes)
    before = row.specimen
    if own:
        _set_fields(doing, row, own)
    moved = "at" in own and _calibrations_moved(row, doing.when.zone)
    if "rigs" in links:
        _put_rigs(doing, row, links.pop("rigs").replace(",", " ").split())
        moved = True
    if links:
        _move(doing, row, *links.values())
        moved = True
    # A corrected operator or remark changes no number, so a method that is gone is no bar to it.
    notes: list[str] = []
    if readings or files or moved:
        _correct_readings(doing, row, readings, files)
        doing.act.session.flush()
        computation = compute_again(doing.act, doing.book, doing.plugged, row)
        notes = [computation.problem] if computation.problem else []
        _ask_about(doing, row, computation)
    if links or "at" in own:
        for piece in {id(each): each for each in (before, row.specimen) if each is not None}.values():
            settle_used_up(doing.act.session, doing.plugged, piece, row)
    return notes


def _sorted_changes(
    doing: Correction, row: Measurement, changes: Mapping[str, str]
) -> tuple[dict[str, str], dict[str, str], dict[str, str]]:
    """Return corrections of a measurement's own columns, of what it was done on and with, and of readings."""
    form = KINDS["measurement"].form
    # A reading of the method goes before an option of the same name.
    loaded = doing.plugged.methods.get(row.method)
    known = {each.name for each in fields(loaded.method.Readings)} if loaded is not None else set()
    own: dict[str, str] = {}
    links: dict[str, str] = {}
    readings: dict[str, str] = {}
    for typed_name, typed in changes.items():
        name = typed_name if typed_name in known else column_named(form, typed_name)
        is_own = any(ask.name == name for ask in form)
        part = own if is_own else links if name in ("specimen", "spool", "rigs") else readings
        part[name] = typed
    return own, links, readings


def _ask_about(doing: Correction, row: Measurement, computation: Computation) -> None:
    """Ask about corrected numbers that look wrong beside their siblings."""
    if row.method not in doing.plugged.methods:
        return
    used = instruments(row.rigs).values()
    subject: Any = row.specimen if row.specimen is not None else row.spool
    method = doing.plugged.method(row.method)
    asked = plausibility.questions(
        doing.act.session, subject, method, row.readings, computation.outcomes, used, leave_out=row.id
    )
    confirm(row, asked, sure=doing.sure)


def _move(doing: Correction, row: Measurement, typed: str) -> None:
    """Put a measurement on another specimen or spool: the wrong label was scanned."""
    subject = find(doing.book, doing.act.session, typed, "specimen", "spool")
    wanted = doing.plugged.methods[row.method].method.subject if row.method in doing.plugged.methods else None
    kind = kind_of(subject).name
    if wanted is not None and kind != wanted:
        raise FormError(
            f"{name_of(subject)} is a {kind}; {row.method} is done on a {wanted}", do=f"Name a {wanted}"
        )
    row.specimen = subject if isinstance(subject, Specimen) else None
    row.spool = subject if isinstance(subject, Spool) else None
    doing.act.about.append(name_of(subject))
    doing.act.session.flush()


def _put_rigs(doing: Correction, row: Measurement, named: Sequence[str]) -> None:
    """Put what a measurement was taken with in the place of what was recorded."""
    session = doing.act.session
    wanted = {rig.id: rig for rig in (find(doing.book, session, each, "rig") for each in named)}
    day = row.at.astimezone(doing.when.zone).date() if row.at is not None else None
    asked = select(MeasurementRig).where(MeasurementRig.measurement_id == row.id)
    there = {each.rig_id: each for each in session.scalars(asked, execution_options={WITH_VOIDED: True})}
    for number, link in there.items():
        link.voided = None if number in wanted else doing.act.seq
    for number, rig in wanted.items():
        calibration = in_force(rig, day) if day is not None else None
        if number not in there:
            give = compliance_in_force(rig, day) if day is not None else None
            session.add(
                MeasurementRig(measurement_id=row.id, rig=rig, calibration=calibration, compliance=give)
            )
    session.flush()
    session.expire(row, ["rigs"])


def _correct_readings(
    doing: Correction, row: Measurement, readings: Mapping[str, str], files: Mapping[str, Recording]
) -> None:
    """Put corrected readings and recordings in the place of the old ones, checked as a whole.

    Raises:
        FormError: The method has no such reading.
        ReadingsError: Together they cannot be kept.
    """
    method = doing.plugged.method(row.method)
    known = [each.name for each in fields(method.Readings)]
    decisions = {name: value for name, value in readings.items() if name.startswith(("take.", "read."))}
    readings = {name: value for name, value in readings.items() if name not in decisions}
    if decisions:
        _read_otherwise(row, decisions)
    strangers = [name for name in (*readings, *files) if name not in known]
    if strangers:
        raise FormError(f"{method.title} has no reading {strangers[0]!r}", do=f"It has {', '.join(known)}")
    # An empty value makes a reading "not recorded"; the model must not see the old one under it.
    kept = {key: value for key, value in (row.readings or {}).items() if readings.get(key) != ""}
    attached = {
        each.field: Recording(each.name, doing.book.files.get(each.sha256), dict(each.read_as or {}))
        for each in row.files
        if each.field in known
    }
    fresh = validate(method, {**kept, **in_units(method, readings), **attached, **files})
    row.readings, row.units = dump(fresh), units_of(fresh)
    for name, recording in files.items():
        _replace_file(doing.act, row, name, recording)


def _read_otherwise(row: Measurement, decisions: Mapping[str, str]) -> None:
    """Change how the recording of a measurement is read: ``take.spike=leave out``, ``read.decimal=comma``.

    Raises:
        FormError: It has no recording, or several, of which none is named.
    """
    if len(row.files) != 1:
        have = ", ".join(each.field for each in row.files) or "none"
        raise FormError(
            "It is not clear which recording to replace",
            why=f"it has {have}",
            do="Attach it again with --file",
        )
    options = dict(row.files[0].read_as or {})
    for name, value in decisions.items():
        key = name.removeprefix("read.")
        if value:
            options[key] = value
        else:
            options.pop(key, None)
    row.files[0].read_as = options or None


def _calibrations_moved(row: Measurement, zone: dt.tzinfo) -> bool:
    """Put in the calibrations that were in force on the corrected day; tells whether one is another."""
    if row.at is None:
        return False
    day = row.at.astimezone(zone).date()
    moved = False
    for each in row.rigs:
        # A corrected date may fall before a calibration: the uncertainty then was another one, and the
        # result is computed again.
        right = in_force(each.rig, day)
        give = compliance_in_force(each.rig, day)
        moved = moved or right is not each.calibration or give is not each.compliance
        each.calibration, each.compliance = right, give
    return moved


def _replace_file(act: Act, row: Measurement, name: str, recording: Recording) -> None:
    digest = act.attach(recording.data, recording.name)
    for each in row.files:
        if each.field == name:
            each.sha256, each.name = digest, recording.name
            each.read_as = dict(recording.read_as) or None
            return
    row.files.append(
        MeasurementFile(
            field=name, sha256=digest, name=recording.name, read_as=dict(recording.read_as) or None
        )
    )


def recompute_all(book: Book, who: str, plugged: Plugged, measurements: Sequence[str]) -> Done:
    """Compute measurements again: for those that waited for a method that is back.

    Raises:
        Refused: There is no such measurement, or one cannot be computed yet; then none is.
    """
    with book.act("compute", who) as act:
        for each in measurements:
            row = find(book, act.session, each, "measurement")
            readings_of(book, plugged, row)
            compute_again(act, book, plugged, row)
            act.about.append(name_of(row))
    return Done(", ".join(act.about))


# --- what can be corrected, with what is recorded now --------------------------------------------------


@dataclass(frozen=True)
class Correctable:
    """A value that :func:`correct` can correct.

    Attributes:
        name: As it is named there: ``net_g``, ``storage3.ended_at``, a reading of the method.
        label: Words for it.
        unit: Of a bare number.
        choices: Words allowed, for a choice.
        was: What is recorded, as it could be typed; empty for "not recorded".
    """

    name: str
    label: str
    unit: str
    choices: tuple[str, ...]
    was: str


def correctable(book: Book, plugged: Plugged, target: str) -> tuple[str, list[Correctable]]:
    """Return the name of a record and all that can be corrected of it.

    Raises:
        Refused: There is no such record.
    """
    with book.read() as session:
        row = find_row(book, session, target)
        found = [*_of_form(kind_of(row), row, book.zone), *_of_parts(row, book.zone)]
        if isinstance(row, Job):
            found += [Correctable(name, label, "", (), was) for name, label, was in spool_answers(row)]
        if isinstance(row, Measurement):
            found += _of_measurement(plugged, row)
        if isinstance(row, Drying):
            found += _of_masses(row)
        return name_of(row), found


def changed(sent: Mapping[str, str], was: Mapping[str, str], now: list[Correctable]) -> list[str]:
    """Return what was changed in a form, as :func:`correct` wants it.

    Args:
        sent: What is in the fields, by name.
        was: What stood in them when the form was made.
        now: What is recorded now.

    Raises:
        FormError: Somebody else corrected one of the values meanwhile.
    """
    current = {each.name: each for each in now}
    names = [name for name in sent if name in current and sent[name].strip() != was.get(name, "").strip()]
    for name in names:
        if current[name].was.strip() != was.get(name, "").strip():
            notes = current[name].was or "nothing"
            raise FormError(
                f"{current[name].label} was corrected meanwhile: it says {notes} now",
                do="Load the page again and look",
            )
    return [f"{name}={sent[name].strip()}" for name in names]


def _of_form(kind: Kind, row: Any, zone: dt.tzinfo, part: str = "") -> Iterator[Correctable]:
    for ask in kind.form:
        if part and ask.kind == "record":
            continue
        name, label = (f"{part}.{ask.name}", f"{part}, {ask.label}") if part else (ask.name, ask.label)
        value = kind.answer(row, ask)
        was = name_of(value) if ask.kind == "record" and value is not None else typed_again(value, zone)
        yield Correctable(name, label, ask.unit, ask.choices, was)


def _of_parts(row: Any, zone: dt.tzinfo) -> Iterator[Correctable]:
    """Yield the fields of the parts of a record, each under its part's name."""
    session, own = _session_of(row), kind_of(row).model.__table__
    for kind in KINDS.values():
        for column in kind.owner if kind.part and kind.form else ():
            table_column = kind.model.__table__.c[column]
            if next(iter(table_column.foreign_keys)).column.table is own:
                asked = select(kind.model).where(table_column == row.id).order_by(kind.model.id)
                for part in session.scalars(asked):
                    yield from _of_form(kind, part, zone, name_of(part))


def _session_of(row: Any) -> Any:
    return object_session(row)


def _of_measurement(plugged: Plugged, row: Measurement) -> Iterator[Correctable]:
    subject = row.specimen if row.specimen is not None else row.spool
    yield Correctable(kind_of(subject).name, "Measured on", "", (), name_of(subject))
    yield Correctable("rigs", "Measured with (IDs)", "", (), " ".join(name_of(each.rig) for each in row.rigs))
    # Of a method that is gone the other values can still be corrected.
    if row.method not in plugged.methods:
        return
    for each in fields(plugged.method(row.method).Readings):
        if each.kind != "file":
            value = (row.readings or {}).get(each.name)
            was = "" if value is None else text_of(each, value)
            yield Correctable(each.name, each.name.replace("_", " "), each.unit, each.choices, was)


def _of_masses(row: Drying) -> Iterator[Correctable]:
    for each in row.spools:
        for column, word in _MASSES:
            of = spool_id(each.spool_id)
            was = typed_again(getattr(each, column), dt.UTC)
            yield Correctable(f"{of}.{column}", f"Mass of {of} {word}", "g", (), was)
