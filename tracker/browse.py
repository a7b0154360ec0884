"""Looking for records: lists with filters, sorting and pages to the very end, and one search over all kinds.

Each list is one statement for its filters and its order; what a line says is read for the records of the page
alone, so that a book of 200,000 specimens costs no more than one of 200.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, String, and_, cast, func, or_, select
from sqlalchemy.orm import Session, selectinload

from tracker import ids
from tracker.book import Book
from tracker.day import SpoolNow, spools_now
from tracker.errors import Refused
from tracker.kinds import judged_in_order, listed_of, where_listed
from tracker.kinds.registry import Judge
from tracker.kinds.specimen import Shape, seen_from_above, shape_of
from tracker.lineage import join_material, material_of_job, material_of_specimen
from tracker.listfilter import asked_of
from tracker.model import (
    Drying,
    Job,
    JobInForce,
    JobSpool,
    JournalRecord,
    Material,
    Measurement,
    Result,
    Rig,
    Specimen,
    Spool,
)
from tracker.moments import local_time
from tracker.plugins import Plugged, load
from tracker.records import changes_in
from tracker.stating import state_row

PAGE: Final = 40
FOUND: Final = 8
"""Of each kind, so many are shown of a search."""

COUNTED: Final = 1000
"""Of each kind, so many are counted of a search, and of a filter that is asked record by record."""

LOOKED: Final = 10_000
"""So many records are gone through for one page where a filter is asked record by record: about a second."""

Asked = Mapping[str, str]


@dataclass(frozen=True)
class Line:
    """A record in a list.

    Attributes:
        id: Its ID, or a material's name.
        facts: What people ask of its kind, a few words each.
        outlines: Of a job: the corners of each specimen seen from above, mm, for its plate in small.
        shape: Of a specimen: what it looks like; None where its plate is not known.
        number: Of a specimen: the number of the piece.
        spool: Of a spool: as it is now.
        columns: All that its kind's list has, by name: what can be chosen to be shown.
    """

    id: str
    facts: tuple[str, ...]
    outlines: Sequence[Sequence[Sequence[float]]] = ()
    shape: Shape | None = None
    number: int = 0
    spool: SpoolNow | None = None
    columns: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Listing:
    """A page of a list.

    Attributes:
        lines: Of this page.
        count: How many there are by these filters, as far as they were looked for.
        page: Number of this page, from 1.
        pages: How many pages they fill.
        choices: For each filter, what can be chosen.
        more: There are more than ``count``; they were not counted to the end.
        begin: So many records of the list lie before those that were gone through.
        further: So many were gone through, those before included, and more are left; 0 where none are, or
            where the next page goes on.
    """

    lines: Sequence[Line]
    count: int
    page: int
    pages: int
    choices: Mapping[str, Sequence[str]] = field(default_factory=dict)
    more: bool = False
    begin: int = 0
    further: int = 0


@dataclass(frozen=True)
class _List:
    """How a kind is listed."""

    model: Any
    rows: Callable[[], Select[Any]]
    filters: Mapping[str, Any]
    sorts: Mapping[str, Any]
    words: Sequence[Any]
    lines: Callable[[Book, Session, Sequence[int]], list[Line]]


def _text(value: Any) -> str:
    return "" if value is None else str(value)


def _some(*texts: Any) -> tuple[str, ...]:
    return tuple(str(each) for each in texts if each not in (None, ""))


def _material_lines(book: Book, session: Session, numbers: Sequence[int]) -> list[Line]:
    del book
    spools = dict(
        session.execute(
            select(Spool.material_id, func.count())
            .where(Spool.material_id.in_(numbers))
            .group_by(Spool.material_id)
        ).all()
    )
    rows = _by_number(session, Material, numbers)
    return [
        Line(row.name, _some(row.family, row.maker, _counted(spools.get(row.id, 0), "spool"))) for row in rows
    ]


def _spool_lines(book: Book, session: Session, numbers: Sequence[int]) -> list[Line]:
    return [
        Line(each.id, _some(each.material, each.lot and f"lot {each.lot}", each.place), spool=each)
        for each in spools_now(session, numbers, book.clock(), book.zone)
    ]


def _drying_lines(book: Book, session: Session, numbers: Sequence[int]) -> list[Line]:
    rows = _by_number(session, Drying, numbers, selectinload(Drying.spools))
    return [
        Line(
            ids.drying_id(row.id),
            _some(
                ", ".join(ids.spool_id(each.spool_id) for each in row.spools),
                (row.set_c is not None and f"{row.set_c:g} °C") or "temperature not recorded",
                f"{local_time(row.began_at, book.zone)} – "
                f"{local_time(row.ended_at, book.zone) if row.ended_at else 'open'}",
            ),
        )
        for row in rows
    ]


def _job_lines(book: Book, session: Session, numbers: Sequence[int]) -> list[Line]:
    rows = _by_number(
        session,
        Job,
        numbers,
        selectinload(Job.specimens),
        selectinload(Job.spools).selectinload(JobSpool.spool),
    )
    return [
        Line(
            ids.job_id(row.id),
            _some(
                row.name,
                _named(material_of_job(row)),
                row.outcome or "planned",
                row.started_at and local_time(row.started_at, book.zone),
                _counted(len(row.specimens), "specimen"),
            ),
            outlines=[seen for each in row.specimens if (seen := seen_from_above(each.plate_facts))],
        )
        for row in rows
    ]


def _named(material: Material | None) -> str:
    return material.name if material is not None else ""


def _specimen_lines(book: Book, session: Session, numbers: Sequence[int]) -> list[Line]:
    del book
    rows = _by_number(
        session,
        Specimen,
        numbers,
        selectinload(Specimen.job).selectinload(Job.spools).selectinload(JobSpool.spool),
    )
    return [
        Line(
            ids.specimen_id(row.job_id, row.piece),
            _some(
                row.name,
                _named(material_of_specimen(row)),
                row.orientation,
                row.outcome or "no outcome yet",
                row.remark or row.cause,
                row.broken_at and "used up",
            ),
            shape=shape_of(row.plate_facts),
            number=row.piece,
        )
        for row in rows
    ]


def _rig_lines(book: Book, session: Session, numbers: Sequence[int]) -> list[Line]:
    del book
    rows = _by_number(session, Rig, numbers, selectinload(Rig.calibrations))
    return [
        Line(
            ids.rig_id(row.id),
            _some(
                row.name,
                row.measures,
                row.capacity is not None and f"up to {row.capacity:g} {row.unit or ''}".strip(),
                f"calibrated {row.calibrations[-1].done_on}" if row.calibrations else "never calibrated",
            ),
        )
        for row in rows
    ]


def _measurement_lines(book: Book, session: Session, numbers: Sequence[int]) -> list[Line]:
    rows = _by_number(
        session, Measurement, numbers, selectinload(Measurement.results), selectinload(Measurement.specimen)
    )
    return [
        Line(
            ids.measurement_id(row.id),
            _some(
                ids.specimen_id(row.specimen.job_id, row.specimen.piece)
                if row.specimen is not None
                else ids.spool_id(row.spool_id),
                row.at and local_time(row.at, book.zone),
                row.operator,
                *[
                    f"{each.quantity} {state_row(each).short}" + ("" if each.counted else " (set aside)")
                    for each in row.results
                    if each.value is not None
                ][:2],
            ),
        )
        for row in rows
    ]


def _by_number(session: Session, model: Any, numbers: Sequence[int], *options: Any) -> list[Any]:
    rows = {
        row.id: row for row in session.scalars(select(model).where(model.id.in_(numbers)).options(*options))
    }
    return [rows[number] for number in numbers if number in rows]


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


_LISTS: Final[Mapping[str, _List]] = {
    "materials": _List(
        Material,
        lambda: select(Material.id),
        {"family": Material.family, "maker": Material.maker},
        {"name": Material.name, "family": Material.family},
        (Material.name, Material.maker, Material.note),
        _material_lines,
    ),
    "spools": _List(
        Spool,
        lambda: select(Spool.id).join(Material, Material.id == Spool.material_id),
        {"material": Material.name, "lot": Spool.lot, "supplied": Spool.supplied},
        {"newest": Spool.id, "material": Material.name, "received": Spool.received_on},
        (Material.name, Spool.lot, Spool.colour, Spool.note, Spool.supplied_by),
        _spool_lines,
    ),
    "dryings": _List(
        Drying,
        lambda: select(Drying.id),
        {"dryer": Drying.dryer},
        {"newest": Drying.id, "temperature": Drying.set_c},
        (Drying.dryer, Drying.operator, Drying.note),
        _drying_lines,
    ),
    "jobs": _List(
        Job,
        lambda: (
            select(Job.id)
            .outerjoin(JobInForce, JobInForce.job_id == Job.id)
            .outerjoin(Material, Material.id == JobInForce.material_id)
        ),
        {"outcome": Job.outcome, "printer": Job.printer, "material": Material.name},
        {"newest": Job.id, "started": Job.started_at, "name": Job.name},
        (Job.name, Job.printer, Job.operator, Job.note, Material.name, Job.plate_name),
        _job_lines,
    ),
    "specimens": _List(
        Specimen,
        lambda: join_material(select(Specimen.id)),
        {"material": Material.name, "orientation": Specimen.orientation, "outcome": Specimen.outcome},
        {"newest": Specimen.id, "name": Specimen.name, "orientation": Specimen.orientation},
        (Specimen.name, Specimen.remark, Specimen.cause, Specimen.note),
        _specimen_lines,
    ),
    "rigs": _List(
        Rig,
        lambda: select(Rig.id),
        {"role": Rig.role, "measures": Rig.measures},
        {"newest": Rig.id, "name": Rig.name},
        (Rig.name, Rig.note),
        _rig_lines,
    ),
    "measurements": _List(
        Measurement,
        lambda: select(Measurement.id).outerjoin(Specimen, Specimen.id == Measurement.specimen_id),
        {"method": Measurement.method, "operator": Measurement.operator},
        {"newest": Measurement.id, "time": Measurement.at},
        (Measurement.operator, Measurement.remark),
        _measurement_lines,
    ),
}

KINDS: Final = tuple(_LISTS)
"""What can be listed here."""


def sorts_of(kind: str) -> tuple[str, ...]:
    """Return by what a list can be sorted; the first is the usual one."""
    return tuple(_LISTS[kind].sorts)


def filters_of(kind: str) -> tuple[str, ...]:
    """Return by what a list can be filtered."""
    return tuple(_LISTS[kind].filters)


def list_page(
    book: Book,
    kind: str,
    filters: Asked | None = None,
    *,
    text: str = "",
    where: str = "",
    plugged: Plugged | None = None,
    sort: str = "",
    page: int = 1,
    begin: int = 0,
    size: int = PAGE,
) -> Listing:
    """Return a page of a list.

    Args:
        book: The book.
        kind: One of :data:`KINDS`.
        filters: What must be equal, by the names of :func:`filters_of`.
        text: Words that must be found in names, lots, remarks, notes, operators.
        where: A filter as the command line takes it (:mod:`tracker.listfilter`).
        plugged: Plugins, which may add factors that the filter asks of; those installed where None.
        sort: One of :func:`sorts_of`; the newest first where empty.
        page: From 1; beyond the end it is the last one.
        begin: Where a filter is asked record by record: leave out so many records of the list.
        size: Records on a page.

    Raises:
        Refused: No such kind, filter or sort, or a filter that cannot be read.
    """
    how = _LISTS.get(kind)
    if how is None:
        raise Refused(f"There is no list of {kind}", do=f"There are {', '.join(KINDS)}")
    conditions = _conditions(how, kind, filters or {}, text)
    asked = asked_of(book, plugged or load(), kind, where) if where.strip() else None
    if asked is not None:
        conditions += where_listed(kind, asked.conditions)
    order = how.sorts.get(sort or next(iter(how.sorts)))
    if order is None:
        raise Refused(f"{kind} cannot be sorted by {sort!r}", do=f"Sort by {', '.join(how.sorts)}")
    with book.read() as session:
        if asked is not None and asked.judge is not None:
            numbers, found = _judged(session, how, kind, conditions, order, asked.judge, page, begin, size)
        else:
            numbers, found = _counted_page(session, how, conditions, order, page, size)
        lines = _with_columns(session, kind, numbers, how.lines(book, session, numbers), book.zone)
        return replace(found, lines=lines, choices=_choices(session, how))


def _counted_page(
    session: Session, how: _List, conditions: Sequence[Any], order: Any, page: int, size: int
) -> tuple[list[int], Listing]:
    """Return the numbers of the records on a page of what the database counts."""
    # Without conditions the count needs none of the joined tables.
    counted = how.rows().where(*conditions) if conditions else select(how.model.id)
    count = session.scalar(select(func.count()).select_from(counted.order_by(None).subquery())) or 0
    pages = max(1, -(-count // size))
    at = min(max(1, page), pages)
    return _numbers(session, how, conditions, order, at, size, count), Listing((), count, at, pages)


def _judged(
    session: Session, how: _List, kind: str, conditions: Sequence[Any], order: Any, judge: Judge, page: int,
    begin: int, size: int,
) -> tuple[list[int], Listing]:  # fmt: skip
    """Return the numbers of the records on a page of what a filter holds of that is asked record by record.

    No more are gone through than fill the page and :data:`COUNTED`, and of no more than :data:`LOOKED`: a
    filter that holds of little would have to be asked of the whole book.
    """
    rows = how.rows().where(*conditions).order_by(*_keys(how, order))
    there = list(session.scalars(rows.offset(begin).limit(LOOKED + 1)))
    enough = max(COUNTED, page * size)
    connection = session.connection()
    found = list(islice(judged_in_order(connection, kind, there[:LOOKED], judge), enough + 1))
    more, rest = len(found) > enough, len(there) > LOOKED
    found = found[:enough]
    pages = max(1, -(-len(found) // size))
    at = min(max(1, page), pages)
    further = begin + LOOKED if rest and not more else 0
    shown = found[(at - 1) * size : at * size]
    return shown, Listing((), len(found), at, pages, more=more, begin=begin, further=further)


def _with_columns(
    session: Session, kind: str, numbers: Sequence[int], lines: Sequence[Line], zone: dt.tzinfo
) -> list[Line]:
    """Return lines with the columns of their kind's list; moments as people read them."""
    by_id = {row.pop("id"): row for row in listed_of(session.connection(), kind, numbers, zone)}
    return [replace(each, columns=by_id.get(each.id, {})) for each in lines]


