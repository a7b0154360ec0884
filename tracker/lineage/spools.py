"""The one rule for "the spool of a specimen" and for the material of a specimen and of a job.

A plate may be printed from several spools. Where one has to stand for the plate (its material in a table, the
lot among factors, the drying before the print) it is the spool in the lowest tool; of several in one tool,
the one it began with. A specimen has the spools it was printed from (:func:`spools_of_piece`), and its
material is that of the first. The material of a job whose spool is not recorded is the one the job names
itself.

The rule is here in Python, over links and over loaded rows, and as expressions for the database. What it says
of each job is kept in ``job_in_force``, and in ``factor_in_force`` where a specimen has another material than
its plate (:mod:`tracker.factors.kept`); lists, filters, tables and programmes ask those.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import BindParameter, ColumnElement, Select, and_, func, or_, select, union_all
from sqlalchemy.orm import Session, aliased, joinedload

from tracker.lazy_modules import lazy
from tracker.model import Job, JobSpool, Material, Specimen, Spool, live

if TYPE_CHECKING:
    from tracker.model import derived
else:
    # A card of one record reads what it follows from.
    derived = lazy("tracker.model.derived")


def in_tool_order(uses: Iterable[JobSpool]) -> list[JobSpool]:
    """Return the spools of a job, the one that stands for the plate first."""
    return sorted(uses, key=lambda use: (use.tool, use.from_layer or 1, use.spool_id))


def spools_of_piece(
    uses: Iterable[JobSpool], piece: int, layers: int | None = None, tools: Iterable[Any] | None = None
) -> list[JobSpool]:
    """Return the spools of a specimen, the one most of it was printed from first.

    A link that names specimens holds for those alone. Of several spools of one tool each holds from its first
    layer to the next one's; one that began above the specimen has no part in it. The specimen's material, lot
    and exposure are those of the first: of the tool that laid most of its body (of the lowest, where no plate
    file says how much each laid), the spool in use in the middle of the specimen.

    Args:
        uses: Spools of the specimen's job.
        piece: Its number in the job.
        layers: How many layers it has; None where no plate file says so.
        tools: What each tool laid of it, as the facts from its plate file have it; None where unknown.
    """
    deposited = {each["tool"]: each["body_mm"] for each in tools or () if each.get("body_mm") is not None}
    own = [each for each in uses if each.pieces is None or piece in each.pieces]
    own = in_tool_order(each for each in own if layers is None or (each.from_layer or 1) <= layers)
    own.sort(key=lambda use: -deposited.get(use.tool, 0.0))
    middle = (layers or 0) // 2 + 1
    first = [each for each in own if each.tool == own[0].tool and (each.from_layer or 1) <= middle]
    return [first[-1], *(each for each in own if each is not first[-1])] if first else own


def spools_of_job(job: Job) -> list[JobSpool]:
    """Return the spools of a job that were not taken back, the one that stands for the plate first."""
    return in_tool_order(live(job.spools))


def material_of_job(job: Job) -> Material | None:
    """Return the material of a job: that of the spool that stands for its plate, else the one it names."""
    spools = spools_of_job(job)
    return spools[0].spool.material if spools else job.material


_WITH_SPOOLS: Final = (
    joinedload(Job.spools).joinedload(JobSpool.spool).joinedload(Spool.material),
    joinedload(Job.material),
)


def load_spools(session: Session, row: Specimen) -> Job | None:
    """Read in one statement what the functions over loaded rows ask of a specimen, where it was not read.

    On a server each relation on the way to its material would be a question of its own.
    """
    found = session.get(Job, row.job_id, options=_WITH_SPOOLS)
    # From now on the specimen holds it: the session alone would let it go.
    return found and row.job


def spools_of_specimen(row: Specimen) -> list[JobSpool]:
    """Return the spools that a specimen was printed from, the one most of it came from first."""
    facts = row.plate_facts or {}
    return spools_of_piece(live(row.job.spools), row.piece, facts.get("layers"), facts.get("tools"))


def material_of_specimen(row: Specimen) -> Material | None:
    """Return the material of a specimen: that of the spool it came from, else the one its job names."""
    spools = spools_of_specimen(row)
    return spools[0].spool.material if spools else row.job.material


def main_spool_id(job: ColumnElement[int] | Any = Job.id) -> ColumnElement[Any]:
    """Return the number of the main spool of a job as a scalar subquery.

    Args:
        job: Column of the outer statement that holds the job's number.
    """
    use = aliased(JobSpool)
    return _first_in_tool_order(select(use.spool_id), use, job)


def material_id_of_job(job: Any = Job) -> ColumnElement[Any]:
    """Return the number of the material of a job as an expression: its main spool's, or its own.

    Args:
        job: The job's model or an alias of it, in the outer statement.
    """
    use, spool = aliased(JobSpool), aliased(Spool)
    of_spool = select(spool.material_id).join(use, use.spool_id == spool.id)
    return func.coalesce(_first_in_tool_order(of_spool, use, job.id), job.material_id)


def _first_in_tool_order(statement: Select[Any], use: Any, job: Any) -> ColumnElement[Any]:
    return (
        statement.where(use.job_id == job, use.voided.is_(None))
        .order_by(use.tool, func.coalesce(use.from_layer, 1), use.spool_id)
        .limit(1)
        .scalar_subquery()
    )


def join_main_spool(statement: Select[*tuple[Any, ...]], job: Any = Job) -> Select[*tuple[Any, ...]]:
    """Return a statement with a job's main spool joined as ``JobSpool`` and ``Spool``, empty where none."""
    return (
        statement.select_from(job)
        .outerjoin(JobSpool, and_(JobSpool.job_id == job.id, JobSpool.spool_id == main_spool_id(job.id)))
        .outerjoin(Spool, Spool.id == JobSpool.spool_id)
    )


