"""What a log holds once it is read: channels over time, how it was read, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
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