def _numbers(
    session: Session, how: _List, conditions: Sequence[Any], order: Any, page: int, size: int, count: int
) -> list[int]:
    """Return the numbers of the records on a page, the order's first at the top."""
    needs_joins = bool(conditions) or order.class_ is not how.model
    rows = how.rows() if needs_joins else select(how.model.id)
    newest, keys = _newest(how, order), _keys(how, order)
    skip = (page - 1) * size
    behind = count - skip - size
    if behind < skip:
        # From the nearer end: the last page is as quick as the first.
        keys = [order.asc()] if newest else [order.is_(None).desc(), order.desc(), how.model.id.asc()]
        wanted = min(size, count - skip)
        found = session.scalars(
            rows.where(*conditions).order_by(*keys).offset(max(0, behind)).limit(wanted)
        ).all()
        return list(found)[::-1]
    return list(session.scalars(rows.where(*conditions).order_by(*keys).offset(skip).limit(size)))


def _newest(how: _List, order: Any) -> bool:
    return order is how.model.id or order.key == "id"


def _keys(how: _List, order: Any) -> list[Any]:
    # Missing values last on either database; of equal ones the newer first.
    return [order.desc()] if _newest(how, order) else [order.is_(None), order, how.model.id.desc()]


def _conditions(how: _List, kind: str, filters: Asked, text: str) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    for name, value in filters.items():
        column = how.filters.get(name)
        if column is None:
            raise Refused(f"{kind} cannot be filtered by {name!r}", do=f"There are {', '.join(how.filters)}")
        if value:
            conditions.append(column.is_(None) if value == "not recorded" else column == value)
    return [*conditions, *(_holds(how.words, word) for word in text.split()[:6])]


