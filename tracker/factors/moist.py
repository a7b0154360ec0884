"""Factors from a spool's days: the last drying, the hours in the air since, and the water when printed."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any, Final

from sqlalchemy.orm import Session

from tracker.errors import Refused
from tracker.factors.values import COMMANDED, ESTIMATED, MEASURED, Factors, put
from tracker.history import SpoolDays, many_spool_days, water_at_many

_HOUR: Final = 3600.0


def of_spools(session: Session, jobs: Iterable[Any], *, water: bool) -> dict[Any, Factors]:
    """Return the factors that jobs have from a spool of theirs, as they were when they began.

    Args:
        session: To read with.
        jobs: Rows with ``id``, ``spool_id`` and ``started_at``.
        water: Whether to estimate the water content too; one pass for each spool.

    Returns:
        ``id`` to factors; a job without spool or start is left out.
    """
    moments: dict[int, dict[Any, dt.datetime]] = defaultdict(dict)
    for job in jobs:
        if job.spool_id is not None and job.started_at is not None:
            moments[job.spool_id][job.id] = job.started_at
    days = many_spool_days(session, {spool: max(each.values()) for spool, each in moments.items()})
    found: dict[Any, Factors] = {}
    for spool, starts in moments.items():
        known = days.get(spool)
        if isinstance(known, SpoolDays) and known.timeline.began is not None:
            found |= _of_spool(known, starts, water=water)
    return found


def _of_spool(days: SpoolDays, starts: Mapping[Any, dt.datetime], *, water: bool) -> dict[Any, Factors]:
    from tracker import exposure  # noqa: PLC0415 - brings numpy

    contents = _water(days, starts.values()) if water else {}
    found: dict[Any, Factors] = {}
    for job, at in starts.items():
        into: Factors = {}
        air = exposure.open_air(days.timeline, at)
        _put_hours(into, days, air)
        _put_drying(into, days.timeline.last_drying(at))
        if at in contents:
            low, centre, high, grade = contents[at]
            source = f"estimated from the days of {days.spool}, grade {grade}"
            put(into, "water_pct", centre, MEASURED if grade == "A" else ESTIMATED, source, low, high)
        found[job] = into
    return found


def _water(
    days: SpoolDays, moments: Iterable[dt.datetime]
) -> dict[dt.datetime, tuple[float, float, float, str]]:
    try:
        told = water_at_many(days, sorted(set(moments)))
    except Refused:
        return {}
    low, centre, high = (each.tolist() for each in (told.low_pct, told.centre_pct, told.high_pct))
    return {at: (low[i], centre[i], high[i], told.grade) for i, at in enumerate(told.times[: len(centre)])}


def _put_hours(into: Factors, days: SpoolDays, air: Any) -> None:
    """Put in the hours in open air; hours that nobody recorded are the width of the interval."""
    if air.since_at is None:
        return
    since = f"since {air.since}" if air.since else "since the first record, never dried as far as is recorded"
    source = f"days of {days.spool}, {since}"
    sure = air.hours_unlogged == 0
    high = air.hours + air.hours_unlogged
    basis = COMMANDED if sure else ESTIMATED
    put(into, "open_air_h", air.hours, "typed" if sure else basis, source, air.hours, high)
    if sure and air.hours_without_rh == 0:
        put(into, "open_air_rh_h", air.rh_weighted_hours, "typed", source)


def _put_drying(into: Factors, drying: Any) -> None:
    if drying is None:
        return
    basis = COMMANDED if drying.measured_c is None else MEASURED
    put(into, "drying_c", drying.temperature_c, basis, drying.key)
    put(into, "drying_h", (drying.ended - drying.began).total_seconds() / _HOUR, "typed", drying.key)
