"""Measuring: readings are taken in, kept whatever becomes of them, and computed."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.api import (
    Ambiguous,
    Method,
    Piece,
    Readings,
    Recording,
    ResultFacts,
    Understood,
    dump,
    fields,
    understood,
    units_of,
    validate,
)
from tracker.api import recordings as recordings_in
from tracker.book import WITH_VOIDED, Book
from tracker.desk import plausibility
from tracker.desk.devices import check_posted, keep_posted
from tracker.desk.doubts import Done, ask_all
from tracker.desk.method_inputs import compliance_in_force, in_force, instruments, piece_of, warning_of
from tracker.errors import Refused
from tracker.forms import NONE, FormError, clean, when_at
from tracker.ids import measurement_id, read_id, rig_id
from tracker.kinds import KINDS, find, find_pieces, ident_of
from tracker.lineage import load_spools
from tracker.model import (
    JournalRecord,
    Measurement,
    MeasurementFile,
    MeasurementRig,
    Result,
    Rig,
    SentForm,
    Specimen,
    Spool,
)
from tracker.moments import local_day
from tracker.moments import local_time as local
from tracker.plugins import Computation, Computed, Plugged, load
from tracker.units import parse

MEASURE_FORM: Final = KINDS["measurement"].form


@dataclass
class Measured(Done):
    """A measurement that was stored, with what came out of it.

    Attributes:
        again: It was sent before under the same key, and stored then.
    """

    again: bool = False
    results: list[Computed] = field(default_factory=list)
    subject: str = ""
    method: str = ""
    version: str = ""
    problem: str | None = None


def measure(
    book: Book,
    who: str,
    plugged: Plugged,
    subject: str,
    method_id: str,
    typed: Mapping[str, Any],
    *,
    files: Mapping[str, Recording] | None = None,
    rigs: Sequence[str] = (),
    about: Mapping[str, Any] | None = None,
    source: str = "typed",
    key: str | None = None,
    incomplete: bool = False,
    sure: bool = False,
) -> Measured:
    """Store readings of a method on a specimen or spool, and compute what they give.

    Args:
        book: The book.
        who: Who enters them.
        plugged: The methods.
        subject: Its ID or label text.
        method_id: Method.
        typed: Readings by field, as text (``5 kg`` is understood) or as numbers in the field's unit.
        files: Recordings by field.
        rigs: IDs of what it was measured with.
        about: Answers to :data:`MEASURE_FORM`.
        source: ``typed``, ``imported`` or ``posted``.
        key: Of whoever sends readings over a network that may swallow the answer: what comes twice under
            one key is stored once, and answered with what was stored.
        incomplete: Readings that give no result yet are kept all the same.
        sure: The person knows that the piece failed, is broken, or is an unusual one for this method.

    Raises:
        Doubt: The piece failed on the bed or is broken already, or a number looks wrong beside its siblings.
        IncompleteError: The readings give no result at all.
        ReadingsError: A reading cannot be kept.
        Refused: No such method, subject or rig.
    """
    wanted = Wanted(subject, method_id, typed, files or {}, rigs, about or {}, source, key, incomplete)
    try:
        with book.act("measure", who) as act:
            # Asked inside the act, where nobody else can write: two posts at once are still one measurement.
            _refuse_twice(act.session, key)
            entered = _enter(act, book, who, plugged, wanted)
            ask_all(entered.asked, sure=sure)
            done = _keep(act, [entered], book.zone)[0]
    except _StoredAlready as stored:
        return _stored_before(book, stored.number)
    # Only when the act is on the disk: a plugin told of a result that was rolled back would have sent it
    # on.
    _notify_plugins(plugged, done)
    return done


@dataclass(frozen=True)
class Wanted:
    """One measurement to be stored; see :func:`measure` for what each part is."""

    subject: str
    method_id: str
    typed: Mapping[str, Any]
    files: Mapping[str, Recording] = field(default_factory=dict)
    rigs: Sequence[str] = ()
    about: Mapping[str, Any] = field(default_factory=dict)
    source: str = "typed"
    key: str | None = None
    incomplete: bool = False


class IncompleteError(FormError):
    """Readings that give no result: what their method needs for at least one is not among them."""


class _RehearsedError(Exception):
    """A rehearsal is over: what it entered is taken back with its act."""


def measure_all(
    book: Book,
    who: str,
    plugged: Plugged,
    wanted: Sequence[tuple[str, Wanted]],
    *,
    sure: bool = False,
    rehearse: bool = False,
) -> tuple[list[Measured], list[str]]:
    """Store many measurements as one act, all of them or none.

    Args:
        book: The book.
        who: Who enters them.
        plugged: The methods.
        wanted: Each with the words that name it in a refusal, such as ``line 4``.
        sure: What is asked about is meant.
        rehearse: Write nothing, and ask nothing: return what would be stored and what would be asked.

    Returns:
        What was stored, in order, and what was asked about.

    Raises:
        Doubt: Something looks wrong; every question is named with its line.
        FormError: One or more cannot be stored; every one is named, and none is.
    """
    done: list[Measured] = []
    asked: list[str] = []
    try:
        with book.act("measure", who) as act:
            entered = _enter_all(act, book, who, plugged, wanted)
            asked = [f"{name}: {each}" for name, one in entered for each in one.asked]
            if rehearse:
                # A rehearsal gives no number: the next measurement that is stored may have it.
                done = [
                    dataclasses.replace(
                        stored_measurement(one.measurement, one.computation, book.zone), id=""
                    )
                    for _, one in entered
                ]
                raise _RehearsedError  # noqa: TRY301 - leaving the act is what takes it back
            ask_all(asked, sure=sure)
            done = _keep(act, [one for _, one in entered], book.zone)
    except _RehearsedError:
        return done, asked
    for each in done:
        _notify_plugins(plugged, each)
    return done, asked


_AT_ONCE: Final = 500
"""Measurements of one act that are written together: each time costs a fixed amount of work."""


def _enter_all(
    act: Act, book: Book, who: str, plugged: Plugged, wanted: Sequence[tuple[str, Wanted]]
) -> list[tuple[str, _Entered]]:
    entered: list[tuple[str, _Entered]] = []
    refused: list[str] = []
    kept_by = ""
    # The next line is compared with this one as well: on the first day of a material there are no others.
    siblings = plausibility.SiblingValues(act.session)
    pieces: Mapping[str, Specimen] = {}
    for count, (name, each) in enumerate(wanted):
        if count % _AT_ONCE == 0:
            act.session.flush()
            texts = [one.subject for _, one in wanted[count : count + _AT_ONCE]]
            pieces = find_pieces(book, act.session, texts)
        try:
            one = _enter(act, book, who, plugged, each, siblings, pieces.get(each.subject))
            # Before it is written with others, so that what cannot be kept is refused with its line.
            act.session.check_texts(one.measurement)
            entered.append((name, one))
            siblings.add(one.subject, one.computation.outcomes)
        except IncompleteError as refusal:
            refused.append(f"{name}: {refusal.what}: {refusal.why}")
            kept_by = ", or keep readings without a result with --incomplete"
        except Refused as refusal:
            refused.append(f"{name}: {str(refusal).rstrip('.')}")
    if refused:
        raise FormError(
            "; ".join(refused), do=f"Nothing was stored. Correct these and enter all again{kept_by}"
        )
    act.session.flush()
    return entered


class _StoredAlready(Exception):  # noqa: N818 - no error: it ends an act of which nothing is left to do
    """A key has its measurement already."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(number)


