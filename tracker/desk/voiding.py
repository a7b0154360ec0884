"""Taken back, or set aside: records that count nowhere, results that do not enter means, and the way back."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Column, Date, DateTime, Table, select
from sqlalchemy.orm import Session, object_session
from sqlalchemy.types import TypeDecorator

from tracker.acts import Act
from tracker.book import Book, with_voided
from tracker.desk.doubts import Done, ask_all
from tracker.desk.measuring import compute_again, settle_used_up
from tracker.desk.method_inputs import in_force
from tracker.errors import Refused
from tracker.forms import FormError, When, when_at
from tracker.ids import measurement_id
from tracker.journal import plain
from tracker.kinds import KINDS, find, find_row, kind_of, name_of
from tracker.lazy_modules import lazy
from tracker.model import (
    Base,
    Calibration,
    Choice,
    Device,
    DryingSpool,
    FactorRecord,
    Job,
    JobLog,
    JobSpool,
    JournalRecord,
    Measurement,
    MeasurementFile,
    MeasurementRig,
    Result,
    Specimen,
    Verdict,
    Voidable,
)
from tracker.moments import local_time
from tracker.plugins import Plugged

if TYPE_CHECKING:
    from tracker.desk import logs
else:
    logs = lazy("tracker.desk.logs")

LINK_OWNERS: Final[Mapping[type[Any], str]] = {
    DryingSpool: "drying_id",
    JobSpool: "job_id",
    FactorRecord: "specimen_id",
    MeasurementFile: "measurement_id",
    MeasurementRig: "measurement_id",
    Verdict: "result_id",
    Choice: "material_id",
}
"""Rows that are no records of their own: the column of the record that they are a part of."""

_LOOSE: Final = frozenset({(Job, "again_of_id"), (Device, "rig_id"), (MeasurementRig, "calibration_id")})
"""References that may go on leading to something that was taken back."""

_NEVER: Final = frozenset({"init", "upgrade", "restore", "device pair", "device end"})
"""Acts that nothing is taken back of: what they did is no record of the bench."""


@dataclass
class Hanging:
    """What hangs on a record.

    Attributes:
        parts: Rows that are parts of it, or of its parts; they go with it.
        resting: Records that rest on it and stand by themselves.
    """

    parts: list[Any] = field(default_factory=list)
    resting: list[Any] = field(default_factory=list)


def void(
    book: Book,
    who: str,
    plugged: Plugged,
    target: str,
    reason: str,
    *,
    sure: bool = False,
    back: bool = False,
) -> Done:
    """Take a record back, with what is a part of it; or bring it back.

    Args:
        book: The book.
        who: Who takes it back.
        plugged: The methods: what is used up, and what a calibration changes, follows from them.
        target: ID, name or part (``storage3``); a recording of a measurement as ``M0451-C.curve``.
        reason: Why; required.
        sure: What goes with it is meant to.
        back: Bring back what was taken back, with all that went with it.

    Raises:
        Doubt: Something goes with it; all of it is named.
        FormError: No reason.
        Refused: There is no such record, or others rest on it.
    """
    if not reason.strip():
        raise FormError("Taking back needs a reason", do="Give it with --reason")
    with book.act("void", who, reason=" ".join(reason.split())) as act:
        if not back and (link := _recording(book, act.session, target)) is not None:
            return _void_recording(act, book, plugged, link)
        row = find_row(book, act.session, target, voided=True)
        act.about.append(name_of(row))
        if back:
            return _bring_back(act, book, plugged, row)
        if row.voided is not None:
            raise Refused(f"{name_of(row)} was taken back already", do="Bring it back with --back")
        hanging = hanging_on(act.session, row)
        _refuse_resting(row, hanging.resting)
        records = [each for each in hanging.parts if type(each) in _RECORDS and not isinstance(each, Result)]
        if records:
            ask_all([f"{name_of(row)} takes with it {_counted(records)}"], sure=sure)
        notes = [f"Taken back with it: {_counted(records)}."] if records else []
        _take_back(act, [row, *hanging.parts])
        notes += _settle(act, book, plugged, [row, *hanging.parts])
        act.about += [name_of(each) for each in records if kind_of(each).has_id]
        return Done(name_of(row), notes)


_RECORDS: Final = frozenset(kind.model for kind in KINDS.values())


def hanging_on(session: Session, row: Any) -> Hanging:
    """Return what hangs on a record: its parts, theirs in turn, and what rests on any of them."""
    found, waiting, seen = Hanging(), [row], {id(row)}
    while waiting:
        here = waiting.pop(0)
        for other, column in _references(session, here):
            if id(other) in seen or other is row or (type(other), column) in _LOOSE:
                continue
            seen.add(id(other))
            if column in _owners(type(other)):
                found.parts.append(other)
                waiting.append(other)
            else:
                found.resting.append(other)
    parts = {id(each) for each in found.parts}
    found.resting = [each for each in found.resting if id(_holder(session, each)) not in parts | {id(row)}]
    return found


def _references(session: Session, row: Any) -> Iterator[tuple[Any, str]]:
    """Yield every row that counts and refers to a row, with the column by which it does."""
    table = row.__table__
    for mapper in Base.registry.mappers:
        model: Any = mapper.class_
        if not issubclass(model, Voidable):
            continue
        for column in model.__table__.c:
            if any(key.column.table is table and key.column.name == "id" for key in column.foreign_keys):
                asked = select(model).where(getattr(model, column.name) == row.id)
                for other in session.scalars(asked):
                    yield other, column.name


def _owners(model: type[Any]) -> tuple[str, ...]:
    if model in LINK_OWNERS:
        return (LINK_OWNERS[model],)
    return next((kind.owner for kind in KINDS.values() if kind.model is model), ())


def _holder(session: Session, row: Any) -> Any:
    """Return the record that a link belongs to; the row itself where it is a record."""
    owner = LINK_OWNERS.get(type(row))
    if owner is None:
        return row
    target = next(iter(type(row).__table__.c[owner].foreign_keys)).column.table
    model = next(mapper.class_ for mapper in Base.registry.mappers if mapper.local_table is target)
    return session.get(model, getattr(row, owner))


def _refuse_resting(row: Any, resting: Iterable[Any]) -> None:
    """Refuse to take back what other records rest on.

    Raises:
        Refused: Some do; they are named.
    """
    session = object_session(row)
    if session is None:
        return
    holders = {id(held): held for each in resting if (held := _holder(session, each)) is not None}
    names = sorted(name_of(each) for each in holders.values() if type(each) in _RECORDS)
    if names:
        shown = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")  # noqa: PLR2004 - a line holds so many
        raise Refused(
            f"{shown} rest on {name_of(row)}",
            do="Correct or take back those first; if it was entered twice: strandbook merge KEEP "
            f"{name_of(row)} --reason WHY",
        )


def _counted(rows: Iterable[Any]) -> str:
    """Return rows in words: how many of each kind, and what they are called."""
    rows = list(rows)
    kinds = Counter(kind_of(each).name for each in rows)
    parts = []
    for name, count in kinds.items():
        names = [name_of(each) for each in rows if kind_of(each).name == name]
        shown = ", ".join(names[:4]) + (" …" if len(names) > 4 else "")  # noqa: PLR2004 - a line holds so many
        parts.append(f"{count} {name if count == 1 else KINDS[name].plural} ({shown})")
    return ", ".join(parts)


def _take_back(act: Act, rows: Iterable[Any]) -> None:
    for row in rows:
        row.voided = act.seq
        if isinstance(row, Result):
            # Kept beside the verdicts: means over thousands of results look at this alone.
            row.counted = False
    act.session.flush()


def _recount(result: Result) -> None:
    """Count a result that is back, as its newest verdict says."""
    verdict = result.verdicts[-1] if result.verdicts else None
    result.counted = result.value is not None and (verdict is None or verdict.counted)


def _bring_back(act: Act, book: Book, plugged: Plugged, row: Any) -> Done:
    """Bring a record back, with all that was taken back in the same act."""
    if row.voided is None:
        raise Refused(f"{name_of(row)} was not taken back")
    if getattr(row, "merged_into_id", None) is not None:
        raise Refused(f"{name_of(row)} was merged", do="strandbook undo takes back the merging")
    session, gone = act.session, row.voided
    with with_voided(session):
        rows = [row, *(each for each in _gone_with(session, row, gone) if each is not row)]
    for each in rows:
        each.voided = None
    session.flush()
    kind_of(row).check(session, row, when_at(book))
    for each in rows:
        if isinstance(each, Result):
            session.expire(each, ["verdicts"])
            _recount(each)
    session.flush()
    records = [each for each in rows[1:] if type(each) in _RECORDS and not isinstance(each, Result)]
    notes = [f"Back with it: {_counted(records)}."] if records else []
    return Done(name_of(row), notes + _settle(act, book, plugged, rows))


def _gone_with(session: Session, row: Any, gone: int) -> Iterator[Any]:
    """Yield the parts of a record that were taken back by the same act."""
    for other, column in _references(session, row):
        if other.voided == gone and column in _owners(type(other)):
            yield other
            yield from _gone_with(session, other, gone) if "id" in type(other).__table__.c else ()


def _settle(act: Act, book: Book, plugged: Plugged, rows: Iterable[Any]) -> list[str]:
    """Bring up to date what followed from rows that were taken back or are back."""
    rows, session = list(rows), act.session
    those = {id(each) for each in rows}
    session.flush()

    def untouched(model: Any, number: int | None) -> Any:
        """Return a row that is in force and none of these; None for no such row."""
        row = None if number is None else session.get(model, number)
        return None if row is None or row.voided is not None or id(row) in those else row

    notes: list[str] = []
    for number in {each.job_id for each in rows if isinstance(each, JobLog)}:
        # A job that came back with its logs has what they said of its pieces too.
        if (job := untouched(Job, number)) is not None:
            notes += _read_logs_anew(act, book, plugged, job)
    for each in rows:
        if isinstance(each, Measurement) and (piece := untouched(Specimen, each.specimen_id)) is not None:
            settle_used_up(session, plugged, piece, each)
    for each in rows:
        if isinstance(each, Calibration) and each.rig_id is not None:
            notes += _calibrate_anew(act, book, plugged, each)
    session.flush()
    return notes


def _read_logs_anew(act: Act, book: Book, plugged: Plugged, job: Job) -> list[str]:
    """Cut a job's logs to its pieces again; without any nothing is known of their conditions."""
    act.session.expire(job, ["logs"])
    try:
        if job.logs:
            logs.refresh(act, book, plugged, job)
            return []
    except Refused as refusal:
        # What cannot be read any more tells nothing of the pieces, and is no bar to taking it back.
        notes = [f"The logs of {name_of(job)} say nothing of its specimens now: {refusal}"]
    else:
        notes = []
    for piece in job.specimens:
        piece.log_facts = None
    return notes


