"""The plan of an import: all that it would make, refuses and asks about. Nothing is written.

Each result is compared with its siblings: those of the same material, orientation, quantity and group in the
sheet, and those that the book has. What is asked about stays marked with the measurement once it is meant; a
hint asks nothing.
"""

from __future__ import annotations

import datetime as dt
import math
import statistics
from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from itertools import chain, cycle, islice
from pathlib import Path
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, func, select
from sqlalchemy.orm import Session

from tracker.apart import few_collections, made_apart, processes_for
from tracker.api import Quantity
from tracker.book import Book
from tracker.desk.importing.binding import bind
from tracker.desk.importing.columnmap import ColumnMap
from tracker.desk.importing.drafts import (
    AS_WRITTEN,
    Drafts,
    RowRead,
    RowReader,
    SpecimenDraft,
    row_read,
    rows_read,
)
from tracker.desk.importing.sheet import Besides, ImportRefusedError, LineRefusal, Sheet, SheetRow, open_sheet
from tracker.desk.plausibility import outcome_questions, unasked_span, values_of_material
from tracker.errors import Refused
from tracker.history import zone_of
from tracker.ids import job_id
from tracker.journal import moment
from tracker.model import Attachment, Job, JournalRecord, Material
from tracker.moments import local_day
from tracker.plugins import Computed, Plugged
from tracker.stating import plain
from tracker.statistics import plate_outlier

_MOST_SIBLINGS: Final = 60
_NEAR: Final = 1.5
"""Within this factor of the middle of its siblings no positive number is asked about."""


@dataclass(frozen=True)
class Asked:
    """Something in a sheet that should be meant.

    Attributes:
        line: Of the sheet.
        quantity: Name of it.
        question: One sentence.
    """

    line: int
    quantity: str
    question: str

    def __str__(self) -> str:
        """The question with its line."""
        return f"line {self.line}: {self.question}"


class _Kind(NamedTuple):
    """What makes results siblings; the material folded, as the book folds it."""

    material: str
    orientation: str | None
    quantity: str
    unit: str
    group: str


@dataclass
class _Found:
    """The results of a kind: of each its line, plate, measurement of its piece, value and uncertainty."""

    lines: array[int] = field(default_factory=lambda: array("l"))
    plates: array[int] = field(default_factory=lambda: array("l"))
    places: array[int] = field(default_factory=lambda: array("h"))
    values: array[float] = field(default_factory=lambda: array("d"))
    uncertainties: array[float] = field(default_factory=lambda: array("d"))

    def result(self, at: int, kind: _Kind) -> Computed:
        """Return one of them as far as it is asked about."""
        u = self.uncertainties[at]
        return Computed(
            kind.quantity, self.values[at], kind.unit, None if math.isnan(u) else u, group=kind.group
        )


class Numbers:
    """The results of a sheet by what makes them siblings, forty bytes each."""

    def __init__(self) -> None:
        self._by_kind: dict[_Kind, _Found] = defaultdict(_Found)

    def take(self, plate: int, material: str, piece: SpecimenDraft) -> None:
        """Take the results of a piece on a plate of some material."""
        for place, measurement in enumerate(piece.measurements):
            for result in measurement.results:
                if result.value is None or result.relation != "=":
                    continue
                found = self._by_kind[
                    _Kind(
                        material.casefold(), piece.texts.get("orientation"), result.quantity, result.unit,
                        result.group,
                    )
                ]  # fmt: skip
                found.lines.append(piece.line)
                found.plates.append(plate)
                found.places.append(place)
                found.values.append(result.value)
                found.uncertainties.append(math.nan if result.uncertainty is None else result.uncertainty)

    def oddities(
        self, session: Session, plugged: Plugged
    ) -> tuple[dict[tuple[int, int], list[Asked]], list[str]]:
        """Return the questions by line and place of the measurement, and the hints of outliers as sentences.

        Args:
            session: To the book, for the siblings it has.
            plugged: The methods, for what their quantities are.
        """
        declared = {q.name: q for each in plugged.methods.values() for q in each.method.quantities}
        known = {
            name.casefold(): (number, family)
            for number, name, family in session.execute(select(Material.id, Material.name, Material.family))
        }
        asked: dict[tuple[int, int], list[Asked]] = defaultdict(list)
        hints: list[str] = []
        for kind, found in self._by_kind.items():
            quantity = declared.get(kind.quantity)
            if quantity is not None and quantity.scale == "ordinal":
                continue
            number, family = known.get(kind.material, (None, None))
            before = values_of_material(session, number, *kind[1:]) if number is not None else []
            for at, question in _questions(kind, found, before, quantity, family):
                line = found.lines[at]
                asked[line, found.places[at]].append(Asked(line, kind.quantity, question))
            hints += _outliers(kind, found)
        return dict(asked), hints


