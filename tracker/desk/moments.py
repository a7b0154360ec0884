"""The present at the bench, as the forms need it."""

from __future__ import annotations

import datetime as dt

from tracker.book import Book
from tracker.desk.forms import FormError, When
from tracker.moments import local_time as local

__all__ = ["check_order", "local", "when_at"]


def when_at(book: Book) -> When:
    """Return the present moment and the bench's zone."""
    return When(book.clock(), book.zone)


def check_order(began: dt.datetime | None, ended: dt.datetime | None, what: str, zone: dt.tzinfo) -> None:
    """Refuse an end before its beginning.

    Raises:
        FormError: ``ended`` is before ``began``.
    """
    # Equal times pass: entered afterwards to the minute, a short stay begins and ends in the same one.
    if began is not None and ended is not None and ended < began:
        raise FormError(
            f"{what} would end at {local(ended, zone)}, before it began at {local(began, zone)}",
            do="Check both times",
        )
