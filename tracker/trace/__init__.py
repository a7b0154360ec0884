"""From a number back to the spool: every row on the way, and who wrote it.

``questions`` are built once and asked through ``reading``; ``walk`` and ``hanging`` gather the rows,
``history`` the journal behind them; ``tested`` and ``printed`` put them into words, station by station.
``facts`` makes JSON of them, ``lines`` a screen, ``prov`` W3C PROV, ``picture`` a graph. Nothing heavy is
loaded: a trace answers in the time of a keystroke.
"""

from __future__ import annotations

from tracker.trace.describing import Describe, described_by
from tracker.trace.missing import WORDS
from tracker.trace.tracing import Trace, trace
from tracker.trace.walk import TraceError

__all__ = ["WORDS", "Describe", "Trace", "TraceError", "described_by", "trace"]
