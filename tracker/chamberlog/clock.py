"""Times of a log: read in whatever form they are written, and put into UTC by the zone of the logger."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from numpy.typing import NDArray

from tracker.chamberlog.log import Array, Basis, Problem
from tracker.chamberlog.table import Letters, as_bytes, numbers, runs_of_digits, texts
from tracker.errors import Refused
from tracker.lazy_modules import np

DAY_S: Final = 86400.0

_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d([.,]\d+)?)?\s*(Z|z|[+-]\d\d:?\d\d)?\Z")
_DATE_FIRST = re.compile(
    r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})[T ,]+\d{1,2}:\d\d(:\d\d([.,]\d+)?)?( ?[AaPp][Mm])?\Z"
)
_CLOCK = re.compile(r"\d{1,3}:\d\d(:\d\d([.,]\d+)?)?( ?[AaPp][Mm])?\Z")
_FIGURE = re.compile(r"[+-]?\d+([.,]\d*)?([eE][+-]?\d+)?\Z")
_EPOCH_S: Final = 1e8
_EPOCHS: Final = (
    (1e17, 1e-9, "nanoseconds"),
    (1e14, 1e-6, "microseconds"),
    (1e11, 1e-3, "milliseconds"),
    (_EPOCH_S, 1.0, "seconds"),
)
_LAST_S: Final = 4102444800.0
"""The year 2100: what lies beyond is no time of a log."""
_FACTORS: Final = {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
_UNIT = re.compile(
    r"(?:^|[\W_])(ms|msec|millis|min|minutes?|minuten|h|hours?|stunden)(?:[\W_]|$)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Times:
    """The times of the rows.

    Attributes:
        seconds: Shape (n,); NaN where a row has none. After 1970 for ``"utc"`` and ``"local"``, after the
            first row's midnight for ``"time of day"``, as written for ``"elapsed"``.
        basis: What they are counted from.
        form: In words.
        guesses: What was taken without the file saying so.
    """

    seconds: Array
    basis: Basis
    form: str
    guesses: tuple[str, ...] = ()


def is_time(sample: Sequence[str]) -> bool:
    """Say whether fields have the form of a date with a time or of a clock."""
    filled = [field for field in sample if field]
    fits = sum(bool(_ISO.match(f) or _DATE_FIRST.match(f) or _CLOCK.match(f)) for f in filled)
    return bool(filled) and 2 * fits > len(filled)


def read_times(letters: Letters, header: str, *, decimal_comma: bool) -> Times:
    """Return the times of a column.

    Args:
        letters: Fields, shape (n, width), bytes.
        header: The column's heading, which may name a unit of time.
        decimal_comma: Whether the comma stands where others write a point.

    Raises:
        Refused: The column has none of the forms that are understood, or a date could be read two ways.
    """
    sample = [field for field in texts(letters[:50]) if field]
    for form, read in ((_ISO, _iso), (_DATE_FIRST, _date_first), (_CLOCK, _clock)):
        # Most and not all: a logger's note among the times must not change how the others are read.
        if 2 * sum(form.match(field) is not None for field in sample) > len(sample):
            return read(letters)
    if 2 * sum(_FIGURE.match(field) is not None for field in sample) > len(sample):
        return _figures(numbers(letters, decimal_comma=decimal_comma), header)
    raise Refused(
        f"time column '{header}'",
        why=f"'{sample[0] if sample else ''}' is no time that is understood",
        do="Use ISO 8601, HH:MM:SS, seconds since 1970 or seconds since the start.",
    )


def _iso(letters: Letters) -> Times:
    """Read ISO 8601, with a zone or without."""
    body, offset = _without_zone(letters)
    # One row with a zone makes a row without one unplaceable, not local.
    zoned = not np.isnan(offset).all()
    body = np.where(body == ord(","), np.uint8(ord(".")), body)
    stamps = as_bytes(np.where(_shaped(body)[:, np.newaxis], body, np.uint8(0)))
    try:
        moments = stamps.astype("datetime64[us]")
    except ValueError:
        moments = np.array([_one_stamp(stamp) for stamp in stamps.tolist()], dtype="datetime64[us]")
    seconds = moments.astype(np.int64) / 1e6
    seconds[np.isnat(moments)] = np.nan
    if not zoned:
        return Times(seconds, "local", "ISO 8601, no zone stated")
    seconds = seconds - offset
    return Times(seconds, "utc", "ISO 8601 with zone")


def _without_zone(letters: Letters) -> tuple[Letters, Array]:
    """Cut Z, +02:00 or +0200 off; return the rest and the offset in seconds, NaN where there is none."""
    body, rows = letters.copy(), np.arange(len(letters))
    ends = np.count_nonzero(letters, axis=1)
    offset = np.full(len(letters), np.nan)
    last = letters[rows, np.maximum(ends - 1, 0)]
    zulu = (last == ord("Z")) | (last == ord("z"))
    offset[zulu] = 0.0
    body[rows[zulu], ends[zulu] - 1] = 0
    # "12:00:00 Z": the blank before the zone is no part of the time either.
    spaced = zulu & (ends > 1) & (body[rows, np.maximum(ends - 2, 0)] == ord(" "))
    body[rows[spaced], ends[spaced] - 2] = 0
    for width in (6, 5):
        at = np.maximum(ends - width, 0)
        sign = body[rows, at]
        # A date alone ends in -03 as well: behind the sign of a zone there is a clock before it.
        found = ((sign == ord("+")) | (sign == ord("-"))) & (at >= 16) & np.isnan(offset)  # noqa: PLR2004
        if found.any():
            tail = (
                body[rows[found, np.newaxis], at[found, np.newaxis] + np.arange(width)].astype(np.int64) - 48
            )
            minutes = tail[:, 1] * 600 + tail[:, 2] * 60 + tail[:, width - 2] * 10 + tail[:, width - 1]
            offset[found] = np.where(sign[found] == ord("-"), -60.0, 60.0) * minutes
            inside = np.arange(body.shape[1]) >= at[found, np.newaxis]
            body[found] = np.where(inside, 0, body[found])
    return body, offset


def _shaped(body: Letters) -> NDArray[np.bool_]:
    """Say which fields are YYYY-MM-DD HH:MM with nothing but seconds behind."""
    if body.shape[1] < 16:  # noqa: PLR2004 - letters up to the minute
        return np.zeros(len(body), bool)
    digit = (body >= ord("0")) & (body <= ord("9"))
    fits = digit[:, [0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15]].all(axis=1)
    fits &= (body[:, [4, 7]] == ord("-")).all(axis=1) & (body[:, 13] == ord(":"))
    tail = body[:, 16:]
    return np.asarray(
        fits & (digit[:, 16:] | (tail == 0) | (tail == ord(":")) | (tail == ord("."))).all(axis=1)
    )


def _one_stamp(stamp: bytes) -> np.datetime64:
    """Read one stamp, or nothing."""
    try:
        return np.datetime64(stamp.decode("ascii", "replace").strip(), "us")
    except ValueError:
        return np.datetime64("NaT", "us")


def _date_first(letters: Letters) -> Times:
    """Read dates in other orders, with a clock behind."""
    values, lengths, count = runs_of_digits(letters, 7)
    order, name = _order_of_date(letters, values, lengths)
    year, month, day = (values[:, place].astype(np.int64) for place in order)
    fine = (count >= 5) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)  # noqa: PLR2004 - calendar
    months = np.where(fine, (year - 1970) * 12 + month - 1, 0)
    days = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + day - 1
    seconds = days * DAY_S + _of_day(letters, values[:, 3:], lengths[:, 3:])
    guess = (f"dates read as {name}",)
    return Times(np.where(fine, seconds, np.nan), "local", f"{name} with clock, no zone stated", guess)


def _order_of_date(
    letters: Letters, values: Array, lengths: NDArray[np.int8]
) -> tuple[tuple[int, int, int], str]:
    """Return where year, month and day stand, and the name of that order.

    Raises:
        Refused: Day and month cannot be told apart in any row.
    """
    if lengths[0, 0] == 4:  # noqa: PLR2004 - digits of a year
        return (0, 1, 2), "year, month, day"
    # Dots are written between day and month, never month first.
    if ord(".") in letters[0, :6]:
        return (2, 1, 0), "day.month.year"
    first, second = values[:, 0].max(), values[:, 1].max()
    if first > 12 >= second:  # noqa: PLR2004 - months
        return (2, 1, 0), "day/month/year"
    if second > 12 >= first:  # noqa: PLR2004 - months
        return (2, 0, 1), "month/day/year"
    raise Refused(
        f"date '{texts(letters[:1])[0]}'",
        why="it may be day/month or month/day, and no row settles it",
        do="Export the log with ISO 8601 times (2025-03-01T14:05:00).",
    )


def _of_day(letters: Letters, values: Array, lengths: NDArray[np.int8]) -> Array:
    """Return seconds after midnight from hours, minutes, seconds and fraction."""
    fraction = values[:, 3] / 10.0 ** lengths[:, 3]
    hours = values[:, 0]
    # 12:05 AM is five past midnight, 12:05 PM five past noon.
    am, pm = (((letters | 0x20) == ord(letter)).any(axis=1) for letter in "ap")
    hours = np.where(am | pm, hours % 12.0 + 12.0 * pm, hours)
    return np.asarray(hours * 3600.0 + values[:, 1] * 60.0 + values[:, 2] + fraction)


def _clock(letters: Letters) -> Times:
    """Read a clock without a date."""
    values, lengths, count = runs_of_digits(letters, 4)
    seconds = np.where(count >= 2, _of_day(letters, values, lengths), np.nan)  # noqa: PLR2004 - hours and minutes
    known = seconds[~np.isnan(seconds)]
    if known.size and (known[0] == 0.0 or known.max() >= DAY_S):
        guess = "the clock starts at zero: taken as time since the start, not as the time of day"
        return Times(seconds, "elapsed", "HH:MM:SS since the start", (guess,))
    over, nights = _over_midnight(seconds)
    guesses = ("times carry no date",) + (f"midnight passed {nights} times",) * bool(nights)
    return Times(over, "time of day", "HH:MM:SS", guesses)


def _over_midnight(seconds: Array) -> tuple[Array, int]:
    """Return the times running on over midnight, and how often it passed."""
    known = np.flatnonzero(~np.isnan(seconds))
    # Back by more than half a day is the next day; back by less is a clock that was set.
    nights = np.concatenate([[0], np.cumsum(np.diff(seconds[known]) < -DAY_S / 2.0)])
    over = seconds.copy()
    over[known] += DAY_S * nights[: len(known)]
    return over, int(nights[-1])


def _figures(seconds: Array, header: str) -> Times:
    """Read plain figures: since 1970 if they are that large, else since the start."""
    known = seconds[~np.isnan(seconds)]
    # By the median: a zero before the clock was set must not make an epoch of a counter.
    typical = float(np.median(known)) if known.size else 0.0
    for least, factor, name in _EPOCHS:
        if typical >= least:
            since = seconds * factor
            return Times(
                np.where((since >= 0) & (since < _LAST_S), since, np.nan), "utc", f"{name} since 1970"
            )
    found = _UNIT.search(header)
    unit = _unit(found[1]) if found else "s"
    guess = () if found or "s" in re.findall(r"[a-z]+", header.lower()) else ("times taken as seconds",)
    return Times(seconds * _FACTORS[unit], "elapsed", f"{unit} since the start", guess)


def _unit(word: str) -> str:
    """Return the unit of time that a word stands for."""
    low = word.lower()
    return "ms" if low.startswith(("ms", "milli")) else "min" if low.startswith("m") else "h"


def moment(seconds_utc: float) -> datetime:
    """Return the moment ``seconds_utc`` after 1970, aware, UTC."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds_utc)


