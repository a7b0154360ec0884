"""Logs of chamber, bed, nozzle and room: read from CSV, laid beside a job, cut to its layers."""

from __future__ import annotations

from tracker.chamberlog.aligning import Aligned, align
from tracker.chamberlog.cutting import Stats, cut
from tracker.chamberlog.log import CHANNELS, Basis, Channel, ChannelName, HowRead, Log, Problem
from tracker.chamberlog.reading import read_csv_log

__all__ = [
    "CHANNELS",
    "Aligned",
    "Basis",
    "Channel",
    "ChannelName",
    "HowRead",
    "Log",
    "Problem",
    "Stats",
    "align",
    "cut",
    "read_csv_log",
]
