"""A spool's days: what is recorded of it, and put in order where it was at every moment.

What nobody logged is a segment of its own, ``unlogged``; it is never left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import zip_longest
from typing import Final, Literal, TypeVar

from tracker.errors import Refused
from tracker.moments import local_time

Place = Literal["open air", "sealed bag", "dry box", "printer"]
Reel = Literal["plastic", "cardboard", "none"]

PLACES: Final[tuple[Place, ...]] = ("open air", "sealed bag", "dry box", "printer")
"""Where a spool can be kept."""


@dataclass(frozen=True, slots=True)
class StoragePeriod:
    """A time a spool was kept in one place.

    Attributes:
        place: One of :data:`PLACES`.
        began: Aware, UTC.
        ended: Aware, UTC; None while nobody has closed it.
        temperature_c: Temperature of the filament, °C; None if not recorded.
        rh_pct: Relative humidity at that temperature, %; None if not recorded.
        rh_low_pct: Least humidity logged; None if not recorded.
        rh_high_pct: Greatest humidity logged; None if not recorded.
        key: The caller's name for this record, used in refusals.
    """

    place: Place
    began: datetime
    ended: datetime | None = None
    temperature_c: float | None = None
    rh_pct: float | None = None
    rh_low_pct: float | None = None
    rh_high_pct: float | None = None
    key: str = ""

    @property
    def name(self) -> str:
        """The key, or the place with its beginning."""
        return self.key or f"storage in {self.place} from {self.began:%Y-%m-%d %H:%M}"

    @property
    def humidity(self) -> tuple[float, float, float] | None:
        """Least, middle and greatest humidity, %RH, as far as recorded; None if nothing was."""
        logged = [v for v in (self.rh_low_pct, self.rh_pct, self.rh_high_pct) if v is not None]
        if not logged:
            return None
        # A logger that gave its extremes alone: the middle of them stands in, and the whole range stays
        # with it.
        middle = self.rh_pct if self.rh_pct is not None else (min(logged) + max(logged)) / 2.0
        return min(logged), middle, max(logged)


@dataclass(frozen=True, slots=True)
class Drying:
    """One drying cycle, as far as it concerns one spool.

    Attributes:
        began: Aware, UTC.
        ended: Aware, UTC.
        set_c: Temperature set, °C.
        measured_c: Temperature measured, °C; None if not recorded.
        before_g: Spool with its reel before, g; None if not weighed.
        after_g: Spool with its reel after, cooled, g; None if not weighed.
        empty_g: The empty reel, g; None if not known.
        room_c: Temperature of the room the dryer drew its air from, °C; None if not recorded.
        room_rh_pct: Relative humidity of that room, %; None if not recorded.
        dryer_rh_pct: Relative humidity logged inside the dryer, %; None if not recorded.
        key: The caller's name for this record, used in refusals.
        reel: What the reel is made of; a cardboard one loses its own water and spoils the weighing. None if
            not recorded.
        weighing_u_g: Standard uncertainty of the difference of the two weighings, g; None if not stated.
    """

    began: datetime
    ended: datetime
    set_c: float
    measured_c: float | None = None
    before_g: float | None = None
    after_g: float | None = None
    empty_g: float | None = None
    room_c: float | None = None
    room_rh_pct: float | None = None
    dryer_rh_pct: float | None = None
    key: str = ""
    reel: Reel | None = None
    weighing_u_g: float | None = None

    @property
    def name(self) -> str:
        """The key, or the beginning."""
        return self.key or f"drying from {self.began:%Y-%m-%d %H:%M}"

    @property
    def temperature_c(self) -> float:
        """The measured temperature where there is one, else the set one, °C."""
        return self.set_c if self.measured_c is None else self.measured_c


@dataclass(frozen=True, slots=True)
class JobUse:
    """A job the spool was printed from.

    Attributes:
        began: Aware, UTC.
        ended: Aware, UTC; None while it runs.
        key: The caller's name for this record, used in refusals.
        mass_g: Filament used, g; None if not recorded.
    """

    began: datetime
    ended: datetime | None = None
    key: str = ""
    mass_g: float | None = None

    @property
    def name(self) -> str:
        """The key, or the beginning."""
        return self.key or f"job from {self.began:%Y-%m-%d %H:%M}"


@dataclass(frozen=True, slots=True)
class MeasuredWater:
    """A water content measured on filament of this spool, for example by ISO 15512 (Karl Fischer).

    Attributes:
        at: When the sample was taken, aware, UTC.
        pct: Water, wt%.
        u_pct: Standard uncertainty, wt%.
        key: The caller's name for this record.
    """

    at: datetime
    pct: float
    u_pct: float
    key: str = ""


Event = StoragePeriod | Drying | JobUse


def check_event(event: Event) -> None:
    """Hold one record against what is possible.

    Raises:
        Refused: A time without zone, an end before its beginning, an unknown place, a humidity outside
            0 to 100 %, a temperature that is none, or a mass below zero; the record is named.
    """
    _check_times(event)
    if isinstance(event, StoragePeriod):
        if event.place not in PLACES:
            raise Refused(
                f"{event.name}", why=f"'{event.place}' is no place", do=f"Places: {', '.join(PLACES)}."
            )
        _check_rh(event.name, event.rh_pct, event.rh_low_pct, event.rh_high_pct)
        _check_order(event)
        _check_temperature(event.name, event.temperature_c)
    elif isinstance(event, Drying):
        _check_rh(event.name, event.room_rh_pct, event.dryer_rh_pct)
        _check_temperature(event.name, event.set_c, event.measured_c, event.room_c)
        _check_mass(event.name, event.before_g, event.after_g, event.empty_g)
    else:
        _check_mass(event.name, event.mass_g)


def _check_times(event: Event) -> None:
    """Refuse times without UTC and ends before their beginning.

    Raises:
        Refused: A time is not in UTC, or an end lies before its beginning.
    """
    for when in (event.began, event.ended):
        # A naive time at a change of clocks would be an hour of open air too many or too few.
        if when is not None and when.utcoffset() != timedelta(0):
            raise Refused(
                f"{event.name}", why=f"time {when.isoformat()} is not in UTC", do="Convert it to UTC."
            )
    if event.ended is not None and event.ended < event.began:
        hours = (event.ended - event.began).total_seconds() / 3600.0
        raise Refused(
            f"{event.name}",
            why=f"it ends before it begins ({hours:.2f} h)",
            do="Give an end after the beginning.",
        )


def _check_rh(name: str, *values: float | None) -> None:
    """Refuse humidities outside 0 to 100 %.

    Raises:
        Refused: One is; the record is named.
    """
    for value in values:
        if value is not None and not 0.0 <= value <= 100.0:  # noqa: PLR2004 - per cent
            raise Refused(
                f"{name}", why=f"humidity {value:g} % is outside 0 to 100 %", do="Correct the reading."
            )


def _check_order(period: StoragePeriod) -> None:
    """Refuse a mean humidity outside its own range.

    Raises:
        Refused: Least, mean and greatest are not in that order.
    """
    logged = [v for v in (period.rh_low_pct, period.rh_pct, period.rh_high_pct) if v is not None]
    if logged != sorted(logged):
        raise Refused(
            f"{period.name}",
            why=f"humidities {', '.join(f'{v:g}' for v in logged)} % are not least, mean, greatest",
            do="Give them in that order.",
        )


def _check_temperature(name: str, *values: float | None) -> None:
    """Refuse temperatures that no room or dryer has.

    Raises:
        Refused: One is below -40 or above 200 °C.
    """
    for value in values:
        if value is not None and not -40.0 <= value <= 200.0:  # noqa: PLR2004 - range of any dryer or room
            raise Refused(
                f"{name}", why=f"temperature {value:g} °C is outside -40 to 200 °C", do="Correct it."
            )


def _check_mass(name: str, *values: float | None) -> None:
    """Refuse masses below zero.

    Raises:
        Refused: One is, or is no number.
    """
    for value in values:
        # Not "value < 0", which would let NaN pass.
        if value is not None and not value >= 0.0:
            raise Refused(f"{name}", why=f"mass {value:g} g is no mass", do="Correct the weighing.")


_Event = TypeVar("_Event", StoragePeriod, Drying, JobUse)

Whereabouts = Place | Literal["dryer", "unlogged"]


@dataclass(frozen=True, slots=True)
class Segment:
    """A time during which the spool was in one place.

    Attributes:
        place: A place to keep it, ``"dryer"``, or ``"unlogged"`` where nothing is recorded.
        began: Aware, UTC.
        ended: Aware, UTC.
        period: The storage period it comes from, or None.
        drying: The drying it comes from, or None.
    """

    place: Whereabouts
    began: datetime
    ended: datetime
    period: StoragePeriod | None = None
    drying: Drying | None = None

    @property
    def hours(self) -> float:
        """Its length in hours."""
        return (self.ended - self.began).total_seconds() / 3600.0

    @property
    def key(self) -> str | None:
        """The key of the record it comes from; None where unlogged."""
        source = self.period or self.drying
        return None if source is None else source.key


@dataclass(frozen=True, slots=True)
class Conflict:
    """Two records of one spool that cannot both be true.

    Attributes:
        first: A storage period, a drying or a job.
        second: The other one.
        began: From when both claim the spool.
        ended: Until when.
        why: What contradicts what, in words.
        do: What to do about it, in words.
    """

    first: Event
    second: Event
    began: datetime
    ended: datetime
    why: str
    do: str

    @property
    def what(self) -> str:
        """Both by name."""
        return f"{self.first.name} and {self.second.name} overlap"

    @property
    def sentence(self) -> str:
        """Both by name, and what contradicts what."""
        return f"{self.what}: {self.why}"


@dataclass(frozen=True, slots=True)
class Timeline:
    """A spool's days from its first record on.

    Attributes:
        segments: In order, without gaps or overlaps.
        dryings: In order, only those that began before ``until``.
        jobs: In order, only those that began before ``until``.
        until: Where the timeline stops.
        flags: What was taken for granted, each one sentence.
        received: Whether they begin with the spool's reception; unknown before its first record otherwise.
        zone: The bench's, in which moments are told.
        conflicts: Records that cannot be true together; what both claim is unlogged.
    """

    segments: tuple[Segment, ...]
    dryings: tuple[Drying, ...]
    jobs: tuple[JobUse, ...]
    until: datetime
    flags: tuple[str, ...]
    received: bool = False
    zone: tzinfo = UTC
    conflicts: tuple[Conflict, ...] = ()

    def when(self, moment: datetime) -> str:
        """Return a moment as people at the bench read it."""
        return _when(moment, self.zone)

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


def _when(moment: datetime, zone: tzinfo) -> str:
    return f"{local_time(moment, zone)}{' UTC' if zone is UTC else ''}"


def timeline(
    periods: Iterable[StoragePeriod],
    dryings: Iterable[Drying],
    jobs: Iterable[JobUse],
    until: datetime,
    *,
    received: datetime | None = None,
    zone: tzinfo = UTC,
    settle: bool = False,
) -> Timeline:
    """Return the spool's days in order, up to ``until``.

    They begin with the spool's reception, and with its first record where nobody recorded that: never with
    its first job alone, as if it had come dry out of nowhere.

    A drying takes its time out of the storage period it falls into. A period nobody closed ends where the
    next one begins, else at ``until``, and is flagged. The time between is ``"unlogged"``, never left out.

    Args:
        periods: In any order.
        dryings: In any order.
        jobs: In any order; they say when the spool was used, not where it was.
        until: Aware, UTC; nothing later is looked at.
        received: When the spool came, aware, UTC; None where that is not recorded.
        zone: The bench's, in which moments are told.
        settle: Of records that cannot be true together refuse none: the time that two claim is unlogged,
            and each such pair is in the timeline's conflicts.

    Raises:
        Refused: Stays or dryings that overlap, a drying during a job (both named; not with ``settle``), an
            end before its beginning, or an impossible reading.
    """
    kept, dried = _in_order(periods), _in_order(dryings)
    used = _in_order(jobs)
    closed, flags = _close(kept, until, zone)
    conflicts = tuple(_overlaps(closed, dried, used, until, zone))
    if conflicts and not settle:
        raise Refused(conflicts[0].what, why=conflicts[0].why, do=conflicts[0].do)
    pieces = [
        *_storage_segments(closed, dried),
        *(Segment("dryer", d.began, d.ended, drying=d) for d in dried),
    ]
    # A drying that begins with its stay leaves a piece of no length before it.
    pieces = [piece for piece in _without(pieces, conflicts) if piece.ended > piece.began]
    pieces.sort(key=lambda piece: piece.began)
    # A job says that the spool existed, not where it was, and so do records that contradict each other: from
    # then on the time is unlogged, never simply absent.
    first = [event.began for events in (used, kept, dried) for event in events[:1]]
    first += [received] if received is not None else []
    return Timeline(
        segments=tuple(_without_gaps(pieces, first, until)),
        dryings=tuple(d for d in dried if d.began < until),
        jobs=tuple(job for job in used if job.began < until),
        until=until,
        flags=(
            *flags,
            *(f"{each.sentence}; the hours that both claim count as unlogged." for each in conflicts),
        ),
        received=received is not None,
        zone=zone,
        conflicts=conflicts,
    )


def _in_order(events: Iterable[_Event]) -> list[_Event]:
    """Return records by their beginning, each checked."""
    found = sorted(events, key=lambda event: event.began)
    for event in found:
        check_event(event)
    return found


def _close(
    periods: Sequence[StoragePeriod], until: datetime, zone: tzinfo
) -> tuple[list[StoragePeriod], list[str]]:
    """Return the storage periods with an end each, and what was taken for granted."""
    closed: list[StoragePeriod] = []
    flags: list[str] = []
    for period, later in zip_longest(periods, periods[1:]):
        if period.ended is not None:
            closed.append(period)
        elif later is not None and later.began > period.began:
            flags.append(f"{period.name} was never closed; taken to end when {later.name} began.")
            closed.append(replace(period, ended=later.began))
        else:
            flags.append(f"{period.name} is still open; counted up to {_when(until, zone)}.")
            closed.append(replace(period, ended=max(until, period.began)))
    return closed, flags


def _overlaps(
    periods: Sequence[StoragePeriod],
    dryings: Sequence[Drying],
    jobs: Sequence[JobUse],
    until: datetime,
    zone: tzinfo,
) -> Iterator[Conflict]:
    """Give what cannot be true together: two periods, two dryings, or a drying and a job at one time."""
    # Open periods were closed before, so every end is known here.
    kinds: tuple[Sequence[StoragePeriod | Drying], ...] = (periods, dryings)
    for kind in kinds:
        # What begins is compared with what lasts longest so far: a short stay may lie inside a long one.
        latest: StoragePeriod | Drying | None = None
        for each in kind:
            ended = each.ended or each.began
            if latest is not None and latest.ended is not None and each.began < latest.ended:
                why = (
                    f"{each.name} begins at {_when(each.began, zone)}, "
                    f"before {latest.name} ends at {_when(latest.ended, zone)}"
                )
                do = "A spool is in one place at a time: correct one of them."
                yield Conflict(latest, each, each.began, min(ended, latest.ended), why, do)
            if latest is None or latest.ended is None or ended > latest.ended:
                latest = each
    yield from _dried_while_printing(dryings, jobs, until, zone)


def _dried_while_printing(
    dryings: Sequence[Drying], jobs: Sequence[JobUse], until: datetime, zone: tzinfo
) -> Iterator[Conflict]:
    """Give each drying that runs during a job."""
    # One sweep over both kinds by beginning: what begins is compared with the latest end of the other kind.
    drying_end: tuple[datetime, Drying] | None = None
    job_end: tuple[datetime, JobUse] | None = None
    both: list[Drying | JobUse] = sorted([*dryings, *jobs], key=lambda event: event.began)
    for event in both:
        ended = event.ended or max(until, event.began)
        if isinstance(event, Drying):
            if job_end is not None and job_end[0] > event.began:
                yield _drying_and_job(event, job_end[1], event.began, min(ended, job_end[0]), zone)
            if drying_end is None or ended > drying_end[0]:
                drying_end = (ended, event)
        else:
            if drying_end is not None and drying_end[0] > event.began:
                yield _drying_and_job(drying_end[1], event, event.began, min(ended, drying_end[0]), zone)
            if job_end is None or ended > job_end[0]:
                job_end = (ended, event)


def _drying_and_job(drying: Drying, job: JobUse, began: datetime, ended: datetime, zone: tzinfo) -> Conflict:
    why = f"the drying ends at {_when(drying.ended, zone)}, after the print began at {_when(job.began, zone)}"
    do = "Correct one of them; a warm box that feeds the printer is storage in a dry box."
    return Conflict(drying, job, began, ended, why, do)


def _without(pieces: Iterable[Segment], conflicts: Sequence[Conflict]) -> Iterator[Segment]:
    """Give the pieces without the time that two records claim: nobody knows where the spool was then."""
    for piece in pieces:
        began = piece.began
        for each in sorted(conflicts, key=lambda one: one.began):
            if each.ended > began and each.began < piece.ended:
                if each.began > began:
                    yield replace(piece, began=began, ended=each.began)
                began = max(began, each.ended)
        if began < piece.ended:
            yield replace(piece, began=began)


def _storage_segments(periods: Sequence[StoragePeriod], dryings: Sequence[Drying]) -> Iterator[Segment]:
    """Give the storage periods with the dryings taken out."""
    at = 0
    for period in periods:
        began, ended = period.began, period.ended or period.began
        while at < len(dryings) and dryings[at].ended <= began:
            at += 1
        inside = at
        while inside < len(dryings) and dryings[inside].began < ended:
            yield Segment(period.place, began, dryings[inside].began, period=period)
            began = max(began, dryings[inside].ended)
            inside += 1
        yield Segment(period.place, began, ended, period=period)


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