@dataclass
class _Entered:
    """A measurement that is in its act's session, before its files and results are kept."""

    measurement: Measurement
    computation: Computation
    subject: Specimen | Spool
    files: Mapping[str, Recording]
    asked: list[str]


def _enter(
    act: Act,
    book: Book,
    who: str,
    plugged: Plugged,
    wanted: Wanted,
    siblings: plausibility.SiblingValues | None = None,
    piece: Specimen | None = None,
) -> _Entered:
    """Put a measurement into an act and compute it; what should be asked about it is gathered.

    Args:
        act: The act.
        book: The book.
        who: Who enters it.
        plugged: The methods.
        wanted: What was measured.
        siblings: Where many are entered by one act.
        piece: What the subject names, where that was looked up with others.
    """
    method = plugged.method(wanted.method_id)
    readings = validate(method, {**in_units(method, wanted.typed), **wanted.files})
    when = when_at(book)
    values = clean(MEASURE_FORM, wanted.about, when)
    values["at"] = values["at"] or when.now
    row = piece or find(book, act.session, wanted.subject, "specimen", "spool")
    asked = _questions_of_subject(row, method, book.zone)
    if isinstance(row, Specimen):
        load_spools(act.session, row)
    measurement = Measurement(
        specimen=row if isinstance(row, Specimen) else None,
        spool=row if isinstance(row, Spool) else None,
        method=method.id,
        readings=dump(readings),
        units=units_of(readings),
        source=wanted.source,
        posted_key=wanted.key,
        **{**values, "operator": values["operator"] or who},
    )
    measurement.rigs = rigs_used(book, act.session, method, wanted.rigs, values["at"])
    readings = _as_the_rig_writes(method, readings, measurement)
    # A file that can be read in two ways is asked about; of one that came in bulk the results are refused.
    waiting = False
    if wanted.source != "imported":
        read = understandings(method, recordings_in(readings)).values()
        # Nothing is missing where a recording only waits for a person's word: it is kept, without numbers.
        waiting = any(finding.open for each in read for finding in each.findings)
    computation = computed(plugged, readings, measurement, zone=book.zone)
    if not wanted.incomplete and not waiting and wanted.source != "imported":
        _refuse_incomplete(method, readings, computation)
    used = instruments(measurement.rigs).values()
    with act.session.no_autoflush:
        asked += plausibility.questions(
            act.session, row, method, measurement.readings, computation.outcomes, used, siblings=siblings
        )
        asked += KINDS["measurement"].odd(act.session, measurement, when)
    # The label then stops whoever scans the two halves for another pull.
    if method.destructive and isinstance(row, Specimen):
        row.broken_at = values["at"]
    _keep_results(measurement, computation)
    act.session.add(measurement)
    return _Entered(measurement, computation, row, recordings_in(readings), asked)


