"""Factors in force, kept in tables of their own so that the database can answer what is asked of them.

What a row says by itself is not kept twice. The value in force of a specimen's factor is, of these, the first
that there is: the row of ``factor_in_force``; the factor given outright; the specimen's own column; the job's
own column. The first is written only where the others together would say something else than
:func:`tracker.factors.reading.recorded_of`, which stays the one rule of what is in force. What follows from
the days of a spool (drying, hours in open air, water) is not kept: a correction of one storage period would
write again what is kept of every job since, and the water takes a pass of the model through all the days.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from types import SimpleNamespace
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, delete, exists, func, select
from sqlalchemy.orm import Session

from tracker.acts.act import insert_rows
from tracker.acts.derived import Touched
from tracker.factors.printed import of_job, put_given
from tracker.factors.reading import Rows, material_of_piece, of_spools, own_spools, recorded_of, rows_of_jobs
from tracker.factors.registry import ESTIMATED, MEASURED, Factors
from tracker.ids import read_id, spool_id
from tracker.model import (
    OWN_MATERIAL,
    FactorInForce,
    FactorRecord,
    Job,
    JobInForce,
    JobSpool,
    JournalRecord,
    Specimen,
    Spool,
)
from tracker.progress import Progress, silent
from tracker.stored_rows import batched, one_of

OF_DAYS: Final = frozenset({"water_pct", "open_air_h", "open_air_rh_h", "drying_c", "drying_h"})
"""Factors that are not kept."""

OF_SPECIMEN: Final = ("x_mm", "y_mm", "filament_g", "orientation", "geometry")
"""Factors that a specimen's own row says, under the same name."""

OF_PLACE: Final = frozenset({"x_mm", "y_mm", "filament_g", "orientation"})
"""Factors that tell the pieces of a plate apart by where they stood on it."""

OF_JOB: Final[Mapping[str, tuple[str, ...]]] = {
    "nozzle_c": ("nozzle_measured_c", "nozzle_set_c"),
    "bed_c": ("bed_measured_c", "bed_set_c"),
    "chamber_c": ("chamber_measured_c", "chamber_set_c"),
    "fan_pct": ("fan_set_pct",),
    "layer_height_mm": ("layer_height_mm",),
    "line_width_mm": ("line_width_mm",),
    "print_room_c": ("room_c",),
    "print_room_rh": ("room_rh_pct",),
    "printer": ("printer",),
    "nozzle": ("nozzle",),
    "surface": ("surface",),
    "printed_by": ("operator",),
}
"""Factors that a job's own row says, with its columns: what was measured before what was set."""

_JOBS: Final[Any] = JobInForce.__table__
_FACTORS: Final[Any] = FactorInForce.__table__
_SPECIMENS: Final[Any] = Specimen.__table__
_COLUMNS: Final = {table.name: [column.name for column in table.c] for table in (_JOBS, _FACTORS)}
_AT_ONCE: Final = 1000
"""Jobs worked out together: what is read of their pieces stays a few megabytes."""

Given = tuple[str, float | None, str | None, str | None]
"""A factor given outright: its name, number, text and basis."""

_JOB_COLUMNS: Final = tuple(dict.fromkeys(column for columns in OF_JOB.values() for column in columns))

_Worth = tuple[float | None, str | None, float | None, float | None]
"""Number, text, least and greatest of a row of ``factor_in_force``."""


class Kept(NamedTuple):
    """What is worked out for some jobs: of each job, and of the factors of each specimen."""

    jobs: dict[int, tuple[int | None, int | None, int]]
    factors: dict[tuple[int, str], _Worth]


