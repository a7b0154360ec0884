"""A programme held against the book: what is printed, tested, counted, and missing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Integer, cast, func, select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.kinds import find, material_named
from tracker.lineage import made_of, material_of_specimen
from tracker.model import Material, Measurement, Result, Specimen
from tracker.model import Programme as ProgrammeRecord
from tracker.programme.wanted import Programme, WantedTest, read_programme, usual


@dataclass(frozen=True)
class Need:
    """One line of a programme, and how far it is.

    Attributes:
        method: Id of the method.
        way: Orientation letters or way of lying.
        wanted: Counted pieces it takes.
        shelf: Pieces that fit, came off the bed fit for testing and are not used up or tested by it; a
            piece that could serve several lines is named at each.
        tested: Pieces measured by the method.
        counted: Pieces with a counted result.
        missing: Counted pieces still wanted.
        to_print: Pieces that have to be printed, after those on the shelf were shared out line by line.
    """

    method: str
    way: str
    wanted: int
    shelf: int
    tested: int
    counted: int
    missing: int
    to_print: int


@dataclass(frozen=True)
class Standing:
    """A material's programme and how far it is."""

    material: str
    programme: str
    needs: tuple[Need, ...]
    tests: tuple[WantedTest, ...] = ()

    @property
    def next_plate(self) -> tuple[tuple[str, int], ...]:
        """Ways of lying with the number of pieces to print next."""
        wanted: Counter[str] = Counter()
        for need in self.needs:
            wanted[need.way] += need.to_print
        return tuple((way, count) for way, count in wanted.items() if count)

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {
            "material": self.material,
            "programme": self.programme,
            "needs": [asdict(need) for need in self.needs],
            "next_plate": [{"way": way, "pieces": count} for way, count in self.next_plate],
        }


def still_wanted(book: Book, specimen: str) -> str:
    """Return in one line what a piece's programme still wants of such pieces; empty for anything else.

    Args:
        book: To be read.
        specimen: ID.
    """
    with book.read() as session:
        row = find(book, session, specimen)
        material = material_of_specimen(row) if isinstance(row, Specimen) else None
        if material is None:
            return ""
        name, orientation = material.name, row.orientation
    told = standing(book, name)
    wanted = [
        f"{need.method} {need.missing} more"
        for test, need in zip(told.tests, told.needs, strict=True)
        if need.missing and test.fits(orientation)
    ]
    return f"programme {told.programme!r}: {', '.join(wanted) or 'nothing more of such pieces'}"


@dataclass(frozen=True)
class _Piece:
    row: int
    orientation: str | None
    outcome: str | None
    used_up: bool
    tested: frozenset[str]
    counted: frozenset[str]


def programme_of(session: Session, material: Material) -> Programme:
    """Return the programme of a material: its own, else the usual one."""
    record = session.get(ProgrammeRecord, material.programme_id) if material.programme_id else None
    return read_programme(record.text) if record is not None else usual()


def standing(book: Book, material: str) -> Standing:
    """Return how far a material's programme is.

    Args:
        book: To be read.
        material: Name of the material, upper and lower case alike.

    Raises:
        NotFoundError: There is no such material; near names are offered.
    """
    with book.read() as session:
        row = material_named(session, material)
        name, wanted = row.name, programme_of(session, row)
        pieces = _pieces(session.connection(), row.id)
    # A bar can be pulled once: shared out line by line, or every line would count the same bar as its own
    # and too few would be printed.
    free = {piece.row for piece in pieces if _fit(piece)}
    needs = []
    for test in wanted.tests:
        need, taken = _need(test, pieces, free)
        free -= taken
        needs.append(need)
    return Standing(name, wanted.name, tuple(needs), wanted.tests)


def _fit(piece: _Piece) -> bool:
    return piece.outcome in ("good", "usable") and not piece.used_up


def _need(test: WantedTest, pieces: Sequence[_Piece], free: set[int]) -> tuple[Need, set[int]]:
    """Return one line's standing, and the pieces on the shelf that are kept for it."""
    fitting = [piece for piece in pieces if test.fits(piece.orientation)]
    counted = sum(1 for piece in fitting if test.method in piece.counted)
    waiting = [piece.row for piece in fitting if _fit(piece) and test.method not in piece.tested]
    missing = max(0, test.replicates - counted)
    # No more than the line wants, so that the rest is left for the lines below it.
    taken = set([row for row in waiting if row in free][:missing])
    need = Need(
        method=test.method,
        way=test.way,
        wanted=test.replicates,
        shelf=len(waiting),
        tested=sum(1 for piece in fitting if test.method in piece.tested),
        counted=counted,
        missing=missing,
        to_print=missing - len(taken),
    )
    return need, taken


def _pieces(connection: Connection, material: int) -> list[_Piece]:
    of_material = made_of(material)
    rows = connection.execute(
        select(Specimen.id, Specimen.orientation, Specimen.outcome, Specimen.broken_at)
        # A dummy was printed for the others' layer times and is nobody's test piece; old rows say nothing,
        # so "is not true".
        .where(of_material, Specimen.dummy.is_not(True))
        .order_by(Specimen.job_id, Specimen.piece)
    ).all()
    tested, counted = _measured(connection, of_material)
    return [
        _Piece(
            row.id, row.orientation, row.outcome, row.broken_at is not None,
            frozenset(tested.get(row.id, ())), frozenset(counted.get(row.id, ())),
        )
        for row in rows
    ]  # fmt: skip


def _measured(
    connection: Connection, of_material: ColumnElement[bool]
) -> tuple[dict[int | None, set[str]], dict[int | None, set[str]]]:
    tested: dict[int | None, set[str]] = {}
    counted: dict[int | None, set[str]] = {}
    # PostgreSQL has no max of booleans.
    for specimen, method, has_counted in connection.execute(
        select(Measurement.specimen_id, Measurement.method, func.max(cast(Result.counted, Integer)))
        .join(Specimen, Specimen.id == Measurement.specimen_id)
        .outerjoin(Result, Result.measurement_id == Measurement.id)
        .where(of_material)
        .group_by(Measurement.specimen_id, Measurement.method)
    ):
        tested.setdefault(specimen, set()).add(method)
        # Set-aside results do not fill a programme, or a slipped grip would stand for a tested piece.
        if has_counted:
            counted.setdefault(specimen, set()).add(method)
    return tested, counted
