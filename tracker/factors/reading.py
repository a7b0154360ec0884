"""The factors of specimens and of measurements, many at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection
from sqlalchemy.orm import Session

from tracker.api import FactorValue
from tracker.factors.moist import of_spools
from tracker.factors.printed import of_job, of_piece, put_given
from tracker.factors.rows import Rows, rows_of
from tracker.factors.values import Factors
from tracker.ids import job_id, specimen_id, spool_id

if TYPE_CHECKING:
    from tracker.plugins import Plugged


def factors_of(
    session: Session | Connection,
    specimens: Iterable[int],
    plugged: Plugged | None = None,
    *,
    water: bool = True,
) -> dict[int, Factors]:
    """Return every recorded factor of specimens, by name; one that is not recorded is absent.

    What was measured stands before what was set; what was given outright, by import or by hand, before
    what was read from the plate. ``basis`` and ``source`` of each value say which it is.

    Args:
        session: To read with.
        specimens: Row ids; unknown ones are left out of the answer.
        plugged: Plugins, which may add factors; none are asked where it is None.
        water: Whether to estimate the water content too: one pass over each spool's days.
    """
    if isinstance(session, Connection):
        with Session(session) as made:
            return factors_of(made, specimens, plugged, water=water)
    rows = rows_of(session, list(dict.fromkeys(specimens)))
    of_jobs = _shared(session, rows, water=water)
    found: dict[int, Factors] = {}
    for row in rows.pieces:
        job = rows.jobs[row.job_id]
        changes = rows.changes.get(row.job_id, ())
        factors = of_piece(row, job, of_jobs[row.job_id], changes, rows.layers.get(row.id))
        put_given(factors, rows.given.get(row.id, ()))
        if plugged is not None:
            _put_plugged(factors, plugged, _known(row, job, factors))
        found[row.id] = factors
    return found


def _shared(session: Session, rows: Rows, *, water: bool) -> dict[int, Factors]:
    moist = of_spools(session, rows.jobs.values(), water=water)
    return {
        number: of_job(job, rows.attempts[number]) | moist.get(number, {})
        for number, job in rows.jobs.items()
    }


def _put_plugged(factors: Factors, plugged: Plugged, known: Mapping[str, Any]) -> None:
    """Add what plugins know; they add, and never replace what the book read itself."""
    for value in plugged.factors(known):
        factors.setdefault(value.name, value)


def _known(row: Any, job: Any, factors: Mapping[str, FactorValue]) -> dict[str, Any]:
    """Return what a plugin is told of a specimen."""
    return {
        **{name: value.value for name, value in factors.items()},
        "id": specimen_id(row.job_id, row.piece),
        "job": job_id(row.job_id),
        "material": job.spool_material or job.own_material,
        "spools": [spool_id(job.spool_id)] if job.spool_id is not None else [],
    }


def in_registry_order(factors: Mapping[str, FactorValue]) -> Sequence[FactorValue]:
    """Return factors as the registry lists them, those it does not know last, by name."""
    from tracker.factors.registry import REGISTRY  # noqa: PLC0415 - of this question only

    place = {factor.name: number for number, factor in enumerate(REGISTRY)}
    return sorted(factors.values(), key=lambda each: (place.get(each.name, len(place)), each.name))
