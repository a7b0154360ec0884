"""What leaves the book and what stays: decided column by column, before anything is written.

Every text column of the model is classed in :data:`COLUMNS`; one that is not classed stays. Rows are cleaned
as they are read, so whatever is made of them (pages, tables, JSON, PROV) can only hold what may leave.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal, TypeVar, cast

from sqlalchemy import JSON, Connection, Text, select
from sqlalchemy.types import TypeDecorator

from tracker.lineage import (
    Dried,
    Judged,
    Lineage,
    Measured,
    Print,
    Recorded,
    RigUse,
    Row,
    SpoolHistory,
    columns_of,
)
from tracker.model import Base, JournalRecord, Person
from tracker.trace.history import Change, Journal

Class = Literal["word", "text", "name", "note", "reduced", "stays"]

COLUMNS: Final[Mapping[str, Mapping[str, Class]]] = {
    "book": {"code": "word", "title": "text", "zone": "word", "licence": "word", "author": "text",
             "public_address": "text"},
    "journal": {"who": "name", "act": "word"},
    "attachment": {"sha256": "word"},
    "person": {"name": "name", "pseudonym": "text"},
    "material": {"name": "text", "family": "text", "maker": "text", "note": "note"},
    "spool": {"lot": "text", "colour": "text", "reel": "word", "supplied": "word", "supplied_by": "name",
              "condition": "text", "note": "note"},
    "weighing": {"note": "note"},
    "stay": {"place": "word", "where": "note", "note": "note"},
    "drying": {"dryer": "text", "operator": "name", "note": "note"},
    "job": {"name": "text", "plate_sha256": "word", "printer": "text", "nozzle": "text", "surface": "text",
            "outcome": "word", "cause": "text", "operator": "name", "note": "note"},
    "job_spool": {"pieces": "word"},
    "change": {"setting": "word", "text": "text", "note": "note"},
    "job_log": {"sha256": "word", "aligned_by": "text"},
    "specimen": {"name": "text", "orientation": "word", "geometry": "word", "gauge": "word",
                 "outcome": "word", "remark": "text", "cause": "text", "plate_facts": "reduced",
                 "log_facts": "reduced", "note": "note"},
    "factor": {"name": "word", "text": "text", "basis": "word", "source": "name"},
    "rig": {"name": "text", "role": "word", "measures": "word", "unit": "word", "methods": "word",
            "note": "note"},
    "calibration": {"reference": "text", "errors": "word", "note": "note"},
    "measurement": {"method": "word", "method_version": "word", "readings": "text", "units": "word",
                    "operator": "name", "source": "word", "problem": "text", "remark": "text"},
    "measurement_file": {"field": "word", "sha256": "word", "read_as": "word"},
    "measurement_rig": {"fields": "word"},
    "result": {"quantity": "word", "unit": "word", "relation": "word", "remarks": "text", "refused": "text",
               "budget": "word", "method_version": "word", "group": "word"},
    # What is kept of results: their own words once more.
    "plate_sum": {"quantity": "word", "group": "word"},
    "verdict": {"reason": "text", "by": "name"},
    "choice": {"quantity": "word", "condition": "word", "remark": "text", "reason": "text", "by": "name"},
    "dispute": {"text": "text", "by": "text", "address": "text"},
}  # fmt: skip
"""What becomes of each text column.

