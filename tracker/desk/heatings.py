"""How long a job heated before its first layer, known or with bounds."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

from tracker.factors.inforce import Heating, heating
from tracker.forms import check_order
from tracker.ids import job_id
from tracker.model import Job

if TYPE_CHECKING:
    from tracker.chamberlog import Aligned

_WAITED_FOR: Final = {"nozzle": "nozzle_set_c", "bed": "bed_set_c"}
_NEARLY_C, _COLD_C = 5.0, 20.0
"""A heater counts as there within 5 °C of its set-point, and as having risen from 20 °C below. Our choice."""


def check_first_layer(row: Job, zone: dt.tzinfo) -> None:
    """Refuse a first layer outside of its job.

    Raises:
        FormError: It would begin before the job, or after its end.
    """
    check_order(row.started_at, row.first_layer_at, "The heating", zone)
    check_order(row.first_layer_at, row.ended_at, "The printing", zone)


def heating_of(row: Job) -> Heating:
    """Return the heating of a job in s, known or with bounds."""
    return heating(row, first_layer_s(row))


def first_layer_s(row: Job) -> float | None:
    """Return when the first layer begins on the plate's own clock, in s; None where no plate file says."""
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
