"""The open data: flat CSV tables of data alone, each column with its title, unit and meaning beside it.

A table is described once; its CSV file, its Table Schema (Data Package 2.0) and its CSVW description are made
from that. Cautions and meanings stand in the descriptions, never in the CSV.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from tracker.factors import factor_named
from tracker.ids import drying_id, job_id, rig_id, spool_id
from tracker.lineage import Lineage
from tracker.orientation import oriented
from tracker.publish.gathering import Gathered, PublishedResult, name_of
from tracker.safe_text import cell
from tracker.stating import state_row

Record = dict[str, Any]


@dataclass(frozen=True)
class Field:
    """One column: name, Table Schema type, what it is, and its unit (UCUM-like, empty for none)."""

    name: str
    type: str
    title: str
    unit: str = ""


@dataclass(frozen=True)
class Table:
    """One table: its columns, key and references to other tables, and what fills it.

    Attributes:
        name: Of table and file.
        title: What a row is.
        fields: Its columns.
        key: Names of the columns that tell rows apart.
        refers: Column to table and column that its values are found in.
        rows: Gives the rows of what is published.
    """

    name: str
    title: str
    fields: tuple[Field, ...]
    key: tuple[str, ...]
    refers: Mapping[str, tuple[str, str]]
    rows: Callable[[Gathered], Iterable[Record]]

    @property
    def path(self) -> str:
        """Where its CSV file is in the site."""
        return f"data/{self.name}.csv"

    def text(self, found: Gathered) -> str:
        """Return its CSV file: a header, then the rows; what is not recorded is an empty cell."""
        text = io.StringIO()
        names = [each.name for each in self.fields]
        lines = csv.writer(text, lineterminator="\n")
        lines.writerow(names)
        for row in self.rows(found):
            known = map(row.get, names)
            lines.writerow([_word(each) if isinstance(each, str) else _other(each) for each in known])
        return text.getvalue()


@lru_cache(maxsize=8192)
def _word(value: str) -> str:
    # A line break within a cell is valid CSV that half of all readers misread.
    # Of our own words "=" is one: guarded, it would be another for every program that reads the data.
    return value if value in ("=", ">", "<") else cell(" ".join(value.split()))


def _other(value: Any) -> Any:
    return value if not isinstance(value, bool) else "true" if value else "false"


def _materials(found: Gathered) -> Iterable[Record]:
    numbers = dict.fromkeys(found.slugs, 0)
    for result in found.all():
        numbers[name_of(result.row)] += result.row.value is not None
    makers = {s.material.name: s.material.maker for s in found.spools().values()}
    for name, slug in found.slugs.items():
        yield {
            "material": name,
            "family": found.families[name],
            "maker": makers.get(name),
            "results": numbers[name],
            "page": f"materials/{slug}.html",
        }


def _spools(found: Gathered) -> Iterable[Record]:
    for ident, history in found.spools().items():
        spool = history.spool
        yield {
            "spool": ident,
            "material": history.material.name,
            "lot": spool.lot,
            "colour": spool.colour,
            "diameter_mm": spool.diameter_mm,
            "supplied": spool.supplied,
            "supplied_by": spool.supplied_by,
            "received_on": spool.received_on,
            "page": found.about.path(ident),
        }


def _jobs(found: Gathered) -> Iterable[Record]:
    for ident, printed in found.prints.items():
        job = printed.job
        pieces = [each for each in found.pieces.values() if each.specimen and each.specimen.job_id == job.id]
        yield {
            "job": ident,
            "name": job.name,
            "material": printed.material.name if printed.material else None,
            "spool": spool_id(printed.main.spool.id) if printed.main else None,
            "printer": job.printer,
            "nozzle": job.nozzle,
            "surface": job.surface,
            "started_at": _moment(job.started_at),
            "outcome": job.outcome,
            "nozzle_set_c": job.nozzle_set_c,
            "nozzle_measured_c": job.nozzle_measured_c,
            "bed_set_c": job.bed_set_c,
            "bed_measured_c": job.bed_measured_c,
            "chamber_set_c": job.chamber_set_c,
            "chamber_measured_c": job.chamber_measured_c,
            "fan_set_pct": job.fan_set_pct,
            "layer_height_mm": job.layer_height_mm,
            "line_width_mm": job.line_width_mm,
            "pieces": len(pieces),
            "failed": sum(1 for each in pieces if each.specimen and each.specimen.outcome == "failed"),
            "plate_sha256": job.plate_sha256,
            "page": found.about.path(ident),
        }


def _specimens(found: Gathered) -> Iterable[Record]:
    for ident, lineage in found.pieces.items():
        yield specimen_record(found, ident, lineage)


_OWN_OF_SPECIMEN: Final = (
    "name", "orientation", "geometry", "outcome", "cause", "remark", "x_mm", "y_mm", "size_x_mm", "size_y_mm",
    "size_z_mm", "filament_g",
)  # fmt: skip
_FACTORS_OF_SPECIMEN: Final = (
    ("drying_c", "drying_c", "value"), ("drying_h", "drying_h", "value"),
    ("open_air_h", "open_air_h", "value"), ("open_air_low_h", "open_air_h", "low"),
    ("open_air_high_h", "open_air_h", "high"),
    ("water_pct", "water_pct", "value"), ("water_low_pct", "water_pct", "low"),
    ("water_high_pct", "water_pct", "high"), ("water_basis", "water_pct", "basis"),
    ("chamber_c", "chamber_c", "value"), ("chamber_low_c", "chamber_c", "low"),
    ("chamber_high_c", "chamber_c", "high"), ("chamber_basis", "chamber_c", "basis"),
    ("nozzle_c", "nozzle_c", "value"), ("fan_pct", "fan_pct", "value"),
    ("layer_time_s", "layer_time_s", "value"),
)  # fmt: skip
"""Columns of a specimen's record that are factors: column, factor, and what of it."""


