"""Jobs: a plate file run on a printer, its pieces, settings changed on the way, and its end."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.acts import Act
from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.filling import fill_in
from tracker.desk.finding import find, material_named
from tracker.desk.forms import Ask, FormError, clean
from tracker.desk.moments import check_order, local, when_at
from tracker.ids import job_id, specimen_id, spool_id
from tracker.model import Job, JobSpool, SettingChange, Specimen
from tracker.orientation import checked_letters
from tracker.units import UnitError, parse

if TYPE_CHECKING:
    from tracker.desk.plates import PlateRead

_HOT: Final[dict[str, Any]] = {"unit": "degC", "low": -50.0, "high": 600.0}
_LENGTH: Final[dict[str, Any]] = {"unit": "mm", "low": 0.005, "high": 20.0}

MEANT_FORM: Final = (
    Ask("name", "Name of the job"),
    Ask("printer", "Printer", prompt=True),
    Ask("nozzle", "Nozzle (size, material)"),
    Ask("surface", "Bed surface"),
    Ask("operator", "Operator"),
    Ask("planned_at", "Planned for", "moment", past=False),
    Ask("started_at", "Started", "moment", prompt=True),
    Ask("nozzle_set_c", "Nozzle temperature set", "number", **_HOT),
    Ask("bed_set_c", "Bed temperature set", "number", **_HOT),
    Ask("chamber_set_c", "Chamber temperature set", "number", prompt=True, **_HOT),
    Ask("fan_set_pct", "Part fan set", "number", unit="percent", low=0, high=100),
    Ask("layer_height_mm", "Layer height", "number", **_LENGTH),
    Ask("line_width_mm", "Line width", "number", **_LENGTH),
    Ask("note", "Note"),
)

MEASURED_FORM: Final = (
    Ask("nozzle_measured_c", "Nozzle temperature measured", "number", **_HOT),
    Ask("bed_measured_c", "Bed temperature measured", "number", **_HOT),
    Ask("chamber_measured_c", "Chamber temperature measured", "number", prompt=True, **_HOT),
    Ask("room_c", "Room temperature", "number", unit="degC", low=-20, high=60),
    Ask("room_rh_pct", "Room humidity", "number", unit="percent", low=0, high=100),
)

END_FORM: Final = (
    Ask("outcome", "How it ended", "choice", required=True, choices=("finished", "stopped", "failed")),
    Ask("ended_at", "Ended", "moment", prompt=True),
    Ask("cause", "Cause, if it did not finish"),
    *MEASURED_FORM,
)

_REPEATED: Final = (
    "printer", "nozzle", "surface", "nozzle_set_c", "bed_set_c", "chamber_set_c", "fan_set_pct",
    "layer_height_mm", "line_width_mm",
)  # fmt: skip
"""What another attempt takes over from the earlier one where nothing else is said."""

_OF_PLATE: Final = ("filament_mm", "filament_g", "time_s")

_MOST_PIECES: Final = 999


@dataclass(frozen=True)
class PieceWanted:
    """A piece as it is entered by hand: ``NAME:ORIENTATION[:COUNT]``."""

    name: str
    orientation: str | None
    count: int = 1


def read_piece(text: str) -> PieceWanted:
    """Return what ``bar:ZXY:5`` asks for; the orientation may be left empty (``bar::5``).

    Raises:
        FormError: It is not of that form.
    """
    parts = text.split(":")
    name = parts[0].strip()
    count = parts[2].strip() if len(parts) > 2 else "1"  # noqa: PLR2004 - the third part
    if not name or len(parts) > 3 or not re.fullmatch(r"[1-9]\d{0,2}", count):  # noqa: PLR2004 - three parts
        raise FormError(f"{text!r} names no pieces", do="Write NAME:ORIENTATION:COUNT, as in bar:ZXY:5")
    letters = parts[1].strip() if len(parts) > 1 else ""
    return PieceWanted(name, checked_letters(letters) if letters else None, int(count))


@dataclass(frozen=True)
class PlateFile:
    """The plate file as it came: its name and bytes."""

    name: str
    data: bytes

    @staticmethod
    def read(path: Path) -> PlateFile:
        """Read a file from the disk.

        Raises:
            FormError: It cannot be read, or is empty.
        """
        try:
            data = path.read_bytes()
        except OSError as error:
            raise FormError(f"{path} cannot be read", why=error.strerror or str(error)) from error
        if not data:
            raise FormError(f"{path} is empty", do="Send the file again from the slicer")
        return PlateFile(path.name, data)


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
) -> Done:
    """Enter a job with its pieces.

    Args:
        book: The book.
        who: Who enters it.
        typed: Answers to :data:`MEANT_FORM` and :data:`MEASURED_FORM`; what the plate says fills the rest.
        spools: IDs of the spools, the first in tool 0.
        material: Name of the material where the spool is not known.
        plate: The plate file; it is kept whole.
        pieces: What is on the plate, where no file says it; taken over from ``again`` where empty. With a
            file they correct names and letters of what was derived.
        again: The job of which this is another attempt.
        read: The plate as :func:`read_job_plate` gave it and somebody confirmed it; read anew where None.

    Raises:
        FormError: A field is wrong, or neither spool nor material is known.
        PlateRefused: The file is no readable plate.
    """
    values = clean((*MEANT_FORM, *MEASURED_FORM), typed, when_at(book))
    if read is None and plate is not None:
        read = read_job_plate(book, plate, spools=spools, material=material, again=again)
    if read is not None:
        _name_pieces(read, pieces)
    with book.act("job add", who) as act:
        earlier = find(book, act.session, again, "job") if again else None
        job = Job(
            **_taken_over(_with_plate(values, read), earlier),
            outcome="running" if values["started_at"] else None,
        )
        if earlier is not None:
            job.again_of_id = earlier.id
        _put_spools(book, act, job, spools or _spools_of(earlier), material)
        _put_plate(act, job, plate, earlier)
        job.specimens = _from_plate(read) if read is not None else _specimens(pieces, earlier)
        act.session.add(job)
        act.session.flush()
        made = [specimen_id(job.id, piece.piece) for piece in job.specimens]
        act.about += [job_id(job.id), *(spool_id(each.spool_id) for each in job.spools)]
    return Done(job_id(job.id), _said_of(read, values, job_id(job.id), made), made)


def read_job_plate(
    book: Book,
    plate: PlateFile,
    *,
    spools: Sequence[str] = (),
    material: str | None = None,
    again: str | None = None,
) -> PlateRead | None:
    """Read a plate for a job: density and diameter from the spool's record, else from the file.

    Args:
        book: The book.
        plate: The file.
        spools: IDs of the spools; those of ``again`` where empty.
        material: Name of the material where the spool is not known.
        again: The job of which this is another attempt.

    Returns:
        The plate, or None where it is the one of ``again``: its pieces are taken over as they are.

    Raises:
        PlateRefused: The file is no readable plate.
    """
    from tracker.desk.plates import read_pieces  # noqa: PLC0415 - brings numpy, which other jobs do not need

    with book.read() as session:
        earlier = find(book, session, again, "job") if again else None
        if earlier is not None and earlier.plate_sha256 == hashlib.sha256(plate.data).hexdigest():
            return None
        named = list(spools) or _spools_of(earlier)
        spool = find(book, session, named[0], "spool") if named else None
        made_of = material_named(session, material) if material and spool is None else None
        of = spool.material if spool is not None else made_of or (earlier.material if earlier else None)
        return read_pieces(
            plate.data,
            density_g_cm3=of.density_g_cm3 if of is not None else None,
            diameter_mm=spool.diameter_mm if spool is not None else None,
        )


def _name_pieces(read: PlateRead, pieces: Sequence[PieceWanted]) -> None:
    from tracker.desk.plates import give_pieces  # noqa: PLC0415 - loaded by now

    give_pieces(read, [(each.name, each.orientation) for each in pieces for _ in range(each.count)])


def _with_plate(values: dict[str, Any], read: PlateRead | None) -> dict[str, Any]:
    """Return a job's columns: what the person said, and what the plate says where nobody did."""
    if read is None:
        return values
    from tracker.desk.plates import job_columns  # noqa: PLC0415 - loaded by now

    said = {key: value for key, value in values.items() if value is not None}
    return values | job_columns(read.plate) | said


