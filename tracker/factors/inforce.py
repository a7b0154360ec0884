"""Values in force over a gauge section when somebody changed a setting by hand while it was printed.

A change holds from a time, a layer or a height on. A time is turned into a layer by the plate's own
times: seconds of planned motion. Heating before the first layer is in no plate file; where nobody
recorded it, a change given by time may have met earlier layers, and the range in force holds that doubt.

Heating before the first layer: how far a plate's own times lie behind the job's start.

A plate file times motion. How long the printer waits for nozzle, bed and chamber is in no file, so what
is known by the clock (a log, a change by hand) and what is known by layers are apart by the heating.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from tracker.forms import check_order
from tracker.ids import job_id
from tracker.model import Job

if TYPE_CHECKING:
    from tracker.chamberlog import Aligned


MOST_S: Final = 3600.0
"""Longest heating where nothing bounds it: nozzle and bed take minutes, a warmed chamber up to an hour.
Common practice, no source."""

_PLAN_SURE: Final = 0.9
"""A plate may take a tenth less than planned: planned times were within 10 % in 17 of 24 files compared."""


@dataclass(frozen=True)
class Heating:
    """Seconds from the job's start to the beginning of the plate's own times.

    Attributes:
        low_s: At least.
        high_s: At most; as ``low_s`` where it is known.
        how: Where the bounds come from, in words.
    """

    low_s: float
    high_s: float
    how: str

    @property
    def known(self) -> bool:
        """Whether it is more than an estimate with bounds."""
        return self.low_s == self.high_s


def heating(job: Any, first_layer_s: float | None) -> Heating:
    """Return the heating of a job.

    Args:
        job: Its row with ``started_at``, ``first_layer_at``, ``ended_at``, ``outcome`` and ``time_s``.
        first_layer_s: When the first layer begins by the plate's own times; None counts as at once.
    """
    waited = seconds_between(job.started_at, job.first_layer_at)
    if waited is not None:
        exact = max(0.0, waited - (first_layer_s or 0.0))
        return Heating(exact, exact, "the first layer's time is recorded")
    lasted = seconds_between(job.started_at, job.ended_at)
    spare = None if lasted is None or not job.time_s else lasted - _PLAN_SURE * job.time_s
    # A job that lasted less than it could was stopped early, or its plan is not to be trusted.
    if spare is None or spare <= 0.0 or job.outcome != "finished":
        return Heating(0.0, MOST_S, "nothing recorded bounds it; an hour is taken")
    return Heating(0.0, min(MOST_S, spare), "estimated from how much longer the job lasted than planned")


def seconds_between(since: dt.datetime | None, until: dt.datetime | None) -> float | None:
    """Return the seconds between two moments; None where one is not known."""
    return None if since is None or until is None else (until - since).total_seconds()


SCALED: Final = {
    "speed": {"print_speed_mm_s": 1.0, "flow_mm3_s": 1.0, "layer_time_s": -1.0},
    "flow": {"flow_mm3_s": 1.0, "flow_factor_pct": 1.0},
}
"""Settings in per cent of what the file commands, and with which power the factors follow them."""

SET: Final = {"nozzle": "nozzle_c", "bed": "bed_c", "chamber": "chamber_c", "fan": "fan_pct"}
"""Settings that are the value itself."""


_MICRON: Final = 1e-3
"""Heights closer than this, in mm, are the same layer."""


@dataclass(frozen=True)
class Changed:
    """A change by hand.

    Attributes:
        setting: As it was entered.
        value: The new value, in the unit of the factor; for ``speed`` and ``flow`` in per cent of what
            the file commands until it is scaled.
        at_s: Seconds by the plate's own times, at the latest; None where it is not given by time.
        doubt_s: How much earlier than ``at_s`` it may have been.
        layer: From this layer of the piece on, or None.
        height_mm: From this height on, or None.
    """

    setting: str
    value: float
    at_s: float | None = None
    layer: int | None = None
    height_mm: float | None = None
    doubt_s: float = 0.0


@dataclass(frozen=True)
class InForce:
    """What was in force over a gauge section.

    Attributes:
        value: Mean over the layers.
        low: Least value.
        high: Greatest value.
        placed: False where nothing says which layers the change met.
        sure: False where it hangs on how long the printer heated, and that is not recorded.
    """

    value: float
    low: float
    high: float
    placed: bool = True
    sure: bool = True


def in_force(
    base: tuple[float, float, float] | None, changes: Sequence[Changed], section: Mapping[str, Any]
) -> InForce | None:
    """Return the value in force over a gauge section.

    Args:
        base: Value, least and greatest as the plate or the job has it; None if not known.
        changes: Of one setting, in the order they were entered, with values in the base's unit.
        section: Of a piece's plate facts: ``spans_s`` and ``tops_mm`` of the layers of its gauge section,
            and ``first_layer``; may be empty.

    Returns:
        None where nothing is known: no base, and no change that met the section.
    """
    late = _in_force(base, changes, section)
    earlier = [replace(each, at_s=each.at_s - each.doubt_s) for each in changes if each.at_s is not None]
    if not any(each.doubt_s for each in changes):
        return late
    early = _in_force(base, [*(each for each in changes if each.at_s is None), *earlier], section)
    return late if early == late else _between(late, early, _may_have_met(changes, section))


def _may_have_met(changes: Sequence[Changed], section: Mapping[str, Any]) -> list[float]:
    """Return the values of changes that, somewhere in their doubt, fell into the section's own time."""
    spans = section.get("spans_s") or ()
    if not spans:
        return []
    first, last = spans[0][0], spans[-1][1]
    timed = [(each, each.at_s) for each in changes if each.at_s is not None]
    return [each.value for each, at in timed if at - each.doubt_s < last and at > first]


