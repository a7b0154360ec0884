"""What the book says of one record (``show``) and of all of a kind (``list``)."""

from __future__ import annotations

from tracker.records.listing import KINDS, listed
from tracker.records.showing import Shown, shown_record

__all__ = ["KINDS", "Shown", "listed", "shown_record"]
