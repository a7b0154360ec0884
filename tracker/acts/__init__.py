"""What is done to a book: one act of a person, its rows recorded, its entry written."""

from __future__ import annotations

from tracker.acts.act import Act, Bulk, Clock, ClockDoubt, DoneBefore, bulk_of, refuse_twice

__all__ = ["Act", "Bulk", "Clock", "ClockDoubt", "DoneBefore", "bulk_of", "refuse_twice"]
