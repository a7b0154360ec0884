"""Which kinds there are, and how their records are found and listed."""

from __future__ import annotations

import datetime as dt
import importlib
import pkgutil
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import ColumnElement, Connection, bindparam, func, select
from sqlalchemy.orm import Session

from tracker.book import WITH_VOIDED, Book, plan_for_first_rows, with_voided
from tracker.errors import Refused, did_you_mean
from tracker.ids import Ident, IdError, likely_slips, read_payload, unchecked
from tracker.kinds.base import Kind, merged_into
from tracker.lazy_modules import lazy
from tracker.model import Material, Specimen
from tracker.moments import local_time
from tracker.stating import state
from tracker.stored_rows import one_of

if TYPE_CHECKING:
    from tracker import selection
else:
    # Filters bring the factors along, and those the arithmetic of methods: not for a list without one.
    selection = lazy("tracker.selection")

_NO_KINDS: Final = ("base", "registry", "whereabouts")


def _found() -> dict[str, Kind]:
    modules = (each.name for each in pkgutil.iter_modules([str(Path(__file__).parent)]))
    kinds = [
        kind
        for name in modules
        if name not in _NO_KINDS
        for kind in importlib.import_module(f"tracker.kinds.{name}").KINDS
    ]
    return {kind.name: kind for kind in sorted(kinds, key=lambda each: (each.place, each.name))}


KINDS: Final[Mapping[str, Kind]] = _found()
"""Every kind by its name, in the order in which a spool travels."""

LISTS: Final = tuple(kind.plural for kind in KINDS.values())
"""What can be listed."""

_BY_MODEL: Final[Mapping[type[Any], Kind]] = {kind.model: kind for kind in KINDS.values()}


def kind_of(row: Any) -> Kind:
    """Return the kind of a row.

    Raises:
        KeyError: Rows of its table are no records of their own (a link, say).
    """
    return _BY_MODEL[type(row)]


def kind_named(plural: str) -> Kind:
    """Return a kind by the plural that lists use.

    Raises:
        Refused: There is none; near ones are named.
    """
    found = {kind.plural: kind for kind in KINDS.values()}
    if plural not in found:
        raise Refused(
            f"There is no list of {plural}", do=did_you_mean(plural, found, f"There are {', '.join(found)}")
        )
    return found[plural]


_LONGEST: Final = 400
"""More characters than any label's text has, its bench address included."""

_GREATEST: Final = 2**63 - 1
"""Greatest number that a database can be asked for."""


class NotFoundError(Refused, LookupError):
    """Nothing in this book has that ID or name."""


class WrongKindError(Refused, ValueError):
    """The ID is right, but names another kind of thing than was asked for."""


def find(book: Book, session: Session, text: str, *kinds: str, voided: bool = False) -> Any:
    """Return the row that an ID or a label's text names; a kind that has names also goes by them.

    Args:
        book: Whose code the label must carry, if it carries one.
        session: To read with.
        text: Typed or scanned.
        kinds: Kinds allowed; all that have an ID where empty.
        voided: Whether one that was taken back will do.

    Raises:
        IdError: It is no ID; the nearest that exist are named.
        NotFoundError: It belongs to another book, there is no such row, or it was taken back.
        WrongKindError: It is a row of another kind.
    """
    try:
        row = row_of_label(book, session, text, voided=voided)
    except IdError:
        named = KINDS[kinds[0]].by_name(session, text) if len(kinds) == 1 else None
        if named is None:
            raise
        return named
    ident = ident_of(row)
    if kinds and ident.kind not in kinds:
        raise WrongKindError(f"{ident} is a {ident.kind}", do=f"Here a {' or '.join(kinds)} is wanted")
    return row


def find_row(book: Book, session: Session, text: str, *, voided: bool = False) -> Any:
    """Return the row that a text names in any way: by ID, by name, or as a part (``storage3``).

    Raises:
        IdError: It is none of these; what is near is named.
        NotFoundError: There is nothing of that name.
    """
    part = _PART.fullmatch(text.strip().lower())
    if part is not None:
        for kind in KINDS.values():
            if part["word"] in (kind.part, *kind.aliases):
                return _part(session, kind, int(part["number"]), voided=voided)
    try:
        return find(book, session, text, voided=voided)
    # What has no label goes by its name; that is tried when the text is no ID. What is then refused is the
    # ID, the likelier slip, unless a name is near.
    except (IdError, NotFoundError) as refusal:
        found = _named(session, text)
        if found is None and voided:
            with with_voided(session):
                found = _named(session, text)
        if found is not None:
            return found
        try:
            return material_named(session, text)
        except NotFoundError as unknown:
            raise (unknown if "Did you mean" in unknown.do else refusal) from None