def specimen_record(found: Gathered, ident: str, lineage: Lineage) -> Record:
    """Return a specimen with what matters of its print: drying, exposure, water, chamber, outcome."""
    row, factors = lineage.specimen, found.factors.get(ident, {})
    main = lineage.spools[0] if lineage.spools else None
    dryings = main.dryings if main else ()
    # Columns that a specimen does not have, as of a spool that was tested itself, are not recorded.
    own = {name: getattr(row, name, None) for name in _OWN_OF_SPECIMEN}
    printed = {column: getattr(factors.get(name), part, None) for column, name, part in _FACTORS_OF_SPECIMEN}
    return {
        "specimen": ident,
        "job": job_id(row.job_id) if row else None,
        "material": lineage.material.name if lineage.material else None,
        "spool": spool_id(main.spool.id) if main else None,
        "name": own.pop("name"),
        "orientation": own["orientation"],
        "orientation_words": oriented(own.pop("orientation")),
        **own,
        "drying": drying_id(dryings[-1].drying.id) if dryings else None,
        **printed,
        "page": found.about.path(ident),
    }


def _measurements(found: Gathered) -> Iterable[Record]:
    for ident, path in found.paths.items():
        row = path.measured[0].measurement
        result = found.measurements[ident][0].row
        yield {
            "measurement": ident,
            "specimen": result.specimen if result.job else None,
            "spool": None if result.job else result.specimen,
            "method": row.method,
            "method_version": row.method_version,
            "at": _moment(row.at),
            "operator": row.operator,
            "room_c": row.room_c,
            "room_rh_pct": row.room_rh_pct,
            "rigs": " ".join(rig_id(use.rig.id) for use in path.measured[0].rigs),
            "calibrated_on": " ".join(
                str(u.calibration.done_on) for u in path.measured[0].rigs if u.calibration
            ),
            "age_h": _value(found.of_tests.get(ident, {}), "age_h"),
            "source": row.source,
            "problem": row.problem,
            "remark": row.remark,
            "page": found.about.path(ident),
        }


def _value(factors: Mapping[str, Any], name: str) -> Any:
    return factors[name].value if name in factors else None


def _results(found: Gathered) -> Iterable[Record]:
    return (result_record(result) for result in found.all())


def result_record(result: PublishedResult) -> Record:
    """Return a result with how it stands and what it is of."""
    row, stated = result.row, state_row(result.row)
    return {
        "measurement": row.measurement,
        "quantity": row.quantity,
        "value": row.value,
        "unit": row.unit,
        "uncertainty": row.uncertainty,
        "expanded_uncertainty": _derived(stated.expanded),
        "k": _derived(stated.k),
        "low": _derived(stated.low),
        "high": _derived(stated.high),
        "relation": row.relation,
        "counted": row.counted,
        "standing": "no value" if row.value is None else "counted" if row.counted else "set aside",
        "reason": result.refused if row.value is None else result.reason,
        "group": row.group,
        "specimen": row.specimen if row.job else None,
        "spool": None if row.job else row.specimen,
        "job": row.job,
        "material": row.material,
        "family": row.family,
        "orientation": row.orientation,
        "orientation_words": oriented(row.orientation),
        "method": row.method,
        "method_version": row.version,
        "remarks": "; ".join(row.remarks),
    }


