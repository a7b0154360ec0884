"""Logs of chamber, bed, nozzle and room: read from CSV, laid beside a job, cut to its layers."""

from __future__ import annotations

from tracker.chamberlog.aligning import Aligned, Stats, align, aligned_at, cut
from tracker.chamberlog.chart import Band, Mark, log_chart
from tracker.chamberlog.log import CHANNELS, Basis, Channel, ChannelName, HowRead, Log, Problem
from tracker.chamberlog.reading import read_csv_log

__all__ = [
    "CHANNELS",
    "Aligned",
    "Band",
    "Basis",
    "Channel",
    "ChannelName",
    "HowRead",
    "Log",
    "Mark",
    "Problem",
    "Stats",
    "align",
    "aligned_at",
    "cut",
    "log_chart",
    "read_csv_log",
]
