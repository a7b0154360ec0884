"""A CSV log of a logger or printer to channels over time, with everything that had to be guessed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import tzinfo
from pathlib import Path

from numpy.typing import NDArray

from tracker.chamberlog import doubts
from tracker.chamberlog.clock import DAY_S, Times, is_time, moment, read_times
from tracker.chamberlog.figures import numbers
from tracker.chamberlog.log import CHANNELS, Array, Channel, ChannelName, HowRead, Log, Problem
from tracker.chamberlog.names import Chosen, choose, time_columns, unit_of
from tracker.chamberlog.table import Letters, Table, read_table
from tracker.chamberlog.zones import to_utc
from tracker.errors import Refused
from tracker.lazy_modules import np

_COMMA = re.compile(r"[+-]?\d+,\d+\s*(?:°?[CFK]|%)?\Z")
_POINT = re.compile(r"[+-]?\d*\.\d+\s*(?:°?[CFK]|%)?\Z")
_DATE_ALONE = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}\Z")
_CLOCK_ALONE = re.compile(r"\d{1,2}:\d\d(:\d\d([.,]\d+)?)?\Z")


def read_csv_log(
    data: bytes | Path, *, zone: tzinfo | None = None, columns: Mapping[str, str] | None = None
) -> Log:
    """Return the channels of a CSV log.

    Delimiter, decimal comma, headings, the form of the time, units and which column is what are guessed and
    stated in :attr:`Log.how_read`. Times are understood as ISO 8601, day.month.year with a clock, seconds or
    milliseconds since 1970, seconds (or ms, min, h by heading) since the start, and HH:MM:SS across midnight.

    Args:
        data: The file's bytes, or where it is.
        zone: The zone of times that state none; None leaves such a log without a place in time.
        columns: Channel to heading or column number (from 1) where the guess is wrong; only these are read.

    Raises:
        Refused: Empty, no text, no columns, no time, or no column that is known; the text says what to do.
    """
    table = read_table(data)
    comma = _has_decimal_comma(table)
    where, letters, time_name = _time_column(table)
    times = read_times(letters, time_name, decimal_comma=comma)
    chosen = choose(table.header, table.columns, where, columns)
    seconds, placed, found = _placed(times, zone)
    read = ~np.isnan(seconds)
    if not read.any():
        raise Refused("log file", why=f"no row of '{time_name}' holds a time", do="Look at that column.")
    first_s = float(np.nanmin(seconds))
    t_s = seconds[read] - first_s
    clock = _Clock(first_s, times, zone is not None)
    found += _of_rows(table, read, t_s, clock)
    channels: dict[ChannelName, Channel] = {}
    for name, number in chosen.columns.items():
        values = numbers(table.column(number), decimal_comma=comma)[read]
        channels[name], doubtful = _channel(name, _called(table.header, number), t_s, values, clock)
        found += doubtful
    _refuse_without_readings(channels)
    return Log(
        channels=channels,
        how_read=_how_read(table, time_name, times, chosen, channels, comma=comma),
        basis="utc" if placed else times.basis,
        began=moment(first_s) if placed else None,
        first_s=first_s,
        length_s=float(t_s.max()),
        rows=len(t_s),
        zone=zone,
        problems=tuple(found),
    )


def _how_read(
    table: Table,
    time_name: str,
    times: Times,
    chosen: Chosen,
    channels: Mapping[ChannelName, Channel],
    *,
    comma: bool,
) -> HowRead:
    """Return everything that was guessed."""
    return HowRead(
        delimiter=table.delimiter,
        decimal="comma" if comma else "point",
        header=table.header,
        skipped=table.skipped,
        time_column=time_name,
        time_form=times.form,
        columns={name: channel.header for name, channel in channels.items()},
        units={name: unit_of(channel.header, name) for name, channel in channels.items()},
        unused=tuple(_called(table.header, i) for i in chosen.unused),
        guesses=(*times.guesses, *chosen.guesses),
    )


def _refuse_without_readings(channels: Mapping[ChannelName, Channel]) -> None:
    """Refuse a log whose columns hold nothing.

    Raises:
        Refused: No channel has a reading that can be used.
    """
    if not any(channel.values.size for channel in channels.values()):
        raise Refused(
            "log file",
            why=f"no reading of {', '.join(c.header for c in channels.values())} can be used",
            do="Look at those columns, or say which others to read.",
        )


class _Clock:
    """Writes seconds after the first row as the person will find them in the file."""

    def __init__(self, first_s: float, times: Times, zoned: bool) -> None:
        self._first_s = first_s
        self._basis = times.basis
        self._zoned = zoned

    def __call__(self, t_s: float) -> str:
        at = self._first_s + t_s
        if self._basis in ("utc", "local"):
            utc = " UTC" if self._basis == "utc" or self._zoned else ""
            return f"{moment(at):%Y-%m-%d %H:%M:%S}{utc}"
        whole = at % DAY_S if self._basis == "time of day" else at
        return f"{int(whole // 3600):02d}:{int(whole // 60) % 60:02d}:{int(whole) % 60:02d}"


def _has_decimal_comma(table: Table) -> bool:
    """Say whether more fields have a decimal comma than a point."""
    fields = [field for number in range(table.columns) for field in table.sample(number)]
    commas = sum(_COMMA.match(field) is not None for field in fields)
    points = sum(_POINT.match(field) is not None for field in fields)
    # More and not any: a text column may hold a figure with the other mark.
    return commas > points


def _time_column(table: Table) -> tuple[list[int], Letters, str]:
    """Return the column or columns of the time, their fields and their name."""
    named = time_columns(table.header)
    where = named or [_first_that_looks_like_time(table)]
    if len(where) == 1 and where[0] + 1 < table.columns and _split(table, where[0], where[0] + 1):
        where = [where[0], where[0] + 1]
    elif len(where) > 1 and not _split(table, where[0], where[1]):
        # "Day 1" beside a full time stamp: the column that has the form of a time counts.
        where = [next((i for i in where if is_time(table.sample(i))), where[-1])]
    name = " and ".join(_called(table.header, i) for i in where)
    fields = table.column(where[0])
    if len(where) > 1:
        clock = table.column(where[1])
        blank = np.full((len(fields), 1), ord(" "), dtype=np.uint8)
        fields = _closed_up(np.hstack([fields, blank, clock]))
    return where, fields, name


def _closed_up(letters: Letters) -> Letters:
    """Return fields without zeros in their middle."""
    # A shorter date leaves zeros in the middle of the joined field.
    if (letters[:, :-1] == 0).any():
        joined = [row.replace(b"\0", b"") for row in (bytes(row) for row in letters)]
        width = letters.shape[1]
        return np.array(joined, dtype=f"S{width}").view(np.uint8).reshape(len(letters), width)
    return letters


def _split(table: Table, date: int, clock: int) -> bool:
    """Say whether two columns are a date and its clock."""
    dates, clocks = table.sample(date, 5), table.sample(clock, 5)
    return all(_DATE_ALONE.match(f) for f in dates) and all(_CLOCK_ALONE.match(f) for f in clocks)


def _first_that_looks_like_time(table: Table) -> int:
    """Return the first column with the form of a time, or the first of all."""
    return next((i for i in range(table.columns) if is_time(table.sample(i))), 0)


def _called(header: Sequence[str], number: int) -> str:
    """Return a column's heading, or its number."""
    return header[number] if number < len(header) and header[number] else f"column {number + 1}"