def _holds(columns: Sequence[Any], word: str) -> ColumnElement[bool]:
    escaped = word.lower().replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return or_(*(func.lower(cast(each, String)).like(f"%{escaped}%", escape="\\") for each in columns))


_MOST_CHOICES: Final = 200


def choices_of(book: Book, kind: str) -> dict[str, Sequence[str]]:
    """Return what each filter of a list can be; at most so many, the first of the alphabet."""
    with book.read() as session:
        return _choices(session, _LISTS[kind])


def _choices(session: Session, how: _List) -> dict[str, Sequence[str]]:
    """Return what each filter can be; at most so many, the first of the alphabet."""
    found: dict[str, Sequence[str]] = {}
    for name, column in how.filters.items():
        rows = session.scalars(
            select(column).where(column.is_not(None)).distinct().order_by(column).limit(_MOST_CHOICES)
        )
        found[name] = [_text(each) for each in rows]
    return found


@dataclass(frozen=True)
class Found:
    """What a search found of one kind: the first lines, and how many there are."""

    kind: str
    lines: Sequence[Line]
    count: int


def search(book: Book, text: str) -> list[Found]:
    """Return records in whose name, material, lot, remark, note, operator or day a text is found.

    Args:
        book: The book.
        text: Words that must all be found, or a day as ``2026-03-14``.
    """
    if not text.strip():
        return []
    day = _day(text.strip())
    found = []
    for kind in KINDS:
        listing = _of_day(book, kind, day) if day is not None else _with_words(book, kind, text)
        if listing.count:
            found.append(Found(kind, listing.lines, listing.count))
    return found


