"""The plan of an import: everything it would make and everything it refuses. Nothing is written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, func, select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.desk.importing.besides import Besides
from tracker.desk.importing.binding import bind
from tracker.desk.importing.columnmap import ColumnMap
from tracker.desk.importing.drafts import Drafts, SpecimenDraft
from tracker.desk.importing.oddities import Asked, Numbers
from tracker.desk.importing.refusals import ImportRefusedError, LineRefusal
from tracker.desk.importing.rowreading import AS_WRITTEN, RowReader
from tracker.desk.importing.sheet import Sheet, SheetRow, open_sheet
from tracker.errors import Refused
from tracker.history import zone_of
from tracker.ids import job_id
from tracker.journal import moment
from tracker.model import Attachment, Job, JournalRecord, Material
from tracker.moments import local_day
from tracker.plugins import Plugged

ACT: Final = "import"

Progress = Callable[[int, int, str], None]
"""Called with what is done, the whole, and what it is about; it may be called very often."""


@dataclass(frozen=True)
class EarlierImport:
    """The act by which the same file was brought in before."""

    entry: int
    at: str
    who: str
    day: dt.date

    def __str__(self) -> str:
        """When and by whom, in one clause; the day is the bench's."""
        return f"brought in before, on {self.day} by {self.who} (journal entry {self.entry})"


@dataclass(frozen=True)
class Plan:
    """What an import would make.

    Attributes:
        name: File name of the sheet.
        sheet: Where it lies; its bytes are kept with the import.
        sha256: Digest of its bytes, hexadecimal.
        columns: The column map.
        rows: Number of rows in the sheet, refused ones included.
        materials: Names of materials that the book has not yet.
        jobs: Plates with their pieces, in the order of the sheet.
        refused_rows: Lines of which nothing is taken.
        refused_quantities: Quantities that have no value, with the reason; their readings are kept.
        notes: What was decided on the way, and hints of outliers, one sentence each.
        asked: What looks wrong, by the line and the place of the measurement among those of its piece.
        earlier: The act that brought in the same file before, if there was one.
        made: How many measurements, results with a value and files there are.
    """

    name: str
    sheet: Path
    sha256: str
    columns: ColumnMap
    rows: int
    materials: tuple[str, ...]
    jobs: Drafts
    refused_rows: tuple[LineRefusal, ...]
    refused_quantities: tuple[LineRefusal, ...]
    notes: tuple[str, ...]
    earlier: EarlierImport | None
    asked: Mapping[tuple[int, int], Sequence[Asked]] = field(default_factory=dict)
    made: Mapping[str, int] = field(default_factory=dict)

    def questions(self) -> list[Asked]:
        """Return what looks wrong and should be meant, in the order of the sheet."""
        return sorted((each for some in self.asked.values() for each in some), key=lambda each: each.line)

    def counts(self) -> dict[str, int]:
        """Return how many of each thing would be made; ``results`` counts those with a value."""
        return {
            "materials": len(self.materials),
            "jobs": len(self.jobs),
            "specimens": self.jobs.specimens,
            **self.made,
        }


def plan_import(
    book: Book, plugged: Plugged, sheet: Path, columns: ColumnMap, progress: Progress | None = None
) -> Plan:
    """Return what an import of a sheet would make.

    Args:
        book: Read only, for its materials, jobs and earlier imports.
        plugged: Methods that check readings and compute results.
        sheet: The CSV file; files named in it are looked for beside it.
        columns: The column map.
        progress: Told of every row.

    Raises:
        ImportRefusedError: The file cannot be read as a sheet.
        MapError: The map does not fit the sheet or the methods that are there.
    """
    table = open_sheet(sheet)
    binding = bind(columns, table, plugged)
    rows = _Rows(RowReader(binding, plugged, Besides(sheet.parent)))
    rows.take(table, progress or (lambda *_: None))
    with book.connect() as connection:
        # Folded here and not in SQL: SQLite folds ASCII only, and PETG and petg in one sheet are one
        # product.
        known = {name.casefold(): name for name in connection.scalars(select(Material.name))}
        again = list(_names_again(connection, {job.name for job in rows.jobs.bare() if job.name}))
        earlier = earlier_import(connection, table.sha256)
    with book.read() as session:
        asked, hints = rows.numbers.oddities(session, plugged)
    notes = (*table.notes, *binding.notes, *rows.notes(), *again, *_unused(binding.unused), *hints)
    return Plan(
        name=sheet.name,
        sheet=sheet,
        sha256=table.sha256,
        columns=columns,
        rows=table.count + len(table.refused),
        materials=tuple(name for name in rows.materials.values() if name.casefold() not in known),
        jobs=rows.jobs,
        refused_rows=tuple(sorted((*table.refused, *rows.refused), key=lambda refusal: refusal.line)),
        refused_quantities=tuple(rows.refused_quantities),
        notes=notes,
        earlier=earlier,
        asked=asked,
        made=rows.made,
    )


