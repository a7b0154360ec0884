"""From a CSV file to a log: which column is the time, which are channels; logs as plugins hand them over."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from functools import reduce
from pathlib import Path
from typing import Final

from numpy.typing import NDArray

from tracker.api import ReadLog
from tracker.chamberlog.clock import DAY_S, Times, is_time, moment, read_times, to_utc
from tracker.chamberlog.log import (
    CHANNELS,
    Array,
    Channel,
    ChannelName,
    HowRead,
    Log,
    Problem,
    fraction,
    frozen,
    gap_limit_s,
    gaps,
    impossible,
    jumps,
    possible,
)
from tracker.chamberlog.table import Letters, Table, numbers, read_table
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
    where = named or [next((i for i in range(table.columns) if is_time(table.sample(i))), 0)]
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
    return [*found, *jumps(t_s, clock), *gaps(ordered, gap_limit_s(ordered), clock)]


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
    found = impossible(name, header, t_s, values, clock)
    fine = possible(name, values)
    t_s, values = t_s[fine], values[fine]
    found += fraction(name, header, values)
    found += frozen(header, t_s, values, clock)
    return Channel(name, CHANNELS[name], header, t_s, values, gap_limit_s(t_s)), found


# In this order: "Bauraumtemperatur" holds "raum" as well, and a chamber's humidity is a humidity.
_WORDS: Final[tuple[tuple[ChannelName, tuple[str, ...]], ...]] = (
    ("humidity", ("humid", "feucht", "rh", "r.h.", "rf", "r.f.")),
    ("nozzle", ("nozzle", "hotend", "hot end", "extruder", "düse", "duese")),
    ("bed", ("bed", "bett", "platte", "plate")),
    ("chamber", ("chamber", "enclosure", "kammer", "bauraum", "einhausung", "gehäuse", "gehaeuse")),
    ("room", ("room", "ambient", "raum", "umgebung", "zimmer")),
)
_MEANT: Final = ("target", "soll", "setpoint", "set point", "set_point")
_MEANT_TOKENS: Final = {"set", "sp"}
_PLAIN: Final = ("temp", "t1")
_TIME_TOKENS: Final = {
    "time",
    "zeit",
    "uhrzeit",
    "timestamp",
    "zeitstempel",
    "datetime",
    "elapsed",
    "epoch",
    "t",
    "seconds",
    "sekunden",
    "clock",
}
_DATE_TOKENS: Final = {"date", "datum", "day", "tag"}


@dataclass(slots=True)
class Chosen:
    """Which column is what.

    Attributes:
        columns: Channel to column number.
        unused: Column numbers that are nothing we know.
        guesses: What was taken without the file saying so.
    """

    columns: dict[ChannelName, int] = field(default_factory=dict)
    unused: list[int] = field(default_factory=list)
    guesses: list[str] = field(default_factory=list)


def tokens(header: str) -> list[str]:
    """Return the words of a heading in lower case."""
    return re.findall(r"[^\W\d_]+\d*", header.lower())


def channel_of(header: str) -> ChannelName | None:
    """Return the channel that a heading names, or None; a set-point is not what was measured."""
    low, words = header.lower(), set(tokens(header))
    # A set-point column is flat and looks like a perfect sensor; taken for a measurement it would say that
    # the chamber held what was asked of it.
    if _is_meant(header):
        return None
    for name, known in _WORDS:
        if any(word in words or (len(word) > 2 and word in low) for word in known):  # noqa: PLR2004
            return name
    return None


def _is_meant(header: str) -> bool:
    """Say whether a heading names a set-point."""
    return bool(set(tokens(header)) & _MEANT_TOKENS) or any(word in header.lower() for word in _MEANT)


def time_columns(header: Sequence[str]) -> list[int]:
    """Return the columns whose heading says date or time, a date first."""
    dates = [i for i, text in enumerate(header) if set(tokens(text)) & _DATE_TOKENS]
    times = [i for i, text in enumerate(header) if set(tokens(text)) & _TIME_TOKENS and i not in dates]
    return dates[:1] + times[:1]


def choose(
    header: Sequence[str], count: int, taken: Sequence[int], asked: Mapping[str, str] | None
) -> Chosen:
    """Say which column is which channel.

    Args:
        header: Headings; may be empty.
        count: How many columns there are.
        taken: Columns of the time.
        asked: Channel to heading (or column number from 1), as the person said it; None to guess.

    Raises:
        Refused: A channel or heading that does not exist, or nothing that is known.
    """
    free = [i for i in range(count) if i not in taken]
    chosen = _as_asked(header, count, asked) if asked else _guessed(header, free)
    chosen.unused = [i for i in free if i not in chosen.columns.values()]
    if not chosen.columns:
        raise Refused(
            "log file",
            why=f"no column is known as {', '.join(CHANNELS)}; there are {_listed(header, free)}",
            do="Say which it is, for example chamber=2 or chamber=T3.",
        )
    return chosen


def _listed(header: Sequence[str], free: Sequence[int]) -> str:
    """Return columns by heading or number, for a message."""
    return ", ".join(f"'{header[i]}'" if i < len(header) and header[i] else f"column {i + 1}" for i in free)


def _as_asked(header: Sequence[str], count: int, asked: Mapping[str, str]) -> Chosen:
    """Return the columns as the person named them.

    Raises:
        Refused: A channel or a column that does not exist.
    """
    chosen = Chosen()
    for name, wanted in asked.items():
        known = [channel for channel in CHANNELS if channel == name]
        if not known:
            raise Refused(f"channel '{name}'", why="there is none", do=f"Channels: {', '.join(CHANNELS)}.")
        fits = [i for i, text in enumerate(header) if text.strip().lower() == wanted.strip().lower()]
        if not fits and wanted.strip().isdigit() and 1 <= int(wanted) <= count:
            fits = [int(wanted) - 1]
        if not fits:
            raise Refused(
                f"column '{wanted}'", why="there is none", do=f"Columns: {_listed(header, range(count))}."
            )
        chosen.columns[known[0]] = fits[0]
    return chosen


def _guessed(header: Sequence[str], free: Sequence[int]) -> Chosen:
    """Return the columns as their headings name them."""
    chosen = Chosen()
    for i in free:
        text = header[i] if i < len(header) else ""
        name = channel_of(text)
        if name is None:
            continue
        if name in chosen.columns:
            first = header[chosen.columns[name]]
            chosen.guesses.append(f"'{first}' and '{text}' both look like {name}: the first was taken")
        else:
            chosen.columns[name] = i
    if not chosen.columns.keys() & {"chamber", "room"}:
        _only_temperature(header, [i for i in free if i not in chosen.columns.values()], chosen)
    return chosen


def _only_temperature(header: Sequence[str], free: Sequence[int], chosen: Chosen) -> None:
    """Take the only temperature there is for the chamber's, and say so."""
    warm = [i for i in free if i < len(header) and any(word in header[i].lower() for word in _PLAIN)]
    warm = [i for i in warm if not _is_meant(header[i])]
    # Of two unnamed temperatures nobody can say which is the chamber's: none is taken.
    only = warm if len(warm) == 1 else list(free) if len(free) == 1 and not header else []
    if only:
        chosen.columns["chamber"] = only[0]
        chosen.guesses.append(f"{_listed(header, only)} taken as the chamber's temperature")