def _named(session: Session, text: str) -> Any:
    """Return the row of any kind that goes by a name, or None."""
    named = (kind.by_name(session, text) for kind in KINDS.values() if kind.unique)
    return next((row for row in named if row is not None), None)


_PART: Final = re.compile(r"(?P<word>[a-z]+)(?P<number>\d{1,18})")


def _part(session: Session, kind: Kind, number: int, *, voided: bool) -> Any:
    row = session.get(kind.model, number, execution_options={WITH_VOIDED: True})
    if row is None:
        raise NotFoundError(
            f"There is no {kind.part}{number} in this book", do=f"strandbook list {kind.plural}"
        )
    if row.voided is not None and not voided:
        raise NotFoundError(f"{kind.part}{number} was taken back", do="strandbook show says when and why")
    return row


def resolve(book: Book, session: Session, text: str, *, voided: bool = False) -> Ident:
    """Return which existing ID a text names; as :func:`row_of_label`."""
    return ident_of(row_of_label(book, session, text, voided=voided))


def row_of_label(book: Book, session: Session, text: str, *, voided: bool = False) -> Any:
    """Return the row that an ID or a label's text names; one that was merged leads to the other.

    Raises:
        IdError: It is none; the nearest that exist are named.
        NotFoundError: It is of another book, nothing has it, or what had it was taken back.
    """
    if len(text) > _LONGEST:
        raise IdError(f"{text[:20]!r}… is too long for an ID", do="Scan a label, or type an ID: J0012-04-K")
    try:
        scanned = read_payload(text)
    except IdError as error:
        raise _with_neighbours(session, text, error) from error
    # Two benches both have an S0007; without the book's code a borrowed spool would be taken for one's own.
    if scanned.book and scanned.book != book.code:
        raise NotFoundError(
            f"{scanned.readings[0]} is a label of another book ({scanned.book}); this one is {book.code}",
            do="Open the other book with --book, or scan a label of this one",
        )
    # Typed without dashes it may be a piece or a job: what exists is meant.
    for ident in scanned.readings:
        row = fetch(session, ident)
        if row is None:
            continue
        # What was merged is taken back by that: only then is the other looked for.
        kept = row if row.voided is None else merged_into(session, row)
        if kept is row and row.voided is not None and not voided:
            raise NotFoundError(f"{ident} was taken back", do=f"strandbook show {ident} says when and why")
        return kept
    raise NotFoundError(
        f"There is no {scanned.readings[0]} in this book",
        do=f"strandbook list {KINDS[scanned.readings[0].kind].plural} shows what there is",
    )


_PIECE: Final = select(Specimen).where(
    Specimen.job_id == bindparam("job"), Specimen.piece == bindparam("piece")
)
"""Made once: it is asked for each label that is scanned and each line of a day's sheet."""


def find_pieces(book: Book, session: Session, texts: Iterable[str]) -> dict[str, Specimen]:
    """Return the specimens that some texts name, each text with its own; all are read in one statement.

    Left out is what :func:`find` has to say more of: what is no ID or can be read in two ways, is of another
    book, of another kind, not there, or taken back.

    Args:
        book: Whose code the labels must carry, if they carry one.
        session: To read with.
        texts: Typed or scanned.
    """
    wanted: dict[str, tuple[int, int]] = {}
    for text in texts:
        try:
            scanned = read_payload(text[:_LONGEST])
        except IdError:
            continue
        ident = scanned.readings[0]
        plain = len(scanned.readings) == 1 and ident.kind == "specimen" and len(text) <= _LONGEST
        if plain and scanned.book in ("", book.code) and max(ident.number, ident.piece) <= _GREATEST:
            wanted[text] = (ident.number, ident.piece)
    if not wanted:
        return {}
    jobs, pieces = ({pair[at] for pair in wanted.values()} for at in (0, 1))
    rows = session.scalars(select(Specimen).where(Specimen.job_id.in_(jobs), Specimen.piece.in_(pieces)))
    found = {(row.job_id, row.piece): row for row in rows}
    return {text: found[pair] for text, pair in wanted.items() if pair in found}


def fetch(session: Session, ident: Ident) -> Any:
    """Return the row of an ID, taken back or not, or None."""
    if max(ident.number, ident.piece) > _GREATEST:
        return None
    if ident.kind == "specimen":
        number = {"job": ident.number, "piece": ident.piece}
        return session.scalar(_PIECE, number, execution_options={WITH_VOIDED: True})
    return session.get(KINDS[ident.kind].model, ident.number, execution_options={WITH_VOIDED: True})


