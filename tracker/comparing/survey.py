"""A whole book at once, for the look over all plates: read by plates, not piece by piece.

Pieces of one plate share nearly all that is recorded of how they came to be. So the factors are read of one
piece for all that the tables show to be alike, and results of alike pieces that were tested alike make one
cell. What only places a piece on its plate (x, y, its grams) is left out, for plates are what is looked at.
A book of a hundred thousand pieces then costs what its plates cost.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from sqlalchemy import Connection, Text, cast, func, select

from tracker import ids
from tracker.book import Book
from tracker.comparing.asking import factor_of, in_registry, question_of, value_of
from tracker.factors import factors_of, values_of_test
from tracker.lazy_modules import np
from tracker.lineage import material_id_of_job
from tracker.model import (
    FactorRecord,
    Job,
    JobSpool,
    Material,
    Measurement,
    MeasurementRig,
    PlateSum,
    Result,
    Rig,
    SettingChange,
    Specimen,
    Spool,
)
from tracker.orientation import oriented
from tracker.plugins import Plugged
from tracker.why import Factor, Observation, Question, Records, Value

_OF_THE_PIECE: Final = frozenset({"x_mm", "y_mm", "filament_g", "orientation"})
_DAY: Final = 86400.0
MOST: Final = 120_000
"""Results that are looked over together; of more those on the newest plates. What once stood out among older
ones was reported then, and ten times as many results would take minutes and gigabytes."""


@dataclass(frozen=True)
class Survey:
    """Every counted result of one quantity and orientation.

    Attributes:
        question: The quantity.
        factors: What is recorded of any of them, one factor a cause.
        records: The results.
        looked_at: Words of what was looked over where that is not all there is; else empty.
    """

    question: Question
    factors: tuple[Factor, ...]
    records: Records
    looked_at: str = ""


def surveys(book: Book, plugged: Plugged, declared: Mapping[str, Any], names: Sequence[str]) -> list[Survey]:
    """Return the counted results of quantities, by quantity and orientation.

    Args:
        book: To be read.
        plugged: Plugins, which may add factors.
        declared: The quantities that methods declare, by name.
        names: Quantities to look at.
    """
    with book.read() as session:
        connection = session.connection()
        first, looked_at = _first_job(connection, names)
        rows = _results(connection, names, first)
        pieces = _alike(connection, {row.specimen_id for row in rows if row.specimen_id is not None}, first)
        factors = factors_of(session, sorted(set(pieces.values())), plugged)
        prints, rigs = _prints(connection, first), _rigs(connection, rows)
    recorded = {
        piece: {name: value_of(each) for name, each in own.items() if name not in _OF_THE_PIECE}
        for piece, own in factors.items()
    }
    found: dict[tuple[str, str], _Gathered] = defaultdict(_Gathered)
    for row in rows:
        printed = prints["spool", row.spool_id] if row.job_id is None else prints["job", row.job_id]
        piece = pieces.get(row.specimen_id)
        read = rigs.get(row.measurement_id, ())
        alike = (
            piece, row.job_id, row.spool_id, row.relation, row.operator, read, row.room_c, row.room_rh_pct,
            row.method_version, _days(row.at, printed.started_at),
        )  # fmt: skip
        own = found[row.quantity, oriented(row.orientation)]
        if own.add(row, alike):
            tested = values_of_test(row, read, printed.tested_from)
            own.cells.append(_cell(row, printed, {**recorded.get(piece or 0, {}), **tested}))
    return [
        replace(_survey(declared.get(name), name, way, own), looked_at=looked_at)
        for (name, way), own in sorted(found.items())
    ]


def _first_job(connection: Connection, names: Sequence[str]) -> tuple[int, str]:
    """Return the first job that is looked at, and words for it; 0 and none where results are few enough."""
    table: Any = PlateSum.__table__
    wanted = (table.c.quantity.in_(names), table.c.counted)
    every = connection.scalar(select(func.sum(table.c.n)).where(*wanted)) or 0
    if every <= MOST:
        return 0, ""
    by_plate = (
        select(table.c.plate, func.sum(table.c.n))
        .where(*wanted, table.c.plate > 0)
        .group_by(table.c.plate)
        .order_by(table.c.plate.desc())
    )
    first, count = 0, 0
    for plate, n in connection.execute(by_plate.limit(MOST)):
        if first and count + n > MOST:
            break
        first, count = plate, count + int(n)
    words = f"of {every:,} results the {count:,} on plates from {ids.job_id(first)} on were looked over"
    return first, words


@dataclass
class _Gathered:
    """Results of one quantity and orientation while they are gathered."""

    unit: str = ""
    values: list[float] = field(default_factory=list)
    cell: list[int] = field(default_factory=list)
    cells: list[Observation] = field(default_factory=list)
    names: list[Any] = field(default_factory=list)
    numbers: dict[Any, int] = field(default_factory=dict)

    def add(self, row: Any, alike: Any) -> bool:
        """Take a result in; tells whether it is the first of its cell."""
        number = self.numbers.setdefault(alike, len(self.numbers))
        self.unit = row.unit
        self.values.append(row.value)
        self.cell.append(number)
        self.names.append(row)
        return number == len(self.cells)

    def name(self, number: int) -> tuple[str, str]:
        """Return the ID of a result's measurement and of its specimen or spool."""
        row = self.names[number]
        piece = ids.spool_id(row.spool_id) if row.job_id is None else ids.specimen_id(row.job_id, row.piece)
        return ids.measurement_id(row.measurement_id), piece