def unit_of(header: str, name: ChannelName) -> str:
    """Return the unit that a heading states: ``"°C"``, ``"°F"``, ``"K"`` or ``"%RH"``; else the usual one."""
    if name == "humidity":
        return "%RH"
    low = header.lower()
    if re.search(r"°\s*f\b|\bdeg\s*f\b|fahrenheit|[\[(]\s*f\s*[\])]|_f\b", low):
        return "°F"
    if re.search(r"kelvin|[\[(]\s*k\s*[\])]|_k\b", low):
        return "K"
    return "°C"


NAMES: Final[dict[ChannelName, str]] = {
    "chamber": "chamber_c",
    "bed": "bed_c",
    "nozzle": "nozzle_c",
    "room": "room_c",
    "humidity": "room_rh",
}
"""Our channels by the names that plugins use."""


@dataclass(frozen=True)
class CsvLog(ReadLog):
    """A log as plugins hand it over, with our own reading of it, which knows more.

    Attributes:
        log: Our own reading; None never, the default only follows the base's defaults.
    """

    log: Log | None = None


def log_of(path: Path) -> ReadLog | None:
    """Read a CSV log; None leaves a file that is none to another reader."""
    try:
        return handed_over(read_csv_log(path))
    except Refused:
        return None


def handed_over(log: Log) -> CsvLog:
    """Return a log as plugins hand it over: one axis of time, NaN where a channel has no reading."""
    axes = [channel.t_s for channel in log.channels.values()]
    times: Array = reduce(np.union1d, axes, np.empty(0))
    channels = {}
    for name, channel in log.channels.items():
        values = np.full(len(times), np.nan)
        values[np.searchsorted(times, channel.t_s)] = channel.values
        channels[NAMES[name]] = values.tolist()
    absolute = log.began is not None
    start = log.began.timestamp() if log.began is not None else 0.0
    return CsvLog(
        channels=channels,
        time_s=(times + start).tolist(),
        absolute=absolute,
        how=tuple(log.how_read.lines()),
        problems=tuple(str(problem) for problem in log.problems),
        log=log,
    )


def taken_over(found: ReadLog) -> Log:
    """Return any plugin's log as ours.

    Raises:
        Refused: It holds no rows or no channel that is known, or a channel has not as many values as there
            are times.
    """
    if isinstance(found, CsvLog) and found.log is not None:
        return found.log
    times = np.asarray(found.time_s, dtype=float)
    if not times.size:
        raise Refused("log file", why="its reader found no rows", do="Look at the file")
    # Nothing binds a plugin to give rows in order.
    order = np.argsort(times, kind="stable")
    start = float(times[order[0]])
    channels = {
        name: _channel_handed_over(name, foreign, times[order] - start, found, order)
        for name, foreign in NAMES.items()
        if foreign in found.channels
    }
    if not channels:
        raise Refused(
            "log file",
            why=f"its reader found {', '.join(found.channels) or 'no channel'}",
            do=f"Known are {', '.join(NAMES.values())}",
        )
    return Log(
        channels=channels,
        how_read=HowRead("plugin", "point", (), 0, "", "", {}, {}, (), tuple(found.how)),
        basis="utc" if found.absolute else "elapsed",
        began=moment(start) if found.absolute else None,
        first_s=start,
        length_s=float(times[order[-1]]) - start,
        rows=len(times),
        problems=tuple(Problem("reader", text) for text in found.problems),
    )


def _channel_handed_over(
    name: ChannelName, foreign: str, t_s: Array, found: ReadLog, order: NDArray[np.intp]
) -> Channel:
    values = np.asarray(found.channels[foreign], dtype=float)
    if values.shape != t_s.shape:
        raise Refused("log file", why=f"{foreign} has {values.size} values for {t_s.size} times")
    values = values[order]
    # A plugin marks what is missing by NaN; joined by straight lines it would poison every mean.
    there = np.isfinite(values)
    return Channel(name, CHANNELS[name], foreign, t_s[there], values[there], gap_limit_s(t_s[there]))