def _refuse_incomplete(method: Method, readings: Readings, computation: Computation) -> None:
    """Refuse readings that give no result; a test over time may be begun without its first reading.

    Raises:
        IncompleteError: Every quantity of the method is refused, and not by a fault of the plugin.
    """
    begun = method.over_time and not getattr(readings, method.over_time)
    # What a plugin could not do is no fault of the readings: they are kept, and computed when it is mended.
    if begun or computation.problem or not computation.outcomes:
        return
    if all(each.value is None for each in computation.outcomes):
        why = list(dict.fromkeys(each.refused.rstrip(".") for each in computation.outcomes if each.refused))
        raise IncompleteError(
            f"These readings give no result of {method.title.lower()}",
            why="; ".join(why),
            do="Give what is missing, or keep them as they are with --incomplete",
        )


def _keep(act: Act, entered: Sequence[_Entered], zone: dt.tzinfo) -> list[Measured]:
    """Keep the files of measurements with them, and what was asked about them."""
    for each in entered:
        measurement = each.measurement
        _attach(act, measurement, each.files)
        # What was asked about and meant stays marked with it for ever.
        measurement.confirmed = each.asked or None
        if measurement.posted_key is not None:
            keep_posted(act.session, measurement.posted_key)
    act.session.flush()
    for each in entered:
        act.about += [measurement_id(each.measurement.id), str(ident_of(each.subject))]
    return [stored_measurement(each.measurement, each.computation, zone) for each in entered]


def _refuse_twice(session: Session, key: str | None) -> None:
    if key is None:
        return
    number = session.scalar(select(Measurement.id).where(Measurement.posted_key == key))
    if number is not None:
        raise _StoredAlready(number)
    check_posted(session, key)


