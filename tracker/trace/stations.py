"""The way back in words: one station after another, each with what is shown beside it.

Both the screen and the picture show these stations, so neither can say what the other does not. Those of the
test are here: number, measurement, method, readings, recordings, rig; those of the print in ``printed``.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from tracker.ids import drying_id, job_id, measurement_id, rig_id, specimen_id, spool_id
from tracker.lazy_modules import lazy
from tracker.lineage import Judged, Measured, RigUse, SpoolHistory, columns_of
from tracker.model import (
    Calibration,
    FactorRecord,
    Job,
    Material,
    Measurement,
    Result,
    Rig,
    SettingChange,
    Specimen,
    StoragePeriod,
    Verdict,
)
from tracker.orientation import in_words
from tracker.stating import compact, reading_text, state_row
from tracker.trace.walk import Path
from tracker.trace.way import UNKNOWN, Station, Way, calibrated, hours, humidity, local, percent, place

if TYPE_CHECKING:
    from tracker import factors as _factors
else:
    _factors = lazy("tracker.factors")

_SHARE_SHOWN: Final = 0.005


class Tested:
    """Puts rows of the test into words, in the zone of a way."""

    def __init__(self, way: Way) -> None:
        self._zone = way.zone
        self._units: Mapping[str, str] = way.described.get("units", {})
        self._title = str(way.described.get("title", ""))
        self._titles = way.titles

    def _when(self, moment: dt.datetime | None) -> str:
        return local(moment, self._zone)

    def number(self, judged: Judged) -> Station:
        """The result itself, with its budget and what is thought of it."""
        result = judged.result
        value, u = result.value, result.uncertainty
        refused = result.refused
        head = f"{self._titles.get(result.quantity, result.quantity)} " + (
            "has no value" if value is None else state_row(result).text
        )
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
            f"{measurement_id(each.measurement.id)} {self._titles.get(result.quantity, result.quantity)} "
            + state_row(result).text
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


_PERIODS_SHOWN: Final = 3


class Printed:
    """Puts rows of the print into words, in the zone of a way."""

    def __init__(self, way: Way) -> None:
        self._zone = way.zone
        # Where the time of the print is not known, no storage period can be told to lie after it.
        self._span = "since it came in" if way.path.until is None else "before the print"

    def _when(self, moment: dt.datetime | None) -> str:
        return local(moment, self._zone)

    def specimen(self, path: Path, row: Specimen) -> Station:
        """The piece, with the factors given for it."""
        letters, known = row.orientation, columns_of(row)
        facts = [
            f"orientation {f'{letters}, {in_words(letters)}' if letters else UNKNOWN}",
            f"outcome {row.outcome or UNKNOWN}",
            f"place on the plate {place(row)}",
            *(f"{word} {known[word]}" for word in ("geometry", "remark", "cause", "note") if known[word]),
        ]
        sides = (*_section_stations(row, path), *_factor_stations(path.factors))
        sides = sides or (Station("factors", UNKNOWN, known=False),)
        return Station(
            "specimen",
            specimen_id(row.job_id, row.piece),
            tuple(facts),
            link="printed in",
            sides=sides,
        )

    @staticmethod
    def pieces(pieces: Sequence[Specimen]) -> Station:
        """The specimens of a job."""
        facts = tuple(
            " ".join(
                word for word in (specimen_id(row.job_id, row.piece), row.orientation, row.outcome) if word
            )
            for row in pieces
        )
        return Station("specimens", f"{len(pieces)} pieces", facts, link="printed in")

    def job(self, path: Path, row: Job) -> Station:
        """The print, with plate file, settings and what was changed by hand."""
        again = row.again_of_id
        name = f" “{row.name}”" if row.name else ""
        facts = [
            f"began {self._when(row.started_at)}",
            f"printer {row.printer or _factor_given(path, 'printer') or UNKNOWN}",
            f"ended {row.outcome or UNKNOWN}",
            *([f"another attempt at {job_id(again)}"] if again is not None else []),
            *(text for text in (row.cause, row.note) if text),
        ]
        return Station(
            "job",
            f"{job_id(row.id)}{name}",
            tuple(facts),
            link="printed from",
            sides=(self._plate(path, row), self._settings(row), *self._changes(path), *self._logs(path)),
        )

    @staticmethod
    def _plate(path: Path, row: Job) -> Station:
        if path.plate is None:
            return Station("plate file", UNKNOWN, known=False)
        facts = (f"{path.plate.size} bytes", f"SHA-256 {path.plate.sha256[:16]}…")
        return Station("plate file", row.plate_name or path.plate.name, facts)

    @staticmethod
    def _settings(row: Job) -> Station:
        known = columns_of(row)
        both = (
            *(
                f"{part} set {compact(known[f'{part}_set_c'], 'degC')}, "
                f"measured {compact(known[f'{part}_measured_c'], 'degC')}"
                for part in ("nozzle", "bed", "chamber")
                if (known[f"{part}_set_c"], known[f"{part}_measured_c"]) != (None, None)
            ),
            *(
                f"{word} {compact(known[column], unit)}"
                for word, column, unit in _SETTINGS
                if known[column] is not None
            ),
        )
        return Station("settings", "set and measured" if both else UNKNOWN, both, known=bool(both))

    def _changes(self, path: Path) -> Iterator[Station]:
        if path.changes:
            yield Station("changed", "by hand while it ran", tuple(self._change(row) for row in path.changes))

    def _change(self, row: SettingChange) -> str:
        value = row.text if row.value is None else f"{row.value:g}"
        if row.layer is not None:
            where = f"from layer {row.layer} on"
        elif row.height_mm is not None:
            where = f"from {row.height_mm:g} mm on"
        else:
            where = f"at {self._when(row.at)}"
        return f"{row.setting} {value} {where}"

    @staticmethod
    def _logs(path: Path) -> Iterator[Station]:
        for row in path.logs:
            yield Station("log", row.name, (f"SHA-256 {row.sha256[:16]}…", f"aligned by {row.aligned_by}"))

    def jobs(self, hangs: list[dict[str, Any]]) -> Station:
        """The jobs printed from a spool, or after a drying of it."""
        facts = tuple(self._print(job) for job in hangs)
        return Station(
            "hangs on it", f"{len(hangs)} jobs" if hangs else "nothing yet", facts, link="hangs on"
        )

    def _print(self, job: dict[str, Any]) -> str:
        name = f" “{job['name']}”" if job["name"] else ""
        return (
            f"{job['id']}{name}, {self._when(job['started_at'])}: {job['specimens']} specimens, "
            f"{job['measurements']} measurements"
        )

    def spools(self, path: Path) -> Iterator[Station]:
        """Yield the spools that were printed from, with dryings and storage periods."""
        if not path.spools:
            sides = (Station("drying", UNKNOWN, known=False), Station("kept", UNKNOWN, known=False))
            yield Station("spool", UNKNOWN, known=False, link="is", sides=sides)
        for spool in path.spools:
            yield self._spool(spool)

    def _spool(self, path: SpoolHistory) -> Station:
        row = path.spool
        facts = (
            f"lot {row.lot or UNKNOWN}",
            f"received {row.received_on or UNKNOWN}",
            f"{row.supplied or 'supply ' + UNKNOWN}",
            *([f"on arrival {row.condition}"] if row.condition else []),
        )
        sides = (*self._dryings(path), self._storage(path))
        return Station("spool", spool_id(row.id), facts, link="is", sides=sides)

    def _dryings(self, path: SpoolHistory) -> Iterator[Station]:
        if not path.dryings:
            yield Station("drying", UNKNOWN, known=False)
        for each in path.dryings:
            row, dried = each.drying, each.masses
            facts = (
                f"{self._when(row.began_at)}, {hours(row)}",
                f"set {compact(row.set_c, 'degC')}, measured {compact(row.measured_c, 'degC')}",
                f"mass {compact(dried.before_g, 'g')} → {compact(dried.after_g, 'g')}",
            )
            yield Station("drying", drying_id(row.id), facts)

    def _storage(self, path: SpoolHistory) -> Station:
        if not path.storage:
            return Station("kept", UNKNOWN, known=False)
        earlier = len(path.storage) - _PERIODS_SHOWN
        facts = [self._storage_period(row) for row in path.storage[-_PERIODS_SHOWN:]]
        return Station("kept", self._span, (*([f"{earlier} earlier"] if earlier > 0 else []), *facts))

    def _storage_period(self, row: StoragePeriod) -> str:
        end = f"to {self._when(row.ended_at)}" if row.ended_at else "on"
        air = f"{compact(row.temperature_c, 'degC')}, {humidity(row.rh_pct)}"
        return f"{row.place} from {self._when(row.began_at)} {end}: {air}"

    @staticmethod
    def material(row: Material | None) -> Station:
        """The material, with the ranges of its data sheet."""
        if row is None:
            return Station("material", UNKNOWN, known=False)
        known = columns_of(row)
        facts = [f"family {row.family or UNKNOWN}", f"maker {row.maker or UNKNOWN}"]
        facts += [
            f"{part} {low:g} to {high:g} °C"
            for part in ("nozzle", "bed", "chamber")
            if (low := known[f"{part}_low_c"]) is not None and (high := known[f"{part}_high_c"]) is not None
        ]
        return Station("material", row.name, tuple(facts))


_SETTINGS: Final = (
    ("fan", "fan_set_pct", "%"),
    ("layer height", "layer_height_mm", "mm"),
    ("line width", "line_width_mm", "mm"),
    ("room", "room_c", "degC"),
    ("room humidity", "room_rh_pct", "%"),
    ("filament", "filament_g", "g"),
)


def _factor_given(path: Path, name: str) -> str:
    """Return a factor given outright for the specimen, as text."""
    for row in path.factors:
        if row.name == name:
            return str(row.text if row.number is None else f"{row.number:g}")
    return ""


_SECTION: Final = (
    ("nozzle_c", "nozzle", "degC"), ("bed_c", "bed", "degC"), ("chamber_c", "chamber set", "degC"),
    ("fan_pct", "fan", "percent"), ("layer_time_s", "layer time", "s"), ("flow_mm3_s", "flow", "mm³/s"),
    ("print_speed_mm_s", "speed", "mm/s"), ("flow_factor_pct", "flow factor", "percent"),
)  # fmt: skip
"""What of the plate's figures is on a screen; all of them are in the JSON."""


