"""Under what conditions a piece was printed and tested: what tells one row of a material from another.

A condition holds what was measured where it was measured and is off what was set; treatment, drying and the
water at the test always.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.model import (
    OWN_MATERIAL,
    Drying,
    DryingSpool,
    FactorInForce,
    FactorRecord,
    Job,
    JobInForce,
    JobSpool,
    Material,
    Specimen,
    Spool,
    Stay,
)
from tracker.stored_rows import raw
from tracker.table.results import Point, Sums, moment_of
from tracker.units import shown

SETTINGS: Final[Mapping[str, tuple[str, str, str]]] = {
    "nozzle_c": ("nozzle_set_c", "nozzle", "degC"),
    "bed_c": ("bed_set_c", "bed", "degC"),
    "chamber_c": ("chamber_set_c", "chamber", "degC"),
    "fan_pct": ("fan_set_pct", "fan", "%"),
    "layer_height_mm": ("layer_height_mm", "layer", "mm"),
    "line_width_mm": ("line_width_mm", "line", "mm"),
    "printer": ("printer", "", ""),
    "treatment": ("", "", ""),
    "drying": ("", "", ""),
    "conditioned_rh_pct": ("", "conditioned at", "%RH"),
    "test_water_pct": ("", "tested with water", "%"),
}
"""Name to the job's column for what was set, the words for it, and its unit.

