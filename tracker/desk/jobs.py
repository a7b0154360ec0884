"""Jobs: a plate file run on a printer with its specimens; spools, changes by hand, gauge sections, end."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import WITH_VOIDED, Book
from tracker.desk.doubts import Done, confirm, doubt
from tracker.desk.entering import fill_in
from tracker.desk.jobplates import (
    PieceWanted,
    PlateFile,
    feeds,
    from_plate,
    job_remarks,
    name_pieces,
    read_job_plate,
    specimens_of,
    spool_ids_of,
    with_plate,
)
from tracker.factors.inforce import heating_doubt
from tracker.forms import NONE, Ask, FormError, check_order, clean, when_at
from tracker.ids import job_id, specimen_id, spool_id
from tracker.kinds import KINDS, find, material_named, name_of
from tracker.kinds.base import plausible_end, refuse_assumed_end
from tracker.kinds.job import END_FORM, MEASURED_FORM, SET_FORM, SETTINGS, planned_h
from tracker.kinds.whereabouts import contradictions
from tracker.lazy_modules import lazy
from tracker.lineage import spools_of_job
from tracker.model import Job, JobSpool, SettingChange, Specimen
from tracker.moments import local_time as local
from tracker.units import UnitError, parse

if TYPE_CHECKING:
    from tracker import platefile, plugins
    from tracker.desk import logs, plates
    from tracker.desk.plates import PlateRead
    from tracker.plugins import Plugged
else:
    logs = lazy("tracker.desk.logs")
    platefile = lazy("tracker.platefile")
    plates = lazy("tracker.desk.plates")
    plugins = lazy("tracker.plugins")


_REPEATED: Final = (
    "printer", "nozzle", "surface", "nozzle_set_c", "bed_set_c", "chamber_set_c", "fan_set_pct",
    "layer_height_mm", "line_width_mm",
)  # fmt: skip
"""What another attempt takes over from the earlier one where nothing else is said."""

_JOB: Final = KINDS["job"]
_OF_PLATE: Final = ("filament_mm", "filament_g", "time_s")


def add_job(
    book: Book,
    who: str,
    typed: Mapping[str, Any],
    *,
    spools: Sequence[str] = (),
    material: str | None = None,
    plate: PlateFile | None = None,
    pieces: Sequence[PieceWanted] = (),
    again: str | None = None,
    read: PlateRead | None = None,
    asked: Sequence[str] = (),
    sure: bool = False,
) -> Done:
    """Enter a job with its pieces.

    Args:
        book: The book.
        who: Who enters it.
        typed: Answers to :data:`SET_FORM` and :data:`MEASURED_FORM`; what the plate says fills the rest.
        spools: IDs of the spools, the first in tool 0.
        material: Name of the material where the spool is not known.
        plate: The plate file; it is kept whole.
        pieces: What is on the plate, where no file says it; taken over from ``again`` where empty. With a
            file they correct names and letters of what was derived.
        again: The job of which this is another attempt.
        read: The plate as :func:`read_job_plate` gave it and somebody confirmed it; read again where None.
        asked: What the check before the print would stop it for; asked about with all else.
        sure: What is unusual about it is meant.

    Raises:
        Doubt: A set-point is outside of the sheet or unlike the printer, or a time does not fit.
        FormError: A field is wrong, or neither spool nor material is known.
        PlateRefused: The file is no readable plate.
    """
    when = when_at(book)
    values = clean((*SET_FORM, *MEASURED_FORM), typed, when)
    if read is None and plate is not None:
        read = read_job_plate(book, plate, spools=spools, material=material, again=again)
    if read is not None:
        name_pieces(read, pieces)
    with book.act("job add", who) as act:
        earlier = find(book, act.session, again, "job") if again else None
        job = Job(
            **_taken_over(with_plate(values, read), earlier),
            outcome="running" if values["started_at"] else None,
        )
        if earlier is not None:
            job.again_of_id = earlier.id
        _put_spools(book, act, job, spools or spool_ids_of(earlier), material, (read, earlier))
        _put_plate(act, job, plate, earlier)
        job.specimens = from_plate(read, who) if read is not None else specimens_of(pieces, earlier)
        act.session.add(job)
        act.session.flush()
        confirm(job, [*asked, *_JOB.odd(act.session, job, when)], sure=sure)
        made = [specimen_id(job.id, piece.piece) for piece in job.specimens]
        act.about += [job_id(job.id), *(spool_id(each.spool_id) for each in job.spools)]
    return Done(job_id(job.id), job_remarks(read, values, job_id(job.id), made), made)


def add_specimens(book: Book, who: str, job: str, pieces: Sequence[PieceWanted]) -> Done:
    """Enter specimens of a job that has none: it was entered before anybody knew what was on the plate.

    Returns:
        The job, with the IDs of the specimens in ``also``.

    Raises:
        FormError: None are named, or the job has specimens already.
        Refused: There is no such job.
    """
    if not pieces:
        raise FormError("There are no specimens to enter", do="Give --piece NAME:ORIENTATION:COUNT")
    with book.act("job pieces", who) as act:
        row: Job = find(book, act.session, job, "job")
        if row.specimens:
            raise FormError(
                f"{job_id(row.id)} has {len(row.specimens)} specimens already",
                do="Correct those, or take back what should not be there: strandbook void",
            )
        taken = act.session.scalar(
            select(func.max(Specimen.piece)).where(Specimen.job_id == row.id),
            execution_options={WITH_VOIDED: True},
        )
        rows = specimens_of(pieces, None)
        for each in rows:
            # Numbers of specimens that were taken back are on labels, and never come again.
            each.job_id, each.piece = row.id, each.piece + int(taken or 0)
        act.session.add_all(rows)
        act.session.flush()
        made = [specimen_id(row.id, each.piece) for each in rows]
        act.about += [job_id(row.id), *made]
    return Done(job_id(row.id), [], made)


def _taken_over(values: dict[str, Any], earlier: Job | None) -> dict[str, Any]:
    if earlier is None:
        return values
    # Lengths and times are the plate's: a new plate has brought its own.
    kept = _REPEATED if "time_s" in values else (*_REPEATED, *_OF_PLATE)
    return values | {key: getattr(earlier, key) for key in kept if values.get(key) is None}


def _put_spools(
    book: Book,
    act: Act,
    job: Job,
    spools: Sequence[str],
    material: str | None,
    of: tuple[PlateRead | None, Job | None],
) -> None:
    if not spools and not material:
        raise FormError("A job needs to know what it was printed from", do="Give --spool ID")
    rows = [find(book, act.session, spool, "spool") for spool in spools]
    if len({row.id for row in rows}) < len(rows):
        raise FormError("A spool is named twice", do="Name each once")
    # What each of several tools took is known here and nowhere later; of a single spool it is the job's.
    job.spools = [
        JobSpool(
            spool=each.spool, tool=each.tool, pieces=each.pieces,
            filament_g=None if len(rows) == 1 or each.grams is None else round(each.grams, 4),
        )
        for each in feeds(of[0], rows, of[1])
    ]  # fmt: skip
    if not rows and material:
        job.material = material_named(act.session, material)


def _put_plate(act: Act, job: Job, plate: PlateFile | None, earlier: Job | None) -> None:
    if plate is not None:
        job.plate_sha256, job.plate_name = act.attach(plate.data, plate.name), plate.kept_name
    elif earlier is not None:
        job.plate_sha256, job.plate_name = earlier.plate_sha256, earlier.plate_name


def end_job(book: Book, who: str, job: str, typed: Mapping[str, Any], *, sure: bool = False) -> Done:
    """Enter how a job ended and what was measured while it ran.

    Raises:
        Doubt: A time does not fit: another job ran on the printer, say.
        FormError: A field is wrong, or it would end before it began.
    """
    with book.act("job end", who) as act:
        row = find(book, act.session, job, "job")
        # A bare time is of the job's own day: it may have run past midnight.
        when = when_at(book, row.started_at)
        given = {key: value for key, value in clean(END_FORM, typed, when).items() if value is not None}
        if "ended_at" not in given and typed.get("ended_at") != NONE:
            if row.ended_at is None:
                refuse_assumed_end(row.started_at, when.now, planned_h(row), job_id(row.id), book.zone)
            given["ended_at"] = row.ended_at or when.now
        fill_in(row, given, job_id(row.id), {"outcome": "running"})
        _JOB.check(act.session, row, when)
        confirm(row, _JOB.odd(act.session, row, when), sure=sure)
        if "first_layer_at" in given and row.logs:
            logs.refresh(act, book, plugins.load(), row)
        act.about.append(job_id(row.id))
        waiting = act.session.scalar(
            select(func.count()).where(Specimen.job_id == row.id, Specimen.outcome.is_(None))
        )
    notes = (
        [f"{waiting} pieces wait to come off the bed: strandbook offbed {job_id(row.id)}"] if waiting else []
    )
    return Done(job_id(row.id), notes)


def offered_end(book: Book, target: str) -> str:
    """Return ``now`` where a job or drying may just have ended by its plan; empty where its end is asked."""
    with book.read() as session:
        row = find(book, session, target, "job", "drying")
        planned, began = (
            (planned_h(row), row.started_at) if isinstance(row, Job) else (row.planned_h, row.began_at)
        )
    latest = plausible_end(began, planned)
    return "now" if latest is None or book.clock() <= latest else ""


def last_value(session: Session, column: str) -> Any:
    """Return what the newest job that has a column filled says there: the default of a prompt."""
    field = getattr(Job, column)
    return session.scalar(select(field).where(field.is_not(None)).order_by(Job.id.desc()).limit(1))


# --- settings changed by hand while a job ran ------------------------------------------------------------


_PLACE: Final = (
    Ask("at", "When", "moment"),
    Ask("layer", "From layer", "whole", low=0, high=1_000_000),
    Ask("height_mm", "From height", "number", "mm", low=0, high=5_000),
    Ask("note", "Note"),
)


def change_setting(book: Book, who: str, job: str, assignment: str, typed: Mapping[str, Any]) -> Done:
    """Enter a setting changed by hand while a job ran, from a time, a layer or a height on.

    Args:
        book: The book.
        who: Who changed it.
        job: ID of the job.
        assignment: ``fan=50`` or any ``name=value``.
        typed: ``at``, ``layer`` or ``height_mm`` (one of them; now where none is given), ``note``.

    Raises:
        FormError: No assignment, a field that cannot be read, two places at once, or a time outside the job.
        Refused: There is no such job.
    """
    setting, value, words = read_assignment(assignment)
    with book.act("job change", who) as act:
        row = find(book, act.session, job, "job")
        when = when_at(book, row.started_at)
        values = clean(_PLACE, typed, when)
        places = [key for key in ("at", "layer", "height_mm") if values[key] is not None]
        if len(places) > 1:
            raise FormError(f"{' and '.join(places)} are both given", do="Say from when only one way")
        if not places:
            values["at"] = when.now
        check_order(row.started_at, values["at"], "The change", book.zone)
        if values["at"] is not None and row.ended_at is not None and values["at"] > row.ended_at:
            raise FormError(
                f"{local(values['at'], book.zone)} is after {job_id(row.id)} ended"
                f" ({local(row.ended_at, book.zone)})",
                do="Say from when with --at, --layer or --height",
            )
        act.session.add(SettingChange(job_id=row.id, setting=setting, value=value, text=words, **values))
        act.about.append(job_id(row.id))
        # By a layer or a height it is certain; by the clock it hangs on how long the printer heated.
        early = heating_doubt(row, []) if values["at"] is not None else []
    return Done(job_id(row.id), early)


def read_assignment(assignment: str) -> tuple[str, float | None, str | None]:
    """Return setting, number and text of ``fan=50 %`` or ``first_layer=slow``.

    Raises:
        FormError: There is no ``=``, or a known setting has no number in its unit.
    """
    name, sign, typed = assignment.partition("=")
    name, typed = name.strip().lower(), typed.strip()
    if not sign or not name or not typed:
        raise FormError(f"{assignment!r} is no setting", do="Write NAME=VALUE, as in fan=50")
    try:
        return name, parse(typed, SETTINGS.get(name, "1"), name), None
    except UnitError as error:
        if name in SETTINGS:
            raise FormError(str(error)) from error
        return name, None, typed


# --- which spool printed what ----------------------------------------------------------------------------


SPOOL_USE_FORM: Final = (
    Ask("spool", "Spool", "record", required=True, of=("spool",)),
    Ask("tool", "Tool, counted from 0", "whole", low=0, high=99),
    Ask("from_layer", "First layer printed from it", "whole", low=1, high=1_000_000),
    Ask("pieces", "Pieces printed from it (3,4 or 2-5; empty: all)"),
    Ask("filament_g", "Mass that the job took from it", "number", "g", low=0, high=50_000),
)


def use_spool(book: Book, who: str, job: str, typed: Mapping[str, Any], *, sure: bool = False) -> Done:
    """Enter another spool that a job was printed from: of another tool, from a layer on, or for some pieces.

    Raises:
        FormError: A field is wrong, or nothing tells this spool's part from the other's.
        Refused: There is no such job or spool, or the spool's records cannot all be true with it.
    """
    with book.act("job spool", who) as act:
        row: Job = find(book, act.session, job, "job")
        put_spool(book, act, row, typed, replace=False, sure=sure)
        act.about.insert(0, name_of(row))
    return Done(name_of(row))


def put_spool(book: Book, act: Act, job: Job, typed: Mapping[str, Any], *, replace: bool, sure: bool) -> None:
    """Put a spool into a job.

    Args:
        book: The book.
        act: Under way.
        job: The job.
        typed: Answers to :data:`SPOOL_USE_FORM`.
        replace: It was printed from this spool and not from the one recorded for that tool; with a layer or
            pieces the other stays for the rest.
        sure: It is meant although the spool was dried at that time.

    Raises:
        Doubt: The spool was dried while the job ran.
        FormError: A field is wrong, or nothing tells this spool's part from the other's.
    """
    values = clean(SPOOL_USE_FORM, typed, when_at(book))
    session = act.session
    spool = find(book, session, values["spool"], "spool")
    pieces = _numbers(values["pieces"], job) if values["pieces"] else None
    tool, layer = values["tool"] or 0, values["from_layer"]
    asked = select(JobSpool).where(JobSpool.job_id == job.id)
    there = list(session.scalars(asked, execution_options={WITH_VOIDED: True}))
    live = [each for each in there if each.voided is None and each.spool_id != spool.id]
    same = [each for each in live if each.tool == tool and each.from_layer == layer and each.pieces == pieces]
    if same and not replace:
        raise FormError(
            f"{name_of(job)} is printed from {spool_id(same[0].spool_id)} there already",
            do="Say --tool, --from-layer or --pieces; to put a mistake right: strandbook correct "
            f"{name_of(job)} spool={name_of(spool)} --reason WHY",
        )
    for each in same:
        each.voided = act.seq
    link = next((each for each in there if each.spool_id == spool.id), None)
    if link is None:
        link = JobSpool(job_id=job.id, spool_id=spool.id)
        session.add(link)
    link.voided, link.tool, link.from_layer, link.pieces = None, tool, layer, pieces
    link.filament_g = values["filament_g"]
    act.about.append(name_of(spool))
    session.flush()
    session.expire(job, ["spools"])
    found = contradictions(session, spool.id, when_at(book).now, book.zone, job)
    confirm(job, [f"{name_of(spool)}: {each.sentence}" for each in found], sure=sure)


def _numbers(typed: str, job: Job) -> list[int]:
    """Return the numbers of pieces from ``3,4`` or ``2-5``.

    Raises:
        FormError: It names none, or one that the job has not.
    """
    found: set[int] = set()
    for part in typed.split(","):
        match = re.fullmatch(r"\s*(\d{1,3})(?:\s*-\s*(\d{1,3}))?\s*", part)
        if match is None:
            raise FormError(f"{typed!r} names no pieces", do="Write 3,4 or 2-5")
        found |= set(range(int(match[1]), int(match[2] or match[1]) + 1))
    strangers = sorted(found - {each.piece for each in job.specimens})
    if strangers or not found:
        raise FormError(f"{name_of(job)} has no piece {', '.join(map(str, strangers)) or typed}")
    return sorted(found)


def spool_answers(job: Job) -> Iterator[tuple[str, str, str]]:
    """Yield name, label and value of what can be corrected of a job's first spool."""
    links = spools_of_job(job)
    first = links[0] if links else None
    yield "spool", "Spool", spool_id(first.spool_id) if first is not None else ""
    yield "from_layer", "Spool, first layer printed from it", str(first.from_layer or "") if first else ""