def _placed(times: Times, zone: tzinfo | None) -> tuple[Array, bool, list[Problem]]:
    """Return the times in UTC where that is possible, whether it was, and what was found on the way."""
    if times.basis != "local" or zone is None:
        return times.seconds, times.basis == "utc", []
    seconds, problems = to_utc(times.seconds, zone)
    return seconds, True, problems


def _of_rows(table: Table, read: NDArray[np.bool_], t_s: Array, clock: _Clock) -> list[Problem]:
    """Return what is wrong with the rows as a whole."""
    found = []
    if table.ragged:
        text = f"{table.ragged} of {table.rows} rows have more or fewer fields than the others."
        found.append(Problem("ragged rows", text))
    lacking = table.rows - int(np.count_nonzero(read))
    if lacking:
        found.append(Problem("no time", f"{lacking} of {table.rows} rows have no time that is understood."))
    ordered = t_s[_in_order(t_s)]
    return [*found, *doubts.jumps(t_s, clock), *doubts.gaps(ordered, doubts.gap_limit_s(ordered), clock)]


def _in_order(t_s: Array) -> NDArray[np.intp] | slice:
    """Return what puts the rows in order of time."""
    # Nearly every log is in order already, and a million rows take a while to sort.
    return slice(None) if bool(np.all(t_s[1:] >= t_s[:-1])) else np.argsort(t_s, kind="stable")


def _converted(values: Array, unit: str) -> Array:
    """Return temperatures in °C."""
    if unit == "°F":
        return (values - 32.0) / 1.8
    return values - 273.15 if unit == "K" else values


def _channel(
    name: ChannelName, header: str, t_s: Array, values: Array, clock: _Clock
) -> tuple[Channel, list[Problem]]:
    """Return a channel without what cannot be used, and what is wrong with it."""
    order = _in_order(t_s)
    # Converted before anything is judged: 300 is a fine temperature in kelvin and none in °C.
    t_s, values = t_s[order], _converted(values[order], unit_of(header, name))
    found = doubts.impossible(name, header, t_s, values, clock)
    fine = doubts.possible(name, values)
    t_s, values = t_s[fine], values[fine]
    found += doubts.fraction(name, header, values)
    found += doubts.frozen(header, t_s, values, clock)
    return Channel(name, CHANNELS[name], header, t_s, values, doubts.gap_limit_s(t_s)), found
