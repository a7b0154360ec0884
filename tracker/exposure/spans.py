"""A spool's days in order: where it was at every moment, with what nobody logged as 'unlogged'."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise, zip_longest
from typing import Literal, TypeVar

from tracker.errors import Refused
from tracker.exposure.events import Drying, JobUse, Place, Stay, check_event

_Event = TypeVar("_Event", Stay, Drying, JobUse)

Whereabouts = Place | Literal["dryer", "unlogged"]


@dataclass(frozen=True, slots=True)
class Segment:
    """A time during which the spool was in one place.

    Attributes:
        place: A place to keep it, ``"dryer"``, or ``"unlogged"`` where nothing is recorded.
        began: Aware, UTC.
        ended: Aware, UTC.
        stay: The stay it comes from, or None.
        drying: The drying it comes from, or None.
    """

    place: Whereabouts
    began: datetime
    ended: datetime
    stay: Stay | None = None
    drying: Drying | None = None

    @property
    def hours(self) -> float:
        """Its length in hours."""
        return (self.ended - self.began).total_seconds() / 3600.0

    @property
    def key(self) -> str | None:
        """The key of the record it comes from; None where unlogged."""
        source = self.stay or self.drying
        return None if source is None else source.key


@dataclass(frozen=True, slots=True)
class Timeline:
    """A spool's days from its first record on.

    Attributes:
        segments: In order, without gaps or overlaps.
        dryings: In order, only those that began before ``until``.
        jobs: In order, only those that began before ``until``.
        until: Where the timeline stops.
        flags: What was taken for granted, each one sentence.
    """

    segments: tuple[Segment, ...]
    dryings: tuple[Drying, ...]
    jobs: tuple[JobUse, ...]
    until: datetime
    flags: tuple[str, ...]

    @property
    def began(self) -> datetime | None:
        """The first recorded moment; None for a spool without records."""
        return self.segments[0].began if self.segments else None

    def until_moment(self, at: datetime) -> Iterator[Segment]:
        """Give the segments up to ``at``, the last one cut there."""
        for segment in self.segments:
            if segment.began >= at:
                return
            yield segment if segment.ended <= at else replace(segment, ended=at)

    def last_drying(self, at: datetime) -> Drying | None:
        """Return the latest drying that began before ``at``, or None."""
        earlier = [drying for drying in self.dryings if drying.began < at]
        return earlier[-1] if earlier else None

    def known_until(self, at: datetime) -> None:
        """Say so if ``at`` lies outside what this timeline covers.

        Raises:
            Refused: ``at`` has no zone, or is later than the timeline's end.
        """
        if at.utcoffset() is None or at > self.until:
            raise Refused(
                f"exposure at {at.isoformat()}",
                why=f"the timeline ends at {self.until.isoformat()}",
                do="Ask for an earlier moment or build the timeline further.",
            )


def timeline(
    stays: Iterable[Stay], dryings: Iterable[Drying], jobs: Iterable[JobUse], until: datetime
) -> Timeline:
    """Return the spool's days in order, up to ``until``.

    A drying takes its time out of the stay it falls into. A stay nobody closed ends where the next one
    begins, else at ``until``, and is flagged. What lies between is ``"unlogged"``: it is never left out.

    Args:
        stays: In any order.
        dryings: In any order.
        jobs: In any order; they say when the spool was used, not where it was.
        until: Aware, UTC; nothing later is looked at.

    Raises:
        Refused: Stays or dryings that overlap, a drying during a job, an end before its beginning, or an
            impossible reading; both records are named.
    """
    kept, dried = _in_order(stays), _in_order(dryings)
    used = _in_order(jobs)
    closed, flags = _close(kept, until)
    _refuse_overlaps(closed, dried)
    _refuse_drying_while_printing(dried, used, until)
    pieces = [*_stay_pieces(closed, dried), *(Segment("dryer", d.began, d.ended, drying=d) for d in dried)]
    # A drying that begins with its stay leaves a piece of no length before it.
    pieces = [piece for piece in pieces if piece.ended > piece.began]
    pieces.sort(key=lambda piece: piece.began)
    # A job says that the spool existed, not where it was: from then on the time is unlogged, never simply
    # absent.
    first = [job.began for job in used[:1]]
    return Timeline(
        segments=tuple(_without_gaps(pieces, first, until)),
        dryings=tuple(d for d in dried if d.began < until),
        jobs=tuple(job for job in used if job.began < until),
        until=until,
        flags=tuple(flags),
    )


def _in_order(events: Iterable[_Event]) -> list[_Event]:
    """Return records by their beginning, each checked."""
    found = sorted(events, key=lambda event: event.began)
    for event in found:
        check_event(event)
    return found


def _close(stays: Sequence[Stay], until: datetime) -> tuple[list[Stay], list[str]]:
    """Return the stays with an end each, and what was taken for granted."""
    closed: list[Stay] = []
    flags: list[str] = []
    for stay, later in zip_longest(stays, stays[1:]):
        if stay.ended is not None:
            closed.append(stay)
        elif later is not None and later.began > stay.began:
            flags.append(f"{stay.name} was never closed; taken to end when {later.name} began.")
            closed.append(replace(stay, ended=later.began))
        else:
            flags.append(f"{stay.name} is still open; counted up to {until:%Y-%m-%d %H:%M} UTC.")
            closed.append(replace(stay, ended=max(until, stay.began)))
    return closed, flags


def _refuse_overlaps(stays: Sequence[Stay], dryings: Sequence[Drying]) -> None:
    """Refuse two stays or two dryings at one time.

    Raises:
        Refused: Two overlap; both are named.
    """
    # Open stays were closed before, so every end is known here.
    kinds: tuple[Sequence[Stay | Drying], ...] = (stays, dryings)
    for kind in kinds:
        for first, second in pairwise(kind):
            if first.ended is not None and second.began < first.ended:
                raise Refused(
                    f"{first.name} and {second.name} overlap",
                    why=f"{second.name} begins at {second.began:%Y-%m-%d %H:%M} UTC, "
                    f"before {first.name} ends at {first.ended:%Y-%m-%d %H:%M} UTC",
                    do="A spool is in one place at a time: correct one of them.",
                )


def _refuse_drying_while_printing(dryings: Sequence[Drying], jobs: Sequence[JobUse], until: datetime) -> None:
    """Refuse a drying and a job at one time.

    Raises:
        Refused: A drying and a job overlap; both are named.
    """
    # One sweep over both kinds by beginning: what begins is held against the latest end of the other kind.
    drying_end: tuple[datetime, Drying] | None = None
    job_end: tuple[datetime, JobUse] | None = None
    both: list[Drying | JobUse] = sorted([*dryings, *jobs], key=lambda event: event.began)
    for event in both:
        ended = event.ended or max(until, event.began)
        if isinstance(event, Drying):
            if job_end is not None and job_end[0] > event.began:
                raise _dried_while_printing(event, job_end[1])
            drying_end = (ended, event)
        else:
            if drying_end is not None and drying_end[0] > event.began:
                raise _dried_while_printing(drying_end[1], event)
            if job_end is None or ended > job_end[0]:
                job_end = (ended, event)


def _dried_while_printing(drying: Drying, job: JobUse) -> Refused:
    """Return the refusal that names both."""
    return Refused(
        f"{drying.name} and {job.name} overlap",
        why=f"the drying ends at {drying.ended:%Y-%m-%d %H:%M} UTC, "
        f"after the print began at {job.began:%Y-%m-%d %H:%M} UTC",
        do="Correct one of them; a warm box that feeds the printer is a stay in a dry box.",
    )


def _stay_pieces(stays: Sequence[Stay], dryings: Sequence[Drying]) -> Iterator[Segment]:
    """Give the stays with the dryings taken out."""
    at = 0
    for stay in stays:
        began, ended = stay.began, stay.ended or stay.began
        while at < len(dryings) and dryings[at].ended <= began:
            at += 1
        inside = at
        while inside < len(dryings) and dryings[inside].began < ended:
            yield Segment(stay.place, began, dryings[inside].began, stay=stay)
            began = max(began, dryings[inside].ended)
            inside += 1
        yield Segment(stay.place, began, ended, stay=stay)


def _without_gaps(
    pieces: Sequence[Segment], earliest: Sequence[datetime], until: datetime
) -> Iterator[Segment]:
    """Give the pieces up to the end, with what is unlogged between."""
    starts = [*earliest, *(piece.began for piece in pieces[:1])]
    if not starts:
        return
    reached = min(starts)
    for piece in pieces:
        if piece.began >= until:
            break
        if piece.began > reached:
            yield Segment("unlogged", reached, piece.began)
        ended = min(piece.ended, until)
        yield piece if ended == piece.ended else replace(piece, ended=ended)
        reached = ended
    # To the end: a spool that nobody logged for a month has had a month of something.
    if reached < until:
        yield Segment("unlogged", reached, until)
