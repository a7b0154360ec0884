"""What is published: the results that a filter lets in, how each stands, and what each came from."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import PurePath
from typing import Final

from sqlalchemy import Connection, select
from sqlalchemy.orm import Session

from tracker.api import FactorValue
from tracker.book import Book
from tracker.errors import Refused
from tracker.factors import factors_of, measurement_factors
from tracker.ids import Ident, IdError, job_id, measurement_id, read_id, specimen_id, spool_id
from tracker.kinds import material_named
from tracker.kinds.registry import find
from tracker.lineage import (
    Lineage,
    Print,
    Reader,
    SpoolHistory,
    of_jobs,
    of_measurements,
    of_specimens,
    questions,
)
from tracker.model import (
    BookRecord,
    Dispute,
    Drying,
    Job,
    JournalRecord,
    Material,
    Measurement,
    Result,
    Spool,
    Verdict,
)
from tracker.moments import local_day
from tracker.plugins import Plugged
from tracker.publish.leaving import Choice, Leaving, add_people, people_of
from tracker.selection import Filter, ResultRow
from tracker.stating import shown
from tracker.table import CAUTION, SummaryTable, graded, results_where, summary_table
from tracker.trace.history import Touched
from tracker.trace.walk import Path, rows_of_measurement

CAUTIONS: Final = (
    f"{CAUTION} Local codes, the maker's safety data sheet and licensed practice come before anything "
    "written here."
)
"""On every page and in every description of data: numbers travel further than the table they stood in."""

LICENCES: Final[Mapping[str, tuple[str, str]]] = {
    "CC-BY-4.0": ("Creative Commons Attribution 4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "CC-BY-SA-4.0": (
        "Creative Commons Attribution ShareAlike 4.0",
        "https://creativecommons.org/licenses/by-sa/4.0/",
    ),
    "CC0-1.0": ("Creative Commons Zero 1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "ODbL-1.0": (
        "Open Data Commons Open Database License 1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/",
    ),
    "ODC-By-1.0": (
        "Open Data Commons Attribution License 1.0",
        "https://opendatacommons.org/licenses/by/1-0/",
    ),
}
"""Data licences by SPDX identifier: title and address."""


@dataclass(frozen=True)
class About:
    """What the site says of itself.

    Attributes:
        code: Of the book: part of every permalink.
        title: Of the book.
        author: Who publishes, as it is cited; empty where nobody said.
        licence: SPDX identifier, or empty.
        address: Where the site stands, without a slash at its end; empty for nowhere yet.
        version: Day of the newest change to anything published, in the bench's zone.
        changed: Moment of it.
    """

    code: str
    title: str
    author: str
    licence: str
    address: str
    version: dt.date
    changed: dt.datetime

    def path(self, ident: str) -> str:
        """Return the permalink of an ID within the site: what a label of this book leads to."""
        return f"{ident}.{self.code}/"


@dataclass(frozen=True)
class PublishedResult:
    """A result and how it stands.

    Attributes:
        row: The result with its piece and material.
        reason: Why a verdict set it aside or counts it; empty where nobody said.
        refused: Why it has no value; empty where it has one.
        title: Of the quantity, with its unit.
    """

    row: ResultRow
    reason: str = ""
    refused: str = ""
    title: str = ""

    @property
    def standing(self) -> str:
        """How it stands, in words."""
        if self.row.value is None:
            return f"no value: {self.refused or 'not recorded why'}"
        if not self.row.counted:
            return f"set aside: {self.reason or 'not recorded why'}"
        return f"counted: {self.reason}" if self.reason else "counted"

    @property
    def set_aside(self) -> bool:
        """Whether it has a value that a verdict keeps out of the means; one without value was never in."""
        return self.row.value is not None and not self.row.counted


@dataclass(frozen=True)
class Answer:
    """An answer to a number or a material, as published."""

    text: str
    by: str
    address: str
    day: str


@dataclass
class Gathered:
    """All that is published; every row in it is cleaned already.

    Attributes:
        about: What the site says of itself.
        whole: The table with all conditions of all materials.
        measurements: Results by the ID of their measurement, in order.
        paths: Way back of every measurement, without its journal, by ID.
        keys: By ID, what a measurement, specimen, job or spool is made of: rows with the entry that last
            wrote them.
        written: By ID of a measurement, the newest entry that wrote it, a result of it or a verdict.
        endings: Of the names of recordings, by ID of the measurement and field: ``.csv.gz``; of logs, by
            ID of the job and number.
        pieces: Lineages of all pieces of the jobs in question, by ID, with their published measurements.
        prints: The jobs in question, by ID.
        newest: The newest entry that wrote anything of it.
        factors: Of pieces, by ID.
        of_tests: Factors of measurements, by ID.
        slugs: Of every material by its name: what its page is called.
        families: Of every material.
        titles: Of quantities, by name; ``units`` theirs.
        methods: Titles of methods, by name.
        answers: By ID of the measurement or name of the material.
        recordings: Path of a published recording in the site, by ID of the measurement and field.
        leaving: What leaves.
    """

    about: About
    whole: SummaryTable
    leaving: Leaving
    measurements: dict[str, list[PublishedResult]] = field(default_factory=dict)
    paths: dict[str, Path] = field(default_factory=dict)
    keys: dict[str, str] = field(default_factory=dict)
    written: dict[str, int] = field(default_factory=dict)
    endings: dict[tuple[str, str], str] = field(default_factory=dict)
    newest: int = 1
    pieces: dict[str, Lineage] = field(default_factory=dict)
    prints: dict[str, Print] = field(default_factory=dict)
    factors: dict[str, Mapping[str, FactorValue]] = field(default_factory=dict)
    of_tests: dict[str, Mapping[str, FactorValue]] = field(default_factory=dict)
    slugs: dict[str, str] = field(default_factory=dict)
    families: dict[str, str] = field(default_factory=dict)
    titles: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    methods: dict[str, str] = field(default_factory=dict)
    answers: dict[str, list[Answer]] = field(default_factory=dict)
    recordings: dict[tuple[str, str], str] = field(default_factory=dict)
    _by_material: dict[tuple[str, str], list[PublishedResult]] = field(
        default_factory=lambda: defaultdict(list)
    )
    _by_job: dict[str, dict[str, Lineage]] = field(default_factory=lambda: defaultdict(dict))

    def all(self) -> Iterable[PublishedResult]:
        """Return all results."""
        return (result for each in self.measurements.values() for result in each)

    def of(self, material: str, quantity: str = "") -> list[PublishedResult]:
        """Return the results of a material; of a quantity those that have a value."""
        if not self._by_material:
            for result in self.all():
                self._by_material[name_of(result.row), ""].append(result)
                if result.row.value is not None:
                    self._by_material[name_of(result.row), result.row.quantity].append(result)
        return self._by_material.get((material, quantity), [])

    def set_aside(self) -> list[PublishedResult]:
        """Return the results that have a value and are kept out of the means."""
        return [result for result in self.all() if result.set_aside]

    def heading(self, quantity: str) -> str:
        """Return a quantity as people read it: title and unit."""
        unit = shown(self.units.get(quantity, ""))
        title = self.titles.get(quantity, quantity)
        return f"{title} [{unit}]" if unit else title

    def pieces_of(self, job: str) -> dict[str, Lineage]:
        """Return the pieces of a job by their IDs."""
        if not self._by_job:
            for ident, lineage in self.pieces.items():
                if lineage.specimen is not None:
                    self._by_job[job_id(lineage.specimen.job_id)][ident] = lineage
        return self._by_job.get(job, {})

    def printed_from(self, spool: int) -> list[tuple[str, int, int]]:
        """Return the jobs printed from a spool: ID, number of pieces and of their measurements."""
        return [
            (name, len(pieces := self.pieces_of(name)), sum(len(each.measured) for each in pieces.values()))
            for name, printed in self.prints.items()
            if any(each.spool.id == spool for each in printed.spools)
        ]

    def spools(self) -> dict[str, SpoolHistory]:
        """Return the histories of all spools in question, by ID, as long as any job knew them."""
        found: dict[str, SpoolHistory] = {}
        for history in [s for each in self.prints.values() for s in each.spools] + [
            path.lineage.spool for path in self.paths.values() if path.lineage.spool is not None
        ]:
            ident = spool_id(history.spool.id)
            had = found.get(ident)
            if had is None or len(history.storage) + len(history.dryings) > len(had.storage) + len(
                had.dryings
            ):
                found[ident] = history
        return dict(sorted(found.items()))


def gather(
    book: Book, plugged: Plugged, where: Filter | None = None, choice: Choice | None = None
) -> Gathered:
    """Return what of a book is published.

    Raises:
        Refused: There is nothing to publish.
    """
    whole = summary_table(book, where=where, ordinal=graded(plugged), plugged=plugged)
    rows = results_where(book, where, plugged=plugged)
    if not rows:
        raise Refused(
            "There is nothing to publish", why="no result is in question", do="strandbook list results"
        )
    with book.read() as session:
        connection = session.connection()
        people = people_of(connection)
        add_people(people, _other_names(connection))
        found = Gathered(_about(connection, book), whole, Leaving(choice or Choice(), people))
        _put_results(connection, found, rows, plugged)
        _put_materials(connection, found, everything=where is None)
        with Reader(connection) as reader:
            _put_lineages(reader, found, _jobs(connection, rows, everything=where is None))
        _put_factors(session, found, plugged)
        _put_answers(connection, found, book.zone)
        found.about = _dated(connection, found, book)
    return found


def _about(connection: Connection, book: Book) -> About:
    row = connection.execute(
        select(BookRecord.title, BookRecord.author, BookRecord.licence, BookRecord.public_address)
    ).one()
    return About(
        book.code,
        row.title or "Results of a filament test bench",
        row.author or "",
        row.licence or "",
        (row.public_address or "").rstrip("/"),
        dt.date.min,
        dt.datetime.min.replace(tzinfo=dt.UTC),
    )


def _other_names(connection: Connection) -> list[str]:
    """Return names of people that may have signed no journal entry, in an order that only grows."""
    columns = (Job.operator, Drying.operator, Measurement.operator, Verdict.by, Spool.supplied_by)
    return [
        name
        for column in columns
        for name in connection.scalars(select(column).where(column.is_not(None)).order_by(column.class_.id))
        if name is not None
    ]


def _put_results(
    connection: Connection, found: Gathered, rows: Sequence[ResultRow], plugged: Plugged
) -> None:
    found.methods = {name: each.method.title for name, each in plugged.methods.items()}
    quantities = {q.name: q for each in plugged.methods.values() for q in each.method.quantities}
    judged = select(Verdict.result_id, Verdict.reason).order_by(Verdict.id)
    reasons = {row.result_id: row.reason for row in connection.execute(judged)}
    without = select(Result.id, Result.refused).where(Result.refused.is_not(None))
    refused = {row.id: row.refused or "" for row in connection.execute(without)}
    for row in rows:
        declared = quantities.get(row.quantity)
        found.titles.setdefault(row.quantity, (declared.title if declared else "") or row.quantity)
        found.units.setdefault(row.quantity, row.unit)
        result = PublishedResult(
            row, reasons.get(row.result, ""), refused.get(row.result, ""), found.heading(row.quantity)
        )
        found.measurements.setdefault(row.measurement, []).append(result)


def _put_materials(connection: Connection, found: Gathered, *, everything: bool) -> None:
    """Name the materials: those with results, and without a filter those that have none yet too."""
    names = [name_of(result.row) for result in found.all()]
    known = {
        name: family or ""
        for name, family in connection.execute(select(Material.name, Material.family).order_by(Material.id))
    }
    if everything:
        names += list(known)
    found.slugs = slugs(names)
    found.families = {name: known.get(name, "") for name in found.slugs}


def _jobs(connection: Connection, rows: Sequence[ResultRow], *, everything: bool) -> list[int]:
    if everything:
        return list(connection.scalars(select(Job.id).order_by(Job.id)))
    return sorted({read_id(row.job)[0].number for row in rows if row.job is not None})


def _put_lineages(reader: Reader, found: Gathered, jobs: Sequence[int]) -> None:
    """Read every piece with its print and measurements once, and clean what was read."""
    for number, printed in of_jobs(reader, jobs).items():
        ident = job_id(number)
        found.prints[ident] = found.leaving.printed(printed)
        found.endings |= {(ident, str(log.id)): _ending(log.name) for log in printed.logs}
        found.keys[ident] = _state(found, Path(Ident("job", number), Lineage(printed=printed)).touched())
    pieces = [parts["specimen"].id for parts in reader.ask(questions.PIECES, jobs)]
    for lineage in of_specimens(reader, pieces).values():
        row = lineage.specimen
        taken = [m for m in lineage.measured if measurement_id(m.measurement.id) in found.measurements]
        if row is None or (row.dummy and not taken):
            continue
        ident = specimen_id(row.job_id, row.piece)
        alone = Path(Ident("job", row.job_id, row.piece), Lineage(row), lineage.given)
        found.keys[ident] = _state(found, alone.touched())
        lineage.measured = taken
        found.pieces[ident] = _put_measured(found, lineage)
    of_spools = [
        read_id(ident)[0].number for ident, result in found.measurements.items() if result[0].row.job is None
    ]
    for lineage in of_measurements(reader, of_spools).values():
        _put_measured(found, lineage)
    found.paths = {ident: found.paths[ident] for ident in found.measurements}


def _put_measured(found: Gathered, lineage: Lineage) -> Lineage:
    """Put every measurement of a lineage among the ways back; return the lineage as it leaves."""
    cleaned = found.leaving.lineage(lineage)
    for each, leaves in zip(lineage.measured, cleaned.measured, strict=True):
        ident = measurement_id(each.measurement.id)
        touched = list(rows_of_measurement(each))
        found.keys[ident] = _state(found, touched)
        found.written[ident] = max(
            row["entry"] for table, row in touched if table in ("measurement", "result", "verdict")
        )
        for recorded in each.files:
            found.endings[ident, recorded.file.field] = _ending(recorded.file.name)
        own = replace(cleaned, measured=[leaves])
        found.paths[ident] = Path(Ident("measurement", each.measurement.id), own, own.given)
    return cleaned


def _ending(name: str | None) -> str:
    """Return what the name of a file ends in, ``.csv.gz``; the name itself stays in the book."""
    endings = [slug(text.lstrip(".")) for text in PurePath(name or "").suffixes[-2:]]
    return "".join(f".{text}" for text in endings if text and len(text) <= _LONGEST_ENDING)


_LONGEST_ENDING: Final = 6
"""Letters: what is longer is part of a name."""


def _state(found: Gathered, touched: Iterable[Touched]) -> str:
    """Return what something is made of: rows, each with the number of the entry that last wrote it."""
    rows = list(touched)
    found.newest = max([found.newest, *(row["entry"] for _, row in rows)])
    return ";".join(f"{table}{row.get('id', row.get('name', ''))}={row['entry']}" for table, row in rows)


def _put_factors(session: Session, found: Gathered, plugged: Plugged) -> None:
    rows = {ident: each.specimen.id for ident, each in found.pieces.items() if each.specimen is not None}
    factors = factors_of(session, rows.values(), plugged)
    found.factors = {ident: _cleaned(found, factors.get(row, {})) for ident, row in rows.items()}
    numbers = {read_id(ident)[0].number: ident for ident in found.measurements}
    own = measurement_factors(session, numbers)
    found.of_tests = {numbers[number]: _cleaned(found, each) for number, each in own.items()}


_NAMES_IN: Final = frozenset({"printed_by", "operator"})


def _cleaned(found: Gathered, factors: Mapping[str, FactorValue]) -> dict[str, FactorValue]:
    """Return factors without names of people and files."""
    cleaned = {}
    for name, each in factors.items():
        value = found.leaving.name(str(each.value)) or "" if name in _NAMES_IN else each.value
        # What was given outright names a person or a file as its source; what the book reads names neither.
        source = _STATED_BY.sub(" stated at the bench", each.source)
        if not _OURS.fullmatch(source):
            source = found.leaving.people.get(each.source, "given")
        cleaned[name] = replace(each, value=value, source=source)
    return cleaned


_STATED_BY: Final = re.compile(r" stated by .*?(?=,|$)")
_OURS: Final = re.compile(
    r"job|spool|specimen|measurement|plate file|set for the job|read while the job ran|counted|"
    r"middle of the piece|from the end of the job to the measurement|D\d+-.|"
    r"(estimated from the )?days of S\d+-.,.*|(plate file|log), gauge section[^,]*(, \d+% of it covered)?|"
    r"changed by hand.*|plate file and \w+ changed by hand.*"
)
"""Sources as :mod:`tracker.factors` words them; all others are a person's words."""


