"""One record as it is shown; each stretch of the way has its own module, loaded when one of its kind is."""

from __future__ import annotations

import datetime as dt
import importlib
from typing import Any, Final

from sqlalchemy.orm import Session

from tracker.records.telling import Shown

__all__ = ["Shown", "shown_record"]

_HOME: Final = {
    "Material": "supply",
    "Spool": "supply",
    "Drying": "supply",
    "Job": "printing",
    "Specimen": "printing",
    "Rig": "testing",
    "Measurement": "testing",
}


def shown_record(session: Session, row: Any, zone: dt.tzinfo) -> Shown:
    """Return a row as it is shown.

    Args:
        session: To read what hangs on it.
        row: Of any kind that has an ID, or a material.
        zone: The bench's, for times.
    """
    home = importlib.import_module(f"tracker.records.{_HOME[type(row).__name__]}")
    shown: Shown = home.SHOW[type(row)](session, row, zone)
    return shown
