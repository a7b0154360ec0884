"""What an act touched that other rows follow from: their derived rows are worked out anew before it ends."""

from __future__ import annotations

import importlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from tracker.journal import RowChange

_JOB_OF: Final = {"job": "id", "job_spool": "job_id", "change": "job_id", "specimen": "job_id"}
"""Table to the column that names the job."""


@dataclass
class Touched:
    """What an act changed, by number.

    Attributes:
        jobs: Jobs of which something was entered or changed.
        repeated: Jobs that were changed themselves: what repeats them counts its attempts anew.
        specimens: Specimens for which a factor was given outright.
        spools: Spools that were changed themselves.
    """

    jobs: set[int] = field(default_factory=set)
    repeated: set[int] = field(default_factory=set)
    specimens: set[int] = field(default_factory=set)
    spools: set[int] = field(default_factory=set)

    def __bool__(self) -> bool:
        """Whether anything derived may be another than before."""
        return bool(self.jobs or self.specimens or self.spools)

    def take_changes(self, changes: Iterable[RowChange]) -> None:
        """Take rows that were entered or changed one by one."""
        for change in changes:
            self._take(change.table, change.after)
            if change.before is not None and change.table == "job":
                self.repeated.add(int(change.after["id"]))
            elif change.before is not None and change.table == "spool":
                self.spools.add(int(change.after["id"]))

    def take_rows(self, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
        """Take rows that were entered in bulk."""
        if table in _JOB_OF or table == "factor":
            for row in rows:
                self._take(table, row)

    def _take(self, table: str, row: Mapping[str, Any]) -> None:
        if table == "factor":
            self.specimens.add(int(row["specimen_id"]))
        elif table in _JOB_OF:
            self.jobs.add(int(row[_JOB_OF[table]]))


def working_out() -> Any:
    """Return the module that works derived rows out: :mod:`tracker.factors.kept`.

    It stands above this room, for it knows what a factor is, and yet what is kept beside the rows must be
    written by the act itself. So it is loaded by name, and only by acts that touch what it is about.
    """
    return importlib.import_module("tracker.factors.kept")
