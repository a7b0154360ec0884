"""The one rule for "the spool of a piece", in SQL and in Python.

A plate may be printed from several spools. Where one has to stand for the plate (its material in a table, the
lot among factors, the drying before the print) it is the spool in the lowest tool; of several in one tool,
the one it began with. For a single piece :func:`tracker.model.spools_of_piece` says which spools it was
printed from, and which of them first. The material of a job whose spool is not recorded is the one the job
names itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, select
from sqlalchemy.orm import aliased

from tracker.model import Job, JobSpool, Spool


def in_tool_order(uses: Iterable[JobSpool]) -> list[JobSpool]:
    """Return the spools of a job, the one that stands for the plate first."""
    return sorted(uses, key=lambda use: (use.tool, use.from_layer or 1, use.spool_id))


def main_spool(uses: Iterable[JobSpool]) -> JobSpool | None:
    """Return the spool that stands for a plate; None where no spool is recorded."""
    return next(iter(in_tool_order(uses)), None)


def main_spool_id(job: ColumnElement[int] | Any = Job.id) -> ColumnElement[Any]:
    """Return the number of the main spool of a job as a scalar subquery.

    Args:
        job: Column of the outer statement that holds the job's number.
    """
    use = aliased(JobSpool)
    return (
        select(use.spool_id)
        .where(use.job_id == job, use.voided.is_(None))
        .order_by(use.tool, func.coalesce(use.from_layer, 1), use.spool_id)
        .limit(1)
        .scalar_subquery()
    )


def material_id_of_job(job: Any = Job) -> ColumnElement[Any]:
    """Return the number of the material of a job as an expression: its main spool's, or its own.

    Args:
        job: The job's model or an alias of it, in the outer statement.
    """
    use, spool = aliased(JobSpool), aliased(Spool)
    of_spool = (
        select(spool.material_id)
        .join(use, use.spool_id == spool.id)
        .where(use.job_id == job.id, use.voided.is_(None))
        .order_by(use.tool, func.coalesce(use.from_layer, 1), use.spool_id)
        .limit(1)
        .scalar_subquery()
    )
    return func.coalesce(of_spool, job.material_id)


def join_main_spool(statement: Select[*tuple[Any, ...]], job: Any = Job) -> Select[*tuple[Any, ...]]:
    """Return a statement with a job's main spool joined as ``JobSpool`` and ``Spool``, empty where none."""
    return (
        statement.select_from(job)
        .outerjoin(JobSpool, and_(JobSpool.job_id == job.id, JobSpool.spool_id == main_spool_id(job.id)))
        .outerjoin(Spool, Spool.id == JobSpool.spool_id)
    )