def _derived(value: float | None) -> float | None:
    """Return what follows from value and uncertainty, both of which are there in full, to seven digits."""
    return None if value is None else float(f"{value:.7g}")


def _readings(found: Gathered) -> Iterable[Record]:
    for ident, path in found.paths.items():
        each = path.measured[0]
        units = each.measurement.units or {}
        for name, value in sorted((each.measurement.readings or {}).items()):
            number = isinstance(value, (int, float)) and not isinstance(value, bool)
            yield {
                "measurement": ident,
                "reading": name,
                "value": value if number else None,
                "text": None if number or value is None else _series(value),
                "unit": units.get(name, "") if isinstance(units.get(name, ""), str) else "",
            }
        for recorded in each.files:
            leaves = found.recordings.get((ident, recorded.file.field))
            if leaves is not None:
                yield {"measurement": ident, "reading": recorded.file.field, "recording": leaves}


def _series(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return "; ".join(
            " ".join(map(str, each)) if isinstance(each, (list, tuple)) else str(each) for each in value
        )
    return str(value)


def _factors(found: Gathered) -> Iterable[Record]:
    for ident, factors in found.factors.items():
        for name, each in factors.items():
            number = isinstance(each.value, (int, float))
            yield {
                "specimen": ident,
                "factor": name,
                "value": each.value if number else None,
                "text": None if number else each.value,
                "unit": each.unit,
                "low": each.low,
                "high": each.high,
                "basis": each.basis,
                "source": each.source,
            }


def _terms(found: Gathered) -> Iterable[Record]:
    for name, title in sorted(found.titles.items()):
        yield {"term": name, "kind": "quantity", "title": title, "unit": found.units.get(name)}
    units = {name: each.unit for factors in found.factors.values() for name, each in factors.items()}
    for name, unit in sorted(units.items()):
        if name not in found.titles:
            yield {"term": name, "kind": "factor", "title": factor_named(name).words, "unit": unit}


def _dryings(found: Gathered) -> Iterable[Record]:
    for ident, history in found.spools().items():
        for each in history.dryings:
            row = each.drying
            yield {
                "drying": drying_id(row.id),
                "spool": ident,
                "began_at": _moment(row.began_at),
                "ended_at": _moment(row.ended_at),
                "set_c": row.set_c,
                "measured_c": row.measured_c,
                "before_g": each.masses.before_g,
                "after_g": each.masses.after_g,
                "dryer": row.dryer,
            }


def _storage(found: Gathered) -> Iterable[Record]:
    for ident, history in found.spools().items():
        for row in history.storage:
            yield {
                "spool": ident,
                "began_at": _moment(row.began_at),
                "ended_at": _moment(row.ended_at),
                "place": row.place,
                "temperature_c": row.temperature_c,
                "rh_pct": row.rh_pct,
            }


def _answers(found: Gathered) -> Iterable[Record]:
    for about, answers in found.answers.items():
        for each in answers:
            yield {"about": about, "by": each.by, "day": each.day, "text": each.text, "address": each.address}


def _moment(value: Any) -> str | None:
    return None if value is None else value.strftime("%Y-%m-%dT%H:%M:%SZ")


def _f(names: str, type_: str = "string", unit: str = "", title: str = "") -> tuple[Field, ...]:
    return tuple(Field(name, type_, title or name.replace("_", " "), unit) for name in names.split())


_PAGE: Final = Field("page", "string", "page of the site, relative to its root")
_RESULT_OF: Final = {
    "specimen": ("specimens", "specimen"),
    "job": ("jobs", "job"),
    "material": ("materials", "material"),
    "measurement": ("measurements", "measurement"),
    "spool": ("spools", "spool"),
}


def _refers(*names: str) -> dict[str, tuple[str, str]]:
    return {name: _RESULT_OF[name] for name in names}


TABLES: Final[Sequence[Table]] = (
    Table("materials", "A material, whether it has a result yet or not.",
          (*_f("material family maker"), Field("results", "integer", "results that have a value"), _PAGE),
          ("material",), {}, _materials),
    Table("spools", "A spool that was printed from or measured.",
          (*_f("spool material lot colour"), Field("diameter_mm", "number", "diameter of the filament", "mm"),
           *_f("supplied", title="how it came: bought, given, lent or sponsored"),
           *_f("supplied_by", title="by whom, under a pseudonym unless they agreed"),
           Field("received_on", "date", "day it came in"), _PAGE),
          ("spool",), _refers("material"), _spools),
    Table("dryings", "A drying of a spool.",
          (*_f("drying spool"), *_f("began_at ended_at", "datetime"),
           *_f("set_c measured_c", "number", "degC"), *_f("before_g after_g", "number", "g"), *_f("dryer")),
          ("drying", "spool"), _refers("spool"), _dryings),
    Table("storage", "A period in which a spool was kept in one place; without an end it goes on.",
          (*_f("spool"), *_f("began_at ended_at", "datetime"), *_f("place"),
           *_f("temperature_c", "number", "degC"), *_f("rh_pct", "number", "%")),
          ("spool", "began_at"), _refers("spool"), _storage),
    Table("jobs", "One run of a plate file. Set and measured values are different columns.",
          (*_f("job name material spool printer nozzle surface"), *_f("started_at", "datetime"),
           *_f("outcome"), *_f("nozzle_set_c nozzle_measured_c bed_set_c bed_measured_c", "number", "degC"),
           *_f("chamber_set_c chamber_measured_c", "number", "degC"), *_f("fan_set_pct", "number", "%"),
           *_f("layer_height_mm line_width_mm", "number", "mm"), *_f("pieces failed", "integer"),
           *_f("plate_sha256"), _PAGE),
          ("job",), _refers("material", "spool"), _jobs),
    Table("specimens", "A printed piece, those that failed included.",
          (*_f("specimen job material spool name"),
           *_f("orientation", title="in the notation of ISO/ASTM 52921"),
           *_f("orientation_words geometry outcome cause remark"),
           *_f("x_mm y_mm size_x_mm size_y_mm size_z_mm", "number", "mm"), *_f("filament_g", "number", "g"),
           *_f("drying", title="last drying of the spool before the print"),
           *_f("drying_c", "number", "degC"), *_f("drying_h", "number", "h"),
           *_f("open_air_h open_air_low_h open_air_high_h", "number", "h"),
           *_f("water_pct water_low_pct water_high_pct", "number", "%"), *_f("water_basis"),
           *_f("chamber_c chamber_low_c chamber_high_c", "number", "degC"), *_f("chamber_basis"),
           *_f("nozzle_c", "number", "degC"), *_f("fan_pct", "number", "%"),
           *_f("layer_time_s", "number", "s"),
           _PAGE),
          ("specimen",), _refers("job", "material", "spool"), _specimens),
    Table("measurements", "One use of a method on a specimen or a spool.",
          (*_f("measurement specimen spool method method_version"), *_f("at", "datetime"), *_f("operator"),
           *_f("room_c", "number", "degC"), *_f("room_rh_pct", "number", "%"), *_f("rigs calibrated_on"),
           *_f("age_h", "number", "h", "hours from the end of the print"),
           *_f("source problem remark"), _PAGE),
          ("measurement",), _refers("specimen", "spool"), _measurements),
    Table("results", "A quantity computed from a measurement; one without value says why.",
          (*_f("measurement quantity"), *_f("value", "number", title="in the unit beside it"),
          *_f("unit"),
           *_f("uncertainty", "number", title="standard uncertainty u, in the unit"),
           *_f("expanded_uncertainty", "number", title="U = k·u at 95 %, in the unit"), *_f("k", "number"),
           *_f("low high", "number", title="end of the 95 % interval, in the unit"),
           *_f("relation", title="= for a value; > or < where the truth lies above or below it"),
           *_f("counted", "boolean", title="whether it enters means"), *_f("standing reason group"),
           *_f("specimen spool job material family orientation orientation_words"),
           *_f("method method_version remarks")),
          ("measurement", "quantity"),
          {**_refers("measurement", "specimen", "spool", "job", "material"), "quantity": ("terms", "term")},
          _results),
    Table("readings", "A raw reading behind a result: a number, a text, or a recording.",
          (*_f("measurement reading"), *_f("value", "number", title="in the unit beside it"),
          *_f("text unit"),
           *_f("recording", title="file of the site that was read")),
          ("measurement", "reading"), _refers("measurement"), _readings),
    Table("factors",
    "Anything recorded about how a piece came to be: as it was in force over its gauge section.",
          (*_f("specimen factor"), *_f("value", "number", title="in the unit beside it"),
          *_f("text unit"),
           *_f("low high", "number"), *_f("basis", title="measured, commanded, estimated, typed …"),
           *_f("source")),
          ("specimen", "factor"), {**_refers("specimen"), "factor": ("terms", "term")}, _factors),
    Table("terms", "A quantity or factor by its name in the tables, as people call it.",
          (*_f("term kind title unit"),), ("term",), {}, _terms),
    Table("answers", "An answer to a number or a material: a maker's, a reader's, or the bench's own.",
          (*_f("about by"), *_f("day", "date"), *_f("text address")),
          (), {}, _answers),
)  # fmt: skip
