"""What a way back does not know. Every gap is named: "not recorded" is an answer, silence is none."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from tracker.trace.reading import Row
from tracker.trace.walk import Measured, Path

WORDS: Final = {
    "number.uncertainty": "uncertainty of the number",
    "readings": "readings behind the number",
    "method.version": "version of the method",
    "rig": "rig",
    "rig.calibration": "calibration of the rig",
    "measurement.at": "when it was measured",
    "measurement.operator": "who measured",
    "measurement.room_c": "room temperature at the test",
    "measurement.room_rh_pct": "room humidity at the test",
    "specimen.orientation": "orientation",
    "specimen.outcome": "how the piece came out",
    "specimen.geometry": "geometry of the piece",
    "specimen.x_mm": "place on the plate",
    "job.plate_sha256": "plate file",
    "job.printer": "printer",
    "job.nozzle": "nozzle",
    "job.started_at": "when the print began",
    "job.nozzle_set_c": "nozzle temperature set",
    "job.bed_set_c": "bed temperature set",
    "job.chamber_set_c": "chamber temperature set",
    "job.chamber_measured_c": "chamber temperature measured",
    "job.fan_set_pct": "fan set",
    "job.layer_height_mm": "layer height",
    "job.line_width_mm": "line width",
    "job.room_c": "room temperature at the print",
    "job.room_rh_pct": "room humidity at the print",
    "spools": "spool",
    "spool.lot": "lot",
    "spool.received_on": "when the spool came in",
    "dryings": "drying before the print",
    "stays": "where the spool was kept",
    "material": "material",
    "material.maker": "maker of the material",
    "material.family": "polymer family",
}
"""What may be missing, by its place in the JSON, in words."""

_FACTOR_OF: Final = {
    f"job.{name}": name for name in ("printer", "layer_height_mm", "line_width_mm", "nozzle")
}


def not_recorded(path: Path, chosen: Measured | None, number: Row | None) -> list[str]:
    """Return the places (keys of :data:`WORDS`) at which the book holds nothing, in the order of the way."""
    factors = {row["name"] for row in path.factors}
    return [
        place
        for place in _gaps(path, chosen, number)
        # What was given outright for the specimen is known, wherever else it might have stood.
        if _FACTOR_OF.get(place) not in factors
    ]


def _gaps(path: Path, chosen: Measured | None, number: Row | None) -> Iterator[str]:
    if path.rig is not None:
        # No number is asked about: only what a rig is without.
        yield from () if path.calibrations else ("rig.calibration",)
        return
    if number is not None and number["value"] is not None and not number["uncertainty"]:
        yield "number.uncertainty"
    if chosen is not None:
        yield from _of_measurement(chosen)
    yield from _blank("specimen", path.specimen)
    yield from _blank("job", path.job)
    yield from _of_spools(path)
    if path.material is None:
        yield "material"
    yield from _blank("material", path.material)


def _of_measurement(chosen: Measured) -> Iterator[str]:
    if not chosen.measurement["readings"] and not chosen.files:
        yield "readings"
    if not chosen.measurement["method_version"]:
        yield "method.version"
    if not chosen.rigs:
        yield "rig"
    elif not all("calibration" in parts for parts in chosen.rigs):
        yield "rig.calibration"
    yield from _blank("measurement", chosen.measurement)


def _of_spools(path: Path) -> Iterator[str]:
    if not path.spools:
        # Without a spool nothing is known of its lot, its drying and its stays either.
        yield from ("spools", "spool.lot", "dryings", "stays")
        return
    for spool in path.spools[:1]:
        yield from _blank("spool", spool.spool)
    if not all(spool.dryings for spool in path.spools):
        yield "dryings"
    if not all(spool.stays for spool in path.spools):
        yield "stays"


def _blank(part: str, row: Row | None) -> Iterator[str]:
    """Yield the columns of a row that are worth naming and hold nothing."""
    if row is None:
        return
    for place in WORDS:
        table, _, column = place.partition(".")
        if table == part and column in row and row[column] is None:
            yield place