def _section_stations(row: Specimen, path: Path) -> Iterator[Station]:
    """Yield what plate file, hand and log say of the gauge section, and nothing where none is recorded."""
    section = (row.plate_facts or {}).get("section") or {}
    by_hand = _by_hand(row, path)
    by_file = {name: figure for name, figure in section.items() if name not in by_hand}
    for head, figures in (("by the plate file", by_file), ("as changed by hand", by_hand)):
        if lines := tuple(_figures(figures)):
            yield Station("section", head, lines)
    logged = ((row.log_facts or {}).get("section") or {}).items()
    heard = [f"{name} {each['mean']:.1f} {each['unit']}{_spread(each, 1)}" for name, each in logged]
    if heard:
        yield Station("logged", "while the gauge section was printed", tuple(heard))


def _figures(section: dict[str, Any]) -> Iterator[str]:
    """Yield each figure of a gauge section that is on a screen, with its range and its basis."""
    for name, words, unit in _SECTION:
        each = section.get(name)
        if isinstance(each, dict) and each.get("value") is not None:
            yield f"{words} {compact(each['value'], unit)}{_spread(each)} {each['basis']}"
    yield from (f"pause {text}" for text in section.get("pauses_at") or ())


def _by_hand(row: Specimen, path: Path) -> dict[str, dict[str, Any]]:
    """Return the figures of a gauge section that the plate file no longer tells, for a hand changed them."""
    if not path.changes or path.job is None or not row.plate_facts:
        return {}
    # Loaded only here: few prints are changed by hand, and every trace would pay for it.

    found = _factors.changed_by_hand(path.job, row.plate_facts, path.changes)
    return {
        name: {"value": each.value, "low": each.low, "high": each.high, "basis": each.basis}
        for name, each in found.items()
    }


def _spread(figure: dict[str, Any], places: int = 0) -> str:
    """Return the range of a figure where it had one: ``(33.9 to 39.6)``."""
    low, high = figure.get("low"), figure.get("high")
    if low is None or high is None or round(low, places) == round(high, places):
        return ""
    return f" ({low:.{places}f} to {high:.{places}f})"


def _factor_stations(factors: Sequence[FactorRecord]) -> Iterator[Station]:
    """Yield the factors, those of one source together."""
    by_source: dict[tuple[str, str], list[str]] = {}
    for row in factors:
        value = row.text if row.number is None else f"{row.number:g}"
        by_source.setdefault((row.basis, row.source), []).append(f"{row.name} {value}")
    for (basis, source), facts in by_source.items():
        yield Station("factors", f"{basis}, {source}", tuple(facts))