def days_of(connection: Connection, specimens: Sequence[int], *, water: bool) -> dict[int, Factors]:
    """Return what :func:`factors_of` does, as far as it follows from the days of spools: of others not all.

    Args:
        connection: To the book.
        specimens: Row ids; unknown ones are left out of the answer.
        water: Whether to estimate the water content too.
    """
    found: dict[int, Factors] = {}
    with Session(connection) as session:
        for some in batched(specimens):
            asked = select(Specimen.id, Specimen.job_id).where(one_of(connection, Specimen.id, some))
            jobs = {row.id: row.job_id for row in connection.execute(asked).all()}
            prints, spools = _prints_and_spools(session, jobs)
            seen = {piece: (jobs[piece], spool) for piece, spool in spools.items()}
            starts = [
                SimpleNamespace(id=key, spool_id=key[1], started_at=prints[key[0]].started_at)
                for key in dict.fromkeys(seen.values())
            ]
            of_days = of_spools(session, starts, water=water)
            any_given = any(row.any_given for row in prints.values())
            given = _given_of_days(connection, some) if any_given else {}
            for piece, key in seen.items():
                found[piece] = of_days.get(key, {})
                if piece in given:
                    found[piece] = dict(found[piece])
                    put_given(found[piece], given[piece])
    return found


def _prints_and_spools(
    session: Session, jobs: Mapping[int, int]
) -> tuple[dict[int, Any], dict[int, int | None]]:
    """Return the jobs of specimens by number, and by specimen the spool that most of it was printed from."""
    connection, numbers = session.connection(), sorted(set(jobs.values()))
    several = select(func.count() > 1).where(JobSpool.job_id == Job.id).correlate(Job).scalar_subquery()
    # Of the whole book: hours or water of a piece are hardly ever given, and this costs no question more.
    any_given = exists().where(FactorRecord.name.in_(OF_DAYS))
    asked = select(
        Job.id, Job.started_at, _JOBS.c.spool_id, several.label("several"), any_given.label("any_given")
    )
    asked = asked.outerjoin(_JOBS, _JOBS.c.job_id == Job.id).where(one_of(connection, Job.id, numbers))
    prints = {row.id: row for row in connection.execute(asked).all()}
    spools = {piece: prints[job].spool_id for piece, job in jobs.items() if job in prints}
    apart = [piece for piece in spools if prints[jobs[piece]].several]
    return prints, spools | (own_spools(session, apart) if apart else {})


