"""Logs as read: channels with their times, how they were read, and what is odd about them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Final, Literal

from numpy.typing import NDArray

from tracker.lazy_modules import np

Array = NDArray[np.float64]

Basis = Literal["utc", "local", "time of day", "elapsed"]
"""What the times of a log are counted from; ``"local"`` is a date and time without any zone."""

ChannelName = Literal["chamber", "bed", "nozzle", "room", "humidity"]

CHANNELS: Final[dict[ChannelName, str]] = {
    "chamber": "°C",
    "bed": "°C",
    "nozzle": "°C",
    "room": "°C",
    "humidity": "%RH",
}
"""The channels a log may have, with their unit."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Something in a log that a person should know before relying on it.

    Attributes:
        kind: One word or two, such as ``"gap"``.
        text: One sentence.
        at_s: Where, in seconds after the log's first row; None if it is not one place.
    """

    kind: str
    text: str
    at_s: float | None = None

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity over time.

    Attributes:
        name: One of :data:`CHANNELS`.
        unit: ``"°C"`` or ``"%RH"``, after conversion.
        header: The column's heading in the file.
        t_s: Seconds after the log's first row, rising, shape (n,).
        values: In ``unit``, shape (n,); readings that are no number or cannot be are left out.
        gap_s: Two readings further apart than this are not joined.
    """

    name: ChannelName
    unit: str
    header: str
    t_s: Array
    values: Array
    gap_s: float


@dataclass(frozen=True, slots=True)
class HowRead:
    """What was guessed about the file; to be shown to the person.

    Attributes:
        delimiter: In words, such as ``"semicolon"``.
        decimal: ``"point"`` or ``"comma"``.
        header: The headings, or empty where the file has none.
        skipped: Lines before the headings or the first row.
        time_column: Heading (or number) of the column with the time.
        time_form: In words, such as ``"ISO 8601"``.
        columns: Channel to heading.
        units: Channel to the unit in the file.
        unused: Headings that were not used.
        guesses: What was taken without the file saying so, each one sentence.
    """

    delimiter: str
    decimal: Literal["point", "comma"]
    header: tuple[str, ...]
    skipped: int
    time_column: str
    time_form: str
    columns: Mapping[str, str]
    units: Mapping[str, str]
    unused: tuple[str, ...]
    guesses: tuple[str, ...] = ()

    def lines(self) -> Iterator[str]:
        """Give what was guessed, one line each."""
        yield f"fields apart by {self.delimiter}, decimal {self.decimal}"
        yield f"headings: {', '.join(self.header)}" if self.header else "no headings"
        if self.skipped:
            yield f"{self.skipped} lines before them skipped"
        yield f"time: {self.time_column}, read as {self.time_form}"
        for name, header in self.columns.items():
            yield f"{name}: {header}, in {self.units[name]}"
        if self.unused:
            yield f"not used: {', '.join(self.unused)}"
        yield from self.guesses


@dataclass(frozen=True, slots=True)
class Log:
    """A log of a chamber, a bed, a nozzle or a room.

    Attributes:
        channels: By name.
        how_read: What was guessed about the file.
        basis: What its times are counted from.
        began: Its first row, aware, UTC; None unless ``basis`` is ``"utc"``.
        first_s: Seconds of its first row after midnight (``"time of day"``), after 1970 in local time
            (``"local"``) or as written (``"elapsed"``).
        length_s: From its first to its last row.
        rows: Rows with a time.
        zone: The zone that local times were taken to be in; None if not given.
        problems: What is wrong with it.
    """

    channels: Mapping[ChannelName, Channel]
    how_read: HowRead
    basis: Basis
    began: datetime | None
    first_s: float
    length_s: float
    rows: int
    zone: tzinfo | None = None
    problems: tuple[Problem, ...] = field(default=())


_MOST: Final = 5
"""Problems of one kind named one by one; more are counted."""

_GAP_STEPS, _GAP_LEAST_S = 5.0, 60.0
_FROZEN_S, _FROZEN_ROWS = 1800.0, 20
_COARSE_S: Final = 7200.0
_COLDEST, _HOTTEST = -60.0, 600.0

Clock = Callable[[float], str]
"""Writes seconds after the first row as a person reads them."""


def gap_limit_s(t_s: Array) -> float:
    """Return how far two readings may lie apart and still be joined, s: five usual steps, at least a minute.

    Args:
        t_s: Times of the readings, rising, shape (n,), s.
    """
    steps = np.diff(t_s)
    # The median, as the mean would be stretched by the very gaps that are looked for.
    usual = float(np.median(steps)) if steps.size else 0.0
    return max(_GAP_STEPS * usual, _GAP_LEAST_S)