def _calibrate_anew(act: Act, book: Book, plugged: Plugged, calibration: Calibration) -> list[str]:
    """Compute again what was measured with a rig whose calibrations are others now."""
    session = act.session
    session.expire(calibration.rig, ["calibrations"])
    notes = []
    for link in session.scalars(select(MeasurementRig).where(MeasurementRig.rig_id == calibration.rig_id)):
        row = session.get(Measurement, link.measurement_id)
        if row is None or row.at is None:
            continue
        right = in_force(calibration.rig, row.at.astimezone(book.zone).date())
        if right is link.calibration:
            continue
        link.calibration = right
        session.flush()
        try:
            compute_again(act, book, plugged, row)
        except Refused as refusal:
            notes.append(f"{name_of(row)} keeps its results: {refusal}")
        else:
            notes.append(f"{name_of(row)} is computed again.")
    return notes


def _recording(book: Book, session: Session, target: str) -> MeasurementFile | None:
    """Return the recording that ``M0451-C.curve`` names, or None."""
    head, dot, name = target.strip().rpartition(".")
    if not dot or not head:
        return None
    try:
        row = find_row(book, session, head)
    except Refused:
        return None
    if not isinstance(row, Measurement):
        return None
    return next((each for each in row.files if each.field == name), None)


def _void_recording(act: Act, book: Book, plugged: Plugged, link: MeasurementFile) -> Done:
    row = act.session.get_one(Measurement, link.measurement_id)
    link.voided = act.seq
    act.session.flush()
    act.session.expire(row, ["files"])
    act.about.append(name_of(row))
    computation = compute_again(act, book, plugged, row)
    return Done(name_of(row), [computation.problem] if computation.problem else [])


