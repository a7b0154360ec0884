"""Under what settings a piece was meant to be printed: what tells one row of a material from another."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, func, select

from tracker.model import FactorRecord, Job, JobSpool, Material, Specimen, Spool
from tracker.table.points import Point
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
}
"""Factor to the job's column that was meant, the words for it, and its unit. ``treatment`` stands only
with the pieces."""

Condition = tuple[tuple[str, Hashable], ...]


_Origin = tuple[str | None, str | None, Condition]


@dataclass(frozen=True)
class Origins:
    """What results came from, as far as a table tells its rows apart by it.

    Attributes:
        jobs: Of every job by its number: material, family, meant settings.
        spools: Of every spool by its number: material and family.
        special: Of specimens of which something else is recorded than of their job: their settings.
    """

    jobs: Mapping[int, _Origin]
    spools: Mapping[int, tuple[str | None, str | None]]
    special: Mapping[int, Condition]

    def of(self, point: Point) -> _Origin:
        """Return material, family and meant settings of a result."""
        if point.job is None:
            return (*self.spools.get(point.spool or 0, (None, None)), ())
        origin = self.jobs[point.job]
        special = self.special.get(point.specimen or 0) if self.special else None
        return origin if special is None else (origin[0], origin[1], special)


_MATERIAL_OF_SPOOL: Final = (
    select(Spool.material_id)
    .join(JobSpool, JobSpool.spool_id == Spool.id)
    .where(JobSpool.job_id == Job.id)
    .order_by(JobSpool.tool, Spool.id)
    .limit(1)
    .scalar_subquery()
)
_COLUMNS: Final = tuple(column for column, _, _ in SETTINGS.values() if column)
_JOBS: Final = select(
    Job.id,
    func.coalesce(_MATERIAL_OF_SPOOL, Job.material_id).label("material"),
    *(getattr(Job, column) for column in _COLUMNS),
)
_FACTORS: Final = (
    select(
        FactorRecord.specimen_id, Specimen.job_id, FactorRecord.name, FactorRecord.number, FactorRecord.text
    )
    .join(Specimen, Specimen.id == FactorRecord.specimen_id)
    .where(FactorRecord.name.in_(SETTINGS))
)


def origins(connection: Connection) -> Origins:
    """Return where all results of a book come from; settings that are not recorded are left out."""
    materials = {
        number: (name, family)
        for number, name, family in connection.execute(select(Material.id, Material.name, Material.family))
    }
    nothing = (None, None)
    jobs: dict[int, _Origin] = {}
    alike: dict[tuple[Hashable, ...], Condition] = {}
    for number, material, *values in connection.execute(_JOBS).all():
        # Many jobs share few conditions: each is worked out once.
        settings = alike.get(tuple(values))
        if settings is None:
            settings = alike[tuple(values)] = _condition(dict(zip(_NAMES, values, strict=True)))
        jobs[number] = (*materials.get(material, nothing), settings)
    spools = {
        number: materials.get(material, nothing)
        for number, material in connection.execute(select(Spool.id, Spool.material_id))
    }
    return Origins(jobs, spools, _special(connection, jobs))


def _special(connection: Connection, jobs: Mapping[int, _Origin]) -> dict[int, Condition]:
    given: dict[int, dict[str, Hashable]] = {}
    for specimen, job, name, number, text in connection.execute(_FACTORS).all():
        given.setdefault(specimen, dict(jobs[job][2]))[name] = number if number is not None else text
    return {specimen: _condition(known) for specimen, known in given.items()}


_NAMES: Final = tuple(name for name, (column, _, _) in SETTINGS.items() if column)


def _condition(known: Mapping[str, Hashable]) -> Condition:
    return tuple((name, known[name]) for name in SETTINGS if known.get(name) is not None)


_HEATED: Final = ("nozzle", "bed", "chamber")
_OFF_C: Final = 5.0
"""°C by which a measured temperature may be off the one meant without a word; common practice, no source."""


def measured_by_job(connection: Connection) -> dict[int, dict[str, tuple[float, float]]]:
    """Return meant and measured temperatures in °C by number of the job, where both are known."""
    columns = [getattr(Job, f"{name}_{kind}_c") for name in _HEATED for kind in ("set", "measured")]
    found: dict[int, dict[str, tuple[float, float]]] = {}
    for job, *values in connection.execute(select(Job.id, *columns)):
        pairs = zip(_HEATED, values[::2], values[1::2], strict=True)
        known = {name: (meant, got) for name, meant, got in pairs if meant is not None and got is not None}
        if known:
            found[job] = known
    return found


def departures(jobs: Iterable[Mapping[str, tuple[float, float]]]) -> tuple[str, ...]:
    """Return in words where the temperatures measured on plates were not those meant for them."""
    told = list(jobs)
    said = []
    for name in _HEATED:
        pairs = [job[name] for job in told if name in job]
        if any(abs(got - meant) > _OFF_C for meant, got in pairs):
            meant = _spread([meant for meant, _ in pairs])
            said.append(f"{name} meant {meant} °C, measured {_spread([got for _, got in pairs])} °C")
    return tuple(said)


def _spread(values: Sequence[float]) -> str:
    low, high = min(values), max(values)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def spools_by_job(connection: Connection) -> dict[int, frozenset[int]]:
    """Return the spools of every job by its number."""
    found: dict[int, set[int]] = {}
    for job, spool in connection.execute(select(JobSpool.job_id, JobSpool.spool_id)):
        found.setdefault(job, set()).add(spool)
    return {job: frozenset(spools) for job, spools in found.items()}


def told_apart(all_of: Iterable[Condition]) -> Sequence[str]:
    """Return the settings by which conditions of one material differ, in their usual order."""
    known = [dict(each) for each in all_of]
    return [name for name in SETTINGS if len({each.get(name) for each in known}) > 1]


def words(condition: Condition, names: Sequence[str]) -> str:
    """Return a condition in words, as far as it differs from the others: ``nozzle 255 °C, fan 20 %``."""
    known: dict[str, Any] = dict(condition)
    return ", ".join(_word(name, known.get(name)) for name in names)


def _word(name: str, value: Any) -> str:
    _, label, unit = SETTINGS[name]
    if value is None:
        return f"{label or name} not recorded"
    said = f"{value:g} {shown(unit)}" if isinstance(value, float) else str(value)
    return f"{label} {said}".strip()
