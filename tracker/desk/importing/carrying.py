"""A plan carried out: attachments first, then all rows in one act, or nothing."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, Final

from sqlalchemy import select

from tracker.acts import Act, Bulk, bulk_of
from tracker.apart import few_collections, made_apart, processes_for
from tracker.book import Book
from tracker.desk.doubts import Doubt
from tracker.desk.importing.drafts import FileDraft, MeasurementDraft, SpecimenDraft
from tracker.desk.importing.planning import ACT, Plan, Progress, earlier_import
from tracker.desk.importing.sheet import ImportRefusedError
from tracker.desk.measuring import result_columns
from tracker.ids import job_id
from tracker.inputs import MB, InputError, opened, read_input
from tracker.model import (
    Attachment,
    Base,
    FactorRecord,
    Job,
    Material,
    Measurement,
    MeasurementFile,
    Result,
    Specimen,
)
from tracker.plugins import Computed

_ABOUT_AT_MOST: Final = 100
_CHUNK: Final = 500
_ASKED_AT_ONCE: Final = 8
_AT_ONCE: Final = 20_000
_CHARACTERS: Final = 8_000_000
"""Specimens, and characters of their texts, whose rows are made and written together: all rows of a large
sheet would fill the memory."""
_TABLES: Final = 6

Row = dict[str, Any]


@dataclass(frozen=True)
class Imported:
    """What an import made.

    Attributes:
        jobs: IDs of the jobs, in the order of the sheet.
        counts: How many of each thing, as in :meth:`Plan.counts`.
        entry: Number of the journal entry.
        left_out: Number of refused lines that were left out.
    """

    jobs: tuple[str, ...]
    counts: Mapping[str, int]
    entry: int
    left_out: int


def carry_out(
    book: Book,
    plan: Plan,
    who: str,
    progress: Progress | None = None,
    *,
    sure: bool = False,
    leave_out: bool = False,
) -> Imported:
    """Bring in what a plan holds, whole or not at all, as one act.

    Args:
        book: Where to.
        plan: From :func:`plan_import`.
        who: Who does it.
        progress: Told of every file and table.
        sure: What is asked about is meant: a file brought in before, numbers that look wrong.
        leave_out: Leave out the lines that the plan refuses.

    Raises:
        Doubt: The file was brought in before, or numbers look wrong; every one is named with its line.
        ImportRefusedError: Lines are refused, nothing is left, or a recording changed since the plan
            was made.
        BookError: The book did not take it. Nothing was written in either case.
    """
    _check(plan, plan.earlier, sure=sure, leave_out=leave_out)
    report = progress or (lambda *_: None)
    # Before the act begins: copying recordings takes minutes, and nobody else could write meanwhile. An act
    # refused later leaves files that nobody names.
    attachments = _kept(book, plan, report)
    rows = _Rows(plan)
    with few_collections(), book.act(ACT, who, reason=_reason(plan)) as act:
        # Somebody else may have brought it in since the plan was made.
        _check(plan, earlier_import(act.session.connection(), plan.sha256), sure=sure, leave_out=leave_out)
        act.bulk(Material, rows.new_materials(act))
        act.bulk(Attachment, _new(act, attachments))
        rows.number(act)
        whole = _TABLES * max(1, -(-plan.counts()["specimens"] // _AT_ONCE))
        for done, bulk in enumerate(_made_ready(rows, act), start=1):
            report(min(done, whole), whole, f"{bulk.rows} rows: {bulk.table}")
            act.insert(bulk)
            # While what was written is still at hand: read back at the end it would come from the disk.
            if done % _TABLES == 0:
                act.work_out()
        jobs = tuple(map(job_id, rows.job_numbers))
        # First and last stand for thousands: an entry that lists them all would be read by nobody.
        act.about += jobs if len(jobs) <= _ABOUT_AT_MOST else (jobs[0], jobs[-1])
        report(whole, whole, "tables written")
    return Imported(jobs, plan.counts(), act.seq, len(plan.refused_rows))


def _made_ready(rows: _Rows, act: Act) -> Iterator[Bulk]:
    """Yield the rows of all tables, ready to be inserted; of a large plan another process makes them."""
    dialect = act.session.connection().dialect

    def make(first: int) -> Iterator[Bulk]:
        parts = islice(rows.by_parts(), first, None)
        return (bulk_of(model, made, act.seq, dialect) for model, made in parts)

    return made_apart(make, ahead=True) if processes_for(rows.plan.jobs.specimens) > 1 else make(0)


def _check(plan: Plan, earlier: Any, *, sure: bool, leave_out: bool) -> None:
    if plan.refused_rows and not leave_out:
        first = plan.refused_rows[0]
        count = len(plan.refused_rows)
        raise ImportRefusedError(
            f"{plan.name}: {count} of {plan.rows} lines {'is' if count == 1 else 'are'} refused",
            why=f"first {first}".rstrip("."),
            do="Correct the lines (--dry-run names each), or repeat with --leave-out-refused",
        )
    if not plan.jobs:
        raise ImportRefusedError(f"{plan.name}: no line is left to bring in", do="Look at --dry-run")
    asked = [f"{plan.name} was {earlier}: its pieces would be in the book twice"] if earlier else []
    asked += [str(each) for each in plan.questions()]
    if asked and not sure:
        more = [f"and {len(asked) - _ASKED_AT_ONCE} more, which --dry-run lists"]
        shown = asked if len(asked) <= _ASKED_AT_ONCE else asked[:_ASKED_AT_ONCE] + more
        raise Doubt("; ".join(shown), do="Repeat with --yes if it is right", questions=asked)


def _reason(plan: Plan) -> str:
    """Name both files by digest: the way from the journal to the sheet a number came from."""
    columns = hashlib.sha256(plan.columns.data).hexdigest()
    return f"from {plan.name} (SHA-256 {plan.sha256}), columns by {plan.columns.name} (SHA-256 {columns})"


def _kept(book: Book, plan: Plan, report: Progress) -> dict[str, Row]:
    """Put all files into the folder of attachments and return their rows by digest."""
    kept: dict[str, Row] = {plan.sha256: {"size": _keep_sheet(book, plan), "name": plan.name}}
    columns = plan.columns.data
    kept.setdefault(book.files.put(columns), {"size": len(columns), "name": plan.columns.name})
    count = plan.made["files"]
    if count:
        files = (file for job in plan.jobs for each in job.measurements() for file in each.files)
        for done, file in enumerate(files):
            report(done, count, "recordings kept")
            if file.sha256 not in kept:
                book.files.put(_unchanged(file))
                kept[file.sha256] = {"size": file.size, "name": file.name}
    report(count, count, "recordings kept")
    return kept


def _keep_sheet(book: Book, plan: Plan) -> int:
    """Put the sheet into the folder of attachments, as the plan saw it, and return its size in bytes."""
    digest = hashlib.sha256()
    try:
        with opened(plan.sheet) as stream, tempfile.TemporaryFile() as copy:
            while block := stream.read(MB):
                digest.update(block)
                copy.write(block)
            # A copy is compared and kept, so that nobody can change it in between.
            if digest.hexdigest() != plan.sha256:
                raise _changed(plan.sheet)
            size = copy.tell()
            copy.seek(0)
            book.files.put_as(plan.sha256, copy, size)
    except InputError as error:
        raise ImportRefusedError(f"{plan.sheet} cannot be read", why=error.strerror or str(error)) from error
    return size


def _changed(place: Path) -> ImportRefusedError:
    return ImportRefusedError(f"{place} has changed while it was brought in", do="Repeat the import")


def _unchanged(file: FileDraft) -> bytes:
    try:
        data = read_input(file.place, "recording")
    except OSError as error:
        raise ImportRefusedError(f"{file.place} cannot be read", why=error.strerror or str(error)) from error
    # The results were computed from the bytes the plan saw; another recording must not be filed under them.
    if hashlib.sha256(data).hexdigest() != file.sha256:
        raise _changed(file.place)
    return data


def _new(act: Act, attachments: Mapping[str, Row]) -> list[Row]:
    """Return the rows of attachments that the book does not have yet."""
    wanted = list(attachments)
    known: set[str] = set()
    # Databases cap the parameters of one statement.
    for start in range(0, len(wanted), _CHUNK):
        chunk = wanted[start : start + _CHUNK]
        known |= set(act.session.scalars(select(Attachment.sha256).where(Attachment.sha256.in_(chunk))))
    return [{"sha256": digest, **row} for digest, row in attachments.items() if digest not in known]


@dataclass
class _Rows:
    """The rows of all tables, numbered in the order of the sheet, some thousand specimens at a time."""

    plan: Plan
    job_numbers: range = range(0)
    _materials: dict[str, int] = field(default_factory=dict)
    _first: dict[type[Base], int] = field(default_factory=dict)
    jobs: list[Row] = field(default_factory=list)
    specimens: list[Row] = field(default_factory=list)
    factors: list[Row] = field(default_factory=list)
    measurements: list[Row] = field(default_factory=list)
    files: list[Row] = field(default_factory=list)
    results: list[Row] = field(default_factory=list)

    def tables(self) -> list[tuple[type[Base], list[Row]]]:
        """Return the rows by table, those first that others name."""
        return [
            (Job, self.jobs),
            (Specimen, self.specimens),
            (FactorRecord, self.factors),
            (Measurement, self.measurements),
            (MeasurementFile, self.files),
            (Result, self.results),
        ]

    def number(self, act: Act) -> None:
        """Give the jobs their numbers, and find the first number of what is on them."""
        job = _next_number(act, Job)
        self.job_numbers = range(job, job + len(self.plan.jobs))
        self._first = {model: _next_number(act, model) for model in (Specimen, Measurement, Result)}

    def by_parts(self) -> Iterator[tuple[type[Base], list[Row]]]:
        """Yield the rows table by table, those first that others name.

        Whole jobs at a time; what was yielded is let go of.
        """
        characters = 0
        for number, draft in zip(self.job_numbers, self.plan.jobs, strict=True):
            material = self._materials[draft.material.casefold()]
            note = f"From {self.plan.name}."
            self.jobs.append(_row(Job, id=number, name=draft.name, material_id=material, note=note))
            for piece, specimen in enumerate(draft.specimens, start=1):
                self._specimen(number, piece, specimen)
                characters += specimen.characters
            if len(self.specimens) >= _AT_ONCE or characters > _CHARACTERS:
                yield from self._let_go()
                characters = 0
        yield from self._let_go()

    def _let_go(self) -> Iterator[tuple[type[Base], list[Row]]]:
        yield from self.tables()
        for model, rows in self.tables():
            if model in self._first:
                self._first[model] += len(rows)
            rows.clear()

    def new_materials(self, act: Act) -> list[Row]:
        """Give the materials their numbers, and return the rows of those that the book does not have."""
        made: list[Row] = []
        found = act.session.execute(select(Material.name, Material.id).order_by(Material.id.desc()))
        numbers = {name.casefold(): number for name, number in found}
        following = _next_number(act, Material)
        # In the order of the sheet, so that the numbers follow it.
        for name in dict.fromkeys(draft.material for draft in self.plan.jobs.bare()):
            if name.casefold() not in numbers:
                numbers[name.casefold()] = following
                made.append(_row(Material, id=following, name=name))
                following += 1
        self._materials = numbers
        return made

    def _specimen(self, job: int, piece: int, draft: SpecimenDraft) -> None:
        number = self._first[Specimen] + len(self.specimens)
        self.specimens.append(_row(Specimen, id=number, job_id=job, piece=piece, **draft.texts))
        source = f"{self.plan.name} line {draft.line}"
        self.factors += [
            {
                "specimen_id": number,
                "name": factor.name,
                "number": factor.number,
                "text": factor.text,
                "basis": "stated",
                "source": source,
            }
            for factor in draft.factors
        ]
        for place, measurement in enumerate(draft.measurements):
            asked = self.plan.asked.get((draft.line, place), ())
            self._measurement(number, source, measurement, [each.question for each in asked])

    def _measurement(self, specimen: int, source: str, draft: MeasurementDraft, asked: list[str]) -> None:
        number = self._first[Measurement] + len(self.measurements)
        self.measurements.append(
            _row(
                Measurement,
                id=number,
                specimen_id=specimen,
                method=draft.method,
                method_version=draft.version,
                readings=draft.readings,
                units=draft.units,
                source=draft.source,
                problem=draft.problem,
                # What was asked about and meant stays marked with it for ever.
                confirmed=asked or None,
                remark=f"From {source}.",
            )
        )
        self.files += [
            {"measurement_id": number, "field": file.field, "sha256": file.sha256, "name": file.name}
            for file in draft.files
        ]
        self.results += self._results(number, draft.version, draft.results)

    def _results(self, measurement: int, version: str | None, made: Iterable[Computed]) -> Iterator[Row]:
        for place, result in enumerate(made, start=self._first[Result] + len(self.results)):
            yield {
                "id": place,
                "measurement_id": measurement,
                **result_columns(result, version),
                "counted": result.value is not None,
            }


def _next_number(act: Act, model: type[Base]) -> int:
    table: Any = model.__table__
    return act.next_number(table)


_BLANK: Final[dict[type[Base], Row]] = {
    model: {column.name: None for column in model.__table__.columns if column.name != "entry"}
    for model in (Material, Job, Specimen, Measurement)
}


def _row(model: type[Base], **values: Any) -> Row:
    """Return a whole row: what is not given is not recorded."""
    return {**_BLANK[model], **values}