# --- the last act of somebody --------------------------------------------------------------------------


def undo(
    book: Book, who: str, plugged: Plugged, *, entry: int | None = None, sure: bool = False, reason: str = ""
) -> Done:
    """Take back the last act of a person: what it made is taken back, what it changed is as it was.

    Args:
        book: The book.
        who: Whose last act.
        plugged: The methods.
        entry: Another act by its number in the journal, of whoever did it.
        sure: It is meant, though somebody else did it or it was days ago.
        reason: Why, in a word; the act that is undone is named behind it.

    Returns:
        What the act was about.

    Raises:
        Doubt: Somebody else did it, or it was more than a day ago.
        Refused: There is nothing to take back, or something was built on it since.
    """
    with book.act("undo", who) as act:
        record = _record_of(act.session, who, entry)
        body = json.loads(record.body)
        words = f"{record.act} {' '.join(body['about'][:3])}".strip()
        at = local_time(record.at, book.zone)
        questions = [f"{words} was done by {record.who}, {at}"] if record.who != who else []
        if act.at - record.at > dt.timedelta(days=1) and not questions:
            questions.append(f"{words} was done {at}")
        ask_all(questions, sure=sure)
        act.reason = f"{reason}, undo of entry {record.seq}: {words}".removeprefix(", ")
        act.about += [f"entry {record.seq}", *body["about"]]
        rows = _reverse(act, record, body)
        notes = [f"Undone: {words}, {at}.", *_settle(act, book, plugged, rows)]
        _check_reversed(act.session, rows, when_at(book))
    name = body["about"][0] if body["about"] else f"entry {record.seq}"
    return Done(name, notes)