def _put_answers(connection: Connection, found: Gathered, zone: dt.tzinfo) -> None:
    asked = (
        select(Dispute, Material.name)
        .outerjoin(Material, Material.id == Dispute.material_id)
        .order_by(Dispute.id)
    )
    answers: dict[str, list[Answer]] = defaultdict(list)
    for row in connection.execute(asked).mappings():
        about = row["name"] if row["measurement_id"] is None else Ident("measurement", row["measurement_id"])
        if str(about) not in found.measurements and str(about) not in found.slugs:
            continue
        cleaned = found.leaving.row("dispute", dict(row))
        answers[str(about)].append(
            Answer(cleaned["text"], cleaned["by"], cleaned["address"] or "", f"{local_day(row['at'], zone)}")
        )
    found.answers = dict(answers)


def _dated(connection: Connection, found: Gathered, book: Book) -> About:
    """Date the site by the newest entry that wrote anything in it, so that other entries change nothing."""
    newest = connection.scalar(select(JournalRecord.at).where(JournalRecord.seq == found.newest))
    changed = newest or dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return replace(found.about, version=local_day(changed, book.zone), changed=changed)


def name_of(row: ResultRow) -> str:
    """Return the name of a result's material, as the table has it."""
    return row.material or "not recorded"


@lru_cache(maxsize=4096)
def number_of_job(ident: str) -> int:
    """Return the number of a job by its ID."""
    return read_id(ident)[0].number


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Return a file name for each name: letters that every disk and browser takes, each once."""
    taken: dict[str, str] = {}
    for name in dict.fromkeys(names):
        plain = slug(name) or "material"
        number, made = 1, plain
        while made in taken.values():
            number += 1
            made = f"{plain}-{number}"
        taken[name] = made
    return taken


def slug(name: str) -> str:
    """Return a name in small letters, digits, full stops and dashes; empty where nothing is left."""
    letters = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9.]+", "-", letters).strip("-.")[:60]


def dispute(book: Book, who: str, about: str, text: str, by: str, address: str = "") -> int:
    """Record an answer that is published beside a number or a material; return its number.

    Args:
        book: Where to.
        who: Who enters it; not published.
        about: ID of a measurement, or the name of a material.
        text: What is answered.
        by: Who answers, as it is to be published.
        address: Where more is said; a URL.

    Raises:
        Refused: There is no such measurement or material, or nothing is said.
    """
    if not text.strip() or not by.strip():
        raise Refused(
            "An answer needs its words and who says them", do="Add --by NAME and the text in quotes"
        )
    if address and not address.startswith(("https://", "http://")):
        raise Refused(f"{address} is no address", do="Write it as https://example.org/answer")
    with book.act("dispute", who) as act:
        session = act.session
        measurement = material = None
        try:
            row: Measurement = find(book, session, about, "measurement")
            measurement = row.id
        except IdError:
            material = material_named(session, about).id
        answer = Dispute(
            measurement_id=measurement, material_id=material, text=text.strip(), by=by.strip(),
            address=address or None, at=act.at,
        )  # fmt: skip
        session.add(answer)
        session.flush()
        number: int = session.scalars(select(Dispute.id).order_by(Dispute.id.desc()).limit(1)).one()
    return number