def _cell(row: Any, printed: _Print, factors: Mapping[str, Value]) -> Observation:
    # Plates stand in the order in which they were printed; where that is not recorded, tested.
    moment = printed.started_at or row.at
    return Observation(
        result_id="",
        quantity=row.quantity,
        value=row.value,
        material=printed.material or "not recorded",
        plate=printed.plate,
        factors=factors,
        censored={">": "above", "<": "below"}.get(row.relation),  # type: ignore[arg-type] # the two words it knows
        order=moment.timestamp() if moment is not None else None,
    )


def _days(tested: dt.datetime | None, printed: dt.datetime | None) -> int | None:
    # Ages to the day: a seventh of what age usually differs by.
    if tested is None or printed is None:
        return None
    return round((tested - printed).total_seconds() / _DAY)


def _survey(declared: Any, name: str, way: str, own: _Gathered) -> Survey:
    values: dict[str, list[Value]] = defaultdict(list)
    for cell in own.cells:
        for factor, value in cell.factors.items():
            if value is not None:
                values[factor].append(value)
    records = Records(np.array(own.values), np.array(own.cell), tuple(own.cells), own.name)
    return Survey(question_of(declared, name, own.unit, way, own.values), _one_a_cause(values), records)


def _one_a_cause(values: Mapping[str, list[Value]]) -> tuple[Factor, ...]:
    """Return the factors; of several that measure one cause the one recorded most often."""
    factors = [factor_of(name, values[name]) for name in in_registry(values) if name != "material"]
    best: dict[str, str] = {}
    for factor in factors:
        taken = best.setdefault(factor.same_cause, factor.name)
        if len(values[factor.name]) > len(values[taken]):
            best[factor.same_cause] = factor.name
    return tuple(
        replace(each, same_cause="")
        for each in factors
        if not each.same_cause or best[each.same_cause] == each.name
    )


def _results(connection: Connection, names: Sequence[str], first: int) -> Sequence[Any]:
    """Return counted results, of jobs from the first on and of spools, in the order they were made."""
    asked = (
        select(
            Result.measurement_id, Result.quantity, Result.value, Result.unit, Result.relation,
            Measurement.at, Measurement.specimen_id, Measurement.spool_id, Measurement.operator,
            Measurement.room_c, Measurement.room_rh_pct, Measurement.method_version,
            Specimen.job_id, Specimen.piece, Specimen.orientation,
        )
        .join(Measurement, Measurement.id == Result.measurement_id)
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .where(Result.counted, Result.value.is_not(None))
    )  # fmt: skip
    if not first:
        return connection.execute(asked.where(Result.quantity.in_(names)).order_by(Result.id)).all()
    # Led by the name of a quantity, SQLite would walk through all results of the book. PostgreSQL knows how
    # many have it, and would think them few if it were hidden.
    hidden = Result.quantity + "" if connection.dialect.name == "sqlite" else Result.quantity
    asked = asked.add_columns(Result.id).where(hidden.in_(names))
    parts = (Specimen.job_id >= first, Measurement.spool_id.is_not(None))
    rows = [row for part in parts for row in connection.execute(asked.where(part))]
    return sorted(rows, key=lambda row: row.id)


