"""The factors of specimens and of measurements, many at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection
from sqlalchemy.orm import Session

from tracker.api import FactorValue
from tracker.factors.moist import of_spools
from tracker.factors.printed import of_job, of_piece, put_given
from tracker.factors.rows import Rows, rows_of
from tracker.factors.values import Factors
from tracker.ids import job_id, specimen_id, spool_id
from tracker.model import spools_of_piece

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
    jobs = _jobs_as_seen(rows)
    of_jobs = _shared(session, rows, jobs, water=water)
    found: dict[int, Factors] = {}
    for row in rows.pieces:
        seen = _seen_from(rows, row)
        job = jobs[seen]
        changes = rows.changes.get(row.job_id, ())
        factors = of_piece(row, job, of_jobs[seen], changes, rows.layers.get(row.id))
        put_given(factors, rows.given.get(row.id, ()))
        if plugged is not None:
            _put_plugged(factors, plugged, _known(row, job, factors))
        found[row.id] = factors
    return found


_Seen = tuple[int, int | None]
"""A job as a piece of it sees it: number of the job, and of the piece's own spool."""


def _seen_from(rows: Rows, row: Any) -> _Seen:
    """Return a piece's job with the spool that most of the piece was printed from."""
    links = rows.links.get(row.job_id)
    if not links:
        return row.job_id, rows.jobs[row.job_id].spool_id
    own = spools_of_piece(links, row.piece, row.layer_count)
    return row.job_id, own[0].spool_id if own else None


def _jobs_as_seen(rows: Rows) -> dict[_Seen, Any]:
    """Return every job as its pieces see it: with the spool that is theirs, its lot and its material."""
    found: dict[_Seen, Any] = {}
    for row in rows.pieces:
        seen = _seen_from(rows, row)
        job = rows.jobs[row.job_id]
        if seen not in found and seen[1] == job.spool_id:
            found[seen] = job
        elif seen not in found:
            spool = rows.spools.get(seen[1] or 0)
            lot, material = (spool.lot, spool.material) if spool is not None else (None, None)
            own = {"spool_id": seen[1], "lot": lot, "spool_material": material}
            found[seen] = SimpleNamespace(**{**job._mapping, **own})
    return found


def _shared(session: Session, rows: Rows, jobs: Mapping[_Seen, Any], *, water: bool) -> dict[_Seen, Factors]:
    starts = [
        SimpleNamespace(id=seen, spool_id=job.spool_id, started_at=job.started_at)
        for seen, job in jobs.items()
    ]
    moist = of_spools(session, starts, water=water)
    return {seen: of_job(job, rows.attempts[seen[0]]) | moist.get(seen, {}) for seen, job in jobs.items()}


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