def ident_of(row: Any) -> Ident:
    """Return the ID of a row."""
    if isinstance(row, Specimen):
        return Ident("specimen", row.job_id, row.piece)
    return Ident(kind_of(row).name, row.id)


def material_named(session: Session, name: str) -> Material:
    """Return a material by its name, upper and lower case alike; one that was merged leads to the other.

    Raises:
        NotFoundError: There is none; near names are offered.
    """
    kind = KINDS["material"]
    found: Material | None = kind.by_name(session, name)
    if found is not None:
        return found
    names = session.scalars(select(Material.name))
    hint = "strandbook list materials shows what there is; strandbook material add enters one"
    raise NotFoundError(f"There is no material {name!r} in this book", do=did_you_mean(name, names, hint))


def _with_neighbours(session: Session, text: str, error: IdError) -> IdError:
    meant = unchecked(text)
    if meant is not None and fetch(session, meant) is not None:
        return IdError(f"{text.strip()!r} lacks its check character", do=f"Did you mean {meant}?")
    existing = [ident for ident in likely_slips(text) if fetch(session, ident) is not None]
    if not existing:
        return error
    return IdError(error.what, do=f"Nearest in this book: {', '.join(map(str, existing[:4]))}")


_FIGURES: Final = frozenset(state(None).data())
_NUMBER: Final = "row_number"


Judge = Callable[[Connection, Mapping[int, Mapping[str, Any]]], Collection[int]]
"""Says of records by their row numbers, as :func:`listed` shows them to machines, which are meant."""

_JUDGED_FIRST: Final = 250
_JUDGED_MOST: Final = 2000
"""Records that are judged at a time: few at first, for whoever reads a first page, then more."""


def listed(
    connection: Connection,
    plural: str,
    zone: dt.tzinfo | None = None,
    *,
    voided: bool = False,
    where: Sequence[ColumnElement[bool]] = (),
    judge: Judge | None = None,
) -> Iterator[dict[str, Any]]:
    """Yield the records of a kind; each has ``id`` (a result: ``measurement`` and ``specimen``).

    Args:
        connection: To the book.
        plural: Of the kind, as ``spools``.
        zone: For people: moments are text in this zone, to the minute. Without it they are RFC 3339 in
            UTC, for machines.
        voided: List those alone that were taken back.
        where: Conditions of the statement that lists the kind.
        judge: Asked of those that the conditions let through, some at a time; no more are read than are
            taken from the iterator.

    Raises:
        Refused: There is no such list.
    """
    kind = kind_named(plural)
    for row in _rows_of(connection, kind, voided, where, judge):
        shaped = _shaped(kind, row, zone)
        yield _for_people(shaped) if zone is not None and kind.name == "result" else shaped


def judged_in_order(
    connection: Connection, plural: str, numbers: Iterable[int], judge: Judge
) -> Iterator[int]:
    """Yield those of some row numbers of a kind that are meant, in the order given.

    Args:
        connection: To the book.
        plural: Of the kind.
        numbers: Row numbers.
        judge: Asked of them, some at a time; no more are read than are taken from the iterator.
    """
    kind = kind_named(plural)
    statement = kind.listing().order_by(None).add_columns(kind.model.id.label(_NUMBER))
    remaining, size = iter(numbers), _JUDGED_FIRST
    while batch := list(islice(remaining, size)):
        rows = connection.execute(statement.where(one_of(connection, kind.model.id, batch))).all()
        held = judge(connection, _Shown(kind, rows))
        yield from (number for number in batch if number in held)
        size = min(2 * size, _JUDGED_MOST)


def where_listed(plural: str, where: Sequence[ColumnElement[bool]]) -> list[ColumnElement[bool]]:
    """Return conditions of the statement that lists a kind as conditions over the kind's own table.

    Those of specimens and measurements are put as they are: whoever lists them joins their tables too.
    """
    kind = kind_named(plural)
    if not where or kind.name in ("specimen", "measurement"):
        return list(where)
    numbers = kind.listing().with_only_columns(kind.model.id, maintain_column_froms=True).order_by(None)
    return [kind.model.id.in_(numbers.where(*where).correlate(None))]


