"""Preflight: a plate file compared with sheet, spool, programme and job, before the print costs anything."""

from __future__ import annotations

from tracker.preflight.checking import preflight
from tracker.preflight.findings import Difference, Finding, Report

__all__ = ["Difference", "Finding", "Report", "preflight"]