def _record_of(session: Session, who: str, entry: int | None) -> JournalRecord:
    """Return the act to be undone: the one named, or the last of a person that was not undone."""
    if entry is not None:
        record = session.get(JournalRecord, entry)
        if record is None or record.act in _NEVER:
            raise Refused(f"Entry {entry} cannot be undone", do="strandbook log lists what was done")
        return record
    undone: set[int] = set()
    asked = select(JournalRecord).where(JournalRecord.who == who).order_by(JournalRecord.seq.desc())
    for record in session.scalars(asked).yield_per(50):
        if record.act == "undo":
            # An undo that was itself undone has taken nothing back.
            if record.seq not in undone:
                undone.add(int(json.loads(record.body)["about"][0].removeprefix("entry ")))
        elif record.seq not in undone and record.act not in _NEVER:
            return record
    raise Refused(f"There is nothing of {who} to undo")


def _reverse(act: Act, record: JournalRecord, body: Mapping[str, Any]) -> list[Any]:
    """Put rows back as they were before an act; what it made is taken back.

    Raises:
        Refused: A row was changed since, or something was built on what the act made.
    """
    session, rows = act.session, []
    with with_voided(session):
        for change in body["rows"]:
            model = _model_of(change["table"])
            if not issubclass(model, Voidable):
                continue
            row = session.get(model, _key(model, change["key"]))
            if row is None or not _is_as(row, change["after"]):
                raise Refused(
                    f"{_named(row, change)} was changed since",
                    do="Correct it, or take it back: strandbook void",
                )
            rows.append(row)
            if change["before"] is None:
                row.voided = act.seq
            else:
                _put_back(row, change["before"])
        for row in _made_in_bulk(session, record.seq, body["bulk"]):
            row.voided = act.seq
            rows.append(row)
        session.flush()
        for row in rows:
            # What its links led to before is not what they lead to now.
            session.expire(row)
    _refuse_built_on(session, act, rows)
    for row in rows:
        if isinstance(row, Result):
            row.counted = row.counted and row.voided is None
    return rows


def _made_in_bulk(session: Session, seq: int, manifests: Iterable[Mapping[str, Any]]) -> Iterator[Any]:
    """Yield the rows that an act brought in by bulk."""
    for each in manifests:
        model: Any = _model_of(each["table"])
        if issubclass(model, Voidable):
            yield from session.scalars(select(model).where(model.entry == seq))


def _refuse_built_on(session: Session, act: Act, rows: Iterable[Any]) -> None:
    """Refuse to take back what something was built on since."""
    gone = [row for row in rows if row.voided == act.seq and "id" in type(row).__table__.c]
    if len(gone) > _LOOKED_AT:
        gone = [row for row in gone if isinstance(row, Job)]
    for row in gone:
        for other, column in _references(session, row):
            if other.voided is None and (type(other), column) not in _LOOSE:
                held = _holder(session, other)
                named = name_of(held) if type(held) in _RECORDS else "something"
                raise Refused(
                    f"{named} rests on {name_of(row) if type(row) in _RECORDS else 'it'} since",
                    do="Take that back first, or all of it: strandbook void",
                )


