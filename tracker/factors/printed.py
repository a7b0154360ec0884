"""Factors of how a piece was printed: from its job, from the plate file, changed by hand, from logs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from tracker.factors.inforce import SCALED, SET, Changed, Heating, InForce, heating, in_force, seconds_between
from tracker.factors.registry import COMMANDED, ESTIMATED, MEASURED, NOT_RECORDED, Factors, put, put_reading
from tracker.ids import spool_id

_SET_AND_MEASURED: Final = ("nozzle", "bed", "chamber")
_LOGGED: Final = {
    "nozzle": "nozzle_c", "bed": "bed_c", "chamber": "chamber_c", "room": "print_room_c",
    "humidity": "print_room_rh",
}  # fmt: skip
"""From the channel of a log to the factor it measures."""

_FROM_PLATE: Final = (
    "nozzle_c", "bed_c", "chamber_c", "fan_pct", "layer_height_mm", "line_width_mm", "layer_time_s",
    "flow_mm3_s", "print_speed_mm_s", "flow_factor_pct", "pauses",
)  # fmt: skip
_LAYERS: Final = ("spans_s", "tops_mm", "first_layer_s")
_HALF: Final = 0.5


def of_job(job: Any, attempt: int) -> Factors:
    """Return what all pieces of a job share.

    Args:
        job: Its row with that of the main spool.
        attempt: Which attempt it is, from 1.
    """
    found: Factors = {}
    for stem in _SET_AND_MEASURED:
        put(found, f"{stem}_c", getattr(job, f"{stem}_set_c"), COMMANDED, "set for the job")
        put(found, f"{stem}_c", getattr(job, f"{stem}_measured_c"), MEASURED, "read while the job ran")
    put(found, "fan_pct", job.fan_set_pct, COMMANDED, "set for the job")
    put(found, "layer_height_mm", job.layer_height_mm, COMMANDED, "set for the job")
    put(found, "line_width_mm", job.line_width_mm, COMMANDED, "set for the job")
    put(found, "print_room_c", job.room_c, MEASURED, "read while the job ran")
    put(found, "print_room_rh", job.room_rh_pct, MEASURED, "read while the job ran")
    put(found, "attempt", float(attempt), MEASURED, "counted")
    for name in ("lot", "printer", "nozzle", "surface"):
        put(found, name, getattr(job, name), "typed", "spool" if name == "lot" else "job")
    put(found, "printed_by", job.operator, "typed", "job")
    if job.spool_id is not None:
        put(found, "spool", spool_id(job.spool_id), "typed", "job")
    return found


def of_piece(row: Any, job: Any, shared: Factors, changes: Sequence[Any], layers: Any = None) -> Factors:
    """Return the factors of one piece, on top of what its job shares.

    Args:
        row: The specimen's row.
        job: The job's row.
        shared: From :func:`of_job`.
        changes: Settings changed by hand while it ran.
        layers: Row with ``spans_s`` and ``tops_mm`` of the layers of its gauge section, for the changes.
    """
    found = dict(shared)
    section: Mapping[str, Any] = row.section or {}
    by_plate = _by_plate(section)
    for name in _FROM_PLATE:
        if name not in found or found[name].basis != MEASURED:
            put_reading(found, name, section.get(name), by_plate)
    if changes:
        kept = {} if layers is None else {name: getattr(layers, name) for name in _LAYERS}
        _put_changes(found, job, changes, {**section, **kept})
    _put_place(found, row, section)
    basis, source = (COMMANDED, "plate file") if section else ("typed", "job")
    put(found, "filament_g", row.filament_g, basis, source)
    put(found, "orientation", row.orientation, "typed", "specimen")
    put(found, "geometry", row.geometry, "typed", "specimen")
    _put_logged(found, row.logged or {}, gauge_section(section))
    return found


def changed_by_hand(job: Any, facts: Mapping[str, Any], changes: Sequence[Any]) -> Factors:
    """Return those values of a gauge section that are not the plate file's, for somebody changed them.

    Args:
        job: The job's row.
        facts: The piece's plate facts.
        changes: Settings changed by hand while it ran.
    """
    section: Mapping[str, Any] = facts.get("section") or {}
    found: Factors = {}
    for name in _FROM_PLATE:
        put_reading(found, name, section.get(name), _by_plate(section))
    commanded = dict(found)
    _put_changes(found, job, changes, {**section, **{name: facts.get(name) for name in _LAYERS}})
    return {name: value for name, value in found.items() if value is not commanded.get(name)}


def _put_place(found: Factors, row: Any, section: Mapping[str, Any]) -> None:
    put(found, "x_mm", row.x_mm, COMMANDED, "plate file")
    put(found, "y_mm", row.y_mm, COMMANDED, "plate file")
    heights = section.get("z_mm")
    if heights:
        put(
            found,
            "height_mm",
            (heights[0] + heights[1]) * _HALF,
            COMMANDED,
            _by_plate(section),
        )
    elif row.size_z_mm is not None:
        put(found, "height_mm", row.size_z_mm * _HALF, ESTIMATED, "middle of the piece")


def _put_changes(found: Factors, job: Any, changes: Sequence[Any], section: Mapping[str, Any]) -> None:
    heated = heating(job, section.get("first_layer_s"))
    for setting in dict.fromkeys(row.setting for row in changes):
        own = [
            _changed(row, job, heated) for row in changes if row.setting == setting and row.value is not None
        ]
        if setting in SET:
            _put_changed(found, SET[setting], own, section)
        for name, power in SCALED.get(setting, {}).items():
            _put_scaled(found, name, own, power, section)


def _changed(row: Any, job: Any, heated: Heating) -> Changed:
    """Return a change with its time as the plate counts it: from the end of the heating on."""
    after = seconds_between(job.started_at, row.at)
    at_s = None if after is None else after - heated.low_s
    doubt_s = 0.0 if after is None else heated.high_s - heated.low_s
    return Changed(row.setting, row.value, at_s, row.layer, row.height_mm, doubt_s)


def _put_changed(found: Factors, name: str, changes: Sequence[Changed], section: Mapping[str, Any]) -> None:
    """Put in a value set by hand; a measured one stays, for it was read as things were."""
    had = found.get(name)
    if had is not None and had.basis == MEASURED:
        return
    now = in_force(_base(found, name), changes, section)
    if now is not None:
        basis = COMMANDED if now.placed and now.sure else ESTIMATED
        source = f"changed by hand{_unsure(now)}"
        put(found, name, now.value, basis, source, now.low, now.high)


def _put_scaled(
    found: Factors, name: str, changes: Sequence[Changed], power: float, section: Mapping[str, Any]
) -> None:
    base = _base(found, name)
    scaled = [replace(change, value=(change.value / 100) ** power) for change in changes if change.value]
    share = in_force((1.0, 1.0, 1.0), scaled, section) if base and scaled else None
    if base is None or share is None or share.low == share.high == 1.0:
        return
    # Corners and accelerations do not follow a speed factor; so it is no more than an estimate.
    source = f"plate file and {changes[0].setting} changed by hand{_unsure(share)}"
    low, high = base[1] * share.low, base[2] * share.high
    put(found, name, base[0] * share.value, ESTIMATED, source, low, high)


def _unsure(now: InForce) -> str:
    if not now.placed:
        return ", where in the piece is not known"
    return "" if now.sure else "; the heating before the first layer is not recorded"


def _base(found: Factors, name: str) -> tuple[float, float, float] | None:
    had = found.get(name)
    if had is None or not isinstance(had.value, float):
        return None
    low = had.value if had.low is None else had.low
    return had.value, low, had.value if had.high is None else had.high


def gauge_section(section: Mapping[str, Any]) -> str:
    """Return the words for a gauge section; one that a person stated is told with who did.

    Args:
        section: Of a piece's plate facts; may be empty.
    """
    if not section.get("gauge"):
        return "gauge section"
    return f"gauge section {section['gauge']} stated by {section.get('by') or 'somebody'}"


def _by_plate(section: Mapping[str, Any]) -> str:
    return f"plate file, {gauge_section(section)}"


def _put_logged(found: Factors, section: Mapping[str, Any], over: str) -> None:
    for channel, name in _LOGGED.items():
        reading = section.get(channel)
        if reading and reading.get("mean") is not None:
            covered = reading.get("covered", 1.0)
            source = f"log, {over}"
            if covered < 0.995:  # noqa: PLR2004 - rounds to less than all of it
                source += f", {covered:.0%} of it covered"
            put(found, name, reading["mean"], MEASURED, source, reading["low"], reading["high"])


def put_given(found: Factors, rows: Sequence[Any]) -> None:
    """Put in what was given outright; a reading of ours stays where the given one was not measured."""
    for row in rows:
        had = found.get(row.name)
        if had is not None and had.basis == MEASURED and row.basis not in (MEASURED, "imported"):
            continue
        value = row.number if row.number is not None else row.text
        put(found, row.name, value, row.basis or NOT_RECORDED, row.source)
