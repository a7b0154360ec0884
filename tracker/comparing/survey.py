"""A whole book at once, for the look over all plates: read by plates, not piece by piece.

Pieces of one plate share nearly all that is recorded of how they came to be. So the factors are read of one
piece for all that the tables show to be alike, and results of the same piece kind and the same test share
one mapping of factors; what only places a piece on its plate (x, y, its grams) is left out, for plates are
what is looked at. A book of a hundred thousand pieces then costs what its plates cost.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import Select, Text, cast, func, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.book import Book
from tracker.comparing.asking import factor_of, in_registry, question_of, value_of
from tracker.factors import factors_of, measurement_factors
from tracker.lineage import material_id_of_job
from tracker.model import (
    FactorRecord,
    Job,
    JobSpool,
    Material,
    Measurement,
    MeasurementRig,
    Result,
    SettingChange,
    Specimen,
    Spool,
)
from tracker.orientation import in_words
from tracker.plugins import Plugged
from tracker.why import Factor, Observation, Question, Value

_OF_THE_PIECE: Final = frozenset({"x_mm", "y_mm", "filament_g", "orientation"})
_HOUR: Final = 3600.0


@dataclass(frozen=True)
class Survey:
    """Every counted result of one quantity and orientation.

    Attributes:
        question: The quantity.
        factors: What is recorded of any of them, one factor a cause.
        observations: The results; those of which the same was recorded share one mapping of factors.
    """

    question: Question
    factors: tuple[Factor, ...]
    observations: tuple[Observation, ...]


def surveys(book: Book, plugged: Plugged, declared: Mapping[str, Any], names: Sequence[str]) -> list[Survey]:
    """Return every counted result of quantities, by quantity and orientation.

    Args:
        book: To be read.
        plugged: Plugins, which may add factors.
        declared: The quantities that methods declare, by name.
        names: Quantities to look at.
    """
    with book.read() as session:
        rows = session.execute(_results().where(Result.quantity.in_(names))).all()
        pieces = _alike(session, {row.specimen_id for row in rows if row.specimen_id is not None})
        of_pieces = factors_of(session, sorted(set(pieces.values())), plugged)
        tests = _tests_alike(session, rows, pieces)
        of_tests = measurement_factors(session, sorted(set(tests.values())))
    shared: dict[tuple[int | None, int], dict[str, Value]] = {}
    by_key: dict[tuple[str, str], list[Observation]] = defaultdict(list)
    units = {}
    for row in rows:
        piece = pieces.get(row.specimen_id)
        test = tests[row.measurement_id]
        factors = shared.get((piece, test))
        if factors is None:
            known = {**of_pieces.get(piece or 0, {}), **of_tests.get(test, {})}
            factors = shared[piece, test] = {
                name: value_of(each) for name, each in known.items() if name not in _OF_THE_PIECE
            }
        key = row.quantity, in_words(row.orientation) if row.orientation else ""
        by_key[key].append(_observation(row, factors))
        units[key] = row.unit
    return [
        _survey(declared.get(name), name, way, units[name, way], own)
        for (name, way), own in sorted(by_key.items())
    ]


def _survey(declared: Any, name: str, way: str, unit: str, observations: list[Observation]) -> Survey:
    question = question_of(declared, name, unit, way, [o.value for o in observations])
    counts: dict[str, int] = defaultdict(int)
    values: dict[str, list[Value]] = defaultdict(list)
    for factors in {id(o.factors): o.factors for o in observations}.values():
        for factor, value in factors.items():
            counts[factor] += 1
            values[factor].append(value)
    return Survey(question, _one_a_cause(values, counts), tuple(observations))


def _one_a_cause(values: Mapping[str, list[Value]], counts: Mapping[str, int]) -> tuple[Factor, ...]:
    """Return the factors; of several that measure one cause the one recorded most often."""
    factors = [factor_of(name, values[name]) for name in in_registry(values) if name != "material"]
    best: dict[str, str] = {}
    for factor in factors:
        cause = factor.same_cause
        if cause and counts[factor.name] > counts.get(best.get(cause, ""), 0):
            best[cause] = factor.name
    return tuple(
        replace(each, same_cause="")
        for each in factors
        if not each.same_cause or best[each.same_cause] == each.name
    )


def _results() -> Select[Any]:
    """Return the statement of counted results, with what an observation is made of."""
    plates = select(Job.id, Job.started_at, material_id_of_job().label("material_id")).subquery("plate")
    return (
        select(
            Result.measurement_id, Result.quantity, Result.value, Result.unit, Result.relation,
            Measurement.at, Measurement.source, Measurement.specimen_id, Measurement.spool_id,
            Measurement.operator, Measurement.room_c, Measurement.room_rh_pct, Measurement.method_version,
            Specimen.job_id, Specimen.piece, Specimen.orientation, plates.c.started_at,
            Material.name.label("material"),
        )
        .join(Measurement, Measurement.id == Result.measurement_id)
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .outerjoin(plates, plates.c.id == Specimen.job_id)
        .outerjoin(Spool, Spool.id == Measurement.spool_id)
        .outerjoin(Material, Material.id == func.coalesce(plates.c.material_id, Spool.material_id))
        .where(Result.counted, Result.value.is_not(None))
        .order_by(Result.id)
    )  # fmt: skip


def _alike(session: Session, wanted: set[int]) -> dict[int, int]:
    """Return for each piece one of its plate of which all the same is recorded, by row number.

    What is compared is all that factors are read from: the facts of its gauge section in plate and log, its
    template and height, and what was given outright. On a plate of several spools, or on which a setting was
    changed by hand, what held for a piece depends on its layers: there each stands for itself.
    """
    given = _given(session)
    apart = _jobs_read_piece_by_piece(session)
    first: dict[tuple[Any, ...], int] = {}
    found = {}
    for row in session.execute(_pieces()):
        if row.id in wanted:
            alone = row.id if row.job_id in apart else None
            # The number of the document and not its text: thousands of pieces repeat it.
            found[row.id] = first.setdefault((*row[1:], given.get(row.id), alone), row.id)
    return found


def _pieces() -> Select[Any]:
    return select(
        Specimen.id, Specimen.job_id, Specimen.geometry, Specimen.size_z_mm,
        cast(Specimen.plate_facts["section"], Text).label("section"),
        cast(Specimen.log_facts["section"], Text).label("logged"),
    ).order_by(Specimen.id)  # fmt: skip


def _given(session: Session) -> dict[int, tuple[Any, ...]]:
    """Return what was given outright of each piece."""
    asked = select(
        FactorRecord.specimen_id,
        FactorRecord.name,
        FactorRecord.number,
        FactorRecord.text,
        FactorRecord.basis,
    ).order_by(FactorRecord.specimen_id, FactorRecord.name)
    found: dict[int, tuple[Any, ...]] = {}
    for row in session.execute(asked):
        found[row.specimen_id] = (*found.get(row.specimen_id, ()), *row[1:])
    return found


def _jobs_read_piece_by_piece(session: Session) -> set[int]:
    several = select(JobSpool.job_id).group_by(JobSpool.job_id).having(func.count() > 1)
    # Without layers on record a change by hand holds for all pieces alike.
    changed = (
        select(SettingChange.job_id)
        .join(Specimen, Specimen.job_id == SettingChange.job_id)
        .where(Specimen.plate_facts.is_not(None))
        .distinct()
    )
    return {*session.scalars(several), *session.scalars(changed)}


def _tests_alike(session: Session, rows: Iterable[Any], pieces: Mapping[int, int]) -> dict[int, int]:
    """Return for each measurement one of like pieces that was made alike: who, on what, when to the hour."""
    rigs: dict[int, tuple[int, ...]] = {}
    asked = select(MeasurementRig.measurement_id, MeasurementRig.rig_id).order_by(MeasurementRig.rig_id)
    for row in session.execute(asked):
        rigs[row.measurement_id] = (*rigs.get(row.measurement_id, ()), row.rig_id)
    first: dict[tuple[Any, ...], int] = {}
    return {
        row.measurement_id: first.setdefault(
            (
                pieces.get(row.specimen_id, -row.measurement_id), row.operator, rigs.get(row.measurement_id),
                row.room_c, row.room_rh_pct, row.method_version, _hours(row.at, row.started_at),
            ),
            row.measurement_id,
        )
        for row in rows
    }  # fmt: skip


def _hours(tested: dt.datetime | None, printed: dt.datetime | None) -> int | None:
    if tested is None or printed is None:
        return None
    return round((tested - printed).total_seconds() / _HOUR)


def _observation(row: Any, factors: Mapping[str, Value]) -> Observation:
    of_piece = row.job_id is not None
    specimen = ids.specimen_id(row.job_id, row.piece) if of_piece else ids.spool_id(row.spool_id)
    # Plates stand in the order in which they were printed; where that is not recorded, tested.
    moment = row.started_at or row.at
    return Observation(
        result_id=ids.measurement_id(row.measurement_id),
        quantity=row.quantity,
        value=float(row.value),
        material=row.material or "not recorded",
        plate=ids.job_id(row.job_id) if of_piece else specimen,
        specimen=specimen,
        factors=factors,
        censored={">": "above", "<": "below"}.get(row.relation),  # type: ignore[arg-type] # the two words it knows
        note="without readings" if row.source == "given" else "",
        order=moment.timestamp() if moment is not None else None,
    )