``word`` is of a fixed vocabulary or an identifier and leaves; ``text`` a person typed, leaves, and is listed
beforehand; ``name`` leaves as pseudonym; ``note`` stays unless chosen; of a ``reduced`` document only figures
leave. A column that is not here stays: file names, photographs, programmes.
"""

NEUTRAL: Final[Mapping[tuple[str, str], str]] = {
    ("attachment", "name"): "kept in the book", ("job", "plate_name"): "kept in the book",
    ("job_log", "name"): "kept in the book", ("measurement_file", "name"): "recording",
}  # fmt: skip
"""What is in the place of names of files, which may name people and places."""

_FACTS: Final = ("section", "layers", "layer_time_min_s")
_FIGURE: Final = ("value", "low", "high", "mean", "unit", "basis", "covered")
T = TypeVar("T")


@dataclass(frozen=True)
class Choice:
    """What a person chose to let leave beyond the usual.

    Attributes:
        names: Names of all people, in the place of pseudonyms.
        notes: Notes that people wrote to themselves.
        headers: Comments at the head of recordings.
        plates: Plate files and logs, whole.
    """

    names: bool = False
    notes: bool = False
    headers: bool = False
    plates: bool = False


@dataclass
class Leaving:
    """Cleans rows, and notes everything that leaves.

    Attributes:
        choice: What was chosen.
        people: Name as recorded to what is published in its place.
        texts: Free texts that leave, with where they are and how often.
        names: Names that leave as published, each with the name that the book has.
        files: Files that leave: what they are.
        kept: Files that stay although they belong to a number, with why.
    """

    choice: Choice
    people: Mapping[str, str]
    texts: Counter[tuple[str, str]] = field(default_factory=Counter)
    names: dict[str, str] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    kept: dict[str, str] = field(default_factory=dict)
    _shared: dict[int, tuple[Any, Any]] = field(default_factory=dict)

    def name(self, name: str | None) -> str | None:
        """Return what is published in the place of a name."""
        if not name:
            return None
        published = name if self.choice.names else self.people.get(name, "a person")
        self.names[published] = name
        return published

    def row(self, table: str, row: T) -> T:
        """Return a copy of a row that holds what may leave."""
        text_columns = TEXT_COLUMNS[table]
        kinds = COLUMNS.get(table, {})
        cleaned = Row(columns_of(row))
        for column in text_columns:
            value = cleaned.get(column)
            if value is not None:
                cleaned[column] = self._value(table, column, kinds.get(column, "stays"), value)
                if cleaned[column] is None:
                    cleaned[column] = NEUTRAL.get((table, column))
        return cast("T", cleaned)

    def _value(self, table: str, column: str, kind: Class, value: Any) -> Any:
        if kind == "word":
            return value
        if kind == "name":
            # Where a factor comes from is a person's name, or a file's; the file's name stays.
            if table == "factor" and value not in self.people:
                return "given"
            return self.name(value)
        if kind == "reduced":
            return self._facts(value)
        if kind == "text" or (kind == "note" and self.choice.notes):
            self._note(f"{table} {column}", value)
            return value
        return None

    def _note(self, place: str, value: Any) -> None:
        if isinstance(value, str):
            if value:
                self.texts[place, value] += 1
        elif isinstance(value, Mapping):
            for name, each in value.items():
                self._note(f"{place} {name}", each)
        elif isinstance(value, (list, tuple)):
            for each in value:
                self._note(place, each)

    def _facts(self, facts: Mapping[str, Any]) -> dict[str, Any]:
        """Return of a document of a piece its figures; names of objects and people in it stay."""
        found = {name: facts[name] for name in _FACTS if name in facts}
        section: dict[str, Any] = {}
        for name, figure in (facts.get("section") or {}).items():
            if isinstance(figure, Mapping):
                section[name] = {key: figure[key] for key in _FIGURE if key in figure}
            elif name == "by":
                section[name] = self.name(str(figure))
            elif name == "gauge" or not isinstance(figure, str):
                section[name] = figure
        if "section" in found:
            found["section"] = section
        return found

    def lineage(self, lineage: Lineage) -> Lineage:
        """Return a lineage that holds what may leave."""
        return Lineage(
            None if lineage.specimen is None else self.row("specimen", lineage.specimen),
            None if lineage.printed is None else self.printed(lineage.printed),
            None if lineage.spool is None else self.spool(lineage.spool),
            [self._measured(each) for each in lineage.measured],
            [self.row("factor", row) for row in lineage.given],
        )

    def _once(self, row: T, clean: Callable[[T], T]) -> T:
        """Return what a print or a spool leaves as; many pieces share one, and it is cleaned once."""
        if id(row) not in self._shared:
            # The original is kept too: as long as it lives no other object has its number.
            self._shared[id(row)] = (row, clean(row))
        return cast("T", self._shared[id(row)][1])

    def printed(self, printed: Print) -> Print:
        """Return a print that holds what may leave."""
        return self._once(printed, self._printed)

    def spool(self, spool: SpoolHistory) -> SpoolHistory:
        """Return a spool that holds what may leave."""
        return self._once(spool, self._spool)

    def _printed(self, printed: Print) -> Print:
        return Print(
            self.row("job", printed.job),
            None if printed.plate is None else self.row("attachment", printed.plate),
            None if printed.own_material is None else self.row("material", printed.own_material),
            [self.spool(each) for each in printed.spools],
            [self.row("change", row) for row in printed.changes],
            [self.row("job_log", row) for row in printed.logs],
        )

    def _spool(self, spool: SpoolHistory) -> SpoolHistory:
        return SpoolHistory(
            self.row("spool", spool.spool),
            self.row("material", spool.material),
            None if spool.used is None else self.row("job_spool", spool.used),
            [self.row("stay", row) for row in spool.storage],
            [Dried(self.row("drying", e.drying), self.row("drying_spool", e.masses)) for e in spool.dryings],
        )

    def _measured(self, each: Measured) -> Measured:
        return Measured(
            self.row("measurement", each.measurement),
            [
                Judged(self.row("result", judged.result), [self.row("verdict", v) for v in judged.verdicts])
                for judged in each.results
            ],
            [
                RigUse(
                    self.row("rig", use.rig),
                    self.row("measurement_rig", use.used),
                    None if use.calibration is None else self.row("calibration", use.calibration),
                )
                for use in each.rigs
            ],
            [
                Recorded(self.row("measurement_file", r.file), self.row("attachment", r.attachment))
                for r in each.files
            ],
        )

    def journal(self, journal: Journal) -> Journal:
        """Return of a journal the corrections that may be reported, with their reasons."""
        changes = [cleaned for change in journal.changes if (cleaned := self._change(change)) is not None]
        for change in changes:
            if change.entry.reason:
                self.texts["reason of a correction", change.entry.reason] += 1
        return Journal({change.entry.seq: change.entry for change in changes}, {}, changes)

    def _change(self, change: Change) -> Change | None:
        if change.column not in TEXT_COLUMNS.get(change.table, ()):
            return change
        kind = COLUMNS.get(change.table, {}).get(change.column, "stays")
        old, new = (
            None if value is None else self._value(change.table, change.column, kind, value)
            for value in (change.old, change.new)
        )
        return None if old is None and new is None else replace(change, old=old, new=new)


def _is_text(kind: Any) -> bool:
    inner = kind.impl if isinstance(kind, TypeDecorator) else kind
    return isinstance(inner, (Text, JSON))


TEXT_COLUMNS: Final[Mapping[str, tuple[str, ...]]] = {
    table.name: tuple(column.name for column in table.columns if _is_text(column.type))
    for table in Base.metadata.sorted_tables
}
"""The columns of every table that can hold text: plain ones and documents."""


def people_of(connection: Connection) -> dict[str, str]:
    """Return what is published in the place of every name in the journal and among the people of the bench.

    Who agreed in the book to be named is named; others have the pseudonym recorded for them, or a number by
    the order in which the journal first names them: the same for ever, as the journal only grows.
    """
    found: dict[str, str] = {}
    known = connection.execute(select(Person.name, Person.initials, Person.pseudonym, Person.named)).all()
    for name, initials, pseudonym, named in known:
        published = name if named else pseudonym
        if published:
            found[name] = found[initials] = published
    first = select(JournalRecord.who).order_by(JournalRecord.seq)
    for number, who in enumerate(dict.fromkeys(connection.scalars(first)), start=1):
        found.setdefault(who, f"person {number}")
    return found


def add_people(people: dict[str, str], names: Iterable[str | None]) -> None:
    """Give a number to names that no journal entry was signed with: operators and givers of spools."""
    number = len(people)
    for name in names:
        if name and name not in people:
            number += 1
            people[name] = f"person {number}"


_COMMENT: Final = re.compile(rb"^\s*(#|;|//|%|\*)")


def without_header(data: bytes) -> bytes:
    """Return a text recording without the comment lines before its first other line; others as they are."""
    lines = data.splitlines(keepends=True)
    start = next((place for place, line in enumerate(lines) if line.strip() and not _COMMENT.match(line)), 0)
    return b"".join(lines[start:])


def without_tags(data: bytes) -> bytes:
    """Return a RIFF/WAVE recording with its format and samples alone: no names, dates or comments."""
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        return data
    kept, place = [], 12
    while place + 8 <= len(data):
        size = int.from_bytes(data[place + 4 : place + 8], "little")
        end = place + 8 + size + size % 2
        if data[place : place + 4] in (b"fmt ", b"data", b"fact"):
            kept.append(data[place:end])
        place = end
    body = b"WAVE" + b"".join(kept)
    return b"RIFF" + len(body).to_bytes(4, "little") + body


def listed(leaving: Leaving) -> Sequence[str]:
    """Return in lines what is about to leave: texts by place, names, files.

    Beside a pseudonym stands the name that it is for: the list is read at the bench, before anything leaves.
    """
    lines = [f"text   {place}: {text}" for (place, text), _ in sorted(leaving.texts.items())]
    for published, name in sorted(leaving.names.items()):
        how = "by --with-names" if leaving.people.get(name) != name else "who agreed to be named"
        stands = how if published == name else f"in the place of {name}"
        lines.append(f"name   {published}, {stands}")
    lines += [f"file   {path}: {what}" for path, what in sorted(leaving.files.items())]
    lines += [f"kept   {path}: {why}" for path, why in sorted(leaving.kept.items())]
    return lines