TEMPLATE = "template"
"""What is typed to take a stated gauge section back."""


def state_gauge(
    book: Book, who: str, plugged: Plugged, job: str, stated: str, names: Sequence[str] = (), *, sure: bool
) -> Done:
    """State the gauge section of pieces of a job; all that was taken over it is read again.

    Args:
        book: The book.
        who: Who states it.
        plugged: The readers of logs, which are cut again too.
        job: ID of the job.
        stated: ``x:20-60``, ``x:20-60,y:3-7``, ``z:10-30``, or ``template`` to take it back.
        names: Names or numbers of pieces; all but dummies where empty.
        sure: Whether what it holds was confirmed.

    Raises:
        Doubt: It was not; tells what the gauge section holds.
        Refused: It cannot be read or misses a piece, no such piece, or no plate file.
    """
    gauge = None if stated.strip().lower() == TEMPLATE else platefile.read_gauge(stated).text
    with book.act("job gauge", who) as act:
        row = find(book, act.session, job, "job")
        pieces = _pieces(row, names)
        doubt(_question(book, row, pieces, gauge), sure=sure)
        for piece in pieces:
            piece.gauge = gauge
            plates.cut_again(book, piece, who)
        logs.refresh(act, book, plugged, row)
        ids = [specimen_id(row.id, piece.piece) for piece in pieces]
        act.about += [job_id(row.id), *ids]
        return Done(job_id(row.id), also=ids)