_DAY_S: Final = 86400
_UNCHANGED: Final = "the logger's clock did not change, and is kept."
_COARSE_S: Final = 1800.0
"""Rows further apart than this cannot show whether the logger's clock went back an hour."""


@dataclass(frozen=True, slots=True)
class Change:
    """A clock change: ``at`` in seconds UTC, and the offsets from UTC before and after, in seconds."""

    at: float
    before: float
    after: float

    @property
    def first_local(self) -> float:
        """First local second that is missing or comes twice."""
        return self.at + min(self.before, self.after)

    @property
    def last_local(self) -> float:
        """Local second at which the missing or doubled hour is over."""
        return self.at + max(self.before, self.after)


def to_utc(local: Array, zone: tzinfo) -> tuple[Array, list[Problem]]:
    """Return seconds UTC for local seconds after 1970, in the order of the file.

    A doubled hour is told apart by the backward step of the logger's clock. A logger whose clock
    did not change shows rows in the missing hour, or none going back: its offset is then kept.

    Args:
        local: Seconds after 1970 by the logger's clock, shape (n,), NaN where a row has no time.
        zone: The zone of the logger's clock.
    """
    known = local[~np.isnan(local)]
    if not known.size:
        return local, []
    # Two days to either side: local times lie up to 14 hours from UTC, and a change just outside may still
    # reach in.
    low, high = float(known.min()) - 2 * _DAY_S, float(known.max()) + 2 * _DAY_S
    changes = list(_changes(zone, low, high))
    offset = np.full(len(local), _offset(zone, low) if changes == [] else changes[0].before)
    problems: list[Problem] = []
    for change in changes:
        if known.max() < change.first_local:
            break
        after, problem = _after(local, change)
        offset = np.where(after, change.after, offset)
        if known.min() < change.last_local:
            problems.append(problem)
    return local - offset, problems