def _given_of_days(connection: Connection, specimens: Sequence[int]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = defaultdict(list)
    asked = select(
        FactorRecord.specimen_id, FactorRecord.name, FactorRecord.number, FactorRecord.text,
        FactorRecord.basis, FactorRecord.source,
    )  # fmt: skip
    asked = asked.where(one_of(connection, FactorRecord.specimen_id, specimens))
    for row in connection.execute(asked.where(FactorRecord.name.in_(OF_DAYS))).all():
        found[row.specimen_id].append(row)
    return found


class Piece(NamedTuple):
    """A specimen whose factors are asked for.

    Attributes:
        id: Its number.
        job: Number of its job.
        geometry: Its template.
        given: What was given outright.
    """

    id: int
    job: int
    geometry: str | None
    given: Sequence[Given]


def columns_in_force(
    connection: Connection, pieces: Sequence[Piece]
) -> tuple[dict[str, list[Any]], list[int | None]]:
    """Return the values in force of factors by name, one for each piece, and the number of each one's spool.

    They are those of :func:`tracker.factors.reading.factors_of`, read from what is kept: a word, a number, or
    least and greatest value of an estimate; None where nothing is recorded. Left out are :data:`OF_DAYS` and
    :data:`OF_PLACE`.
    """
    jobs = _rows_of_jobs(connection, sorted({piece.job for piece in pieces}))
    of_pieces = [jobs[piece.job] for piece in pieces]
    found: dict[str, list[Any]] = {
        "attempt": [None if row.attempt is None else float(row.attempt) for row in of_pieces],
        "lot": [row.lot for row in of_pieces],
        "spool": [None if row.spool_id is None else spool_id(row.spool_id) for row in of_pieces],
        "geometry": [piece.geometry for piece in pieces],
    }
    for name, columns in OF_JOB.items():
        read = [itemgetter(_JOB_COLUMNS.index(column)) for column in columns]
        found[name] = [next((v for get in read if (v := get(row)) is not None), None) for row in of_pieces]
    for place, piece in enumerate(pieces):
        for name, number, text, _ in piece.given:
            value = number if number is not None else text
            if value is not None:
                found.setdefault(name, [None] * len(pieces))[place] = value
    spools = [row.spool_id for row in of_pieces]
    _put_kept(connection, {piece.id: place for place, piece in enumerate(pieces)}, found, spools)
    return {name: found[name] for name in found.keys() - OF_DAYS - OF_PLACE}, spools


def _rows_of_jobs(connection: Connection, numbers: Sequence[int]) -> dict[int, Any]:
    asked = (
        select(*(getattr(Job, name) for name in _JOB_COLUMNS))
        .add_columns(Job.id, _JOBS.c.attempt, _JOBS.c.spool_id, Spool.lot)
        .outerjoin(_JOBS, _JOBS.c.job_id == Job.id)
        .outerjoin(Spool, Spool.id == _JOBS.c.spool_id)
    )  # fmt: skip
    return {
        row.id: row
        for some in batched(numbers)
        for row in connection.execute(asked.where(one_of(connection, Job.id, some))).all()
    }


def _put_kept(
    connection: Connection, places: Mapping[int, int], found: dict[str, list[Any]], spools: list[int | None]
) -> None:
    asked = select(
        _FACTORS.c.specimen_id, _FACTORS.c.name, _FACTORS.c.number, _FACTORS.c.text,
        _FACTORS.c.low, _FACTORS.c.high,
    ).where(_FACTORS.c.name.not_in((*OF_PLACE, OWN_MATERIAL)))  # fmt: skip
    for some in batched(sorted(places)):
        kept = connection.execute(asked.where(one_of(connection, _FACTORS.c.specimen_id, some))).all()
        for piece, name, number, text, low, high in kept:
            place = places[piece]
            value = number if number is not None else text
            known = found.setdefault(name, [None] * len(places))
            known[place] = value if low is None or high is None else (low, high)
            if name == "spool":
                spools[place] = None if text is None else read_id(text)[0].number


def keep(session: Session, seq: int, touched: Touched) -> None:
    """Work out again what is kept of everything that an act touched.

    Args:
        session: Of the act, all rows written.
        seq: Number of its entry.
        touched: What it changed.
    """
    for some in batched(sorted(_jobs_behind(session, touched)), _AT_ONCE):
        connection = session.connection()
        pieces = select(_SPECIMENS.c.id).where(_SPECIMENS.c.job_id.in_(some))
        connection.execute(delete(_FACTORS).where(_FACTORS.c.specimen_id.in_(pieces)))
        connection.execute(delete(_JOBS).where(_JOBS.c.job_id.in_(some)))
        _write(connection, worked_out(session, some), seq)


def refill(connection: Connection, progress: Progress | None = None) -> None:
    """Work out all that is kept in a book, in the place of what there is.

    Args:
        connection: In a transaction that writes.
        progress: Called with the stage, what is done and how much it is.
    """
    tell = progress or silent
    connection.execute(delete(_FACTORS))
    connection.execute(delete(_JOBS))
    seq = connection.scalar(select(func.max(JournalRecord.seq))) or 0
    with Session(connection) as session:
        numbers = list(session.scalars(select(Job.id).order_by(Job.id)))
        for done, some in enumerate(batched(numbers, _AT_ONCE), start=1):
            _write(connection, worked_out(session, some), seq)
            tell("factors in force", min(done * _AT_ONCE, len(numbers)), len(numbers))


def differing(
    connection: Connection, progress: Progress | None = None, span: tuple[int, int] | None = None
) -> Iterator[tuple[int, str]]:
    """Yield the jobs of which something else is kept than what follows from the rows, each with a sentence.

    Args:
        connection: To the book.
        progress: As for :func:`refill`.
        span: Only jobs from this number up to, not including, that one.
    """
    tell = progress or silent
    with Session(connection) as session:
        asked = select(Job.id).order_by(Job.id)
        if span is not None:
            asked = asked.where(Job.id >= span[0], Job.id < span[1])
        numbers = list(session.scalars(asked))
        for done, some in enumerate(batched(numbers, _AT_ONCE), start=1):
            yield from _differences(session, worked_out(session, some), _there(connection, some))
            tell("factors in force", min(done * _AT_ONCE, len(numbers)), len(numbers))


def stray(connection: Connection) -> Iterator[str]:
    """Yield a sentence for each table that holds rows of no job or specimen that there is."""
    job: Any = Job.__table__
    live = select(job.c.id).where(job.c.voided.is_(None))
    of_jobs = _JOBS.c.job_id.not_in(live)
    pieces = select(_SPECIMENS.c.id).where(_SPECIMENS.c.voided.is_(None), _SPECIMENS.c.job_id.in_(live))
    for table, condition in ((_JOBS, of_jobs), (_FACTORS, _FACTORS.c.specimen_id.not_in(pieces))):
        left = connection.scalar(select(func.count()).select_from(table).where(condition))
        if left:
            yield f"{left} rows of {table.name} are of no job or specimen that there is"


def _differences(session: Session, wanted: Kept, there: Kept) -> Iterator[tuple[int, str]]:
    for job in sorted(wanted.jobs.keys() | there.jobs.keys()):
        if wanted.jobs.get(job) != there.jobs.get(job):
            yield (
                job,
                f"{_values_text(there.jobs.get(job))} is kept, {_values_text(wanted.jobs.get(job))} follows",
            )
    wrong = {
        key for key in wanted.factors.keys() | there.factors.keys()
        if wanted.factors.get(key) != there.factors.get(key)
    }  # fmt: skip
    if not wrong:
        return
    of = dict(session.execute(
        select(Specimen.id, Specimen.job_id).where(Specimen.id.in_({piece for piece, _ in wrong}))
    ).all())  # fmt: skip
    for piece, name in sorted(wrong):
        kept, follows = there.factors.get((piece, name)), wanted.factors.get((piece, name))
        yield of.get(piece, 0), f"{name}: {_values_text(kept)} is kept, {_values_text(follows)} follows"


def _values_text(values: Sequence[Any] | None) -> str:
    return "nothing" if values is None else " ".join("–" if each is None else str(each) for each in values)


def _jobs_behind(session: Session, touched: Touched) -> set[int]:
    """Return the jobs of which something kept may be another: those touched, and what follows from them."""
    jobs = touched.jobs_made(session.connection())
    table: Any = Job.__table__
    later = set(touched.repeated)
    while later:
        # Over the bare table: what repeats a job that was taken back counts its attempts again all the same.
        found = set(session.scalars(select(table.c.id).where(table.c.again_of_id.in_(sorted(later)))))
        later = found - jobs
        jobs |= found
    return jobs


def worked_out(session: Session, jobs: Sequence[int], *, plain: bool = False) -> Kept:
    """Return what is to be kept of jobs and their pieces.

    Args:
        session: To read with.
        jobs: Their numbers.
        plain: Work out all factors of every piece, those too of which rows alone say everything: the same
            answer, several times slower where most pieces have no plate file.
    """
    rows = rows_of_jobs(session, jobs)
    kept = Kept({}, {})
    for number, job in rows.jobs.items():
        kept.jobs[number] = (job.spool_id, job.material_id, rows.attempts[number])
    of_jobs = {number: of_job(job, rows.attempts[number]) for number, job in rows.jobs.items()}
    if not plain:
        simple = [row for row in rows.pieces if _by_rows_alone(rows, row)]
        rows.pieces = [row for row in rows.pieces if not _by_rows_alone(rows, row)]
        for row in simple:
            _keep_simple(kept, rows, row, of_jobs[row.job_id])
    in_force = recorded_of(session, rows)
    for row in rows.pieces:
        stated = _stated(rows, row, of_jobs[row.job_id])
        for name, worth in _not_stated(in_force[row.id], stated):
            kept.factors[row.id, name] = worth
        material = material_of_piece(rows, row)
        if material is not None and material != rows.jobs[row.job_id].material_id:
            kept.factors[row.id, OWN_MATERIAL] = (float(material), None, None, None)
    return kept


def _by_rows_alone(rows: Rows, row: Any) -> bool:
    """Whether neither plate file nor log, change by hand or second spool says anything of a piece."""
    return not (row.section or row.logged or row.job_id in rows.changes or row.job_id in rows.links)


def _keep_simple(kept: Kept, rows: Rows, row: Any, of_its_job: Factors) -> None:
    given = rows.given.get(row.id, ())
    if row.size_z_mm is not None and not any(
        each.name == "height_mm" and (each.number is not None or each.text is not None) for each in given
    ):
        kept.factors[row.id, "height_mm"] = (row.size_z_mm * 0.5, None, None, None)
    for each in given:
        had = of_its_job.get(each.name)
        # What was measured while the job ran stays before what was only given.
        if had is not None and had.basis == MEASURED and each.basis not in (MEASURED, "imported"):
            for name, worth in _not_stated({each.name: had}, {each.name: _given_value(each)}):
                kept.factors[row.id, name] = worth


def _given_value(row: Any) -> float | str | None:
    value: float | str | None = row.number if row.number is not None else row.text
    return value


def _stated(rows: Rows, row: Any, of_its_job: Factors) -> dict[str, Any]:
    """Return what the rows say by themselves of a piece's factors; see the head of this module."""
    known: dict[str, Any] = {name: each.value for name, each in of_its_job.items()}
    for name in OF_SPECIMEN:
        value = getattr(row, name)
        if value is not None:
            known[name] = value
    for given in rows.given.get(row.id, ()):
        value = _given_value(given)
        if value is not None:
            known[given.name] = value
    return known


def _not_stated(in_force: Factors, stated: Mapping[str, Any]) -> Iterator[tuple[str, _Worth]]:
    for name, factor in in_force.items():
        bounds = (factor.low, factor.high) if factor.basis == ESTIMATED else (None, None)
        if factor.value == stated.get(name) and bounds == (None, None):
            continue
        if isinstance(factor.value, str):
            yield name, (None, factor.value, *bounds)
        elif factor.value is not None:
            yield name, (float(factor.value), None, *bounds)
    for name, value in stated.items():
        if value is not None and name not in in_force:
            yield name, (None, None, None, None)


def _there(connection: Connection, jobs: Sequence[int]) -> Kept:
    of_jobs = select(_JOBS.c.job_id, _JOBS.c.spool_id, _JOBS.c.material_id, _JOBS.c.attempt)
    pieces = select(_SPECIMENS.c.id).where(_SPECIMENS.c.job_id.in_(jobs))
    table = _FACTORS.c
    of_pieces = select(
        table.specimen_id, table.name, table.number, table.text, table.low, table.high
    ).where(table.specimen_id.in_(pieces))  # fmt: skip
    return Kept(
        {row[0]: tuple(row[1:]) for row in connection.execute(of_jobs.where(_JOBS.c.job_id.in_(jobs)))},
        {(row[0], row[1]): tuple(row[2:]) for row in connection.execute(of_pieces)},
    )


def _write(connection: Connection, kept: Kept, seq: int) -> None:
    jobs = [
        dict(zip(_COLUMNS[_JOBS.name], (job, *values, seq), strict=True)) for job, values in kept.jobs.items()
    ]
    factors = [
        dict(zip(_COLUMNS[_FACTORS.name], (*key, *worth, seq), strict=True))
        for key, worth in kept.factors.items()
    ]
    for table, rows in ((_JOBS, jobs), (_FACTORS, factors)):
        if rows:
            insert_rows(connection, table, _COLUMNS[table.name], rows, seq)