def _pieces(row: Job, names: Sequence[str]) -> list[Specimen]:
    if not names:
        return [piece for piece in row.specimens if not piece.dummy]
    found = [piece for piece in row.specimens if any(_is(piece, name) for name in names)]
    strange = [name for name in names if not any(_is(piece, name) for piece in row.specimens)]
    if strange:
        known = ", ".join(f"{piece.piece} {piece.name or ''}".strip() for piece in row.specimens)
        raise FormError(f"{job_id(row.id)} has no piece {strange[0]!r}", do=f"It has {known}")
    return found


def _is(piece: Specimen, name: str) -> bool:
    """Whether a name means a piece: its number, its ID, its name, or the name without its own number."""
    word, own = name.strip().casefold(), (piece.name or "").casefold()
    named = {
        str(piece.piece),
        specimen_id(piece.job_id, piece.piece).casefold(),
        own,
        own.rpartition(" #")[0],
    }
    return bool(word) and word in named


def _question(book: Book, row: Job, pieces: Sequence[Specimen], gauge: str | None) -> str:
    names = ", ".join(specimen_id(row.id, piece.piece) for piece in pieces)
    if gauge is None:
        return f"{names}: gauge section of the template again"
    sections = dict.fromkeys(plates.gauge_words(plates.thing_of(book, piece), gauge) for piece in pieces)
    return f"{names}: {' / '.join(sections)}"
