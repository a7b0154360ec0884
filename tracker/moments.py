"""Moments as the bench reads them: stored in UTC, shown in the bench's own zone."""

from __future__ import annotations

import datetime as dt

NOT_RECORDED = "not recorded"


def local_time(moment: dt.datetime | None, zone: dt.tzinfo, *, seconds: bool = False) -> str:
    """Return date and time of a moment in a zone: ``2026-03-08 07:15``.

    Args:
        moment: Aware, in any zone; "not recorded" is returned for None.
        zone: The bench's zone.
        seconds: Whether seconds are shown too.

    Raises:
        ValueError: The moment has no zone: nobody could say which day it belongs to.
    """
    if moment is None:
        return NOT_RECORDED
    return f"{_in_zone(moment, zone):{'%Y-%m-%d %H:%M:%S' if seconds else '%Y-%m-%d %H:%M'}}"


def local_day(moment: dt.datetime, zone: dt.tzinfo) -> dt.date:
    """Return the day of a moment in a zone; in UTC it would be yesterday's for a part of each day.

    Raises:
        ValueError: The moment has no zone.
    """
    return _in_zone(moment, zone).date()


def local_midnight(day: dt.date, zone: dt.tzinfo) -> dt.datetime:
    """Return the moment, in UTC, at which a day begins in a zone."""
    return dt.datetime.combine(day, dt.time(), zone).astimezone(dt.UTC)


def _in_zone(moment: dt.datetime, zone: dt.tzinfo) -> dt.datetime:
    # astimezone() would take a moment without zone for one of this computer's zone, in silence.
    if moment.utcoffset() is None:
        raise ValueError(f"{moment.isoformat()} has no time zone")
    return moment.astimezone(zone)
