"""Hours of exposure since the last drying, by place: what is known without any model."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from tracker.exposure.spans import Segment, Timeline, Whereabouts

EXPOSED = ("open air", "printer")
"""Places where the spool lies in the air of the room."""


@dataclass(frozen=True, slots=True)
class OpenAir:
    """Exposure since the last drying, or since the first record if there was none.

    Attributes:
        hours: In open air or on the printer, h.
        hours_unlogged: Of which nobody knows, h; may have been open air.
        hours_box: In a dry box, h.
        hours_bag: In a sealed bag, h.
        rh_weighted_hours: Σ hours · RH/100 over the open-air hours that have a humidity, h: the hours at
            100 %RH with the same humidity dose.
        hours_without_rh: Open-air hours that have no humidity and are missing in ``rh_weighted_hours``.
        rh_mean_pct: Mean humidity over the hours that have one; None without any.
        rh_low_pct: Least humidity over those hours.
        rh_high_pct: Greatest humidity over those hours.
        temperature_mean_c: Mean temperature over the open-air hours that have one; None without any.
        since: Key of the last drying; None if there was none.
        since_at: When it ended (or when records began); None for a spool without records.
    """

    hours: float
    hours_unlogged: float
    hours_box: float
    hours_bag: float
    rh_weighted_hours: float
    hours_without_rh: float
    rh_mean_pct: float | None
    rh_low_pct: float | None
    rh_high_pct: float | None
    temperature_mean_c: float | None
    since: str | None
    since_at: datetime | None


def open_air(days: Timeline, at: datetime) -> OpenAir:
    """Return the exposure up to ``at`` since the last drying that began before it.

    Raises:
        Refused: ``at`` is later than the timeline, or has no zone.
    """
    days.known_until(at)
    drying = days.last_drying(at)
    # A drying that still runs at the moment asked about counts as ended there: nothing has reached the
    # spool since.
    since = min(drying.ended, at) if drying else days.began
    found = [s for s in days.until_moment(at) if since is not None and s.began >= since]
    # On the printer counts as open air: the spool hangs in the room there, often for longer than anywhere
    # else.
    out = [segment for segment in found if segment.place in EXPOSED]
    humid = _humid(out)
    dose = [(hours, rh) for hours, (_, rh, _) in humid]
    return OpenAir(
        hours=_hours(out),
        hours_unlogged=_hours_in("unlogged", found),
        hours_box=_hours_in("dry box", found),
        hours_bag=_hours_in("sealed bag", found),
        rh_weighted_hours=sum(hours * rh / 100.0 for hours, rh in dose),
        hours_without_rh=_hours(out) - sum(hours for hours, _ in dose),
        rh_mean_pct=_mean(dose),
        rh_low_pct=min((low for _, (low, _, _) in humid), default=None),
        rh_high_pct=max((high for _, (_, _, high) in humid), default=None),
        temperature_mean_c=_mean(_warm(out)),
        since=drying.key if drying else None,
        since_at=since,
    )


def _humid(segments: Iterable[Segment]) -> list[tuple[float, tuple[float, float, float]]]:
    """Return hours and humidity (least, middle, greatest, %RH) of the segments that have one."""
    found = ((s.hours, s.stay.humidity) for s in segments if s.stay is not None)
    return [(hours, humidity) for hours, humidity in found if humidity is not None]


def _warm(segments: Iterable[Segment]) -> list[tuple[float, float]]:
    """Return hours and temperature (°C) of the segments that have one."""
    found = ((s.hours, s.stay.temperature_c) for s in segments if s.stay is not None)
    return [(hours, t_c) for hours, t_c in found if t_c is not None]


def _hours_in(place: Whereabouts, segments: Iterable[Segment]) -> float:
    """Return the hours in one place."""
    return _hours(segment for segment in segments if segment.place == place)


def _hours(segments: Iterable[Segment]) -> float:
    """Return the length of segments in hours."""
    return sum(segment.hours for segment in segments)


def _mean(pairs: Sequence[tuple[float, float]]) -> float | None:
    """Return the mean of values weighted by hours; None without any."""
    total = sum(hours for hours, _ in pairs)
    # By hours, or five minutes with a damp window open would weigh as much as a week.
    return sum(hours * value for hours, value in pairs) / total if total else None
