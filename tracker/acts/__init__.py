"""What is done to a book: one act of a person, its rows recorded, its entry written."""

from __future__ import annotations

from tracker.acts.act import Act, Clock, ClockDoubt, DoneBefore, refuse_twice

__all__ = ["Act", "Clock", "ClockDoubt", "DoneBefore", "refuse_twice"]