def earlier_import(connection: Connection, digest: str) -> EarlierImport | None:
    """Return the act that brought in a file of this digest, or None.

    The journal is searched only where the book holds the file at all.
    """
    if connection.scalar(select(Attachment.sha256).where(Attachment.sha256 == digest)) is None:
        return None
    row = connection.execute(
        select(JournalRecord.seq, JournalRecord.at, JournalRecord.who)
        .where(JournalRecord.act == ACT, JournalRecord.body.contains(digest))
        .order_by(JournalRecord.seq.desc())
        .limit(1)
    ).one_or_none()
    if row is None:
        return None
    day = local_day(row.at, zone_of(Session(connection)))
    return EarlierImport(row.seq, moment(row.at), row.who, day)


class _Rows:
    """Takes rows one by one and puts them on their plates."""

    def __init__(self, reader: RowReader) -> None:
        self.reader = reader
        self.jobs = Drafts()
        self.numbers = Numbers()
        self.materials: dict[str, str] = {}
        self.refused: list[LineRefusal] = []
        self.refused_quantities: list[LineRefusal] = []
        self.made = {"measurements": 0, "results": 0, "files": 0}
        self._plates: dict[tuple[str, ...], int] = {}
        self._spelled: dict[str, set[str]] = {}
        self._partly_named: dict[tuple[str, ...], int] = {}

    def take(self, table: Sheet, progress: Progress) -> None:
        """Take every row of a sheet, or note why not."""
        for done, row in enumerate(table.rows):
            progress(done, table.count, "rows read")
            try:
                self._take(row)
            except Refused as refusal:
                self.refused.append(LineRefusal(row.line, str(refusal)))
        progress(table.count, table.count, "rows read")

    def _take(self, row: SheetRow) -> None:
        written = self.reader.material(row)
        material = self.materials.get(written.casefold(), written)
        key, name = self._plate(row)
        job = self._plates.get(key)
        # One plate is of one material; two mean that the columns which name plates say too little.
        if job is not None and (first := self.jobs.bare()[job]).material != material:
            raise ImportRefusedError(
                f"plate {name!r} is of {first.material} on line {first.line} and of {material} here",
                do="Name the material among the columns of specimen.plate",
            )
        specimen = self.reader.specimen(row, material)
        # Only a row that is taken may leave a trace in the plan.
        self.materials.setdefault(written.casefold(), material)
        self._spelled.setdefault(written.casefold(), set()).add(written)
        if job is None:
            job = self._plates[key] = self.jobs.add_job(name, material, row.line)
        self.jobs.add(job, specimen)
        self.numbers.take(job, material, specimen)
        self._count(specimen)

    def _count(self, specimen: SpecimenDraft) -> None:
        self.made["measurements"] += len(specimen.measurements)
        for measurement in specimen.measurements:
            self.made["files"] += len(measurement.files)
            if measurement.problem:
                self._refuse(specimen.line, measurement.problem, measurement.method)
            for result in measurement.results:
                if result.value is None:
                    self._refuse(specimen.line, result.refused, result.quantity)
                else:
                    self.made["results"] += 1

    def _refuse(self, line: int, why: str, quantity: str) -> None:
        self.refused_quantities.append(LineRefusal(line, self.reader.held(why, why), quantity))

    def _plate(self, row: SheetRow) -> tuple[tuple[str, ...], str | None]:
        """Return what tells the plate of a row from others, and its name."""
        parts = self.reader.plate(row)
        name = " ".join(part for part in parts if part)
        if not name:
            return (f"line {row.line}",), None
        # Told and not refused: half a name may be how the bench named its plates.
        if not all(parts):
            self._partly_named.setdefault(parts, row.line)
        return parts, name

    def notes(self) -> Iterator[str]:
        """Yield what was decided on the way."""
        for spellings in self._spelled.values():
            if len(spellings) > 1:
                yield f"{' and '.join(sorted(spellings))} are taken as one material"
        for parts, line in self._partly_named.items():
            yield f"Line {line}: part of the plate's name is empty; rows alike in the rest are one plate"
            del parts
        for written, line in self.reader.odd_orientations.items():
            yield f"Line {line}: {written!r} is no orientation of the notation; kept as factor {AS_WRITTEN}"
        for line, first in self.reader.twice:
            yield f"Line {line}: its recording is byte for byte that of line {first}"
        for folder in sorted(self.reader.besides.below):
            yield f"Files were found in {folder}/"


def _names_again(connection: Connection, names: set[str]) -> Iterator[str]:
    """Yield a sentence where the book has jobs of the same names already."""
    found = connection.execute(
        select(Job.name, func.min(Job.id)).where(Job.name.is_not(None)).group_by(Job.name)
    )
    known = [f"{row[0]} ({job_id(row[1])})" for row in found if row[0] in names]
    if known:
        more = f" and {len(known) - 3} more" if len(known) > 3 else ""  # noqa: PLR2004 - three show the pattern
        yield f"The book has jobs of these names already: {', '.join(known[:3])}{more}; further ones are made"


def _unused(columns: tuple[str, ...]) -> Iterator[str]:
    if columns:
        yield f"Columns that the map does not name: {', '.join(columns)} (kept in the attached sheet)"