def _with_words(book: Book, kind: str, text: str) -> Listing:
    """Return the newest records with some words, and how many there are, counted no further than is of use.

    Words are in no index: whoever looks for one goes through the whole table, and goes through it once.
    """
    how = _LISTS[kind]
    rows = how.rows().where(*_conditions(how, kind, {}, text)).order_by(how.model.id.desc())
    with book.read() as session:
        numbers = list(session.scalars(rows.limit(COUNTED)))
        return Listing(how.lines(book, session, numbers[:FOUND]), len(numbers), 1, 1)


def _day(text: str) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        return None


_DAYS: Final[Mapping[str, Any]] = {
    "jobs": Job.started_at,
    "dryings": Drying.began_at,
    "measurements": Measurement.at,
    "spools": Spool.received_on,
}


def _of_day(book: Book, kind: str, day: dt.date) -> Listing:
    column = _DAYS.get(kind)
    if column is None:
        return Listing((), 0, 1, 1)
    how = _LISTS[kind]
    if kind == "spools":
        condition = column == day
    else:
        began = dt.datetime.combine(day, dt.time(), book.zone).astimezone(dt.UTC)
        ended = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), book.zone).astimezone(dt.UTC)
        condition = and_(column >= began, column < ended)
    with book.read() as session:
        numbers = list(session.scalars(select(how.model.id).where(condition).order_by(how.model.id.desc())))
        return Listing(how.lines(book, session, numbers[:FOUND]), len(numbers), 1, 1)


