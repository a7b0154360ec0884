"""When the first layer of a job began: what ties the plate's own times to the clock."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final

from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.filling import fill_in
from tracker.desk.finding import find
from tracker.desk.forms import Ask, FormError, clean
from tracker.desk.moments import check_order, local, when_at
from tracker.factors.heating import Heating, heating
from tracker.ids import job_id
from tracker.model import Job

if TYPE_CHECKING:
    from tracker.chamberlog import Aligned
    from tracker.plugged import Plugged

_FORM: Final = (
    Ask("first_layer_at", "First layer began", "moment"),
    Ask("heating_s", "Heating", "number", "s", low=0, high=86_400),
)
_WAITED_FOR: Final = {"nozzle": "nozzle_set_c", "bed": "bed_set_c"}
_NEARLY_C, _COLD_C = 5.0, 20.0
"""A heater counts as there within 5 °C of its set-point, and as having risen from 20 °C below. Our choice."""


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
        from tracker.desk.logs import refresh  # noqa: PLC0415 - logs ask for the heating too

        refresh(act, book, plugged, row)
    return Done(job_id(row.id), [f"The first layer began at {local(at, book.zone)}."])


def _after_heating(row: Job, seconds: float) -> dt.datetime:
    if row.started_at is None:
        raise FormError(
            f"{job_id(row.id)} has no start to count the heating from", do="Give the TIME instead"
        )
    # What the plate does before its first layer (a purge, a skirt) it does after the heating.
    return row.started_at + dt.timedelta(seconds=seconds + (_first_layer_s(row) or 0.0))


def check_first_layer(row: Job, zone: dt.tzinfo) -> None:
    """Refuse a first layer outside of its job.

    Raises:
        FormError: It would begin before the job, or after its end.
    """
    check_order(row.started_at, row.first_layer_at, "The heating", zone)
    check_order(row.first_layer_at, row.ended_at, "The printing", zone)


def heating_of(row: Job) -> Heating:
    """Return the heating of a job in s, known or with bounds."""
    return heating(row, _first_layer_s(row))


def _first_layer_s(row: Job) -> float | None:
    return next((each.plate_facts.get("first_layer_s") for each in row.specimens if each.plate_facts), None)


def plan_begins_s(row: Job) -> float:
    """Return when the plate's own times begin, in s after the job's start; 0 where nobody recorded it."""
    known = heating_of(row)
    return known.low_s if known.known else 0.0


def heating_doubt(row: Job, logs: Iterable[Aligned]) -> list[str]:
    """Return a sentence on how early the times of layers may be, where the heating is not recorded.

    Args:
        row: The job.
        logs: Laid beside it; a heater's own rise in them bounds the heating.
    """
    estimate = heating_of(row)
    if estimate.known or not any(each.plate_facts for each in row.specimens):
        return []
    most, how = min([(estimate.high_s, estimate.how), *_rises(row, logs)])
    bounds = f"times of layers may be early by 0 – {most / 60:.0f} min (estimate: {how})"
    way = f"strandbook job first-layer {job_id(row.id)} TIME"
    return [f"The heating before the first layer is not recorded: {bounds}. Say when it began: {way}"]


def _rises(row: Job, logs: Iterable[Aligned]) -> list[tuple[float, str]]:
    """Return when the last heater that is waited for came near its set-point; empty where no log shows it."""
    reached = []
    for aligned in logs:
        for name, column in _WAITED_FOR.items():
            channel, wanted = aligned.log.channels.get(name), getattr(row, column)  # type: ignore[call-overload] # a name of ours
            at = None if channel is None or wanted is None else _reached(channel, wanted)
            if at is not None and at + aligned.offset_s > 0.0:
                text = f"by the log the {name} came near {wanted:g} °C then"
                reached.append((at + aligned.offset_s, text))
    return [max(reached)] if reached else []


def _reached(channel: Any, wanted: float) -> float | None:
    """Return when a channel came near a value from well below; None where it was there from the first."""
    near = channel.values >= wanted - _NEARLY_C
    if not near.any() or channel.values[0] > wanted - _COLD_C:
        return None
    return float(channel.t_s[near.argmax()])