def stored_under(book: Book, key: str) -> list[Measured]:
    """Return what was stored by the one act that was done under a key, without what was taken back since."""
    with book.read() as session:
        body = session.scalar(
            select(JournalRecord.body)
            .join(SentForm, SentForm.entry == JournalRecord.seq)
            .where(SentForm.key == key)
        )
        about = [] if body is None else json.loads(body)["about"]
        idents = [ident for name in about for ident in read_id(name)]
        numbers = [each.number for each in idents if each.kind == "measurement"]
        kept = session.scalars(
            select(Measurement.id).where(Measurement.id.in_(numbers)).order_by(Measurement.id)
        ).all()
    return [_stored_before(book, number) for number in kept]


def _stored_before(book: Book, number: int) -> Measured:
    """Return what a stored measurement gave, in the words of the day it was stored."""
    with book.read() as session:
        row = session.get_one(Measurement, number)
        subject = row.specimen if row.specimen is not None else row.spool
        return Measured(
            id=measurement_id(number),
            again=True,
            notes=["It was stored before; nothing was stored twice."],
            results=[
                Computed(
                    quantity=each.quantity, value=each.value, unit=each.unit, uncertainty=each.uncertainty,
                    relation=each.relation, remarks=tuple(each.remarks or ()), refused=each.refused or "",
                    dof=each.dof, low=each.low, high=each.high, group=each.group or "",
                )
                for each in row.results
            ],
            subject=str(ident_of(subject)),
            method=row.method,
            version=row.method_version or "",
            problem=row.problem,
        )  # fmt: skip