_LOOKED_AT: Final = 500
"""Rows of a bulk import that are looked at one by one; of more, the jobs alone: the rest hangs on them."""


def _check_reversed(session: Session, rows: Iterable[Any], when: When) -> None:
    """Hold rows that are as they were to what holds of them: a name may be taken by now."""
    for row in rows:
        if row.voided is None and type(row) in _RECORDS and not isinstance(row, (Result, Verdict)):
            kind_of(row).check(session, row, when)


def _model_of(table: str) -> type[Any]:
    return next(
        mapper.class_ for mapper in Base.registry.mappers if getattr(mapper.local_table, "name", "") == table
    )


def _key(model: type[Any], written: str) -> Any:
    columns = list(model.__table__.primary_key)
    parts = written.split(":", len(columns) - 1)
    values = [int(part) if _is_number(column) else part for column, part in zip(columns, parts, strict=True)]
    return values[0] if len(values) == 1 else tuple(values)


def _is_number(column: Column[Any]) -> bool:
    return column.type.python_type is int


def _named(row: Any, change: Mapping[str, Any]) -> str:
    if row is not None and type(row) in _RECORDS:
        return name_of(row)
    return f"{change['table'].replace('_', ' ')} {change['key']}"


def _is_as(row: Any, after: Mapping[str, Any]) -> bool:
    """Whether a row is as an act left it; by its values, as what was done since may have been undone."""
    return all(plain(getattr(row, name)) == value for name, value in after.items() if name != "entry")


def _put_back(row: Any, before: Mapping[str, Any]) -> None:
    table: Table = type(row).__table__
    keys = {column.name for column in table.primary_key}
    for column in table.c:
        if column.name not in keys and column.name != "entry":
            # A column that did not exist then has no value in the entry.
            setattr(row, column.name, _value(column, before.get(column.name)))


def _value(column: Column[Any], held: Any) -> Any:
    """Return a value of the journal in the type of its column."""
    kind: Any = column.type.impl if isinstance(column.type, TypeDecorator) else column.type
    if held is None or not isinstance(held, str):
        return float(held) if isinstance(held, int) and column.type.python_type is float else held
    if isinstance(kind, DateTime):
        return dt.datetime.fromisoformat(held)
    return dt.date.fromisoformat(held) if isinstance(kind, Date) else held


def judge(
    book: Book, who: str, measurement: str, *, counted: bool, reason: str, quantity: str | None = None
) -> Done:
    """Give a verdict on the results of a measurement.

    Args:
        book: The book.
        who: Whose verdict it is.
        measurement: Its ID.
        counted: Whether the results enter means.
        reason: Why; required.
        quantity: The one meant; all of the measurement where None.

    Raises:
        FormError: No reason, no such result, or one without a value is to be counted.
    """
    if not reason.strip():
        raise FormError("A verdict needs a reason", do="Give it with --reason")
    with book.act("verdict", who, reason=" ".join(reason.split())) as act:
        row = find(book, act.session, measurement, "measurement")
        results = _results_to_judge(row, quantity)
        for result in results:
            # Counted without a value it would raise the number of results of a mean and nothing else.
            if counted and result.value is None:
                raise FormError(f"{result.quantity} has no value to count", why=result.refused or "")
            result.counted = counted
            # Beside the switch a row of its own, so that who set a result aside, and who brought it back,
            # stays readable.
            act.session.add(
                Verdict(result_id=result.id, counted=counted, reason=act.reason, by=who, at=act.at)
            )
        act.about.append(measurement_id(row.id))
    word = "counted" if counted else "set aside"
    return Done(measurement_id(row.id), [f"{result.quantity} {word}." for result in results])


def _results_to_judge(row: Measurement, quantity: str | None) -> list[Result]:
    # Without a quantity all that have a value are meant; what was refused has nothing to be counted.
    with_value = [each for each in row.results if each.value is not None]
    if quantity is None and with_value:
        return with_value
    meant = [each for each in row.results if each.quantity == quantity]
    if not meant:
        has = ", ".join(each.quantity for each in row.results) or "no results"
        raise FormError(f"{measurement_id(row.id)} has no {quantity or 'value'}", do=f"It has {has}")
    return meant
