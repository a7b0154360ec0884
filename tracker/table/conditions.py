"""Under what conditions a piece was printed and tested: what tells one row of a material from another.

A condition holds what was measured where it was measured and is off what was set; treatment, drying and the
water at the test always.
"""

from __future__ import annotations

import datetime as dt
import json
from bisect import bisect_right
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from numpy.typing import NDArray
from sqlalchemy import Connection, func, select

from tracker.lazy_modules import np
from tracker.model import (
    OWN_MATERIAL,
    Drying,
    DryingSpool,
    Job,
    JobInForce,
    JobSpool,
    Material,
    Spool,
    StoragePeriod,
)
from tracker.plate_sums import moment_of, rounded_test
from tracker.stating import shown
from tracker.stored_rows import batched, raw

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

Without a column: ``treatment`` is with the pieces, ``drying`` follows from the spool's days, the last two
stand with the measurement.
"""

ALWAYS: Final = ("treatment", "drying", "conditioned_rh_pct", "test_water_pct")
"""Told in every row where any of it is known: wet pieces never stand beside dry ones without the word."""

Condition = tuple[tuple[str, Hashable], ...]
_UNKNOWN: Final = (None, None, ())
Array = NDArray[np.float64]
_HEATED: Final = ("nozzle", "bed", "chamber")
_OFF_C: Final = 5.0
"""°C by which a measured temperature may be off the one set and still be taken for it; also the step to which
one that is off is rounded, so that plates alike stand together. Common practice, no source."""
_SOON_H: Final = 24.0
"""Hours in open air after a drying within which a spool still counts as dried. Common practice, no source."""

DRIED: Final = "dried"
EXPOSED: Final = f"over {_SOON_H:g} h in open air since drying"
NEVER: Final = "no drying recorded"


_Known = tuple[str | None, str | None, Condition]


class Origins:
    """Where results come from, as far as a table tells its rows apart by it: by plate, as arrays.

    A plate is a job, or below zero a spool that was tested itself. Few origins stand for many plates.

    Args:
        connection: To the book.
    """

    def __init__(self, connection: Connection) -> None:
        self._origins: list[_Known] = [_UNKNOWN]
        self._codes: dict[_Known, int] = {_UNKNOWN: 0}
        self._alike: dict[tuple[Any, ...], int] = {}
        self._job = np.zeros(0, dtype=np.int32)
        self._heated = np.zeros((0, 2 * len(_HEATED)))
        self._read_common(connection)
        self.days = _spool_days(connection)
        self.read_jobs(connection)

    def _read_common(self, connection: Connection) -> None:
        """Read what is small: materials, and of which each spool is."""
        rows = connection.execute(select(Material.id, Material.name, Material.family))
        self._materials: dict[int | None, tuple[str | None, str | None]] = {
            number: (name, family) for number, name, family in rows
        }
        nothing = (None, None)
        self._spools = {
            spool: self.code((*self._materials.get(material, nothing), ()))
            for spool, material in connection.execute(select(Spool.id, Spool.material_id))
        }

    def renew(self, connection: Connection, jobs: Collection[int], *, days: bool) -> None:
        """Read again what acts have touched; what this one was copied from stays as it is.

        Args:
            connection: To the book.
            jobs: Jobs of which something is another; those that are gone too.
            days: Whether storage periods or dryings are others.
        """
        self._job, self._heated = self._job.copy(), self._heated.copy()
        self._origins, self._codes, self._alike = [*self._origins], dict(self._codes), dict(self._alike)
        self._read_common(connection)
        again = set(jobs)
        if days:
            before, self.days = self.days, _spool_days(connection)
            spools = [
                spool for spool in {*before, *self.days}
                if before.get(spool) != self.days.get(spool)
            ]  # fmt: skip
            for some in batched(sorted(spools)):
                again.update(
                    connection.scalars(select(JobInForce.job_id).where(JobInForce.spool_id.in_(some)))
                )
        if again:
            self._job[[job for job in again if job < len(self._job)]] = 0
            self.read_jobs(connection, again)

    def read_jobs(self, connection: Connection, jobs: Collection[int] | None = None) -> None:
        """Read jobs, all where none are named; what is not recorded is left out of a condition."""
        last = connection.scalar(select(func.max(Job.id))) or 0
        self._job = _lengthened(self._job, last + 1)
        self._heated = _lengthened(self._heated, last + 1)
        parts = [_JOBS] if jobs is None else [_JOBS.where(Job.id.in_(some)) for some in batched(sorted(jobs))]
        for part in parts:
            options = {"stream_results": True, "max_row_buffer": _AT_ONCE}
            streamed = connection.execute(part, execution_options=options)
            for rows in streamed.partitions(_AT_ONCE):
                self._take_jobs(rows)

    def _take_jobs(self, rows: Sequence[Any]) -> None:
        days, codes_of, nothing = self.days, self._alike, (None, None)
        codes = []
        for _, spool, material, started, *values in rows:
            drying = days[spool].before(started) if spool in days and started is not None else None
            key = (material, drying, *values)
            # Many jobs share few conditions: each is worked out once.
            code = codes_of.get(key)
            if code is None:
                known = (*self._materials.get(material, nothing), _condition_of_job(values, drying))
                code = codes_of[key] = self.code(known)
            codes.append(code)
        numbers = np.array([row[0] for row in rows])
        self._job[numbers] = codes
        # The first three columns were measured, the next three set, in the order of _HEATED.
        self._heated[numbers] = np.array([row[4 : 4 + 2 * len(_HEATED)] for row in rows], dtype=np.float64)

    def code(self, origin: _Known) -> int:
        """Return the number that stands for material, family and condition."""
        found = self._codes.get(origin)
        if found is None:
            found = self._codes[origin] = len(self._origins)
            self._origins.append(origin)
        return found

    def codes(self, plates: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the number of the origin of each plate, shape (n,)."""
        jobs = np.where((plates > 0) & (plates < len(self._job)), plates, 0)
        found = self._job[jobs].astype(np.int64)
        for at in np.flatnonzero(plates < 0).tolist():
            found[at] = self._spools.get(-int(plates[at]), 0)
        return found

    def of(self, code: int, own: str | None, rh_pct: float | None, water_pct: float | None) -> _Known:
        """Return material, family and condition of results.

        Args:
            code: Of their plate's origin.
            own: What their pieces have of their own, as :func:`tracker.plate_sums.own_settings` writes it.
            rh_pct: Humidity in which they were conditioned.
            water_pct: Their water at the test.
        """
        material, family, condition = self._origins[code]
        if own is not None:
            given = json.loads(own)
            if OWN_MATERIAL in given:
                number = int(given.pop(OWN_MATERIAL) or 0)
                material, family = self._materials.get(number, (None, None))
            condition = _with_own(condition, given)
        return material, family, _tested(condition, rh_pct, water_pct)

    def of_plate(self, plate: int) -> int:
        """Return the number of the origin of one plate."""
        return int(self.codes(np.array([plate], dtype=np.int64))[0])

    def heated(self, jobs: NDArray[np.int64]) -> dict[str, tuple[Array, Array]]:
        """Return set and measured temperatures of jobs in °C, of those where both are known."""
        rows = self._heated[jobs[jobs < len(self._heated)]]
        found = {}
        for place, name in enumerate(_HEATED):
            meant, got = rows[:, place + len(_HEATED)], rows[:, place]
            both = np.isfinite(meant) & np.isfinite(got)
            if both.any():
                found[name] = (meant[both], got[both])
        return found