Without a column: ``treatment`` stands with the pieces, ``drying`` follows from the spool's days, the last two
stand with the measurement.
"""

ALWAYS: Final = ("treatment", "drying", "conditioned_rh_pct", "test_water_pct")
"""Told in every row where any of it is known: wet pieces never stand beside dry ones without the word."""

Condition = tuple[tuple[str, Hashable], ...]
_Origin = tuple[str | None, str | None, Condition]
_HEATED: Final = ("nozzle", "bed", "chamber")
_OFF_C: Final = 5.0
"""°C by which a measured temperature may be off the one set and still be taken for it; also the step to which
one that is off is rounded, so that plates alike stand together. Common practice, no source."""
_SOON_H: Final = 24.0
"""Hours in open air after a drying within which a spool still counts as dried. Common practice, no source."""

DRIED: Final = "dried"
EXPOSED: Final = f"over {_SOON_H:g} h in open air since drying"
NEVER: Final = "no drying recorded"


@dataclass(frozen=True)
class Origins:
    """What results came from, as far as a table tells its rows apart by it.

    Attributes:
        jobs: Of every job by its number: material, family, condition.
        spools: Of every spool by its number: material and family.
        special: Of specimens of which something else is recorded than of their job: their condition.
        special_jobs: Numbers of the jobs of such specimens.
        measured: Of every job by its number: set and measured temperatures in °C, where both are known.
        materials: Of specimens of another material than their plate's: material and family.
    """

    jobs: Mapping[int, _Origin]
    spools: Mapping[int, tuple[str | None, str | None]]
    special: Mapping[int, Condition] = field(default_factory=dict)
    special_jobs: frozenset[int] = frozenset()
    measured: Mapping[int, Mapping[str, tuple[float, float]]] = field(default_factory=dict)
    materials: Mapping[int, tuple[str | None, str | None]] = field(default_factory=dict)

    def is_special(self, specimen: int | None) -> bool:
        """Whether something else is recorded of a specimen than of its job."""
        return specimen is not None and (specimen in self.special or specimen in self.materials)

    def of(self, found: Point | Sums, specimen: int | None = None) -> _Origin:
        """Return material, family and condition of a result, or of sums of results.

        Args:
            found: The result or the sums.
            specimen: The piece of the result.
        """
        if found.job is None:
            material, family = self.spools.get(found.spool or 0, (None, None))
            return material, family, _tested((), found)
        material, family, condition = self.jobs[found.job]
        if specimen is not None and self.is_special(specimen):
            condition = self.special.get(specimen, condition)
            material, family = self.materials.get(specimen, (material, family))
        return material, family, _tested(condition, found)


def _tested(condition: Condition, found: Point | Sums) -> Condition:
    """Return a condition with the humidity and water at the test, rounded so that like stands with like."""
    if found.rh_pct is None and found.water_pct is None:
        return condition
    more: list[tuple[str, Hashable]] = []
    if found.rh_pct is not None:
        more.append(("conditioned_rh_pct", 5.0 * round(found.rh_pct / 5.0)))
    if found.water_pct is not None:
        more.append(("test_water_pct", round(2.0 * found.water_pct) / 2.0))
    return (*condition, *more)


_COLUMNS: Final = {name: column for name, (column, _, _) in SETTINGS.items() if column}
_JOBS: Final = select(
    Job.id,
    JobInForce.spool_id,
    JobInForce.material_id,
    raw(Job.started_at),
    *(getattr(Job, f"{name}_measured_c") for name in _HEATED),
    *(getattr(Job, column) for column in _COLUMNS.values()),
).outerjoin(JobInForce, JobInForce.job_id == Job.id)
_OTHER_MATERIALS: Final = (
    select(FactorInForce.specimen_id, Specimen.job_id, FactorInForce.number)
    .join(Specimen, Specimen.id == FactorInForce.specimen_id)
    .where(FactorInForce.name == OWN_MATERIAL)
)
_FACTORS: Final = (
    select(
        FactorRecord.specimen_id, Specimen.job_id, FactorRecord.name, FactorRecord.number, FactorRecord.text
    )
    .join(Specimen, Specimen.id == FactorRecord.specimen_id)
    .where(FactorRecord.name.in_(SETTINGS))
)
_FACTOR_TABLE: Final = FactorRecord.metadata.tables[FactorRecord.__tablename__]
_ANY_FACTOR: Final = select(_FACTOR_TABLE.c.specimen_id).where(_FACTOR_TABLE.c.name.in_(SETTINGS)).limit(1)


def origins(connection: Connection) -> Origins:
    """Return where all results of a book come from; what is not recorded is left out of a condition."""
    materials: dict[int | None, tuple[str | None, str | None]] = {
        number: (name, family)
        for number, name, family in connection.execute(select(Material.id, Material.name, Material.family))
    }
    nothing = (None, None)
    of_spool = {row.id: row.material_id for row in connection.execute(select(Spool.id, Spool.material_id))}
    days = _spool_days(connection)
    jobs: dict[int, _Origin] = {}
    measured: dict[int, dict[str, tuple[float, float]]] = {}
    alike: dict[tuple[Hashable, ...], Condition] = {}
    same: dict[_Origin, _Origin] = {}
    for number, spool, material, started, *values in connection.execute(_JOBS).all():
        drying = days[spool].before(started) if spool in days and started is not None else None
        key = (drying, *values)
        # Many jobs share few conditions: each is worked out once.
        condition = alike.get(key)
        if condition is None:
            condition = alike[key] = _condition_of_job(values, drying)
        origin = (*materials.get(material, nothing), condition)
        # One object for all jobs alike: the table tells origins apart by it.
        jobs[number] = same.setdefault(origin, origin)
        if values[0] is not None or values[1] is not None or values[2] is not None:
            pairs = _set_and_measured(values)
            if pairs:
                measured[number] = pairs
    spools = {number: materials.get(material, nothing) for number, material in of_spool.items()}
    special, special_jobs = _special(connection, jobs)
    others = connection.execute(_OTHER_MATERIALS).all()
    of_pieces = {piece: materials.get(int(number or 0), nothing) for piece, _, number in others}
    special_jobs |= {job for _, job, _ in others}
    return Origins(jobs, spools, special, special_jobs, measured, of_pieces)


def _set_and_measured(values: Sequence[Any]) -> dict[str, tuple[float, float]]:
    # The first three columns were measured, the next three set, in the order of _HEATED.
    pairs = zip(_HEATED, values[3:6], values[:3], strict=True)
    return {name: (meant, got) for name, meant, got in pairs if meant is not None and got is not None}


def _condition_of_job(values: Sequence[Any], drying: str | None) -> Condition:
    known: dict[str, Any] = dict(zip(_COLUMNS, values[len(_HEATED) :], strict=True))
    for name, got in zip(_HEATED, values, strict=False):
        meant = known[f"{name}_c"]
        if got is None or (meant is not None and abs(got - meant) <= _OFF_C):
            continue
        # Neither what was set, which it was not printed at, nor the reading to its last digit.
        known |= {
            f"{name}_c": _OFF_C * round(got / _OFF_C),
            f"{name}_basis": "measured",
            f"{name}_set_c": meant,
        }
    return _condition(known | {"drying": drying})


def _special(
    connection: Connection, jobs: Mapping[int, _Origin]
) -> tuple[dict[int, Condition], frozenset[int]]:
    # Over the bare table, whose key is an index that holds all that is asked: a book with a million other
    # factors is walked through in a fifth of the time.
    if connection.scalar(_ANY_FACTOR) is None:
        return {}, frozenset()
    given: dict[int, dict[str, Hashable]] = {}
    special_jobs = set()
    for specimen, job, name, number, text in connection.execute(_FACTORS).all():
        known = given.setdefault(specimen, dict(jobs[job][2]))
        known[name] = number if number is not None else text
        # What is given for the piece outright is neither the job's reading nor its setting.
        stem = name.removesuffix("_c")
        known.pop(f"{stem}_basis", None)
        known.pop(f"{stem}_set_c", None)
        special_jobs.add(job)
    alike: dict[tuple[Any, ...], Condition] = {}
    found = {}
    for specimen, each in given.items():
        made = _condition(each)
        found[specimen] = alike.setdefault(made, made)
    return found, frozenset(special_jobs)


_ORDER: Final = (*SETTINGS, *(f"{name}_{end}" for name in _HEATED for end in ("basis", "set_c")))


def _condition(known: Mapping[str, Hashable]) -> Condition:
    return tuple((name, known[name]) for name in _ORDER if known.get(name) is not None)


@dataclass
class _Days:
    """A spool's dryings and hours in open air, in order: moments as numbers of seconds."""

    dried: list[float] = field(default_factory=list)
    open_air: list[tuple[float, float]] = field(default_factory=list)
    known: dict[Any, str] = field(default_factory=dict)

    def before(self, started: Any) -> str:
        """Return how dry the spool may be at a moment, as the database has it, in words."""
        found = self.known.get(started)
        if found is None:
            found = self.known[started] = self._before(moment_of(started).timestamp())
        return found

    def _before(self, at: float) -> str:
        place = bisect_right(self.dried, at)
        if not place:
            return NEVER
        since = self.dried[place - 1]
        hours = sum(max(0.0, min(end, at) - max(began, since)) for began, end in self.open_air) / 3600.0
        return EXPOSED if hours > _SOON_H else DRIED