@dataclass(frozen=True)
class _Print:
    """A job, or a spool that was measured itself.

    Attributes:
        plate: Its ID.
        material: Its material.
        started_at: When it was printed.
        tested_from: From when on the age of its pieces counts.
    """

    plate: str
    material: str | None
    started_at: dt.datetime | None = None
    tested_from: dt.datetime | None = None


def _prints(connection: Connection, first: int) -> dict[tuple[str, int], _Print]:
    """Return every job from the first on, and every spool, by kind and number."""
    of_job = select(
        Job.id, Job.started_at, func.coalesce(Job.ended_at, Job.started_at).label("tested_from"),
        material_id_of_job().label("material_id"),
    ).where(Job.id >= first).subquery()  # fmt: skip
    jobs = select(of_job.c.id, Material.name, of_job.c.started_at, of_job.c.tested_from)
    jobs = jobs.outerjoin(Material, Material.id == of_job.c.material_id)
    spools = select(Spool.id, Material.name).join(Material, Material.id == Spool.material_id)
    return {
        **{("job", row[0]): _Print(ids.job_id(row[0]), *row[1:]) for row in connection.execute(jobs)},
        **{("spool", row[0]): _Print(ids.spool_id(row[0]), row[1]) for row in connection.execute(spools)},
    }


def _alike(connection: Connection, wanted: set[int], first: int) -> dict[int, int]:
    """Return for each piece one of its plate of which all the same is recorded, by row number.

    What is compared is all that factors are read from: the facts of its gauge section in plate and log, its
    template and height, and what was given outright. On a plate of several spools, or on which a setting was
    changed by hand, what held for a piece depends on its layers: there each stands for itself.
    """
    given = _given_outright(connection, first)
    apart = _jobs_read_piece_by_piece(connection)
    asked = select(
        Specimen.id, Specimen.job_id, Specimen.geometry, Specimen.size_z_mm,
        cast(Specimen.plate_facts["section"], Text).label("section"),
        cast(Specimen.log_facts["section"], Text).label("logged"),
    ).where(Specimen.job_id >= first).order_by(Specimen.id)  # fmt: skip
    one: dict[tuple[Any, ...], int] = {}
    return {
        row.id: one.setdefault((*row[1:], given.get(row.id), row.job_id in apart and row.id), row.id)
        for row in connection.execute(asked)
        if row.id in wanted
    }


def _given_outright(connection: Connection, first: int) -> dict[int, tuple[Any, ...]]:
    """Return what was given outright of each piece."""
    asked = select(
        FactorRecord.specimen_id,
        FactorRecord.name,
        FactorRecord.number,
        FactorRecord.text,
        FactorRecord.basis,
    ).order_by(FactorRecord.specimen_id, FactorRecord.name)
    if first:
        asked = asked.join(Specimen, Specimen.id == FactorRecord.specimen_id).where(Specimen.job_id >= first)
    found: dict[int, tuple[Any, ...]] = {}
    for row in connection.execute(asked):
        found[row.specimen_id] = (*found.get(row.specimen_id, ()), *row[1:])
    return found


def _jobs_read_piece_by_piece(connection: Connection) -> set[int]:
    several = select(JobSpool.job_id).group_by(JobSpool.job_id).having(func.count() > 1)
    # Without layers on record a change by hand holds for all pieces alike.
    changed = (
        select(SettingChange.job_id)
        .join(Specimen, Specimen.job_id == SettingChange.job_id)
        .where(Specimen.plate_facts.is_not(None))
        .distinct()
    )
    return {*connection.scalars(several), *connection.scalars(changed)}


def _rigs(connection: Connection, results: Sequence[Any]) -> dict[int, tuple[str, ...]]:
    """Return the names of the rigs of the measurements that results are of."""
    first = min((row.measurement_id for row in results), default=0)
    names = {
        row.id: row.name for row in connection.execute(select(Rig.id, Rig.name).where(Rig.role == "rig"))
    }
    found: dict[int, tuple[str, ...]] = {}
    asked = select(MeasurementRig.measurement_id, MeasurementRig.rig_id)
    asked = asked.where(MeasurementRig.measurement_id >= first)
    for number, rig in connection.execute(asked):
        if rig in names:
            found[number] = tuple(sorted((*found.get(number, ()), names[rig])))
    return found