def _lengthened(array: Any, length: int) -> Any:
    if len(array) >= length:
        return array
    more = np.full((length - len(array), *array.shape[1:]), 0 if array.dtype.kind == "i" else np.nan)
    return np.concatenate([array, more.astype(array.dtype)])


def _with_own(condition: Condition, given: Mapping[str, Hashable]) -> Condition:
    known = dict(condition)
    for name, value in given.items():
        known[name] = value
        # What is given for the piece outright is neither the job's reading nor its setting.
        stem = name.removesuffix("_c")
        known.pop(f"{stem}_basis", None)
        known.pop(f"{stem}_set_c", None)
    return _condition(known)


def _tested(condition: Condition, rh_pct: float | None, water_pct: float | None) -> Condition:
    """Return a condition with the humidity and water at the test, rounded so that like goes with like."""
    rh_pct, water_pct = rounded_test(rh_pct, water_pct)
    more: list[tuple[str, Hashable]] = []
    if rh_pct is not None:
        more.append(("conditioned_rh_pct", rh_pct))
    if water_pct is not None:
        more.append(("test_water_pct", water_pct))
    return (*condition, *more)


_COLUMNS: Final = {name: column for name, (column, _, _) in SETTINGS.items() if column}
_AT_ONCE: Final = 20_000
"""Rows at a time: what is read stays a few megabytes."""
_JOBS: Final = select(
    Job.id,
    JobInForce.spool_id,
    JobInForce.material_id,
    raw(Job.started_at),
    *(getattr(Job, f"{name}_measured_c") for name in _HEATED),
    *(getattr(Job, column) for column in _COLUMNS.values()),
).outerjoin(JobInForce, JobInForce.job_id == Job.id)


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