def _after(local: Array, change: Change) -> tuple[NDArray[np.bool_], Problem]:
    """Say which rows come after a change, and what to tell about it."""
    first, last = change.first_local, change.last_local
    when = _shown(first)
    inside = (local >= first) & (local < last)
    if change.after > change.before:
        if inside.any():
            text = f"The clock went forward on {when}, but rows have times that did not exist: {_UNCHANGED}"
            return np.zeros(len(local), bool), Problem("clock change", text)
        return local >= last, Problem("clock change", f"The clock went forward on {when}; reckoned with.")
    surely = local >= last
    if not inside.any():
        return surely, Problem("clock change", f"The clock went back on {when}; reckoned with.")
    steps = np.flatnonzero(inside[1:] & (np.diff(local) < -_COARSE_S)) + 1
    if steps.size:
        later = np.arange(len(local)) >= steps[0]
        text = f"The clock went back on {when}: the hour that came twice is told apart by its step back."
        return later, Problem("clock change", text)
    apart = np.diff(local[inside])
    if surely.any() and apart.size and float(np.nanmax(apart)) < _COARSE_S:
        text = f"The clock went back on {when}, but no row goes back: {_UNCHANGED}"
        return np.zeros(len(local), bool), Problem("clock change", text)
    text = f"The hour from {when} came twice and the rows do not tell which they are: taken as the first."
    return surely, Problem("clock change", text)


def _changes(zone: tzinfo, low: float, high: float) -> Iterator[Change]:
    """Give the clock changes between two moments."""
    at = low
    # Day by day, as the library gives offsets at moments and no list of changes.
    while at < high:
        step = min(at + _DAY_S, high)
        before, after = _offset(zone, at), _offset(zone, step)
        if before != after:
            yield Change(_bisected(zone, at, step, before), before, after)
        at = step


def _bisected(zone: tzinfo, low: float, high: float, before: float) -> float:
    """Return the second of a clock change."""
    while high - low > 1.0:
        middle = (low + high) // 2
        low, high = (middle, high) if _offset(zone, middle) == before else (low, middle)
    return float(round(high))


def _offset(zone: tzinfo, utc_s: float) -> float:
    """Return the offset from UTC in seconds at a moment."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc_s)
    offset = moment.astimezone(zone).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0


def _shown(local_s: float) -> str:
    """Write a local second as a wall clock shows it."""
    return f"{datetime(1970, 1, 1) + timedelta(seconds=local_s):%Y-%m-%d at %H:%M}"  # noqa: DTZ001 - a wall clock
