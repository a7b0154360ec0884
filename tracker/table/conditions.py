"""Under what settings a piece was meant to be printed: what tells one row of a material from another."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.model import FactorRecord, Job, JobSpool, Specimen
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


def conditions(connection: Connection) -> dict[int, Condition]:
    """Return the meant settings of every specimen by its row number; what is not recorded is left out."""
    columns = [getattr(Job, column) for column, _, _ in SETTINGS.values() if column]
    of_jobs = {row.id: row._mapping for row in connection.execute(select(Job.id, *columns))}
    given: dict[int, dict[str, Hashable]] = {}
    for row in connection.execute(
        select(FactorRecord.specimen_id, FactorRecord.name, FactorRecord.number, FactorRecord.text).where(
            FactorRecord.name.in_(SETTINGS)
        )
    ):
        given.setdefault(row.specimen_id, {})[row.name] = row.number if row.number is not None else row.text
    found = {}
    for number, job in connection.execute(select(Specimen.id, Specimen.job_id)):
        meant = {name: of_jobs[job][column] for name, (column, _, _) in SETTINGS.items() if column}
        known = {**meant, **given.get(number, {})}
        found[number] = tuple((name, known[name]) for name in SETTINGS if known.get(name) is not None)
    return found


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
