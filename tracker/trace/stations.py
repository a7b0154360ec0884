"""The way back in words: one station after another, each with what stands beside it.

Both the screen and the picture show these stations, so neither can say what the other does not. Those of the
test are here: number, measurement, method, readings, recordings, rig; those of the print in ``printed``.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from tracker.ids import measurement_id, rig_id
from tracker.lineage import Judged, Measured, RigUse
from tracker.model import Calibration, Measurement, Result, Rig, Verdict
from tracker.stating import state_row
from tracker.trace.printed import Printed
from tracker.trace.walk import Path
from tracker.trace.way import Way
from tracker.trace.words import UNKNOWN, Station, calibrated, humidity, local, percent
from tracker.units import compact, reading_text

_SHARE_SHOWN: Final = 0.005


class Tested:
    """Puts rows of the test into words, in the zone of a way."""

    def __init__(self, way: Way) -> None:
        self._zone = way.zone
        self._units: Mapping[str, str] = way.described.get("units", {})
        self._title = str(way.described.get("title", ""))

    def _when(self, moment: dt.datetime | None) -> str:
        return local(moment, self._zone)

    def number(self, judged: Judged) -> Station:
        """The result itself, with its budget and what is thought of it."""
        result = judged.result
        value, u = result.value, result.uncertainty
        refused = result.refused
        head = f"{result.quantity} " + ("has no value" if value is None else state_row(result).text)
        facts = [f"refused: {refused}"] if refused else []
        if value is not None and not u:
            facts.append("uncertainty not recorded")
        if not refused:
            facts.append("counted" if result.counted else "set aside")
        facts += result.remarks or ()
        sides = (self._budget(result), *(self._verdict(verdict) for verdict in judged.verdicts))
        return Station(
            "number", head, tuple(facts), link="computed from", sides=tuple(side for side in sides if side)
        )

    def _budget(self, result: Result) -> Station | None:
        parts = [
            f"{part['source']} {percent(part['share'])}"
            for part in result.budget or ()
            if part["share"] >= _SHARE_SHOWN
        ]
        return Station("budget", "parts of the variance", tuple(parts)) if parts else None

    def _verdict(self, verdict: Verdict) -> Station:
        head = "counted" if verdict.counted else "set aside"
        return Station("verdict", head, (verdict.reason, f"{verdict.by}, {self._when(verdict.at)}"))

    def measurement(self, each: Measured) -> Station:
        """The measurement the number was computed from, with method, readings and rigs."""
        row = each.measurement
        facts = [
            f"time {self._when(row.at)}",
            f"operator {row.operator or UNKNOWN}",
            f"room {compact(row.room_c, 'degC')}, {humidity(row.room_rh_pct)}",
            {"given": "given as a value, without readings"}.get(row.source, row.source),
            *(text for text in (row.problem, row.remark) if text),
        ]
        rigs = [self._rig(use) for use in each.rigs] or [Station("rig", UNKNOWN, known=False)]
        return Station(
            "measured",
            measurement_id(row.id),
            tuple(facts),
            link="taken on",
            sides=(self._method(row), self._readings(row), *self._files(each), *rigs),
        )

    def _method(self, row: Measurement) -> Station:
        version = row.method_version
        head = f"{row.method} {version}" if version else f"{row.method}, version {UNKNOWN}"
        return Station("method", head, (self._title,) if self._title else (), known=bool(version))

    def _readings(self, row: Measurement) -> Station:
        # By name: of two databases only one keeps the order in which a document was written.
        readings = row.readings or {}
        units = row.units or self._units
        facts = tuple(
            f"{name} {reading_text(value, units.get(name, ''))}" for name, value in sorted(readings.items())
        )
        return Station("readings", "as taken" if facts else UNKNOWN, facts, known=bool(facts))

    @staticmethod
    def _files(each: Measured) -> Iterator[Station]:
        for recorded in each.files:
            file = recorded.file
            facts = (f"{recorded.attachment.size} bytes", f"SHA-256 {file.sha256[:16]}…")
            yield Station(file.field, file.name, facts)

    def _rig(self, use: RigUse) -> Station:
        rig, calibration = use.rig, use.calibration
        unit = rig.unit or ""
        facts = [
            f"resolution {compact(rig.resolution, unit)}",
            f"capacity {compact(rig.capacity, unit)}",
        ]
        facts.append(f"calibration {UNKNOWN}" if calibration is None else calibrated(calibration, unit))
        return Station(rig.role, f"{rig_id(rig.id)} {rig.name}", tuple(facts))

    def measurements(self, measured: Sequence[Measured]) -> Station:
        """All measurements of a piece, where none of them alone is meant."""
        facts = [
            f"{measurement_id(each.measurement.id)} {result.quantity} " + state_row(result).text
            for each in measured
            for result in (judged.result for judged in each.results)
            if result.value is not None
        ]
        return Station("measured", f"{len(measured)} times", tuple(facts), link="taken on")

    def uses(self, hangs: list[dict[str, Any]]) -> Station:
        """What was measured with a rig."""
        facts = tuple(self._use(use) for use in hangs)
        return Station("hangs on it", "measurements" if hangs else "nothing yet", facts, link="hangs on")

    @staticmethod
    def _use(use: dict[str, Any]) -> str:
        calibration = (
            f"calibration of {use['calibration']}" if use["calibration"] else f"calibration {UNKNOWN}"
        )
        return f"{use['measurements']} under the {calibration}, {use['first']} to {use['last']}"

    @staticmethod
    def rig_alone(rig: Rig, calibrations: Sequence[Calibration]) -> Station:
        """A rig with its calibrations."""
        unit = rig.unit or ""
        sides = tuple(Station("calibration", calibrated(row, unit)) for row in calibrations)
        facts = (
            f"resolution {compact(rig.resolution, unit)}",
            f"capacity {compact(rig.capacity, unit)}",
        )
        none = (Station("calibration", UNKNOWN, known=False),)
        return Station(rig.role, f"{rig_id(rig.id)} {rig.name}", facts, sides=sides or none)


def stations(way: Way) -> list[Station]:
    """Return the stations of a way, from the number to the material."""
    tested, printed, path = Tested(way), Printed(way), way.path
    if path.rig is not None:
        return [tested.uses(path.hangs), tested.rig_alone(path.rig, path.calibrations)]
    found = [*_testing(tested, way), *_printing(printed, path)] or [printed.jobs(path.hangs)]
    return [*found, *printed.spools(path), printed.material(path.material)]


def _testing(say: Tested, way: Way) -> Iterator[Station]:
    """Yield the number, and the measurement it comes from or all there are."""
    if way.number is not None:
        yield say.number(way.number)
    if way.chosen is not None:
        yield say.measurement(way.chosen)
    elif way.path.measured:
        yield say.measurements(way.path.measured)
    elif way.path.specimen is not None:
        yield Station("measured", "not yet", known=False, link="to be taken on")


def _printing(say: Printed, path: Path) -> Iterator[Station]:
    """Yield the specimen, or those of a job, and the job."""
    if path.specimen is not None:
        yield say.specimen(path, path.specimen)
    elif path.pieces:
        yield say.pieces(path.pieces)
    if path.job is not None:
        yield say.job(path, path.job)
