"""What an act touched that other rows follow from: their derived rows are worked out again before it ends."""

from __future__ import annotations

import importlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final

from sqlalchemy import Connection, select

from tracker.journal import RowChange
from tracker.model import JobSpool, Measurement, Specimen
from tracker.stored_rows import batched

_JOB_OF: Final = {"job": "id", "job_spool": "job_id", "change": "job_id", "specimen": "job_id"}
"""Table to the column that names the job."""
_TESTING: Final = frozenset({"factor", "measurement", "result"})
_MOVED: Final = frozenset({"specimen", "measurement", "result"})
_PIECES: Final[Any] = Specimen.__table__
_LINKS: Final[Any] = JobSpool.__table__
_TESTS: Final[Any] = Measurement.__table__
# Over the bare tables: what was taken back has changed its plate as well.
_OF_PIECES: Final = select(_PIECES.c.job_id).distinct()
_OF_SPOOLS: Final = select(_LINKS.c.job_id).distinct()
_OF_TESTS: Final = (
    select(_PIECES.c.job_id, _TESTS.c.spool_id)
    .select_from(_TESTS)
    .outerjoin(_PIECES, _PIECES.c.id == _TESTS.c.specimen_id)
    .distinct()
)


def _only_used_up(change: RowChange) -> bool:
    """Whether a test used a specimen up and nothing else of it is another: nothing follows from that."""
    before = change.before
    return before is not None and all(
        value is before.get(name) or value == before.get(name)
        for name, value in change.after.items()
        if name not in ("broken_at", "entry")
    )


@dataclass
class Touched:
    """What an act changed, by number.

    Attributes:
        jobs: Jobs of which something was entered or changed.
        repeated: Jobs that were changed themselves: what repeats them counts its attempts again.
        specimens: Specimens for which a factor was given outright.
        spools: Spools that were changed themselves.
        tested: Specimens of which a measurement was entered or changed.
        tested_spools: Spools that were tested themselves, of which one was.
        measurements: Measurements of which a result was entered or changed.
    """

    jobs: set[int] = field(default_factory=set)
    repeated: set[int] = field(default_factory=set)
    specimens: set[int] = field(default_factory=set)
    spools: set[int] = field(default_factory=set)
    tested: set[int] = field(default_factory=set)
    tested_spools: set[int] = field(default_factory=set)
    measurements: set[int] = field(default_factory=set)
    _entered: set[int] = field(default_factory=set)
    _plate_of: dict[int, int] = field(default_factory=dict)
    """Job of each specimen whose row was at hand."""

    def __bool__(self) -> bool:
        """Whether anything derived may be another than before."""
        return self.prints or bool(self.tested or self.tested_spools or self.measurements)

    @property
    def prints(self) -> bool:
        """Whether what is derived of how specimens were made may be another."""
        return bool(self.jobs or self.specimens or self.spools)

    def jobs_made(self, connection: Connection) -> set[int]:
        """Return the jobs of which, of whose pieces or of whose spool something was entered or changed."""
        jobs = set(self.jobs)
        for some in batched(sorted(self.specimens)):
            jobs.update(connection.scalars(_OF_PIECES.where(_PIECES.c.id.in_(some))))
        for some in batched(sorted(self.spools)):
            jobs.update(connection.scalars(_OF_SPOOLS.where(_LINKS.c.spool_id.in_(some))))
        return jobs

    def plates_tested(self, connection: Connection) -> set[int]:
        """Return the plates of which results may be others, or be of others: jobs, and spools below zero."""
        plates = self.jobs_made(connection) | {-spool for spool in self.tested_spools}
        tested = self.tested - self.specimens
        plates |= {self._plate_of[piece] for piece in tested & self._plate_of.keys()}
        for some in batched(sorted(tested - self._plate_of.keys())):
            plates.update(connection.scalars(_OF_PIECES.where(_PIECES.c.id.in_(some))))
        for some in batched(sorted(self.measurements)):
            for job, spool in connection.execute(_OF_TESTS.where(_TESTS.c.id.in_(some))):
                plates.add(job if job is not None else -(spool or 0))
        return plates - {0}

    def take_changes(self, changes: Iterable[RowChange]) -> None:
        """Take rows that were entered or changed one by one."""
        for change in changes:
            if change.table == "specimen":
                self._plate_of[int(change.after["id"])] = int(change.after["job_id"])
                if _only_used_up(change):
                    continue
            if change.table == "measurement" and change.before is None:
                # Its piece or spool says of which plate its results are.
                self._entered.add(int(change.after["id"]))
            self._take(change.table, change.after)
            if change.before is not None and change.table in _MOVED:
                # What it was of is touched as well as what it is of now.
                self._take(change.table, change.before)
            if change.before is not None and change.table == "job":
                self.repeated.add(int(change.after["id"]))
            elif change.before is not None and change.table == "spool":
                self.spools.add(int(change.after["id"]))
        self.measurements -= self._entered

    def take_rows(self, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
        """Take rows that were entered in bulk."""
        if table in _JOB_OF or table in _TESTING:
            for row in rows:
                self._take(table, row)
        if table == "measurement":
            self._entered.update(int(row["id"]) for row in rows)
            self.measurements -= self._entered

    def add(self, other: Touched) -> None:
        """Take what was noted elsewhere, of rows that were entered in bulk."""
        for each in fields(self):
            getattr(self, each.name).update(getattr(other, each.name))
        self.measurements -= self._entered

    def _take(self, table: str, row: Mapping[str, Any]) -> None:
        if table == "factor":
            self.specimens.add(int(row["specimen_id"]))
        elif table == "measurement":
            if row.get("specimen_id") is not None:
                self.tested.add(int(row["specimen_id"]))
            if row.get("spool_id") is not None:
                self.tested_spools.add(int(row["spool_id"]))
        elif table == "result":
            number = int(row["measurement_id"])
            if number not in self._entered:
                self.measurements.add(number)
        elif table in _JOB_OF:
            self.jobs.add(int(row[_JOB_OF[table]]))


_KEEPERS: Final = ("tracker.factors.kept", "tracker.plate_sums")


def working_out(touched: Touched | None = None) -> tuple[Any, ...]:
    """Return the modules that work derived rows out, in their order; only those that an act calls for.

    They stand above this room, for they know what a factor and a result is, and yet what is kept beside the
    rows must be written by the act itself. So they are loaded by name.
    """
    names = _KEEPERS if touched is None or touched.prints else _KEEPERS[1:]
    return tuple(importlib.import_module(name) for name in names)
