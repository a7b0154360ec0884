"""Moments as people at the bench say and read them; the store has UTC."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass
from typing import Final

NOT_RECORDED = "not recorded"

_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTHS_WHOLE: Final = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
_DAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?")
_DOTTED: Final = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})?")
_NAMED: Final = re.compile(r"(\d{1,2})\.?\s+([a-z]{3,9})\.?(?:\s+(\d{4}))?")
_DAYS_AGO: Final = re.compile(r"(\d{1,5}) (day|week)s? ago")
_ISO_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
_ZONED: Final = re.compile(r"^(?P<rest>.+\d)\s+(?P<zone>[a-z]{3,5})$")
_LEAP_AT_MOST: Final = 9
"""Years among which there is a leap year, the turn of a century included."""
_SHORTEST_DAY: Final = 3
"""Letters of a day's name: two would be a unit or a typing error."""
_DATES: Final = "2026-03-14, 14.3.2026, 14 Mar 2026"
_EXAMPLES: Final = (
    "Type now, 14:32, 2 h ago, yesterday 10:00, Fri 14:30, 14.11. 9:30, 28 Nov or 2026-03-14 14:32"
)


class MomentError(ValueError):
    """What was typed names no moment, or two of them.

    Attributes:
        what: What is wrong, in words that can be behind the name of a field.
        do: What to type instead.
    """

    def __init__(self, what: str, do: str) -> None:
        super().__init__(f"{what}. {do}")
        self.what = what
        self.do = do


@dataclass(frozen=True)
class Present:
    """Against what a moment is read.

    Attributes:
        now: The present.
        zone: The bench's zone.
        began: When that began to which the moment belongs, such as a job: a bare ``14:32`` is then the
            first 14:32 from there on, and not today's.
        past: Whether the moment cannot be in the future; a day without its year is then
            the latest that has been.
    """

    now: dt.datetime
    zone: dt.tzinfo
    began: dt.datetime | None = None
    past: bool = True

    @property
    def today(self) -> dt.date:
        """Today's date at the bench."""
        return self.now.astimezone(self.zone).date()


def read_day(text: str, present: Present) -> dt.date:
    """Return the day that a person named: ``today``, ``Fri``, ``14.11.2026``, ``28 Nov``, ``2026-11-14``.

    Raises:
        MomentError: It names no day, or one that can be read in two ways.
    """
    word = " ".join(text.casefold().split())
    day = _day_of(word, present)
    if day is None:
        if re.fullmatch(r"\d{1,4}[/-]\d{1,2}[/-]\d{1,4}", word):
            raise MomentError(f"{text} can be read in two ways", f"Type it as {_DATES}")
        raise MomentError(f"{text} is no date", f"Type it as {_DATES}, Fri or yesterday")
    return day


def read_moment(text: str, present: Present) -> dt.datetime:
    """Return the moment, in UTC, that a person named.

    Read are ``now``; ``14:32``; ``today 7:00``, ``yesterday 10:00``, ``Fri 14:30``; ``14.11.2026 9:30``,
    ``14.11. 9:30``, ``28 Nov 14:30``; ``2026-03-14 14:32`` and RFC 3339. A day alone is its first minute. A
    time that the clocks went through twice needs its zone behind it, as ``02:30 CEST``.

    Raises:
        MomentError: It names no moment, one that never was at the bench, or one that was there twice.
    """
    word = " ".join(text.casefold().split())
    if word == "now":
        return present.now.astimezone(dt.UTC)
    zoned = _ZONED.match(word)
    name = zoned["zone"] if zoned and zoned["zone"] in _zone_names(present) else ""
    if zoned and name:
        word = zoned["rest"]
    written = _written(word)
    if written is not None and written.tzinfo is not None:
        return written.astimezone(dt.UTC)
    try:
        written = written or _spoken(word, present)
    except (ValueError, OverflowError):
        written = None
    if written is None:
        raise MomentError(f"{text} is no time", _EXAMPLES)
    try:
        return _at_the_bench(written, present, name)
    except OverflowError as error:
        raise MomentError(f"{text:.40} is outside the calendar", _EXAMPLES) from error


def _written(word: str) -> dt.datetime | None:
    """Return a moment as ISO 8601 has it, with or without a zone; None where it is none."""
    if not _ISO_DAY.match(word):
        return None
    try:
        return dt.datetime.fromisoformat(word.upper().replace(" ", "T", 1))
    except ValueError:
        return None


