"""From a number back to the spool: every row on the way, and who wrote it.

``walk`` gathers the rows through :mod:`tracker.lineage`, ``history`` the journal behind them; ``stations``
and ``printed`` put them into words, station by station. ``facts`` makes JSON of them, ``tracing`` a screen,
``prov`` W3C PROV, ``picture`` a graph. Nothing heavy is loaded: a trace answers in the time of a keystroke.
"""

from __future__ import annotations

from tracker.trace.stations import stations
from tracker.trace.tracing import Trace, trace
from tracker.trace.walk import TraceError
from tracker.trace.way import (
    WORDS,
    Describe,
    Station,
    correction_lines,
    corrections,
    described_by,
    journal_lines,
)

__all__ = [
    "WORDS",
    "Describe",
    "Station",
    "Trace",
    "TraceError",
    "correction_lines",
    "corrections",
    "described_by",
    "journal_lines",
    "stations",
    "trace",
]