_ENTRIES: Final = 50


def journal_page(
    book: Book, *, before: int = 0, who: str = "", about: str = "", size: int = _ENTRIES
) -> list[dict[str, Any]]:
    """Return entries of the journal, the newest first: number, time, person, act, reason, IDs, changes.

    Args:
        book: The book.
        before: Only entries with a lower number; 0 for the newest.
        who: Only of this person or device.
        about: Only what concerns this ID.
        size: How many.
    """
    asked = select(
        JournalRecord.seq, JournalRecord.at, JournalRecord.who, JournalRecord.act, JournalRecord.body
    )
    if before:
        asked = asked.where(JournalRecord.seq < before)
    if who.strip():
        asked = asked.where(JournalRecord.who == who.strip())
    if about:
        # In the canonical text an ID is in quotation marks.
        asked = asked.where(JournalRecord.body.contains(f'"{about}"', autoescape=True))
    with book.connect() as connection:
        rows = connection.execute(asked.order_by(JournalRecord.seq.desc()).limit(size)).all()
    found = []
    for row in rows:
        body = json.loads(row.body)
        found.append(
            {
                "seq": row.seq,
                "at": row.at,
                "who": row.who,
                "act": row.act,
                "reason": body.get("reason") or "",
                "about": body.get("about") or [],
                "changes": changes_in(body, book.zone),
            }
        )
    return found


@dataclass(frozen=True)
class EntryHead:
    """Of an entry of the journal: its number, when it was made, and by whom."""

    seq: int
    at: dt.datetime
    who: str


def entry_of(book: Book, seq: int) -> EntryHead | None:
    """Return an entry of the journal by its number; None where there is none."""
    asked = select(JournalRecord.seq, JournalRecord.at, JournalRecord.who).where(JournalRecord.seq == seq)
    with book.connect() as connection:
        row = connection.execute(asked).one_or_none()
    return None if row is None else EntryHead(row.seq, row.at, row.who)


def last_entry(book: Book, who: str) -> int:
    """Return the number of the last entry of a person or device; 0 where there is none among the newest."""
    newest = select(JournalRecord.seq, JournalRecord.who).order_by(JournalRecord.seq.desc()).limit(_ENTRIES)
    with book.connect() as connection:
        return next((row.seq for row in connection.execute(newest) if row.who == who), 0)


def count_results(book: Book) -> int:
    """Return about how many results a book has: the number of the last one."""
    with book.connect() as connection:
        return connection.scalar(select(func.max(Result.id))) or 0