_ORDER: Final = (*SETTINGS, *(f"{name}_{end}" for name in _HEATED for end in ("basis", "set_c")))


def _condition(known: Mapping[str, Hashable]) -> Condition:
    return tuple((name, known[name]) for name in _ORDER if known.get(name) is not None)


@dataclass
class _Days:
    """A spool's dryings and hours in open air, in order: moments as numbers of seconds."""

    dried: list[float] = field(default_factory=list)
    open_air: list[tuple[float, float]] = field(default_factory=list)
    known: dict[Any, str] = field(default_factory=dict, compare=False)

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
    kept = select(
        StoragePeriod.spool_id, StoragePeriod.place, raw(StoragePeriod.began_at), raw(StoragePeriod.ended_at)
    )
    for spool, place, began, ended in connection.execute(kept):
        days = found.setdefault(spool, _Days())
        if place in ("open air", "printer"):
            end = dt.datetime.max.replace(tzinfo=dt.UTC) if ended is None else moment_of(ended)
            days.open_air.append((moment_of(began).timestamp(), end.timestamp()))
    for days in found.values():
        days.dried.sort()
    return found


def departures(heated: Mapping[str, tuple[Array, Array]]) -> tuple[str, ...]:
    """Return in words where the temperatures measured on plates were not those set for them."""
    return tuple(
        f"{name} set {_spread(meant)} °C, measured {_spread(got)} °C"
        for name, (meant, got) in heated.items()
        if (np.abs(got - meant) > _OFF_C).any()
    )


def ranges(heated: Mapping[str, tuple[Array, Array]]) -> dict[str, tuple[float, float]]:
    """Return least and greatest measured temperature of plates in °C, by name of the setting."""
    return {f"{name}_c": (float(got.min()), float(got.max())) for name, (_, got) in heated.items()}


def _spread(values: Array) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


class SpoolsOfJobs:
    """The spools of every job, as arrays.

    Args:
        connection: To the book.
    """

    def __init__(self, connection: Connection) -> None:
        self._job, self._spool = _pairs(connection.execute(_JOBS_AND_SPOOLS.order_by(JobSpool.job_id)).all())

    def renew(self, connection: Connection, jobs: Collection[int]) -> None:
        """Read the spools of some jobs again; what this one was copied from stays as it is."""
        kept = ~np.isin(self._job, list(jobs))
        parts = [_JOBS_AND_SPOOLS.where(JobSpool.job_id.in_(some)) for some in batched(sorted(jobs))]
        jobs_read, spools_read = _pairs([row for part in parts for row in connection.execute(part)])
        job = np.concatenate([self._job[kept], jobs_read])
        spool = np.concatenate([self._spool[kept], spools_read])
        order = np.argsort(job, kind="stable")
        self._job, self._spool = job[order], spool[order]

    def of(self, jobs: NDArray[np.int64]) -> frozenset[int]:
        """Return the spools of jobs."""
        first, last = np.searchsorted(self._job, jobs), np.searchsorted(self._job, jobs, side="right")
        alone = self._spool[first[last - first == 1]]
        several = [self._spool[a:b] for a, b in zip(first, last, strict=True) if b - a > 1]
        return frozenset(np.unique(np.concatenate([alone, *several])).tolist())


_JOBS_AND_SPOOLS: Final = select(JobSpool.job_id, JobSpool.spool_id)


def _pairs(rows: Sequence[Any]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    # Rows as they come are looked into one by one by numpy, name by name.
    first, second = (np.fromiter((row[at] for row in rows), np.int64, len(rows)) for at in (0, 1))
    return first, second


def distinguishing_settings(all_of: Iterable[Condition]) -> Sequence[str]:
    """Return what conditions of one material differ in, and what is always reported, in their usual order."""
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
    """Return a condition in words, as far as it is reported: ``nozzle 255 °C, fan 20 %, dried``."""
    known: dict[str, Any] = dict(condition)
    return ", ".join(_word(name, known) for name in names)


def _word(name: str, known: Mapping[str, Any]) -> str:
    _, label, unit = SETTINGS[name]
    value = known.get(name)
    if value is None:
        return f"{label or name} not recorded"
    word = f"{label} {value:g} {shown(unit)}" if isinstance(value, float) else f"{label} {value}"
    stem = name.removesuffix("_c")
    if known.get(f"{stem}_basis") == "measured":
        meant = known.get(f"{stem}_set_c")
        word += " measured" if meant is None else f" measured ({meant:g} set)"
    return word.strip()