def join_material(statement: Select[*tuple[Any, ...]], spool: Any = None) -> Select[*tuple[Any, ...]]:
    """Return a statement over specimens with their jobs and materials joined, by what is kept.

    Args:
        statement: Over specimens.
        spool: Column with the number of a spool that was tested itself, where there may be one.
    """
    own = aliased(derived.FactorInForce)
    statement = (
        statement.outerjoin(Job, Job.id == Specimen.job_id)
        .outerjoin(derived.JobInForce, derived.JobInForce.job_id == Specimen.job_id)
        .outerjoin(own, and_(own.specimen_id == Specimen.id, own.name == derived.OWN_MATERIAL))
    )
    material: Any = func.coalesce(own.number, derived.JobInForce.material_id)
    if spool is not None:
        statement = statement.outerjoin(Spool, Spool.id == spool)
        material = func.coalesce(own.number, derived.JobInForce.material_id, Spool.material_id)
    return statement.outerjoin(Material, Material.id == material)


def made_of(material: int | BindParameter[int]) -> ColumnElement[bool]:
    """Return the condition that a specimen is made of a material, by what is kept.

    Args:
        material: Number of the material, or the parameter that it is given by.
    """
    jobs = select(derived.JobInForce.job_id).where(derived.JobInForce.material_id == material)
    kept = select(derived.FactorInForce.specimen_id).where(derived.FactorInForce.name == derived.OWN_MATERIAL)
    return or_(
        Specimen.id.in_(kept.where(derived.FactorInForce.number == material)),
        and_(Specimen.job_id.in_(jobs), Specimen.id.not_in(kept)),
    )


def among_all_made_of(material: int) -> ColumnElement[bool]:
    """Return the same as :func:`made_of` for a statement that reads all specimens of a material.

    They are found first, by indices; beside an OR PostgreSQL would walk through all specimens of the book. A
    statement that needs only the newest of them is better off with the other.
    """
    piece: Any = Specimen.__table__.alias()
    jobs = select(derived.JobInForce.job_id).where(derived.JobInForce.material_id == material)
    kept = select(derived.FactorInForce.specimen_id).where(derived.FactorInForce.name == derived.OWN_MATERIAL)
    of_jobs = select(piece.c.id).where(piece.c.job_id.in_(jobs), piece.c.id.not_in(kept))
    return Specimen.id.in_(union_all(kept.where(derived.FactorInForce.number == material), of_jobs))
