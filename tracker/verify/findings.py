"""What verify found, as sentences a person understands and as JSON, and what people call a row."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from tracker.ids import KINDS, Ident, specimen_id
from tracker.model import Specimen
from tracker.stored_rows import raw

_MOST: Final = 1000
_LONG: Final = 60


@dataclass(frozen=True)
class Origin:
    """The head of a journal entry: which, when, who, what."""

    seq: int
    at: str
    who: str
    act: str

    def __str__(self) -> str:
        """The entry as a sentence names it."""
        when = self.at[:19].replace("T", " ")
        return f"entry {self.seq} ({when} UTC, {self.who}, {self.act})"


@dataclass(frozen=True)
class Difference:
    """One column that is not what the journal says."""

    column: str
    journal: Any
    book: Any

    def __str__(self) -> str:
        """The difference as part of a sentence."""
        return f"{self.column} is {_shown(self.book)}, the journal says {_shown(self.journal)}"


@dataclass(frozen=True)
class Finding:
    """One thing that is not as the journal says.

    Attributes:
        kind: ``database``, ``schema``, ``chain``, ``row``, ``attachment``, ``result`` or ``derived``.
        text: A sentence for people.
        id: ID of the row concerned, where it has one.
        table: Its table.
        key: Its primary key, parts joined by ``:``.
        origin: The entry that speaks of it.
        differences: Column by column.
    """

    kind: str
    text: str
    id: str = ""
    table: str = ""
    key: str = ""
    origin: Origin | None = None
    differences: tuple[Difference, ...] = ()


@dataclass
class Findings:
    """The answer of verify.

    Attributes:
        found: The findings, in the order in which the book was gone through; at most a thousand.
        notes: What could not be checked, or is odd and harmless.
        counts: How many entries, rows, attachments and results were looked at.
        more: Findings beyond those listed.
        head: Hash of the last entry. Written down elsewhere, it proves that nothing before it was changed.
        head_entry: Number of that entry; 0 in an empty journal.
        noted: A head written down earlier, or the beginning of it, to be looked for; empty for none.
        noted_entry: The entry that has it, or None.
        unnamed: Digests of files in the attachment folder that no act names.
    """

    found: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(
        default_factory=lambda: dict.fromkeys(("entries", "rows", "attachments", "results"), 0)
    )
    more: int = 0
    head: str = ""
    head_entry: int = 0
    noted: str = ""
    noted_entry: Origin | None = None
    unnamed: list[str] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        """Whether nothing was found."""
        return not self.found

    def add(self, finding: Finding) -> None:
        """Take a finding in."""
        # A book restored over the wrong folder differs in every row: the first thousand are enough to see
        # it.
        if len(self.found) < _MOST:
            self.found.append(finding)
        else:
            self.more += 1

    def of(self, kind: str) -> list[Finding]:
        """Return the findings of one kind."""
        return [finding for finding in self.found if finding.kind == kind]

    def lines(self) -> list[str]:
        """Return the answer for people, a sentence a line."""
        counted = ", ".join(f"{number} {what}" for what, number in self.counts.items())
        rest = [f"… and {self.more} more like these"] if self.more else []
        verdict = (
            "everything is as the journal says" if self.clean else f"{len(self.found) + self.more} found"
        )
        notes = [f"Note: {note}" for note in self.notes]
        looked = f"Looked at {counted}: {verdict}"
        return [*(f.text for f in self.found), *rest, *notes, looked, *self._heads()]

    def _heads(self) -> list[str]:
        if not self.head_entry:
            return []
        lines = [f"Head of the journal: entry {self.head_entry}, {self.head}"]
        if self.noted_entry is not None:
            later = self.head_entry - self.noted_entry.seq
            lines.append(f"The head noted earlier is {self.noted_entry}; {_entries(later)} since")
        return lines

    def as_json(self) -> dict[str, Any]:
        """Return the answer for scripts."""
        return {
            "clean": self.clean,
            "findings": [asdict(finding) for finding in self.found],
            "more": self.more,
            "notes": self.notes,
            "counts": self.counts,
            "head": self.head,
            "head_entry": self.head_entry,
            "unnamed": self.unnamed,
            "noted": {
                "hash": self.noted,
                "entry": asdict(self.noted_entry) if self.noted_entry is not None else None,
            }
            if self.noted
            else None,
        }


def _entries(count: int) -> str:
    return "1 entry" if count == 1 else f"{count or 'no'} entries"


def _shown(value: Any) -> str:
    if value is None:
        return "empty"
    # As repr, so that a blank, or a text "1" where a number was, can be seen.
    text = repr(value)
    return text if len(text) <= _LONG else f"{text[: _LONG - 1]}…"


_WORDS: Final = {
    "job_spool": "spool in a job",
    "change": "change of a setting",
    "drying_spool": "spool in a drying",
    "measurement_file": "file",
    "measurement_rig": "rig used",
    "book": "record of the book itself",
}
_OWNERS: Final = ("measurement", "specimen", "job", "drying", "spool", "rig")
_OWN_WORDS: Final = ("name", "quantity", "field", "setting")


def id_of(table: str, values: Mapping[str, Any]) -> str:
    """Return the ID that a row's label would carry, or nothing."""
    try:
        if table == "specimen":
            return specimen_id(int(values["job_id"]), int(values["piece"]))
        return str(Ident(table, int(values["id"]))) if table in KINDS.values() else ""
    except (KeyError, TypeError, ValueError):
        return ""


def named(connection: Connection, table: str, key: object, values: Mapping[str, Any]) -> tuple[str, str]:
    """Return ``(id, words)`` for a row: of an owner's ID where it has none itself."""
    own = id_of(table, values)
    if own:
        return own, f"{table} {own}"
    kind = _WORDS.get(table, table)
    words = next((f" {str(values[name])[:60]!r}" for name in _OWN_WORDS if values.get(name)), f" {key}")
    # In this order: a result belongs to its measurement before it belongs to a piece.
    for owner in _OWNERS:
        number = values.get(f"{owner}_id")
        if number is not None and owner != table:
            identity = _owner_id(connection, owner, number)
            return identity, f"{kind}{words} of {owner} {identity or number}"
    return "", kind if table == "book" else f"{kind}{words}"


def _owner_id(connection: Connection, owner: str, number: Any) -> str:
    if owner != "specimen":
        return id_of(owner, {"id": number})
    # Its ID is made of job and piece, which only its own row holds.
    found = connection.execute(
        select(raw(Specimen.job_id), raw(Specimen.piece)).where(Specimen.id == number)
    ).one_or_none()
    return id_of("specimen", {"job_id": found[0], "piece": found[1]}) if found else ""


@contextmanager
def noting(findings: Findings, what: str) -> Iterator[None]:
    """Turn a database that cannot be read on into a finding, so that the other stages still run."""
    try:
        yield
    except DBAPIError as error:
        lines = str(error.orig).strip().splitlines()[:1] or [type(error).__name__]
        findings.add(Finding("database", f"{what} cannot be read to the end: {lines[0]}"))
