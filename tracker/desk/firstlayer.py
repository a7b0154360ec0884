"""Entering when the first layer of a job began, with all that was laid beside it by the clock."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.entering import fill_in
from tracker.desk.heatings import check_first_layer, first_layer_s
from tracker.desk.logs import refresh
from tracker.forms import Ask, FormError, clean, when_at
from tracker.ids import job_id
from tracker.kinds import find
from tracker.model import Job
from tracker.moments import local_time as local
from tracker.plugins import Plugged

_FORM: Final = (
    Ask("first_layer_at", "First layer began", "moment"),
    Ask("heating_s", "Heating", "number", "s", low=0, high=86_400),
)


def first_layer(book: Book, who: str, plugged: Plugged, job: str, typed: Mapping[str, Any]) -> Done:
    """Enter when the first layer of a job began, or how long it heated before.

    Args:
        book: The book.
        who: Who says it.
        plugged: The readers of logs, which are cut anew.
        job: ID of the job.
        typed: ``first_layer_at``, or ``heating_s``.

    Raises:
        FormError: Neither or both, no start to count from, a time outside the job, or one is recorded
            already.
        Refused: There is no such job, or a log does not belong to the job as it is now.
    """
    values = clean(_FORM, typed, when_at(book))
    if (values["first_layer_at"] is None) == (values["heating_s"] is None):
        raise FormError("When did the first layer begin", do="Give its TIME, or --heating '12 min'")
    with book.act("job first-layer", who) as act:
        row = find(book, act.session, job, "job")
        at = values["first_layer_at"] or _after_heating(row, values["heating_s"])
        fill_in(row, {"first_layer_at": at}, job_id(row.id))
        check_first_layer(row, book.zone)
        act.about.append(job_id(row.id))
        refresh(act, book, plugged, row)
    return Done(job_id(row.id), [f"The first layer began at {local(at, book.zone)}."])


def _after_heating(row: Job, seconds: float) -> dt.datetime:
    if row.started_at is None:
        raise FormError(
            f"{job_id(row.id)} has no start to count the heating from", do="Give the TIME instead"
        )
    # What the plate does before its first layer (a purge, a skirt) it does after the heating.
    return row.started_at + dt.timedelta(seconds=seconds + (first_layer_s(row) or 0.0))
