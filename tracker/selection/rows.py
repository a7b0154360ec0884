"""Results with what they came from, read in one statement."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, or_, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.factors import measurement_factors
from tracker.lineage import join_material
from tracker.model import (
    OWN_MATERIAL,
    FactorInForce,
    Job,
    JobInForce,
    Material,
    Measurement,
    OtherBench,
    OtherResult,
    Result,
    Specimen,
    Spool,
)
from tracker.selection.filters import Filter, Term
from tracker.selection.narrowing import OF_A_PIECE, Narrowed, check_names, why_none

_STATEMENT: Final = join_material(
    select(
        Result.id, Result.measurement_id, Result.quantity, Result.value, Result.unit, Result.uncertainty,
        Result.relation, Result.dof, Result.low, Result.high, Result.group, Result.counted, Result.remarks,
        Measurement.method, Measurement.method_version,
        Measurement.at, Measurement.source, Measurement.specimen_id, Measurement.spool_id, Specimen.job_id,
        Specimen.piece, Specimen.orientation, Specimen.outcome, Specimen.remark, Specimen.geometry,
        Job.name.label("job_name"), Job.started_at, Material.id.label("material_id"),
        Material.name.label("material"), Material.family,
    )
    .join(Measurement, Measurement.id == Result.measurement_id)
    .outerjoin(Specimen, Specimen.id == Measurement.specimen_id),
    Measurement.spool_id,
).order_by(Result.id)  # fmt: skip


@dataclass(slots=True)
class ResultRow:
    """One result with its piece, plate and material.

    Attributes:
        result: Number of the result; names it inside the program only.
        measurement: ID of its measurement.
        quantity: Its name.
        value: In ``unit``; None where it was refused.
        unit: Its unit.
        uncertainty: Standard uncertainty, or None.
        relation: ``=``; ``>`` or ``<`` for a limit that the truth lies above or below.
        dof: Effective degrees of freedom of the uncertainty; None for infinite.
        low: With ``high`` the 95 % interval drawn by Monte Carlo, where there is one.
        group: Break type or the like; results of different groups are never averaged.
        counted: Whether a verdict lets it into means.
        remarks: Sentences beside it.
        method: Id of the method; ``version`` its version.
        at: When it was measured.
        source: ``typed``, ``imported``, ``posted`` or ``given``.
        specimen_row: Row number of the specimen, for :func:`with_factors`; None for a spool.
        specimen: ID of the specimen or spool.
        job: ID of the job, or None for a spool.
        job_name: Its name.
        printed_at: When the job started.
        orientation: Letters, or None.
        outcome: Of the piece.
        remark: On the piece.
        geometry: Template of the piece, or None.
        material: Name of the material, or None.
        material_id: Its number.
        family: Its polymer family.
        factors: Filled by :func:`with_factors`.
        bench: Code of the other bench that published it; empty for our own.
    """

    result: int
    measurement: str
    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None
    relation: str
    dof: float | None
    low: float | None
    high: float | None
    group: str | None
    counted: bool
    remarks: tuple[str, ...]
    method: str
    version: str | None
    at: dt.datetime | None
    source: str
    specimen_row: int | None
    specimen: str
    job: str | None
    job_name: str | None
    printed_at: dt.datetime | None
    orientation: str | None
    outcome: str | None
    remark: str | None
    geometry: str | None
    material: str | None
    material_id: int | None
    family: str | None
    factors: Mapping[str, Any] = field(default_factory=dict)
    bench: str = ""

    def known(self) -> dict[str, Any]:
        """Return what a filter may ask of, by name; factors under their own names."""
        own = {
            "material": self.material, "family": self.family, "orientation": self.orientation,
            "outcome": self.outcome, "method": self.method, "quantity": self.quantity, "source": self.source,
            "specimen": self.specimen, "measurement": self.measurement, "geometry": self.geometry,
            "counted": "yes" if self.counted else "no", "value": self.value, "job": self.job,
        }  # fmt: skip
        # Its own names last: a factor that a plugin calls "material" must not hide the material.
        return {**{name: getattr(each, "value", each) for name, each in self.factors.items()}, **own}


OWN_NAMES: Final = frozenset(
    {"material", "family", "orientation", "outcome", "method", "quantity", "source", "specimen",
     "measurement", "geometry", "counted", "value", "job"}
)  # fmt: skip
"""Names a filter may use without any factor being read."""


def result_rows(
    connection: Connection,
    *,
    quantities: Sequence[str] | None = None,
    materials: Sequence[str] | None = None,
    since: dt.datetime | None = None,
    narrowed: Narrowed | None = None,
    jobs: Sequence[int] | None = None,
    results: Sequence[int] | None = None,
    measurements: Sequence[int] | None = None,
) -> list[ResultRow]:
    """Return results in the order in which they were made.

    Args:
        connection: To the book.
        quantities: Only these; all where None.
        materials: Only of these, by name; all where None.
        since: Only measured at or after this moment.
        narrowed: Only those that this lets through; what it leaves to Python is not asked here.
        jobs: With ``materials``, in place of all their jobs only these; what was measured on spools stays.
        results: Only these, by number; a few thousand at most.
        measurements: Only of these, by number; a few thousand at most.
    """
    statement = _STATEMENT
    if results is not None:
        statement = statement.where(Result.id.in_(results))
    if measurements is not None:
        statement = statement.where(Result.measurement_id.in_(measurements))
    if narrowed is not None:
        statement = statement.where(*narrowed.conditions, *narrowed.of_results)
    if quantities is not None:
        statement = statement.where(Result.quantity.in_(quantities))
    if materials is not None:
        # By number and by job, for which there are indices: the name is at the end of all joins.
        numbers = list(connection.scalars(select(Material.id).where(Material.name.in_(materials))))
        every = select(JobInForce.job_id).where(JobInForce.material_id.in_(numbers))
        spools = select(Spool.id).where(Spool.material_id.in_(numbers))
        of_spools = Measurement.spool_id.in_(spools.correlate(None))
        own = select(FactorInForce.specimen_id).where(
            FactorInForce.name == OWN_MATERIAL, FactorInForce.number.in_(numbers)
        )
        of_jobs: ColumnElement[bool] = Specimen.job_id.in_(every.correlate(None) if jobs is None else jobs)
        if jobs is None and connection.scalar(own.limit(1)) is not None:
            of_jobs = or_(of_jobs, Specimen.id.in_(own.correlate(None)))
        any_spool = connection.scalar(select(Measurement.id).where(of_spools).limit(1))
        within = (OF_A_PIECE, of_jobs) if any_spool is None else (or_(of_jobs, of_spools),)
        statement = statement.where(Material.id.in_(numbers), *within)
    if since is not None:
        statement = statement.where(Measurement.at >= since)
    return [_row(row) for row in connection.execute(statement)]


def _row(row: Any) -> ResultRow:
    piece = row.job_id is not None
    return ResultRow(
        result=row.id,
        measurement=ids.measurement_id(row.measurement_id),
        quantity=row.quantity,
        value=row.value,
        unit=row.unit,
        uncertainty=row.uncertainty,
        relation=row.relation,
        dof=row.dof,
        low=row.low,
        high=row.high,
        group=row.group,
        counted=bool(row.counted),
        remarks=tuple(row.remarks or ()),
        method=row.method,
        version=row.method_version,
        at=row.at,
        source=row.source,
        specimen_row=row.specimen_id,
        specimen=ids.specimen_id(row.job_id, row.piece) if piece else ids.spool_id(row.spool_id),
        job=ids.job_id(row.job_id) if piece else None,
        job_name=row.job_name,
        printed_at=row.started_at,
        orientation=row.orientation,
        outcome=row.outcome,
        remark=row.remark,
        geometry=row.geometry,
        material=row.material,
        material_id=row.material_id,
        family=row.family,
    )


def other_rows(connection: Connection, *, quantities: Sequence[str] | None = None) -> list[ResultRow]:
    """Return results that other benches published, with the factors that their sites tell and ``bench``.

    Their IDs have the code of their book before them; their numbers are negative, so none is one of ours.

    Args:
        connection: To the book.
        quantities: Only these; all where None.
    """
    columns = [getattr(OtherResult, name) for name in _OF_OTHERS]
    statement = select(*columns, OtherBench.code.label("bench")).join(
        OtherBench, OtherBench.id == OtherResult.bench_id
    )
    if quantities is not None:
        statement = statement.where(OtherResult.quantity.in_(quantities))
    found = connection.execute(statement.order_by(OtherResult.id)).mappings()
    return [_other_row(dict(row)) for row in found]


_OF_OTHERS: Final = (
    "id", "measurement", "specimen", "job", "material", "family", "orientation", "method", "method_version",
    "quantity", "value", "unit", "uncertainty", "relation", "counted", "factors",
)  # fmt: skip


def _other_row(row: Mapping[str, Any]) -> ResultRow:
    def named(ident: str | None) -> str | None:
        return None if ident is None else f"{row['bench']}:{ident}"

    return ResultRow(
        result=-row["id"], measurement=named(row["measurement"]) or "", quantity=row["quantity"],
        value=row["value"], unit=row["unit"], uncertainty=row["uncertainty"], relation=row["relation"],
        counted=bool(row["counted"]), remarks=(), method=row["method"], version=row["method_version"],
        at=None,
        source="published", specimen_row=None, specimen=named(row["specimen"] or row["measurement"]) or "",
        job=named(row["job"]), job_name=None, printed_at=None, orientation=row["orientation"], outcome=None,
        remark=None, geometry=None, material=row["material"], material_id=None, family=row["family"],
        dof=None, low=None, high=None, group=None, bench=row["bench"],
        factors={**(row["factors"] or {}), "bench": row["bench"]},
    )  # fmt: skip


def pieces_of(rows: Iterable[ResultRow]) -> list[int]:
    """Return the row numbers of the specimens of results, in order."""
    return sorted({row.specimen_row for row in rows if row.specimen_row is not None})


def with_factors(
    session: Session, rows: Iterable[ResultRow], of_specimens: Mapping[int, Mapping[str, Any]]
) -> None:
    """Put factors beside results: of the specimen, and of the measurement itself (rig, operator, age …).

    Args:
        session: To read the measurements' own with.
        rows: Results; changed in place, but for those of other benches.
        of_specimens: Factors by row number of the specimen.
    """
    ours = [(row, ids.read_id(row.measurement)[0].number) for row in rows if not row.bench]
    own = measurement_factors(session, (number for _, number in ours))
    for row, number in ours:
        of_piece = of_specimens.get(row.specimen_row, {}) if row.specimen_row is not None else {}
        # The measurement's own win: its rig and day are nearer to the result than what is known of the
        # piece.
        row.factors = {**of_piece, **own.get(number, {})}


def check_asked(rows: Iterable[ResultRow], wanted: Filter, recordable: Iterable[str]) -> None:
    """Hold the names that a filter asks of against those that results have.

    Args:
        rows: All results, with their factors where the filter asks of any.
        wanted: The filter.
        recordable: Factors that the book reads by itself, recorded or not.

    Raises:
        FilterError: A name is none of them; near ones are named.
    """
    if wanted.names() <= OWN_NAMES.union(recordable):
        return
    seen = {name for row in rows for name in row.factors}
    check_names(wanted, OWN_NAMES.union(recordable, seen))


def why_not(rows: Sequence[ResultRow], wanted: Filter) -> str:
    """Return in a sentence why a filter holds of none of these results."""
    known = [row.known() for row in rows]
    # A job is named by its ID or its name: each row stands here with the one and with the other.
    named = [{**each, "job": row.job_name} for each, row in zip(known, rows, strict=True)]
    return why_none(wanted, [*known, *named])


def selected(rows: Iterable[ResultRow], wanted: Filter) -> list[ResultRow]:
    """Return the results of which all conditions hold; a job is named by its ID or its name."""
    jobs = [term for term in wanted.terms if term.name == "job"]
    rest = Filter(tuple(term for term in wanted.terms if term.name != "job"))
    return [row for row in rows if rest.holds(row.known()) and all(_of_job(row, term) for term in jobs)]


def _of_job(row: ResultRow, term: Term) -> bool:
    # Its ID or its name may be meant: either will do to be in, neither may hold to be out.
    hits = [term.holds(name) for name in (row.job, row.job_name) if name is not None]
    return all(hits) if term.sign == "!=" else any(hits)