def _between(late: InForce | None, early: InForce | None, met: Sequence[float]) -> InForce:
    """Return what may have been in force, between the latest and the earliest place of the changes.

    A value in force neither at the one nor at the other was so only if its change fell into the section.
    """
    ends = [each for each in (late, early) if each is not None]
    return InForce(
        sum(each.value for each in ends) / len(ends),
        min([each.low for each in ends] + list(met)),
        max([each.high for each in ends] + list(met)),
        placed=all(each.placed for each in ends),
        sure=False,
    )


def _in_force(
    base: tuple[float, float, float] | None, changes: Sequence[Changed], section: Mapping[str, Any]
) -> InForce | None:
    if not changes:
        return None if base is None else InForce(*base)
    layers = len(section.get("spans_s") or ())
    if not layers:
        return _unplaced(base, changes)
    places = ((change, _from_layer(change, section)) for change in changes)
    met = [(change, start) for change, start in places if start is not None and start < layers]
    if not met:
        return None if base is None else InForce(*base)
    return _over_layers(base, sorted(met, key=lambda each: each[1]), layers)


def _unplaced(base: tuple[float, float, float] | None, changes: Sequence[Changed]) -> InForce:
    """Return the range between all values: without layers nobody knows where each of them held."""
    values = [change.value for change in changes] + ([] if base is None else [base[1], base[2]])
    if base is None or all(_from_the_start(change) for change in changes):
        last = changes[-1].value
        return InForce(last, last, last, placed=base is not None)
    low, high = min(values), max(values)
    return InForce((low + high) / 2, low, high, placed=False)


def _from_the_start(change: Changed) -> bool:
    if change.at_s is not None:
        return change.at_s <= 0
    return (change.layer or 0) <= 1 and not change.height_mm


def _from_layer(change: Changed, section: Mapping[str, Any]) -> float | None:
    """Return from which layer of the section on a change holds, counted from 0, parts of layers included."""
    if change.layer is not None:
        return float(max(0, change.layer - int(section.get("first_layer", 1))))
    if change.height_mm is not None:
        tops = section.get("tops_mm") or ()
        return float(sum(1 for top in tops if top <= change.height_mm + _MICRON))
    if change.at_s is None:
        return None
    return _layer_at(change.at_s, section["spans_s"])


def _layer_at(at_s: float, spans: Sequence[Sequence[float]]) -> float:
    for number, (start, end) in enumerate(spans):
        if at_s <= start:
            return float(number)
        if at_s < end:
            return number + (at_s - start) / (end - start)
    return float(len(spans))


def _over_layers(
    base: tuple[float, float, float] | None, met: Sequence[tuple[Changed, float]], layers: int
) -> InForce | None:
    """Weigh each value by the layers it held over; of two changes at one place the later entered holds."""
    parts: list[tuple[float, float, float, float]] = []
    if met[0][1] > 0:
        if base is None:
            return InForce(met[-1][0].value, *_range(met), placed=False)
        parts.append((met[0][1], *base))
    ends = [start for _, start in met[1:]] + [float(layers)]
    parts += [
        (end - start, change.value, change.value, change.value)
        for (change, start), end in zip(met, ends, strict=True)
        if end > start
    ]
    total = sum(weight for weight, *_ in parts)
    return InForce(
        sum(weight * value for weight, value, _, _ in parts) / total,
        min(low for _, _, low, _ in parts),
        max(high for _, _, _, high in parts),
    )


def _range(met: Sequence[tuple[Changed, float]]) -> tuple[float, float]:
    values = [change.value for change, _ in met]
    return min(values), max(values)


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