def _from_plate(read: PlateRead) -> list[Specimen]:
    from tracker.desk.plates import specimen_columns  # noqa: PLC0415 - loaded by now

    return [
        Specimen(piece=number, **specimen_columns(piece, read.plate))
        for number, piece in enumerate(read.pieces, start=1)
    ]


def _said_of(read: PlateRead | None, values: Mapping[str, Any], job: str, made: list[str]) -> list[str]:
    if read is None:
        return [] if made else ["It has no pieces yet."]
    from tracker.desk.plates import contradictions, job_columns  # noqa: PLC0415 - loaded by now

    return read.says + contradictions(values, job_columns(read.plate), job)


def _taken_over(values: dict[str, Any], earlier: Job | None) -> dict[str, Any]:
    if earlier is None:
        return values
    # Lengths and times are the plate's: a new plate has brought its own.
    kept = _REPEATED if "time_s" in values else (*_REPEATED, *_OF_PLATE)
    return values | {key: getattr(earlier, key) for key in kept if values.get(key) is None}


def _spools_of(job: Job | None) -> list[str]:
    return [] if job is None else [spool_id(each.spool_id) for each in sorted(job.spools, key=_tool)]


def _tool(each: JobSpool) -> int:
    return each.tool


def _put_spools(book: Book, act: Act, job: Job, spools: Sequence[str], material: str | None) -> None:
    if not spools and not material:
        raise FormError("A job needs to know what it was printed from", do="Give --spool ID")
    rows = [find(book, act.session, spool, "spool") for spool in spools]
    if len({row.id for row in rows}) < len(rows):
        raise FormError("A spool is named twice", do="Name each once")
    job.spools = [JobSpool(spool=row, tool=tool) for tool, row in enumerate(rows)]
    if not rows and material:
        job.material = material_named(act.session, material)