def in_units(method: Method, typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return readings with numbers in the fields' units; what is no number is left to the model.

    Raises:
        UnitError: A text is no quantity of the field's kind.
    """
    units = {each.name: each for each in fields(method.Readings)}
    values: dict[str, Any] = {}
    for name, value in typed.items():
        asked = units.get(name)
        if isinstance(value, str) and value.strip() in ("", NONE):
            continue
        if asked is not None and asked.kind == "number" and isinstance(value, str):
            # Converted before the model sees it, so that a bound such as "greater than 0" is judged in the
            # field's own unit.
            values[name] = parse(value, asked.unit, name)
        else:
            values[name] = value
    return values


def computed(
    plugged: Plugged, readings: Readings, measurement: Measurement, *, zone: dt.tzinfo = dt.UTC
) -> Computation:
    """Return what the measurement's method makes of readings, with the rigs it was taken with."""
    day = None if measurement.at is None else measurement.at.astimezone(zone).date()
    subject = measurement.specimen if measurement.specimen is not None else measurement.spool
    piece = piece_of(subject) if subject is not None else Piece()
    return plugged.compute(measurement.method, readings, piece, instruments(measurement.rigs, day))


def readings_of(book: Book, plugged: Plugged, measurement: Measurement) -> Readings:
    """Return a stored measurement's readings, its files read back.

    Raises:
        Refused: The method or a file is gone, or the readings do not fit the method any more.
    """
    method = plugged.method(measurement.method)
    known = {each.name for each in fields(method.Readings)}
    files = {
        each.field: Recording(each.name, book.files.get(each.sha256), dict(each.read_as or {}))
        for each in measurement.files
        if each.field in known
    }
    return validate(method, {**(measurement.readings or {}), **files})


def computed_again(book: Book, plugged: Plugged, measurement: Measurement) -> Computation:
    """Return what a stored measurement gives today.

    Raises:
        Refused: The method or a file is gone.
    """
    return computed(plugged, readings_of(book, plugged, measurement), measurement, zone=book.zone)


def compute_again(act: Act, book: Book, plugged: Plugged, measurement: Measurement) -> Computation:
    """Put what a measurement gives now in the place of what it gave; the journal keeps the old values.

    Raises:
        Refused: The method or a file is gone.
    """
    computation = computed_again(book, plugged, measurement)
    taken_back = act.session.scalars(
        select(Result).where(Result.measurement_id == measurement.id, Result.voided.is_not(None)),
        execution_options={WITH_VOIDED: True},
    )
    for result in taken_back:
        # A result that was taken back with an act that gave it is given again by this one.
        result.voided = None
        measurement.results.append(result)
    old = {result.quantity: result for result in measurement.results}
    gone = set(old) - {each.quantity for each in computation.outcomes}
    for outcome in computation.outcomes:
        if outcome.quantity in old:
            _fill(old[outcome.quantity], outcome, computation.version)
        else:
            measurement.results.append(_result(outcome, computation.version))
    for quantity in gone:
        old[quantity].value = old[quantity].uncertainty = None
        # Emptied and not removed: verdicts and published tables may point at the row, and its old value is
        # in the journal.
        old[quantity].refused = "the readings as corrected no longer give it"
        old[quantity].counted = False
    measurement.problem, measurement.method_version = computation.problem, computation.version or None
    act.session.flush()
    return computation


def _questions_of_subject(row: Any, method: Method, zone: dt.tzinfo) -> list[str]:
    """Return what should be asked of the piece itself.

    Raises:
        FormError: The method is done on something else.
    """
    kind = "specimen" if isinstance(row, Specimen) else "spool"
    if kind != method.subject:
        raise FormError(
            f"{ident_of(row)} is a {kind}; {method.title} is done on a {method.subject}",
            do=f"Scan a {method.subject}",
        )
    asked = []
    if isinstance(row, Specimen) and row.outcome == "failed":
        asked.append(f"{ident_of(row)} failed on the bed ({row.cause or 'no cause recorded'})")
    if isinstance(row, Specimen) and row.broken_at is not None and method.destructive:
        asked.append(f"{ident_of(row)} was used up by a test on {local(row.broken_at, zone)}")
    return asked


def _attach(act: Act, measurement: Measurement, files: Mapping[str, Recording]) -> None:
    for name, recording in files.items():
        digest = act.attach(recording.data, recording.name)
        measurement.files.append(
            MeasurementFile(
                field=name, sha256=digest, name=recording.name, read_as=dict(recording.read_as) or None
            )
        )


def rigs_used(
    book: Book, session: Session, method: Method, rigs: Sequence[str], at: dt.datetime
) -> list[MeasurementRig]:
    """Return what a measurement was taken with, from IDs or names, or ``READING=ID`` where it took only that.

    Raises:
        FormError: The method has no such reading.
    """
    day = at.astimezone(book.zone).date()
    known = {each.name for each in fields(method.Readings)}
    taken: dict[int, MeasurementRig] = {}
    for named in dict.fromkeys(rigs):
        reading, sign, place = named.partition("=")
        if sign and reading.split(".")[0] not in known:
            raise FormError(
                f"{method.title} has no reading {reading!r}", do=f"It has {', '.join(sorted(known))}"
            )
        # By the bench's day, and the calibration kept with the measurement: one done later must not change
        # this number unseen.
        row: Rig = find(book, session, place if sign else named, "rig")
        link = taken.setdefault(
            row.id,
            MeasurementRig(
                rig=row, calibration=in_force(row, day), compliance=compliance_in_force(row, day), fields=None
            ),
        )
        if sign:
            link.fields = [*(link.fields or ()), reading]
    return list(taken.values())


def _as_the_rig_writes(method: Method, readings: Readings, measurement: Measurement) -> Readings:
    """Read recordings as a person last said of the rig that wrote them, and keep what is said now.

    What is said of this file goes before; how findings are to be taken belongs to this file alone.
    """
    update: dict[str, Recording] = {}
    for name, recording in recordings_in(readings).items():
        kind = next(each for each in fields(method.Readings) if each.name == name).reading.reads
        rig = _writer(measurement, name) if kind else None
        remembered = dict((rig.columns or {}).get(kind, {})) if rig is not None else {}
        typed = {key: value for key, value in recording.read_as.items() if not key.startswith("take.")}
        if rig is not None and typed and not typed.items() <= remembered.items():
            rig.columns = {**(rig.columns or {}), kind: {**remembered, **typed}}
        if remembered:
            update[name] = dataclasses.replace(recording, read_as={**remembered, **recording.read_as})
    return readings.model_copy(update=update) if update else readings


def _writer(measurement: Measurement, name: str) -> Rig | None:
    """Return the rig that wrote a recording: the one said to, else the only one of role rig."""
    usual = [
        each.rig for each in measurement.rigs if any(str(f).split(".")[0] == name for f in each.fields or ())
    ]
    rigs = usual or [each.rig for each in measurement.rigs if each.rig.role == "rig"]
    return rigs[0] if len(rigs) == 1 or usual else None


def understandings(method: Method, files: Mapping[str, Recording]) -> dict[str, Understood]:
    """Return what is understood of each file that a reader knows; shown before it is kept.

    Raises:
        Ambiguous: One can be read in two ways; the option that decides is named.
    """
    found: dict[str, Understood] = {}
    for field_ in fields(method.Readings):
        recording = files.get(field_.name)
        if recording is None or not field_.reading.reads:
            continue
        try:
            understanding = understood(recording, field_.reading.reads)
        except Ambiguous:
            raise
        # One that cannot be read at all is kept raw, and its results are refused with the reason.
        except Refused:
            continue
        if understanding is not None:
            found[field_.name] = understanding
    return found


def _keep_results(measurement: Measurement, computation: Computation) -> None:
    measurement.method_version = computation.version or None
    measurement.problem = computation.problem
    measurement.results = [_result(outcome, computation.version) for outcome in computation.outcomes]


def _result(outcome: Computed, version: str) -> Result:
    result = Result(quantity=outcome.quantity, unit=outcome.unit)
    _fill(result, outcome, version)
    result.counted = outcome.value is not None
    return result


def result_columns(outcome: Computed, version: str | None) -> dict[str, Any]:
    """Return what is stored of a computed quantity, by column."""
    return {
        "quantity": outcome.quantity,
        "value": outcome.value,
        "unit": outcome.unit,
        "uncertainty": outcome.uncertainty,
        "dof": outcome.dof,
        "low": outcome.low,
        "high": outcome.high,
        "group": outcome.group or None,
        "relation": outcome.relation,
        "remarks": list(outcome.remarks),
        "refused": outcome.refused or None,
        "budget": [dict(vars(part)) for part in outcome.budget] or None,
        "method_version": version or None,
    }


def _fill(result: Result, outcome: Computed, version: str) -> None:
    was_refused = result.refused is not None
    for name, value in result_columns(outcome, version).items():
        setattr(result, name, value)
    if outcome.value is None:
        result.counted = False
    # A value that comes back is counted; one that a person had set aside stays aside, whatever it is now.
    elif was_refused:
        result.counted = True


def stored_measurement(measurement: Measurement, computation: Computation, zone: dt.tzinfo) -> Measured:
    """Return what is reported of a measurement that was just stored or computed; days are the bench's."""
    notes = _without_value(computation.outcomes, measurement_id(measurement.id))
    # Stored all the same: a reading without its rig is worth more than a reading that was not entered.
    if not measurement.rigs:
        notes.append("Rig not recorded: the uncertainty holds the reading's resolution only.")
    day = local_day(measurement.at, zone) if measurement.at is not None else dt.date.max
    warned = (warning_of(each.rig, each.calibration, day) for each in measurement.rigs)
    notes += [each for each in warned if each]
    if computation.problem:
        notes.append(f"Readings are kept; {computation.problem}")
    subject = measurement.specimen if measurement.specimen is not None else measurement.spool
    return Measured(
        id=measurement_id(measurement.id),
        notes=notes,
        results=list(computation.outcomes),
        subject=str(ident_of(subject)),
        method=measurement.method,
        version=computation.version,
        problem=computation.problem,
    )


_ONE_BY_ONE: Final = 2
"""Of more quantities without a value the reasons are told together."""


def _without_value(outcomes: Iterable[Computed], ident: str) -> list[str]:
    """Return why quantities have no value: one by one where they are few, else in one list.

    A test over days that was just begun gives none of its nine quantities, for reasons that say the same nine
    times: those that at least two share are reported once, and of each all is kept with the measurement.
    """
    refused = {each.quantity: each.refused.rstrip(".") for each in outcomes if each.refused}
    if len(refused) <= _ONE_BY_ONE:
        of: dict[str, list[str]] = {}
        for name, why in refused.items():
            of.setdefault(why, []).append(name)
        return [f"{', '.join(names)}: {why}" for why, names in of.items()]
    parts = Counter(part for why in refused.values() for part in dict.fromkeys(why.split("; ")))
    shared = "; ".join(part for part, count in parts.items() if count > 1)
    alike = len(set(refused.values())) == 1
    more = "" if alike else f" The reason of each is shown with {ident}."
    return [f"No value yet of {', '.join(refused)}{f': {shared}' if shared else ''}.{more}"]


def _notify_plugins(plugged: Plugged, done: Measured) -> None:
    for each in done.results:
        plugged.after_result(
            ResultFacts(
                measurement=done.id, specimen=done.subject, quantity=each.quantity, value=each.value,
                unit=each.unit, uncertainty=each.uncertainty, method=done.method,
                method_version=done.version, remarks=each.remarks,
            )
        )  # fmt: skip


def last_rigs(session: Session, method: str) -> list[str]:
    """Return the IDs of the rigs of the newest measurement by a method: the default of the prompt."""
    # The newest by number and not by date: what was used last at the bench, also where readings are entered
    # late.
    newest = session.scalar(
        select(Measurement.id)
        .join(MeasurementRig)
        .where(Measurement.method == method)
        .order_by(Measurement.id.desc())
        .limit(1)
    )
    if newest is None:
        return []
    used = session.scalars(select(MeasurementRig.rig_id).where(MeasurementRig.measurement_id == newest))
    return [rig_id(number) for number in used]


def last_readings(session: Session, method: str) -> dict[str, Any]:
    """Return the readings of the newest measurement by a method: hints for the next one's prompts."""
    return (
        session.scalar(
            select(Measurement.readings)
            .where(Measurement.method == method, Measurement.readings.is_not(None))
            .order_by(Measurement.id.desc())
            .limit(1)
        )
        or {}
    )


def recomputing(book: Book, plugged: Plugged) -> Callable[[Measurement], dict[str, float | None] | None]:
    """Return what ``verify`` computes results again with: None where that version of a method is gone."""

    def values(measurement: Measurement) -> dict[str, float | None] | None:
        loaded = plugged.methods.get(measurement.method)
        if loaded is None or loaded.method.version != measurement.method_version:
            return None
        computation = computed_again(book, plugged, measurement)
        return {each.quantity: each.value for each in computation.outcomes}

    return values


def recomputing_anew(book: Book) -> Callable[[Measurement], dict[str, float | None] | None]:
    """Return the same in a process that has just begun, with plugins of its own."""
    return recomputing(book, load())


# --- used up ---------------------------------------------------------------------------------------------


def settle_used_up(session: Session, plugged: Plugged, piece: Specimen, gone: Measurement) -> None:
    """Say again when a specimen was used up, after a measurement was taken back, moved or restored.

    What a person entered by hand stays: only a time that a destructive test gave follows the tests.

    Args:
        session: In the middle of an act.
        plugged: Says which methods destroy the piece; one that is gone is taken to have done so.
        piece: The specimen.
        gone: The measurement that was taken back or moved.
    """
    session.flush()
    rows = session.scalars(
        select(Measurement).where(Measurement.specimen_id == piece.id, Measurement.at.is_not(None))
    )
    destroyed = [row.at for row in rows if _destroys(plugged, row) and row.at is not None]
    if piece.broken_at is None or piece.broken_at == gone.at or piece.broken_at in destroyed or not destroyed:
        hand_set = piece.broken_at is not None and piece.broken_at != gone.at and not destroyed
        piece.broken_at = piece.broken_at if hand_set else max(destroyed, default=None)


def _destroys(plugged: Plugged, row: Measurement) -> bool:
    loaded = plugged.methods.get(row.method)
    return loaded is None or loaded.method.destructive
