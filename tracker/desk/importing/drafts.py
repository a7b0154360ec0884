"""What an import would make, before anything of it is written: kept on the disk, plate by plate."""

from __future__ import annotations

import pickle
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any, Final, NamedTuple, overload

from tracker.plugins import Computed

_AT_ONCE: Final = 1000
_CHARACTERS: Final = 2_000_000
"""Specimens, and characters of their texts, that are held in memory before they go to the disk."""


class FileDraft(NamedTuple):
    """A file of a measurement, as it lay there when the plan was made.

    Attributes:
        field: Field of the readings it belongs to.
        place: Where it lies.
        name: Its file name.
        sha256: Digest of its bytes, hexadecimal.
        size: Bytes.
    """

    field: str
    place: Path
    name: str
    sha256: str
    size: int


class FactorDraft(NamedTuple):
    """A factor of a specimen: a number in the unit its name ends in, or a word."""

    name: str
    number: float | None
    text: str | None


class MeasurementDraft(NamedTuple):
    """A measurement and what its method made of it.

    Attributes:
        method: Id of the method.
        version: Of the method; None for a value without readings.
        readings: Raw readings in the method's units; None for a value without readings.
        units: Of the readings.
        source: ``imported``, or ``given`` for a value without readings.
        results: With value, or refused with the reason.
        problem: What went wrong in the plugin.
        files: Recordings.
    """

    method: str
    version: str | None
    readings: Mapping[str, Any] | None
    source: str
    results: tuple[Computed, ...]
    problem: str | None = None
    units: Mapping[str, str] | None = None
    files: tuple[FileDraft, ...] = ()


class SpecimenDraft(NamedTuple):
    """A piece, from one line of the sheet; ``texts`` are its columns in the store."""

    line: int
    texts: Mapping[str, str]
    factors: tuple[FactorDraft, ...]
    measurements: tuple[MeasurementDraft, ...]

    def characters(self) -> int:
        """Return about how long its texts are together."""
        given = sum(len(each.text or "") for each in self.factors)
        read = sum(len(str(each.readings)) for each in self.measurements if each.readings)
        return sum(map(len, self.texts.values())) + given + read


class JobDraft(NamedTuple):
    """A plate: the pieces that were printed together, in the order of the sheet."""

    name: str | None
    material: str
    line: int
    specimens: Sequence[SpecimenDraft] = ()

    def measurements(self) -> Iterator[MeasurementDraft]:
        """Yield the measurements of all its pieces."""
        for specimen in self.specimens:
            yield from specimen.measurements


class Drafts(Sequence[JobDraft]):
    """The plates of a sheet in its order, their pieces in a temporary file that goes with this object.

    A sheet of a hundred thousand rows would else take a gigabyte of memory until it is written.
    """

    def __init__(self) -> None:
        self._jobs: list[JobDraft] = []
        self._waiting: dict[int, list[SpecimenDraft]] = defaultdict(list)
        self._count = self._part = self._characters = 0
        # An empty name: SQLite keeps it in a file of its own that has no name, once it is large.
        self._kept = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        self._kept.execute("PRAGMA journal_mode = OFF")
        self._kept.execute("PRAGMA cache_size = -8000")
        self._kept.execute(
            "CREATE TABLE pieces (job INT, part INT, some BLOB, PRIMARY KEY (job, part)) WITHOUT ROWID"
        )

    def add_job(self, name: str | None, material: str, line: int) -> int:
        """Add a plate, and return its place."""
        self._jobs.append(JobDraft(name, material, line))
        return len(self._jobs) - 1

    def add(self, job: int, specimen: SpecimenDraft) -> None:
        """Put a piece on the plate of a place."""
        self._waiting[job].append(specimen)
        self._count += 1
        self._characters += specimen.characters()
        if self._count % _AT_ONCE == 0 or self._characters > _CHARACTERS:
            self._let_go()

    def _let_go(self) -> None:
        """Write what waits to the disk."""
        self._part += 1
        self._kept.execute("BEGIN")
        self._kept.executemany(
            "INSERT INTO pieces VALUES (?, ?, ?)",
            ((job, self._part, pickle.dumps(some, 5)) for job, some in self._waiting.items()),
        )
        self._kept.execute("COMMIT")
        self._waiting.clear()
        self._characters = 0

    def bare(self) -> Sequence[JobDraft]:
        """Return the plates without their pieces."""
        return self._jobs

    @property
    def specimens(self) -> int:
        """Number of the pieces of all plates."""
        return self._count

    def __len__(self) -> int:
        """Number of the plates."""
        return len(self._jobs)

    @overload
    def __getitem__(self, place: int) -> JobDraft: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[JobDraft]: ...
    def __getitem__(self, place: int | slice) -> JobDraft | Sequence[JobDraft]:
        """Return a plate with its pieces."""
        if isinstance(place, slice):
            return [self[each] for each in range(*place.indices(len(self)))]
        job = range(len(self))[place]
        return next(self._whole(" WHERE job = ?", (job,)))

    def __iter__(self) -> Iterator[JobDraft]:
        """Yield each plate with its pieces, read from the disk one after the other."""
        return self._whole("", ())

    def _whole(self, where: str, values: Iterable[int]) -> Iterator[JobDraft]:
        if self._waiting:
            self._let_go()
        asked = f"SELECT job, some FROM pieces{where} ORDER BY job, part"  # noqa: S608 - our own words
        for job, parts in groupby(self._kept.execute(asked, tuple(values)), key=lambda row: int(row[0])):
            # Written above by this very process into a file that nobody else can open.
            pieces = [piece for _, some in parts for piece in pickle.loads(some)]  # noqa: S301
            yield self._jobs[job]._replace(specimens=pieces)