def gaps(t_s: Array, limit_s: float, clock: Clock) -> list[Problem]:
    """Name the times without rows.

    Args:
        t_s: Times of the readings, shape (n,), s after the log's first row.
        limit_s: Steps up to this are none, s.
        clock: Turns seconds into the log's own time, for the words.
    """
    where = np.flatnonzero(np.diff(t_s) > limit_s)
    return _few(
        "gap",
        [
            Problem(
                "gap",
                f"No rows for {(t_s[i + 1] - t_s[i]) / 60.0:.1f} min from {clock(float(t_s[i]))} "
                "(gap, or a clock that was set).",
                float(t_s[i]),
            )
            for i in where[: _MOST + 1]
        ],
        len(where),
    )


def jumps(t_s: Array, clock: Clock) -> list[Problem]:
    """Name the places where the clock went back.

    Args:
        t_s: Times in the order of the file, not sorted, shape (n,), s.
        clock: Turns seconds into the log's own time, for the words.
    """
    steps = np.diff(t_s)
    where = np.flatnonzero(steps < 0.0)
    return _few(
        "clock jump",
        [
            Problem(
                "clock jump",
                f"The clock went back by {-steps[i]:.0f} s after {clock(float(t_s[i]))}; "
                "rows were put in order.",
                float(t_s[i]),
            )
            for i in where[: _MOST + 1]
        ],
        len(where),
    )


def possible(name: ChannelName, values: Array) -> NDArray[np.bool_]:
    """Say which readings a sensor can have meant, shape (n,); NaN is none.

    Args:
        name: The channel, which says what is possible.
        values: In the channel's unit (°C, %RH), shape (n,).
    """
    # A cut wire reads -127 or 850 and a wet sensor 104 %: left out and told, where a mean would take them
    # in.
    low, high = (0.0, 100.0) if name == "humidity" else (_COLDEST, _HOTTEST)
    with np.errstate(invalid="ignore"):
        return np.asarray((values >= low) & (values <= high))


def impossible(name: ChannelName, header: str, t_s: Array, values: Array, clock: Clock) -> list[Problem]:
    """Name readings that are no number and those that cannot be; they are left out.

    Args:
        name: The channel, which says what is possible.
        header: Its heading, for the words.
        t_s: Times of the readings, shape (n,), s after the log's first row.
        values: In the channel's unit (°C, %RH), shape (n,), NaN where no number stands.
        clock: Turns seconds into the log's own time, for the words.
    """
    found = []
    lacking = np.isnan(values)
    if lacking.any():
        text = f"{header}: {np.count_nonzero(lacking)} of {len(values)} readings are no number and left out"
        found.append(Problem("no number", f"{text}, the first at {clock(float(t_s[lacking][0]))}.", None))
    wrong = ~possible(name, values) & ~lacking
    if wrong.any():
        worst = values[wrong][np.argmax(np.abs(values[wrong]))]
        kind = "humidity above 100" if name == "humidity" and worst > 0.0 else "impossible"
        unit = "%RH" if name == "humidity" else "°C"
        found.append(
            Problem(
                kind,
                f"{header}: {np.count_nonzero(wrong)} readings cannot be and are left out, up to {worst:g} "
                f"{unit}, the first at {clock(float(t_s[wrong][0]))}.",
                float(t_s[wrong][0]),
            )
        )
    return found


def fraction(name: ChannelName, header: str, values: Array) -> list[Problem]:
    """Name a humidity that never exceeds one: it may be a fraction and not per cent."""
    if name != "humidity" or not values.size or float(values.max()) > 1.0:
        return []
    text = f"{header} never exceeds {values.max():g} %RH: is it a fraction of one? It was taken as per cent."
    return [Problem("unlikely", text)]


def frozen(header: str, t_s: Array, values: Array, clock: Clock) -> list[Problem]:
    """Name the times over which a sensor gave one value without the least change.

    Half an hour is enough for a sensor that reads in tenths; one that reads whole degrees may rightly
    stand still, so it is named after two hours.
    """
    if len(values) < _FROZEN_ROWS:
        return []
    limit = _COARSE_S if np.all(values == np.round(values)) else _FROZEN_S
    edges = np.concatenate([[0], np.flatnonzero(np.diff(values)) + 1, [len(values)]])
    first, last = edges[:-1], edges[1:] - 1
    # Long and of many rows: a logger that writes every ten minutes may rightly repeat itself three times.
    still = (t_s[last] - t_s[first] >= limit) & (last - first + 1 >= _FROZEN_ROWS)
    where = np.flatnonzero(still)
    return _few(
        "frozen sensor",
        [
            Problem(
                "frozen sensor",
                f"{header} stood at {values[first[i]]:g} for {(t_s[last[i]] - t_s[first[i]]) / 60.0:.0f} min "
                f"from {clock(float(t_s[first[i]]))}: the sensor may be frozen.",
                float(t_s[first[i]]),
            )
            for i in where[: _MOST + 1]
        ],
        len(where),
    )


def _few(kind: str, found: Sequence[Problem], count: int) -> list[Problem]:
    """Return the first few problems and a count of the others."""
    if count <= _MOST:
        return list(found)
    return [*found[:_MOST], Problem(kind, f"{kind}: {count - _MOST} more of this kind.")]