def _put_plate(act: Act, job: Job, plate: PlateFile | None, earlier: Job | None) -> None:
    if plate is not None:
        job.plate_sha256, job.plate_name = act.attach(plate.data, plate.name), plate.name
    elif earlier is not None:
        job.plate_sha256, job.plate_name = earlier.plate_sha256, earlier.plate_name


def _specimens(pieces: Sequence[PieceWanted], earlier: Job | None) -> list[Specimen]:
    if not pieces and earlier is not None:
        return [
            Specimen(
                piece=each.piece, name=each.name, orientation=each.orientation, geometry=each.geometry,
                x_mm=each.x_mm, y_mm=each.y_mm, size_x_mm=each.size_x_mm, size_y_mm=each.size_y_mm,
                size_z_mm=each.size_z_mm, filament_mm=each.filament_mm, filament_g=each.filament_g,
                plate_facts=each.plate_facts, dummy=each.dummy,
            )
            for each in earlier.specimens
        ]  # fmt: skip
    single = [piece for piece in pieces for _ in range(piece.count)]
    if len(single) > _MOST_PIECES:
        raise FormError(f"{len(single)} pieces are more than one plate holds", do="Check the counts")
    return [
        Specimen(piece=number, name=piece.name, orientation=piece.orientation)
        for number, piece in enumerate(single, start=1)
    ]


_PLACE: Final = (
    Ask("at", "When", "moment"),
    Ask("layer", "From layer", "whole", low=0, high=1_000_000),
    Ask("height_mm", "From height", "number", "mm", low=0, high=5_000),
    Ask("note", "Note"),
)

SETTINGS: Final = {"nozzle": "degC", "bed": "degC", "chamber": "degC", "fan": "percent", "speed": "percent",
                   "flow": "percent"}  # fmt: skip
"""Settings with a known unit that people change by hand; any other is kept as text."""


def change_setting(book: Book, who: str, job: str, assignment: str, typed: Mapping[str, Any]) -> Done:
    """Enter a setting changed by hand while a job ran, from a time, a layer or a height on.

    Args:
        book: The book.
        who: Who changed it.
        job: ID of the job.
        assignment: ``fan=50`` or any ``name=value``.
        typed: ``at``, ``layer`` or ``height_mm`` (one of them; now where none is given), ``note``.

    Raises:
        FormError: No assignment, two places at once, or a time outside the job.
    """
    when = when_at(book)
    setting, value, words = read_assignment(assignment)
    values = clean(_PLACE, typed, when)
    places = [key for key in ("at", "layer", "height_mm") if values[key] is not None]
    if len(places) > 1:
        raise FormError(f"{' and '.join(places)} are both given", do="Say from when only one way")
    if not places:
        values["at"] = when.now
    with book.act("job change", who) as act:
        row = find(book, act.session, job, "job")
        check_order(row.started_at, values["at"], "The change", book.zone)
        if values["at"] is not None and row.ended_at is not None and values["at"] > row.ended_at:
            raise FormError(
                f"{local(values['at'], book.zone)} lies after {job_id(row.id)} ended"
                f" ({local(row.ended_at, book.zone)})",
                do="Say from when with --at, --layer or --height",
            )
        act.session.add(SettingChange(job_id=row.id, setting=setting, value=value, text=words, **values))
        act.about.append(job_id(row.id))
    return Done(job_id(row.id))


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


def end_job(book: Book, who: str, job: str, typed: Mapping[str, Any]) -> Done:
    """Enter how a job ended and what was measured while it ran.

    Raises:
        FormError: A field is wrong, or it would end before it began.
    """
    when = when_at(book)
    given = {key: value for key, value in clean(END_FORM, typed, when).items() if value is not None}
    with book.act("job end", who) as act:
        row = find(book, act.session, job, "job")
        given.setdefault("ended_at", row.ended_at or when.now)
        fill_in(row, given, job_id(row.id), {"outcome": "running"})
        check_order(row.started_at, row.ended_at, "The job", book.zone)
        act.about.append(job_id(row.id))
        waiting = act.session.scalar(
            select(func.count()).where(Specimen.job_id == row.id, Specimen.outcome.is_(None))
        )
    says = (
        [f"{waiting} pieces wait to come off the bed: strandbook offbed {job_id(row.id)}"] if waiting else []
    )
    return Done(job_id(row.id), says)


def last_value(session: Session, column: str) -> Any:
    """Return what the newest job that has a column filled says there: the default of a prompt."""
    field = getattr(Job, column)
    return session.scalar(select(field).where(field.is_not(None)).order_by(Job.id.desc()).limit(1))