def _rows_of(
    connection: Connection,
    kind: Kind,
    voided: bool,
    where: Sequence[ColumnElement[bool]],
    judge: Judge | None,
) -> Iterator[Any]:
    statement = kind.listing().where(*where)
    if judge is not None:
        statement = statement.add_columns(kind.model.id.label(_NUMBER))
    if voided:
        statement = statement.where(kind.model.voided.is_not(None)).execution_options(**{WITH_VOIDED: True})
    plan_for_first_rows(connection, few=bool(where) and selection.begins_with_few(where))
    # A few rows first and then more at a time, but never many: a server works out all of a part before it
    # gives the first of it, and where few rows pass it goes through two hundred others for each. Of what is
    # judged more are needed before the first is shown.
    options = {"stream_results": True, "max_row_buffer": 250 if judge is None else _JUDGED_MOST // 2}
    rows = iter(connection.execute(statement, execution_options=options))
    if judge is None:
        yield from rows
        return
    size = _JUDGED_FIRST
    while batch := list(islice(rows, size)):
        held = judge(connection, _Shown(kind, batch))
        yield from (row for row in batch if getattr(row, _NUMBER) in held)
        size = min(2 * size, _JUDGED_MOST)


class _Shown(Mapping[int, Mapping[str, Any]]):
    """Some records by their row numbers, as machines are shown them; put into that form when asked for."""

    def __init__(self, kind: Kind, rows: Sequence[Any]) -> None:
        self._kind, self._rows = kind, {getattr(row, _NUMBER): row for row in rows}

    def __getitem__(self, number: int) -> Mapping[str, Any]:
        return _shaped(self._kind, self._rows[number], None)

    def __iter__(self) -> Iterator[int]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)


def _shaped(kind: Kind, row: Any, zone: dt.tzinfo | None) -> dict[str, Any]:
    return {key: _plain(value, zone) for key, value in kind.listed(row).items() if key != _NUMBER}


def listed_after(
    connection: Connection, plural: str, after: int, most: int
) -> tuple[list[dict[str, Any]], int | None]:
    """Return records of a kind behind one that was given before, as :func:`listed` shows them to machines.

    By the row's number and not by counting: a record that is taken back meanwhile shifts none of the others,
    and the last part of a long list costs as much as the first.

    Args:
        connection: To the book.
        plural: Of the kind, as ``spools``.
        after: Number of the last one that was given; 0 for the first part.
        most: How many at most.

    Returns:
        The records, by number, and the number of the last one where there are more behind it.

    Raises:
        Refused: There is no such list.
    """
    kind = kind_named(plural)
    number = kind.model.id
    statement = kind.listing().add_columns(number.label(_NUMBER)).where(number > after).order_by(None)
    rows = connection.execute(statement.order_by(number).limit(most + 1)).all()
    shown = [_shaped(kind, row, None) for row in rows[:most]]
    return shown, getattr(rows[most - 1], _NUMBER) if len(rows) > most else None


def listed_of(
    connection: Connection, plural: str, numbers: Sequence[int], zone: dt.tzinfo | None = None
) -> list[dict[str, Any]]:
    """Return some records of a kind, by their row numbers, in no order; otherwise as :func:`listed`."""
    kind = kind_named(plural)
    statement = kind.listing().order_by(None).where(kind.model.id.in_(numbers))
    return [_shaped(kind, row, zone) for row in connection.execute(statement)]


def newest(connection: Connection, plural: str, most: int) -> list[dict[str, Any]]:
    """Return the newest records of a kind, the newest first, as :func:`listed` shows them to machines."""
    kind = kind_named(plural)
    statement = kind.listing().order_by(None).order_by(kind.model.id.desc()).limit(most)
    return [_shaped(kind, row, None) for row in connection.execute(statement)]


def has_more_than(connection: Connection, plural: str, many: int) -> bool:
    """Whether there are more than so many records of a kind; of a large kind quicker than to count it."""
    return connection.scalar(select(kind_named(plural).model.id).offset(many).limit(1)) is not None


def count_voided(connection: Connection, plural: str) -> int:
    """Return how many records of a kind were taken back."""
    model = kind_named(plural).model
    asked = select(func.count()).select_from(model).where(model.voided.is_not(None))
    return int(connection.execute(asked, execution_options={WITH_VOIDED: True}).scalar_one())


def _for_people(result: dict[str, Any]) -> dict[str, Any]:
    """Put the statement in the place of its figures; machines get all of them."""
    shown = {name: value for name, value in result.items() if name not in _FIGURES}
    return {**shown, "stated": None if result["value"] is None else result["stated"]}


def _plain(value: Any, zone: dt.tzinfo | None) -> Any:
    if isinstance(value, dt.datetime) and zone is not None:
        return local_time(value, zone)
    return value.isoformat() if isinstance(value, (dt.datetime, dt.date)) else value
