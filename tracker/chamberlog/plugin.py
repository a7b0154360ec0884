"""The bundled reader of CSV logs, in the form in which plugins hand a log over (see ``tracker.csvlog``)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import Final

from numpy.typing import NDArray

from tracker.api import ReadLog, Refused
from tracker.chamberlog.clock import moment
from tracker.chamberlog.log import CHANNELS, Array, Channel, ChannelName, HowRead, Log, Problem, gap_limit_s
from tracker.chamberlog.reading import read_csv_log
from tracker.lazy_modules import np

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
        name: _channel(name, foreign, times[order] - start, found, order)
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


def _channel(name: ChannelName, foreign: str, t_s: Array, found: ReadLog, order: NDArray[np.intp]) -> Channel:
    values = np.asarray(found.channels[foreign], dtype=float)
    if values.shape != t_s.shape:
        raise Refused("log file", why=f"{foreign} has {values.size} values for {t_s.size} times")
    values = values[order]
    # A plugin marks what is missing by NaN; joined by straight lines it would poison every mean.
    there = np.isfinite(values)
    return Channel(name, CHANNELS[name], foreign, t_s[there], values[there], gap_limit_s(t_s[there]))