def _questions(
    kind: _Kind, found: _Found, before: Sequence[float], quantity: Quantity | None, family: str | None
) -> Iterator[tuple[int, str]]:
    values = found.values
    many = len(values) + len(before) > _MOST_SIBLINGS
    # Of many siblings a part in order of size has the same middle and scatter, and takes no time.
    ordered = sorted([*values, *before])
    part = ordered[:: max(1, len(ordered) // _MOST_SIBLINGS)] if many else []
    middle = statistics.median(ordered)
    positive = quantity is None or quantity.positive
    low, high = unasked_span(part, positive=positive) if many else (math.inf, -math.inf)
    for place, value in enumerate(values):
        if low <= value <= high:
            continue
        if len(ordered) > 1 and positive and middle > 0 and middle / _NEAR <= value <= middle * _NEAR:
            continue
        others = part if many else [*values[:place], *values[place + 1 :], *before]
        for question in outcome_questions(found.result(place, kind), quantity, others, family):
            yield place, question


def _outliers(kind: _Kind, found: _Found) -> Iterator[str]:
    """Yield a hint where one piece lies farther from its plate's mean than chance allows."""
    plates: dict[int, list[int]] = defaultdict(list)
    for at, plate in enumerate(found.plates):
        plates[plate].append(at)
    members = list(plates.values())
    hint = plate_outlier([[found.values[at] for at in plate] for plate in members])
    if hint is not None and hint.is_outlier:
        at = members[hint.plate][hint.index]
        yield (
            f"Line {found.lines[at]}: {kind.quantity} {plain(found.values[at])} {kind.unit}: "
            f"possible outlier (G = {hint.statistic:.2f}, 5 % critical {hint.critical:.2f})"
        )


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
    table = open_sheet(sheet, [each.name for each in columns.columns()])
    binding = bind(columns, table, plugged)
    rows = _Rows(RowReader(binding, plugged, Besides(sheet.parent)))
    with few_collections():
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


def _read_by_processes(reader: RowReader, table: Sheet) -> Iterator[list[RowRead]]:
    """Yield the rows of a sheet with their pieces in order; of a large one by several processes."""
    processes = processes_for(table.count)
    if processes == 1:
        yield from rows_read(reader, table)
        return
    shares = [made_apart(partial(_share, reader, table, share, processes)) for share in range(processes)]
    with ExitStack() as ending:
        for each in shares:
            ending.callback(each.close)
        for share in cycle(shares):
            some = next(share, None)
            # They are dealt out one after the other: who has none left is the first without.
            if some is None:
                return
            yield some


def _share(reader: RowReader, table: Sheet, share: int, of: int, first: int) -> Iterator[list[RowRead]]:
    return islice(rows_read(reader, table, share, of), first, None)


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
        self._odd_orientations: dict[str, int] = {}
        self._recordings: dict[str, int] = {}
        self._twice: list[tuple[int, int]] = []
        self._below: set[str] = set()

    def take(self, table: Sheet, progress: Progress) -> None:
        """Take every row of a sheet, or note why not."""
        for done, read in enumerate(chain.from_iterable(_read_by_processes(self.reader, table))):
            progress(done, table.count, "rows read")
            try:
                self._take(read)
            except Refused as refusal:
                self.refused.append(LineRefusal(read.row.line, str(refusal)))
        progress(table.count, table.count, "rows read")

    def _take(self, read: RowRead) -> None:
        row = read.row
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
        # The row that spelled it first may be refused by now: then the next spelling holds.
        if read.material != material:
            read = row_read(self.reader, row, material)
        if read.piece is None:
            raise ImportRefusedError(read.refused)
        specimen = read.piece
        # Only a row that is taken may leave a trace in the plan.
        self.materials.setdefault(written.casefold(), material)
        self._spelled.setdefault(written.casefold(), set()).add(written)
        self._note(specimen)
        self._below |= read.below
        if job is None:
            job = self._plates[key] = self.jobs.add_job(name, material, row.line)
        self.jobs.add(job, specimen)
        self.numbers.take(job, material, specimen)
        self._count(specimen)

    def _note(self, specimen: SpecimenDraft) -> None:
        for factor in specimen.factors:
            if factor.name == AS_WRITTEN and factor.text:
                self._odd_orientations.setdefault(factor.text, specimen.line)
        # The same recording under two pieces is mostly a slip of the file name: told, as nobody sees it in
        # the numbers.
        for file in (file for measurement in specimen.measurements for file in measurement.files):
            first = self._recordings.setdefault(file.sha256, specimen.line)
            if first != specimen.line:
                self._twice.append((specimen.line, first))

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
        for written, line in self._odd_orientations.items():
            yield f"Line {line}: {written!r} is no orientation of the notation; kept as factor {AS_WRITTEN}"
        for line, first in self._twice:
            yield f"Line {line}: its recording is byte for byte that of line {first}"
        for folder in sorted(self._below):
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


def counted(counts: Mapping[str, int]) -> str:
    """Return how many of each thing there are, in words: ``1 job, 4 specimens``."""
    return ", ".join(f"{n} {things.removesuffix('s') if n == 1 else things}" for things, n in counts.items())


EACH_AT_MOST: Final = 25
"""So many lines refused for one reason are named one by one; more are named together."""


def plan_lines(plan: Plan) -> Iterator[str]:
    """Yield what a plan would make and all that it refuses, every line number named."""
    counts = plan.counts()
    yield f"{plan.name}: {counted({'rows': plan.rows})}, columns by {plan.columns.name}"
    yield "Would make " + counted(counts)
    if plan.materials:
        yield "New materials: " + ", ".join(plan.materials)
    if plan.earlier is not None:
        yield f"This file was {plan.earlier}"
    yield from plan.notes
    yield from (f"Is this right? {each}" for each in plan.questions())
    yield from (str(refusal) for refusal in plan.refused_rows)
    yield from refused_lines(plan.refused_quantities)


def refused_lines(refusals: Iterable[LineRefusal]) -> Iterator[str]:
    """Yield refused quantities: one by one, or together where one reason holds for many lines."""
    groups: dict[tuple[str, str], list[LineRefusal]] = {}
    for refusal in refusals:
        # By reason: a missing column refuses every line, and a thousand equal sentences hide the one that
        # differs.
        groups.setdefault((refusal.quantity, refusal.why), []).append(refusal)
    small = {key: group for key, group in groups.items() if len(group) <= EACH_AT_MOST}
    for group in small.values():
        yield from map(str, group)
    for quantity, why in (key for key in groups if key not in small):
        lines = ranges(each.line for each in groups[quantity, why])
        yield f"{len(groups[quantity, why])} lines: {quantity} refused: {why}; lines {lines}"


def ranges(numbers: Iterable[int]) -> str:
    """Return whole numbers as ``2-21, 27, 30-34``."""
    spans: list[list[int]] = []
    for number in sorted(set(numbers)):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return ", ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in spans)


def plan_json(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain JSON values."""
    return {
        "file": plan.name,
        "sha256": plan.sha256,
        "rows": plan.rows,
        "would_make": plan.counts(),
        "new_materials": list(plan.materials),
        "jobs": [
            {"name": job.name, "material": job.material, "lines": [each.line for each in job.specimens]}
            for job in plan.jobs
        ],
        "refused_rows": [{"line": each.line, "why": each.why} for each in plan.refused_rows],
        "refused_quantities": [
            {"line": each.line, "quantity": each.quantity, "why": each.why}
            for each in plan.refused_quantities
        ],
        "notes": list(plan.notes),
        "questions": [
            {"line": each.line, "quantity": each.quantity, "question": each.question}
            for each in plan.questions()
        ],
        "earlier": None if plan.earlier is None else {"entry": plan.earlier.entry, "at": plan.earlier.at},
    }
