"""Small helpers to write logs down."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from tracker.chamberlog import Aligned, Channel, HowRead, Log, read_csv_log

BERLIN = ZoneInfo("Europe/Berlin")
START = datetime(2025, 3, 1, 12, tzinfo=UTC)


def read(*lines: str, zone: ZoneInfo | None = None, columns: dict[str, str] | None = None) -> Log:
    """Return the log that these lines make."""
    return read_csv_log("\n".join(lines).encode(), zone=zone, columns=columns)


def kinds(log: Log) -> list[str]:
    """Return the kinds of problems a log has."""
    return [problem.kind for problem in log.problems]


def values(log: Log, name: str = "chamber") -> list[float]:
    """Return the readings of a channel."""
    found: list[float] = {str(key): c for key, c in log.channels.items()}[name].values.tolist()
    return found


def elapsed(times: list[float], readings: list[float], gap_s: float = 60.0) -> Aligned:
    """Return a log that begins with the job, for cutting."""
    channel = Channel("chamber", "°C", "T", np.array(times), np.array(readings), gap_s)
    how = HowRead("tab", "point", (), 0, "t", "s", {}, {}, ())
    log = Log({"chamber": channel}, how, "elapsed", None, 0.0, max(times, default=0.0), len(times))
    return Aligned(log, 0.0, "made up")
