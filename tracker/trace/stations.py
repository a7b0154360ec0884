"""The way back in words: one station after another, each with what stands beside it.

Both the screen and the picture show these stations, so neither can say what the other does not.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from tracker.ids import drying_id, job_id, measurement_id, rig_id, specimen_id, spool_id
from tracker.orientation import in_words
from tracker.trace.reading import Parts, Row
from tracker.trace.walk import Measured, Path, SpoolPath
from tracker.trace.way import Way
from tracker.units import compact, shown, with_uncertainty

UNKNOWN: Final = "not recorded"
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


def stations(trace: Way) -> list[Station]:
    """Return the stations of a trace, from the number to the material."""
    say = _Sayer(trace)
    found: list[Station] = []
    if trace.number is not None:
        found.append(say.number(trace.number))
    if trace.chosen is not None:
        found.append(say.measurement(trace.chosen))
    elif trace.path.measured:
        found.append(say.measurements(trace.path.measured))
    if trace.path.specimen is not None:
        found.append(say.specimen(trace.path, trace.path.specimen))
    elif trace.path.pieces:
        found.append(say.pieces(trace.path.pieces))
    if trace.path.job is not None:
        found.append(say.job(trace.path, trace.path.job))
    found += say.spools(trace.path)
    found.append(say.material(trace.path.material))
    return found


def journal_lines(trace: Way) -> Iterator[str]:
    """Yield the journal entries behind the path, one line each, oldest first."""
    for entry in trace.path.journal.entries.values():
        reason = f": {entry.reason}" if entry.reason else ""
        yield f"{entry.seq}, {_local(entry.at, trace.zone)}, {entry.who}, {entry.act}{reason}"


def correction_lines(trace: Way) -> Iterator[str]:
    """Yield the corrections on the path: what said what before, who changed it, when and why."""
    names = trace.names()
    for change in trace.path.journal.changes:
        entry = change.entry
        what = names.get((change.table, change.key), f"{change.table} {change.key}")
        old, new = (UNKNOWN if value is None else str(value) for value in (change.old, change.new))
        why = f": {entry.reason}" if entry.reason else ""
        when = _local(entry.at, trace.zone)
        yield f"{what} {change.column}: {old} → {new} (entry {entry.seq}, {entry.who}, {when}{why})"


class _Sayer:
    """Puts rows into words, in one zone."""

    def __init__(self, trace: Way) -> None:
        self._zone = trace.zone
        self._units: Mapping[str, str] = trace.described.get("units", {})
        self._title = str(trace.described.get("title", ""))

    def _when(self, moment: dt.datetime | None) -> str:
        return _local(moment, self._zone)

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
            f"{part['source']} {_percent(part['share'])}"
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
            f"{self._when(row['at'])}, by {row['operator'] or UNKNOWN}",
            f"room {compact(row['room_c'], 'degC')}, {_humidity(row['room_rh_pct'])}",
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
            f"{name} {_reading(value, self._units.get(name, ''))}" for name, value in readings.items()
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
        facts.append(f"calibration {UNKNOWN}" if calibration is None else _calibrated(calibration, unit))
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
            f"place on the plate {_place(row)}",
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
                f"{self._when(row['began_at'])}, {_hours(row)}",
                f"set {compact(row['set_c'], 'degC')}, measured {compact(row['measured_c'], 'degC')}",
                f"mass {compact(dried['before_g'], 'g')} → {compact(dried['after_g'], 'g')}",
            )
            yield Station("drying", drying_id(row["id"]), facts)

    def _stays(self, path: SpoolPath) -> Station:
        if not path.stays:
            return Station("kept", UNKNOWN, known=False)
        earlier = len(path.stays) - _STAYS_SHOWN
        facts = [self._stay(row) for row in path.stays[-_STAYS_SHOWN:]]
        return Station("kept", "before the print", (*([f"{earlier} earlier"] if earlier > 0 else []), *facts))

    def _stay(self, row: Row) -> str:
        end = self._when(row["ended_at"]) if row["ended_at"] else "on"
        air = f"{compact(row['temperature_c'], 'degC')}, {_humidity(row['rh_pct'])}"
        return f"{row['place']} from {self._when(row['began_at'])} to {end}: {air}"

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


def _local(moment: dt.datetime | None, zone: dt.tzinfo) -> str:
    return UNKNOWN if moment is None else f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _humidity(percent: float | None) -> str:
    return f"humidity {UNKNOWN}" if percent is None else f"{percent:g} % RH"


def _reading(value: Any, unit: str) -> str:
    if isinstance(value, list):
        return "; ".join(":".join(map(str, part)) if isinstance(part, list) else str(part) for part in value)
    text = f"{value:.8g}" if isinstance(value, float) else str(value)
    return f"{text} {shown(unit)}".rstrip()


def _calibrated(row: Row, unit: str) -> str:
    parts = []
    if row["u_abs"]:
        parts.append(f"u {compact(row['u_abs'], unit)}")
    if row["u_rel"]:
        parts.append(f"u {100 * row['u_rel']:.3g} %")
    against = f" against {row['reference']}" if row["reference"] else ""
    return f"calibrated {row['done_on']}: {' and '.join(parts) or 'no uncertainty stated'}{against}"


def _place(row: Row) -> str:
    if row["x_mm"] is None or row["y_mm"] is None:
        return UNKNOWN
    return f"{row['x_mm']:g}, {row['y_mm']:g} mm"


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


def _hours(row: Row) -> str:
    if row["ended_at"] is not None:
        hours = (row["ended_at"] - row["began_at"]).total_seconds() / 3600
        return f"{hours:.{0 if math.isclose(hours, round(hours), abs_tol=0.05) else 1}f} h"
    return (
        f"{row['planned_h']:g} h planned, end {UNKNOWN}" if row["planned_h"] is not None else f"end {UNKNOWN}"
    )
