"""The way back in words: one station after another, each with what stands beside it.

Both the screen and the picture show these stations, so neither can say what the other does not.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from tracker.ids import drying_id, job_id, measurement_id, rig_id, specimen_id, spool_id
from tracker.orientation import in_words
from tracker.trace.reading import Parts, Row
from tracker.trace.walk import Measured, Path, SpoolPath
from tracker.trace.way import Way
from tracker.trace.words import UNKNOWN, calibrated, hours, humidity, local, percent, place, reading
from tracker.units import compact, with_uncertainty

_STAYS_SHOWN: Final = 3
_SHARE_SHOWN: Final = 0.005


@dataclass(frozen=True)
class Station:
    """One thing on the way back.

    Attributes:
        label: One word that says what it is.
        head: Its ID, name or value.
        facts: What is known of it, one short clause each.
        known: False where the book holds nothing here.
        link: How it comes from the next station: ``computed from``.
        sides: What stands beside it.
    """

    label: str
    head: str
    facts: tuple[str, ...] = ()
    known: bool = True
    link: str = ""
    sides: tuple[Station, ...] = ()


def stations(way: Way) -> list[Station]:
    """Return the stations of a way, from the number to the material."""
    say = _Sayer(way)
    path = way.path
    found: list[Station] = []
    if way.number is not None:
        found.append(say.number(way.number))
    if way.chosen is not None:
        found.append(say.measurement(way.chosen))
    elif path.measured:
        found.append(say.measurements(path.measured))
    elif path.specimen is not None:
        found.append(Station("measured", "not yet", known=False, link="to be taken on"))
    if path.specimen is not None:
        found.append(say.specimen(path, path.specimen))
    elif path.pieces:
        found.append(say.pieces(path.pieces))
    if path.job is not None:
        found.append(say.job(path, path.job))
    if not found:
        found += _hanging(say, path)
    return found if path.rig is not None else [*found, *say.spools(path), say.material(path.material)]


def _hanging(say: _Sayer, path: Path) -> Iterator[Station]:
    """Yield what hangs on a spool, drying or rig, then the thing itself."""
    yield say.hangs(path.hangs)
    if path.rig is not None:
        yield say.rig_alone(path.rig, path.calibrations)


class _Sayer:
    """Puts rows into words, in one zone."""

    def __init__(self, way: Way) -> None:
        self._zone = way.zone
        # Where the time of the print is not known, no stay can be told to lie after it.
        self._span = "since it came in" if way.path.until is None else "before the print"
        self._units: Mapping[str, str] = way.described.get("units", {})
        self._title = str(way.described.get("title", ""))

    def _when(self, moment: dt.datetime | None) -> str:
        return local(moment, self._zone)

    def number(self, result: Row) -> Station:
        """The result itself, with its budget and what is thought of it."""
        value, u = result["value"], result["uncertainty"]
        refused = result["refused"]
        head = f"{result['quantity']} " + (
            "has no value"
            if value is None
            else with_uncertainty(value, u, result["unit"], result["relation"])
        )
        facts = [f"refused: {refused}"] if refused else []
        if value is not None and not u:
            facts.append("uncertainty not recorded")
        if not refused:
            facts.append("counted" if result["counted"] else "set aside")
        facts += result["remarks"] or ()
        sides = (self._budget(result), *(self._verdict(verdict) for verdict in result["verdicts"]))
        return Station(
            "number", head, tuple(facts), link="computed from", sides=tuple(side for side in sides if side)
        )

    def _budget(self, result: Row) -> Station | None:
        parts = [
            f"{part['source']} {percent(part['share'])}"
            for part in result["budget"] or ()
            if part["share"] >= _SHARE_SHOWN
        ]
        return Station("budget", "parts of the variance", tuple(parts)) if parts else None

    def _verdict(self, verdict: Row) -> Station:
        head = "counted" if verdict["counted"] else "set aside"
        return Station("verdict", head, (verdict["reason"], f"{verdict['by']}, {self._when(verdict['at'])}"))

    def measurement(self, each: Measured) -> Station:
        """The measurement the number was computed from, with method, readings and rigs."""
        row = each.measurement
        facts = [
            f"time {self._when(row['at'])}",
            f"operator {row['operator'] or UNKNOWN}",
            f"room {compact(row['room_c'], 'degC')}, {humidity(row['room_rh_pct'])}",
            {"given": "given as a value, without readings"}.get(row["source"], row["source"]),
            *(text for text in (row["problem"], row["remark"]) if text),
        ]
        rigs = [self._rig(parts) for parts in each.rigs] or [Station("rig", UNKNOWN, known=False)]
        return Station(
            "measured",
            measurement_id(row["id"]),
            tuple(facts),
            link="taken on",
            sides=(self._method(row), self._readings(row), *self._files(each), *rigs),
        )

    def _method(self, row: Row) -> Station:
        version = row["method_version"]
        head = f"{row['method']} {version}" if version else f"{row['method']}, version {UNKNOWN}"
        return Station("method", head, (self._title,) if self._title else (), known=bool(version))

    def _readings(self, row: Row) -> Station:
        readings = row["readings"] or {}
        facts = tuple(
            f"{name} {reading(value, self._units.get(name, ''))}" for name, value in readings.items()
        )
        return Station("readings", "as taken" if facts else UNKNOWN, facts, known=bool(facts))

    @staticmethod
    def _files(each: Measured) -> Iterator[Station]:
        for parts in each.files:
            file, kept = parts["file"], parts["attachment"]
            facts = (f"{kept['size']} bytes", f"SHA-256 {file['sha256'][:16]}…")
            yield Station(file["field"], file["name"], facts)

    def _rig(self, parts: Parts) -> Station:
        rig, calibration = parts["rig"], parts.get("calibration")
        unit = rig["unit"] or ""
        facts = [
            f"resolution {compact(rig['resolution'], unit)}",
            f"capacity {compact(rig['capacity'], unit)}",
        ]
        facts.append(f"calibration {UNKNOWN}" if calibration is None else calibrated(calibration, unit))
        return Station(rig["role"], f"{rig_id(rig['id'])} {rig['name']}", tuple(facts))

    def measurements(self, measured: list[Measured]) -> Station:
        """All measurements of a piece, where none of them alone is meant."""
        facts = [
            f"{measurement_id(each.measurement['id'])} {result['quantity']} "
            + with_uncertainty(result["value"], result["uncertainty"], result["unit"], result["relation"])
            for each in measured
            for result in each.results
            if result["value"] is not None
        ]
        return Station("measured", f"{len(measured)} times", tuple(facts), link="taken on")

    def specimen(self, path: Path, row: Row) -> Station:
        """The piece, with the factors given for it."""
        letters = row["orientation"]
        facts = [
            f"orientation {f'{letters}, {in_words(letters)}' if letters else UNKNOWN}",
            f"came out {row['outcome'] or UNKNOWN}",
            f"place on the plate {place(row)}",
            *(f"{word} {row[word]}" for word in ("geometry", "remark", "cause", "note") if row[word]),
        ]
        sides = tuple(_factor_stations(path.factors)) or (Station("factors", UNKNOWN, known=False),)
        return Station(
            "specimen",
            specimen_id(row["job_id"], row["piece"]),
            tuple(facts),
            link="printed in",
            sides=sides,
        )

    @staticmethod
    def pieces(pieces: list[Row]) -> Station:
        """The specimens of a job."""
        facts = tuple(
            " ".join(
                word
                for word in (specimen_id(row["job_id"], row["piece"]), row["orientation"], row["outcome"])
                if word
            )
            for row in pieces
        )
        return Station("specimens", f"{len(pieces)} pieces", facts, link="printed in")

    def job(self, path: Path, row: Row) -> Station:
        """The print, with plate file, settings and what was changed by hand."""
        again = row["again_of_id"]
        name = f" “{row['name']}”" if row["name"] else ""
        facts = [
            f"began {self._when(row['started_at'])}",
            f"printer {row['printer'] or _given(path, 'printer') or UNKNOWN}",
            f"ended {row['outcome'] or UNKNOWN}",
            *([f"another attempt at {job_id(again)}"] if again is not None else []),
            *(text for text in (row["cause"], row["note"]) if text),
        ]
        return Station(
            "job",
            f"{job_id(row['id'])}{name}",
            tuple(facts),
            link="printed from",
            sides=(self._plate(path, row), self._settings(row), *self._changes(path), *self._logs(path)),
        )

    @staticmethod
    def _plate(path: Path, row: Row) -> Station:
        if path.plate is None:
            return Station("plate file", UNKNOWN, known=False)
        facts = (f"{path.plate['size']} bytes", f"SHA-256 {path.plate['sha256'][:16]}…")
        return Station("plate file", row["plate_name"] or path.plate["name"], facts)

    @staticmethod
    def _settings(row: Row) -> Station:
        both = (
            *(
                f"{part} set {compact(row[f'{part}_set_c'], 'degC')}, "
                f"measured {compact(row[f'{part}_measured_c'], 'degC')}"
                for part in ("nozzle", "bed", "chamber")
                if (row[f"{part}_set_c"], row[f"{part}_measured_c"]) != (None, None)
            ),
            *(
                f"{word} {compact(row[column], unit)}"
                for word, column, unit in _SETTINGS
                if row[column] is not None
            ),
        )
        return Station("settings", "meant and measured" if both else UNKNOWN, both, known=bool(both))

    def _changes(self, path: Path) -> Iterator[Station]:
        if path.changes:
            yield Station("changed", "by hand while it ran", tuple(self._change(row) for row in path.changes))

    def _change(self, row: Row) -> str:
        value = row["text"] if row["value"] is None else f"{row['value']:g}"
        if row["layer"] is not None:
            where = f"from layer {row['layer']} on"
        elif row["height_mm"] is not None:
            where = f"from {row['height_mm']:g} mm on"
        else:
            where = f"at {self._when(row['at'])}"
        return f"{row['setting']} {value} {where}"

    @staticmethod
    def _logs(path: Path) -> Iterator[Station]:
        for row in path.logs:
            yield Station(
                "log", row["name"], (f"SHA-256 {row['sha256'][:16]}…", f"aligned by {row['aligned_by']}")
            )

    def hangs(self, hangs: list[dict[str, Any]]) -> Station:
        """What hangs on a spool, drying or rig."""
        facts = tuple(self._use(use) if "first" in use else self._print(use) for use in hangs)
        what = "measurements" if hangs and "first" in hangs[0] else f"{len(hangs)} jobs"
        head = what if hangs else "nothing yet"
        return Station("hangs on it", head, facts, link="hangs on")

    def _print(self, job: dict[str, Any]) -> str:
        name = f" “{job['name']}”" if job["name"] else ""
        return (
            f"{job['id']}{name}, {self._when(job['started_at'])}: {job['specimens']} specimens, "
            f"{job['measurements']} measurements"
        )

    @staticmethod
    def _use(use: dict[str, Any]) -> str:
        calibration = (
            f"calibration of {use['calibration']}" if use["calibration"] else f"calibration {UNKNOWN}"
        )
        return f"{use['measurements']} under the {calibration}, {use['first']} to {use['last']}"

    @staticmethod
    def rig_alone(rig: Row, calibrations: list[Row]) -> Station:
        """A rig with its calibrations."""
        unit = rig["unit"] or ""
        sides = tuple(Station("calibration", calibrated(row, unit)) for row in calibrations)
        facts = (
            f"resolution {compact(rig['resolution'], unit)}",
            f"capacity {compact(rig['capacity'], unit)}",
        )
        none = (Station("calibration", UNKNOWN, known=False),)
        return Station(rig["role"], f"{rig_id(rig['id'])} {rig['name']}", facts, sides=sides or none)

    def spools(self, path: Path) -> Iterator[Station]:
        """Yield the spools that were printed from, with dryings and stays."""
        if not path.spools:
            sides = (Station("drying", UNKNOWN, known=False), Station("kept", UNKNOWN, known=False))
            yield Station("spool", UNKNOWN, known=False, link="is", sides=sides)
        for spool in path.spools:
            yield self._spool(spool)

    def _spool(self, path: SpoolPath) -> Station:
        row = path.spool
        facts = (
            f"lot {row['lot'] or UNKNOWN}",
            f"received {row['received_on'] or UNKNOWN}",
            f"{row['supplied'] or 'supply ' + UNKNOWN}",
            *([f"on arrival {row['condition']}"] if row["condition"] else []),
        )
        sides = (*self._dryings(path), self._stays(path))
        return Station("spool", spool_id(row["id"]), facts, link="is", sides=sides)

    def _dryings(self, path: SpoolPath) -> Iterator[Station]:
        if not path.dryings:
            yield Station("drying", UNKNOWN, known=False)
        for parts in path.dryings:
            row, dried = parts["drying"], parts["dried"]
            facts = (
                f"{self._when(row['began_at'])}, {hours(row)}",
                f"set {compact(row['set_c'], 'degC')}, measured {compact(row['measured_c'], 'degC')}",
                f"mass {compact(dried['before_g'], 'g')} → {compact(dried['after_g'], 'g')}",
            )
            yield Station("drying", drying_id(row["id"]), facts)

    def _stays(self, path: SpoolPath) -> Station:
        if not path.stays:
            return Station("kept", UNKNOWN, known=False)
        earlier = len(path.stays) - _STAYS_SHOWN
        facts = [self._stay(row) for row in path.stays[-_STAYS_SHOWN:]]
        return Station("kept", self._span, (*([f"{earlier} earlier"] if earlier > 0 else []), *facts))

    def _stay(self, row: Row) -> str:
        end = f"to {self._when(row['ended_at'])}" if row["ended_at"] else "on"
        air = f"{compact(row['temperature_c'], 'degC')}, {humidity(row['rh_pct'])}"
        return f"{row['place']} from {self._when(row['began_at'])} {end}: {air}"

    @staticmethod
    def material(row: Row | None) -> Station:
        """The material, with the ranges of its data sheet."""
        if row is None:
            return Station("material", UNKNOWN, known=False)
        facts = [f"family {row['family'] or UNKNOWN}", f"maker {row['maker'] or UNKNOWN}"]
        facts += [
            f"{part} {low:g} to {high:g} °C"
            for part in ("nozzle", "bed", "chamber")
            if (low := row[f"{part}_low_c"]) is not None and (high := row[f"{part}_high_c"]) is not None
        ]
        return Station("material", row["name"], tuple(facts))


_SETTINGS: Final = (
    ("fan", "fan_set_pct", "%"),
    ("layer height", "layer_height_mm", "mm"),
    ("line width", "line_width_mm", "mm"),
    ("room", "room_c", "degC"),
    ("room humidity", "room_rh_pct", "%"),
    ("filament", "filament_g", "g"),
)


def _given(path: Path, name: str) -> str:
    """Return a factor given outright for the specimen, as text."""
    for row in path.factors:
        if row["name"] == name:
            return str(row["text"] if row["number"] is None else f"{row['number']:g}")
    return ""


def _factor_stations(factors: list[Row]) -> Iterator[Station]:
    """Yield the factors, those of one source together."""
    by_source: dict[tuple[str, str], list[str]] = {}
    for row in factors:
        value = row["text"] if row["number"] is None else f"{row['number']:g}"
        by_source.setdefault((row["basis"], row["source"]), []).append(f"{row['name']} {value}")
    for (basis, source), facts in by_source.items():
        yield Station("factors", f"{basis}, {source}", tuple(facts))
