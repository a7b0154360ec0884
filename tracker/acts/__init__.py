"""What is done to a book: one act of a person, its rows noted, its entry written."""

from __future__ import annotations

from tracker.acts.act import Act, Clock

__all__ = ["Act", "Clock"]