def _spool_days(connection: Connection) -> dict[int, _Days]:
    """Return the days of the spools of which a storage period or a drying is recorded."""
    found: dict[int, _Days] = {}
    dried = select(DryingSpool.spool_id, raw(Drying.began_at), raw(Drying.ended_at)).join(
        Drying, Drying.id == DryingSpool.drying_id
    )
    for spool, began, ended in connection.execute(dried):
        # One that nobody ended dries until the print: it counts from its beginning.
        found.setdefault(spool, _Days()).dried.append(moment_of(ended or began).timestamp())
    kept = select(Stay.spool_id, Stay.place, raw(Stay.began_at), raw(Stay.ended_at))
    for spool, place, began, ended in connection.execute(kept):
        days = found.setdefault(spool, _Days())
        if place in ("open air", "printer"):
            end = dt.datetime.max.replace(tzinfo=dt.UTC) if ended is None else moment_of(ended)
            days.open_air.append((moment_of(began).timestamp(), end.timestamp()))
    for days in found.values():
        days.dried.sort()
    return found


def departures(jobs: Iterable[Mapping[str, tuple[float, float]]]) -> tuple[str, ...]:
    """Return in words where the temperatures measured on plates were not those set for them."""
    told = list(jobs)
    said = []
    for name in _HEATED:
        pairs = [job[name] for job in told if name in job]
        if any(abs(got - meant) > _OFF_C for meant, got in pairs):
            meant = _spread([meant for meant, _ in pairs])
            said.append(f"{name} set {meant} °C, measured {_spread([got for _, got in pairs])} °C")
    return tuple(said)


def ranges(jobs: Iterable[Mapping[str, tuple[float, float]]]) -> dict[str, tuple[float, float]]:
    """Return least and greatest measured temperature of plates in °C, by name of the setting."""
    found: dict[str, tuple[float, float]] = {}
    for job in jobs:
        for name, (_, got) in job.items():
            low, high = found.get(f"{name}_c", (got, got))
            found[f"{name}_c"] = (min(low, got), max(high, got))
    return found


def _spread(values: Sequence[float]) -> str:
    low, high = min(values), max(values)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def spools_by_job(connection: Connection) -> dict[int, frozenset[int]]:
    """Return the spools of every job by its number."""
    found: dict[int, frozenset[int]] = {}
    alike: dict[frozenset[int], frozenset[int]] = {}
    for job, spool in connection.execute(select(JobSpool.job_id, JobSpool.spool_id)):
        spools = found.get(job, frozenset()) | {spool}
        found[job] = alike.setdefault(spools, spools)
    return found


def told_apart(all_of: Iterable[Condition]) -> Sequence[str]:
    """Return what conditions of one material differ in, and what is told always, in their usual order."""
    known = [dict(each) for each in all_of]
    return [
        name
        for name in SETTINGS
        if len({_value(each, name) for each in known}) > 1
        or (name in ALWAYS and any(each.get(name) is not None for each in known))
    ]


def _value(known: Mapping[str, Any], name: str) -> tuple[Any, Any]:
    return known.get(name), known.get(f"{name.removesuffix('_c')}_set_c")


def words(condition: Condition, names: Sequence[str]) -> str:
    """Return a condition in words, as far as it is told: ``nozzle 255 °C, fan 20 %, dried``."""
    known: dict[str, Any] = dict(condition)
    return ", ".join(_word(name, known) for name in names)


def _word(name: str, known: Mapping[str, Any]) -> str:
    _, label, unit = SETTINGS[name]
    value = known.get(name)
    if value is None:
        return f"{label or name} not recorded"
    said = f"{label} {value:g} {shown(unit)}" if isinstance(value, float) else f"{label} {value}"
    stem = name.removesuffix("_c")
    if known.get(f"{stem}_basis") == "measured":
        meant = known.get(f"{stem}_set_c")
        said += " measured" if meant is None else f" measured ({meant:g} set)"
    return said.strip()
