"""What the screen and the picture are made of: stations, and rows put into words the same way for both."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from typing import Any, Final

from tracker.model import Calibration, Drying, Specimen
from tracker.units import compact

UNKNOWN: Final = "not recorded"
_UNIT: Final = re.compile(r"(?<=\d) (?=[^\d\s])")
_DIGEST: Final = re.compile(r"\b[0-9a-f]{64}\b")


@dataclass(frozen=True)
class Station:
    """One thing on the way back.

    Attributes:
        label: One word that says what it is.
        head: Its ID, name or value.
        facts: What is known of it, one short clause each.
        known: False where the book holds nothing here.
        link: How it comes from the next station: ``computed from``.
        sides: What stands beside it.
    """

    label: str
    head: str
    facts: tuple[str, ...] = ()
    known: bool = True
    link: str = ""
    sides: tuple[Station, ...] = ()


def local(moment: dt.datetime | None, zone: dt.tzinfo) -> str:
    """Return a moment in a zone, to the minute."""
    return UNKNOWN if moment is None else f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def percent(share: float) -> str:
    """Return a share of one as per cent."""
    return f"{100 * share:.0f} %"


def humidity(percent: float | None) -> str:
    """Return a relative humidity."""
    return f"humidity {UNKNOWN}" if percent is None else f"{percent:g} % RH"


def calibrated(row: Calibration, unit: str) -> str:
    """Return a calibration: its day, standard uncertainties and reference."""
    parts = []
    if row.u_abs:
        parts.append(f"u {compact(row.u_abs, unit)}")
    if row.u_rel:
        parts.append(f"u {100 * row.u_rel:.3g} %")
    against = f" against {row.reference}" if row.reference else ""
    return f"calibrated {row.done_on}: {' and '.join(parts) or 'no uncertainty stated'}{against}"


def place(row: Specimen) -> str:
    """Return where on the plate a piece stood."""
    if row.x_mm is None or row.y_mm is None:
        return UNKNOWN
    return f"{row.x_mm:g}, {row.y_mm:g} mm"


def hours(row: Drying) -> str:
    """Return how long a drying took, or was meant to."""
    if row.ended_at is not None:
        hours = (row.ended_at - row.began_at).total_seconds() / 3600
        return f"{hours:.{0 if math.isclose(hours, round(hours), abs_tol=0.05) else 1}f} h"
    return f"{row.planned_h:g} h planned, end {UNKNOWN}" if row.planned_h is not None else f"end {UNKNOWN}"


def kept_together(text: str) -> str:
    """Return a text in which a number and its unit are joined by a no-break space."""
    return _UNIT.sub("\u00a0", text)


def value_text(value: Any) -> str:
    """Return a value of the journal as text."""
    if isinstance(value, float):
        return f"{value:.8g}"
    return UNKNOWN if value is None else str(value)


def shortened(text: str) -> str:
    """Shorten digests to what the eye compares; the JSON has them whole."""
    return _DIGEST.sub(lambda found: f"{found[0][:12]}…", text)
