"""Which column is what: words of headings in English and German, and their units."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from tracker.chamberlog.log import CHANNELS, ChannelName
from tracker.errors import Refused

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