def _spoken(word: str, present: Present) -> dt.datetime | None:
    """Return what a day and a time of day, or one of them, mean at the bench.

    Raises:
        ValueError: There is no such day or time.
    """
    clock = _CLOCK.fullmatch(word)
    if clock:
        return _bare(_time(clock), present)
    head, _, tail = word.rpartition(" ")
    clock = _CLOCK.fullmatch(tail)
    day = _day_of(head.rstrip(",") if clock else word, present)
    return None if day is None else dt.datetime.combine(day, _time(clock) if clock else dt.time())


def _time(clock: re.Match[str]) -> dt.time:
    return dt.time(int(clock[1]), int(clock[2]), int(clock[3] or 0))


def _bare(clock: dt.time, present: Present) -> dt.datetime:
    """Return a bare time of day on today's date, or the first one since that began to which it belongs."""
    if present.began is None:
        return dt.datetime.combine(present.today, clock)
    began = present.began.astimezone(present.zone)
    on_its_day = dt.datetime.combine(began.date(), clock)
    # To the minute: what began at 14:32:40 is reported as 14:32.
    earlier = on_its_day < began.replace(tzinfo=None, second=0, microsecond=0)
    return on_its_day + dt.timedelta(days=earlier)


def _day_of(word: str, present: Present) -> dt.date | None:
    """Return the day that a word names; None where it names none.

    Raises:
        ValueError: It has the form of a date but there is no such day.
    """
    if word in ("today", "yesterday"):
        return present.today - dt.timedelta(days=word == "yesterday")
    ago = _DAYS_AGO.fullmatch(word)
    if ago:
        return present.today - dt.timedelta(days=int(ago[1]) * (7 if ago[2] == "week" else 1))
    short = word.rstrip(".")
    weekday = next((at for at, each in enumerate(_DAYS) if each.startswith(short)), None)
    if weekday is not None and len(short) >= _SHORTEST_DAY:
        return present.today - dt.timedelta(days=(present.today.weekday() - weekday) % 7)
    if _ISO_DAY.fullmatch(word):
        return dt.date.fromisoformat(word)
    dotted, named = _DOTTED.fullmatch(word), _NAMED.fullmatch(word)
    if dotted:
        return _dated(int(dotted[1]), int(dotted[2]), dotted[3], present)
    month = named and (_MONTHS.index(named[2]) + 1 if named[2] in _MONTHS else _whole_month(named[2]))
    return _dated(int(named[1]), month, named[3], present) if named and month else None


def _whole_month(word: str) -> int | None:
    return _MONTHS_WHOLE.index(word) + 1 if word in _MONTHS_WHOLE else None


def _dated(day: int, month: int, year: str | None, present: Present) -> dt.date:
    """Return a date; without its year the latest that is not in the future, or for a plan the next.

    Raises:
        ValueError: There is no such day.
    """
    if year:
        return dt.date(int(year), month, day)
    this = present.today.year
    years = range(this, this - _LEAP_AT_MOST, -1) if present.past else range(this, this + _LEAP_AT_MOST)
    # 29 February exists in few years: the nearest that has it is meant.
    days = [dt.date(each, month, day) for each in years if day <= calendar.monthrange(each, month)[1]]
    if not days:
        raise ValueError(f"month {month} has no day {day}")
    fitting = (each for each in days if (each <= present.today if present.past else each >= present.today))
    return next(fitting, days[0])


def _zone_names(present: Present) -> set[str]:
    """Return the names of the bench's zone in winter and in summer, such as ``cet`` and ``cest``."""
    months = (dt.datetime(present.today.year, month, 1, tzinfo=present.zone) for month in (1, 7))
    return {(each.tzname() or "").casefold() for each in months}


def _at_the_bench(local: dt.datetime, present: Present, name: str) -> dt.datetime:
    """Return a time of the bench's clock in UTC.

    Raises:
        MomentError: The clocks skipped it, or went through it twice and it is not said which is meant.
    """
    first, second = (local.replace(tzinfo=present.zone, fold=fold) for fold in (0, 1))
    if first.astimezone(dt.UTC).astimezone(present.zone).replace(tzinfo=None) != local:
        # An hour that the clocks skipped comes back from UTC as another one.
        raise MomentError(
            f"the clocks went forward, {local:%Y-%m-%d %H:%M} never was at the bench",
            f"Give the time with its offset, as {first.isoformat(timespec='minutes')}",
        )
    if first.utcoffset() == second.utcoffset():
        return first.astimezone(dt.UTC)
    named = next(
        (each for each in (first, second) if name and (each.tzname() or "").casefold() == name), None
    )
    if named is None:
        raise MomentError(
            f"the clocks went back, {local:%Y-%m-%d %H:%M} was at the bench twice",
            f"Type {local:%Y-%m-%d %H:%M} {first.tzname()} for the first or {second.tzname()} for the second",
        )
    return named.astimezone(dt.UTC)


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
