"""What the book's rows say happened, put into the hands of the pure rooms."""

from __future__ import annotations

from tracker.history.mass import MassLeft, mass_left
from tracker.history.spooldays import (
    SpoolDays,
    exposure_line,
    many_spool_days,
    spool_days,
    water_at,
    water_at_many,
    zone_of,
)

__all__ = [
    "MassLeft",
    "SpoolDays",
    "exposure_line",
    "many_spool_days",
    "mass_left",
    "spool_days",
    "water_at",
    "water_at_many",
    "zone_of",
]
