"""What is left on a spool: weighings, and between them the filament that jobs took."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.model import Drying, DryingSpool, Job, JobSpool, Spool, Weighing
from tracker.moments import local_day, local_midnight

_LABEL_SHARE: Final = 0.02
"""How far a label's net mass may be off, as a part of it. Common practice, no source."""

Kind = Literal["weighed", "label", "used", "unknown use"]


@dataclass(frozen=True)
class MassLeft:
    """Filament left on a spool.

    Attributes:
        points: Moments with the filament left in g, in order; empty where nothing is known.
        left_g: At the last of them; None where nothing is known.
        u_g: How far it may be off, g; None where nothing is known.
        how: Where it comes from, in words.
    """

    points: tuple[tuple[dt.datetime, float], ...] = ()
    left_g: float | None = None
    u_g: float | None = None
    how: str = "neither weighed nor a net mass recorded"


def mass_left(session: Session, spool: Spool, until: dt.datetime, zone: dt.tzinfo) -> MassLeft:
    """Return what is left on a spool: the last weighing less the reel, less what jobs took since.

    Args:
        session: To read with.
        spool: The spool.
        until: Jobs and weighings up to here count.
        zone: The bench's, in which days are told and a spool's day of reception begins.
    """
    empty, how_empty = _empty(spool)
    points: list[tuple[dt.datetime, float]] = []
    now: _Now | None = None
    for at, kind, grams in sorted(_events(session, spool, until, zone), key=lambda each: each[0]):
        if kind == "weighed" and empty is not None:
            off = (spool.net_g or 0.0) * _LABEL_SHARE if how_empty == _GUESSED else 0.0
            now = _Now(grams - empty, off, f"weighed {local_day(at, zone)}, {how_empty}")
        elif kind == "label":
            now = _Now(grams, grams * _LABEL_SHARE, "net mass on the label")
        elif now is not None:
            now = _used(now, kind, grams)
        if now is not None:
            points.append((at, max(now.left_g, 0.0)))
    return MassLeft() if now is None else MassLeft(tuple(points), max(now.left_g, 0.0), now.off_g, now.how)


class _Now(NamedTuple):
    """What is left after an event, how far it may be off, and where it comes from."""

    left_g: float
    off_g: float
    how: str


def _used(now: _Now, kind: Kind, grams: float) -> _Now:
    """Return what is left after a job; a weighing of a spool whose reel is unknown tells nothing."""
    if kind == "used":
        how = now.how if now.how.endswith("jobs since") else f"{now.how}, less jobs since"
        return now._replace(left_g=now.left_g - grams, how=how)
    if kind == "unknown use" and "unknown mass" not in now.how:
        return now._replace(how=f"{now.how}, less a job of unknown mass")
    return now


_GUESSED: Final = "reel taken as gross less net"


def _empty(spool: Spool) -> tuple[float | None, str]:
    """Return the mass of the empty reel, and how it is known."""
    if spool.empty_g is not None:
        return spool.empty_g, "less the empty reel"
    if spool.gross_g is not None and spool.net_g is not None:
        return spool.gross_g - spool.net_g, _GUESSED
    return None, "reel unknown"


def _events(
    session: Session, spool: Spool, until: dt.datetime, zone: dt.tzinfo
) -> Iterator[tuple[dt.datetime, Kind, float]]:
    """Yield weighings and uses."""
    came = (
        dt.datetime.min.replace(tzinfo=dt.UTC)
        if spool.received_on is None
        else local_midnight(spool.received_on, zone)
    )
    if spool.net_g is not None:
        yield came, "label", spool.net_g
    elif spool.gross_g is not None and spool.empty_g is not None:
        yield came, "label", spool.gross_g - spool.empty_g
    for weighing in session.scalars(
        select(Weighing).where(Weighing.spool_id == spool.id, Weighing.at <= until)
    ):
        yield weighing.at, "weighed", weighing.mass_g
    yield from _dried(session, spool, until)
    yield from _printed(session, spool, until)


def _printed(session: Session, spool: Spool, until: dt.datetime) -> Iterator[tuple[dt.datetime, Kind, float]]:
    """Yield what jobs took.

    A spool may have been printed from hundreds of times: of a job's only spool two columns are read, and
    :func:`grams_of` is asked about the others alone.
    """
    asked = select(JobSpool.job_id, JobSpool.filament_g, Job.started_at, Job.filament_g.label("of_job"))
    rows = session.execute(
        asked.join(Job).where(JobSpool.spool_id == spool.id, Job.started_at <= until)
    ).all()
    jobs = [row.job_id for row in rows if row.filament_g is None]
    count = func.count(JobSpool.spool_id)
    several = set(
        session.scalars(
            select(JobSpool.job_id)
            .where(JobSpool.job_id.in_(jobs))
            .group_by(JobSpool.job_id)
            .having(count > 1)
        )
    )
    for row in rows:
        grams = row.of_job if row.filament_g is None else row.filament_g
        if row.job_id in several:
            grams = grams_of(session.get_one(JobSpool, (row.job_id, spool.id)))
        yield row.started_at, "unknown use" if grams is None else "used", grams or 0.0


def grams_of(link: JobSpool) -> float | None:
    """Return what a job took from one of its spools in g; None where that is not known.

    What was entered for this spool comes first; a job's only spool gave all of it; of several a spool that
    printed certain pieces gave what the plate file says of those. How much each gave of one changed in the
    middle, nobody knows without weighing.
    """
    if link.filament_g is not None:
        return link.filament_g
    if len(link.job.spools) == 1:
        return link.job.filament_g
    if link.pieces is None or link.from_layer is not None:
        return None
    own = [piece.filament_g for piece in link.job.specimens if piece.piece in link.pieces]
    return None if not own or None in own else sum(each for each in own if each is not None)


def _dried(session: Session, spool: Spool, until: dt.datetime) -> Iterator[tuple[dt.datetime, Kind, float]]:
    asked = (
        select(Drying.began_at, Drying.ended_at, DryingSpool.before_g, DryingSpool.after_g)
        .join(DryingSpool)
        .where(DryingSpool.spool_id == spool.id, Drying.began_at <= until)
    )
    for row in session.execute(asked):
        if row.before_g is not None:
            yield row.began_at, "weighed", row.before_g
        if row.after_g is not None and row.ended_at is not None:
            yield row.ended_at, "weighed", row.after_g
