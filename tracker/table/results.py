"""The results behind a table: as sums of each plate for a whole book, or one by one.

The plate is the unit of every mean, so a table of a million results needs no more of them than their sums by
plate. Single results are read where sums will not do: pieces that were read several times, limits, grades,
pieces of which more is recorded than of their job, and whatever a filter picked. :func:`plates_of` over all
single results is the plain version; both give the same table.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import islice
from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, bindparam, case, func, or_, select

from tracker.model import Job, Measurement, Result, Specimen
from tracker.orientation import in_words
from tracker.stored_rows import raw

_AT_ONCE: Final = 5000
"""Ids in one statement: well below what either database takes as parameters."""


Within = Sequence[ColumnElement[bool]]
"""Conditions over results with measurement and specimen, as ``tracker.selection.narrowed`` gives them."""


class Point(NamedTuple):
    """One result that has a value, or at least a group (a piece that did not break).

    Attributes:
        result: Its number, by which results were made one after another.
        measurement: Number of its measurement.
        quantity: Its name.
        value: In ``unit``; None where it was refused and only its group is known.
        unit: Its unit.
        relation: ``=``, ``>`` or ``<``.
        group: Break type or the like; None where the method has none.
        counted: Whether a verdict lets it into means.
        at: When it was measured, as the database has it: it sorts, and :func:`moment_of` reads it.
        specimen: Number of the specimen, or None.
        spool: Number of the spool where that was tested, or None.
        job: Number of the job, or None.
        orientation: Letters, or None.
        geometry: Template of the piece, or None.
        method: Id of the method.
        rh_pct: Humidity in which the piece was conditioned before the test, or None.
        water_pct: Water measured in the piece at the test, or None.
    """

    result: int
    measurement: int
    quantity: str
    value: float | None
    unit: str
    relation: str
    group: str | None
    counted: bool
    at: Any
    specimen: int | None
    spool: int | None
    job: int | None
    orientation: str | None
    geometry: str | None
    method: str
    rh_pct: float | None
    water_pct: float | None

    @property
    def plate(self) -> int:
        """What its piece shares with others: the job, or below zero the spool that was tested itself."""
        return self.job if self.job is not None else -(self.spool or 0)

    @property
    def number(self) -> bool:
        """Whether it counts and is a value and no limit."""
        return bool(self.counted) and self.relation == "=" and self.value is not None


class Plate(NamedTuple):
    """Pieces of one plate that stand in one cell of a table, as sums.

    Attributes:
        plate: As for :attr:`Point.plate`.
        n: Pieces; a piece that was read several times is one.
        mean: Of the pieces.
        within: Sum of squared deviations from it.
        low: Least value.
        high: Greatest value.
    """

    plate: int
    n: int
    mean: float
    within: float
    low: float
    high: float


class Sums(NamedTuple):
    """Counted results of one plate, quantity, orientation and group, as the database sums them up.

    Attributes:
        taken: Results that count, limits and refused ones among them; more than ``n`` where there are such.
        n: Those that are numbers.
        pieces: Pieces among them; fewer than ``n`` where one was read several times.
        total: Sum of differences from ``origin``.
        squares: Sum of their squares.
        last: Newest moment, as the database has it.
    """

    job: int | None
    spool: int | None
    unit: str
    orientation: str | None
    group: str | None
    rh_pct: float | None
    water_pct: float | None
    taken: int
    n: int
    pieces: int
    total: float
    squares: float
    low: float
    high: float
    last: Any

    def whole(self) -> bool:
        """Whether the sums say all there is: numbers alone, each of a piece of its own."""
        return self.taken == self.n and (self.job is None or self.pieces == self.n)

    @property
    def plate(self) -> int:
        """As for :attr:`Point.plate`."""
        return self.job if self.job is not None else -(self.spool or 0)

    def summed(self, origin: float) -> Plate:
        """Return the sums as a plate."""
        mean = self.total / self.n
        within = max(0.0, self.squares - self.n * mean * mean)
        return Plate(self.plate, self.n, origin + mean, within, self.low, self.high)


# Moments and truth values stay as the driver gives them: to read a hundred thousand takes longer than all
# the arithmetic of the table, which needs the newest of each row alone.
_POINTS: Final = (
    select(
        Result.id, Result.measurement_id, Result.quantity, Result.value, Result.unit, Result.relation,
        Result.group, raw(Result.counted), raw(Measurement.at), Measurement.specimen_id, Measurement.spool_id,
        Specimen.job_id, Specimen.orientation, Specimen.geometry, Measurement.method,
        Measurement.conditioned_rh_pct, Measurement.water_pct,
    )
    .join(Measurement, Measurement.id == Result.measurement_id)
    .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    .where(or_(Result.value.is_not(None), Result.group.is_not(None)))
    .order_by(Result.id)
)  # fmt: skip


def points(
    connection: Connection,
    quantities: Sequence[str] | None = None,
    among: Collection[int] | None = None,
    *,
    jobs: Collection[int] | None = None,
    spools: Collection[int] | None = None,
    counted: bool | None = None,
    within: Within = (),
) -> list[Point]:
    """Return single results in the order in which they were made.

    Args:
        connection: To the book.
        quantities: Only these; all where None.
        among: Only results of these numbers; all where None.
        jobs: Only of pieces of these jobs; all where None.
        spools: With ``jobs``, also those of these spools, tested themselves.
        counted: Only those that count, or only those set aside; both where None.
        within: Conditions that a filter sets.
    """
    statement = _POINTS.where(*within)
    if quantities is not None:
        # By job, the database begins with the job's specimens: led by the name of a quantity, it would walk
        # through all results of the book to those of one plate.
        name = Result.quantity if jobs is None else Result.quantity + ""
        statement = statement.where(name.in_(quantities))
    if counted is not None:
        statement = statement.where(Result.counted if counted else ~Result.counted)
    if jobs is None:
        found = list(map(Point._make, connection.execute(statement).all()))
    else:
        unordered = statement.order_by(None)
        parts = [
            *_parts(unordered, Specimen.job_id, jobs),
            *_parts(unordered, Measurement.spool_id, spools or ()),
        ]
        found = sorted(Point._make(row) for part in parts for row in connection.execute(part))
    return found if among is None else [each for each in found if each.result in among]


def _parts(statement: Select[Any], column: Any, numbers: Iterable[int]) -> Iterator[Select[Any]]:
    left = iter(sorted(numbers))
    while some := list(islice(left, _AT_ONCE)):
        yield statement.where(column.in_(some))


def quantities_in(connection: Connection) -> list[str]:
    """Return the names of the quantities that a book has results of."""
    found: list[str] = []
    # From name to name along the index: a DISTINCT would walk through every result.
    statement = select(func.min(Result.quantity))
    name = connection.scalar(statement)
    while name is not None:
        found.append(name)
        name = connection.scalar(statement.where(Result.quantity > name))
    return found


_NUMBER: Final = case((Result.relation == "=", Result.value - bindparam("origin")))
_SUMS: Final = (
    select(
        Specimen.job_id, Measurement.spool_id, Result.unit, Specimen.orientation, Result.group,
        Measurement.conditioned_rh_pct, Measurement.water_pct,
        func.count(), func.count(_NUMBER), func.count(func.distinct(Measurement.specimen_id)),
        func.sum(_NUMBER), func.sum(_NUMBER * _NUMBER), func.min(Result.value), func.max(Result.value),
        func.max(raw(Measurement.at)),
    )
    .select_from(Result)
    .join(Measurement, Measurement.id == Result.measurement_id)
    .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    .where(
        Result.quantity == bindparam("quantity"), Result.counted,
        or_(Result.value.is_not(None), Result.group.is_not(None)),
    )
    .group_by(
        Specimen.job_id, Measurement.spool_id, Result.unit, Specimen.orientation, Result.group,
        Measurement.conditioned_rh_pct, Measurement.water_pct,
    )
)  # fmt: skip
_ONE: Final = (
    select(Result.value)
    .where(and_(Result.quantity == bindparam("quantity"), Result.counted, Result.value.is_not(None)))
    .limit(1)
)


def plate_sums(connection: Connection, quantity: str, within: Within = ()) -> tuple[float, list[Sums]]:
    """Return the counted results of a quantity as sums by plate, orientation and group.

    Args:
        connection: To the book.
        quantity: Its name.
        within: Conditions that a filter sets.

    Returns:
        The origin that differences were taken from (one of the values: sums of squares about a far zero lose
        the digits that a scatter is made of), and the sums.
    """
    origin = connection.scalar(_ONE, {"quantity": quantity}) or 0.0
    rows = connection.execute(_SUMS.where(*within), {"quantity": quantity, "origin": origin}).all()
    return origin, list(map(Sums._make, rows))


Pieces = dict[int, list[tuple[float, Point]]]
"""By plate: the value of each piece, with the first result it comes from."""


def one_a_piece(found: Iterable[Point], destructive: Collection[str] = ()) -> Pieces:
    """Return the value of each piece, by plate, with the first result it comes from.

    A piece that was read again and again is one piece: its value is the mean of its readings. Where the test
    uses it up the first reading is the piece's: what is pulled a second time is no longer what was printed.

    Args:
        found: Numbers that count, of one quantity, in order.
        destructive: Ids of the methods that use a piece up.
    """
    by_piece: dict[tuple[int, int | None], list[Point]] = {}
    for point in found:
        # Tested on the spool itself there are no pieces: each reading is one of its own length of filament.
        piece = point.specimen if point.specimen is not None else -point.result
        by_piece.setdefault((point.plate, piece), []).append(point)
    plates: Pieces = {}
    for (plate, _), readings in by_piece.items():
        first = readings[0]
        kept = readings[:1] if first.method in destructive else readings
        value = sum(float(each.value or 0.0) for each in kept) / len(kept)
        plates.setdefault(plate, []).append((value, first))
    return plates


def plates_of(found: Iterable[Point], destructive: Collection[str] = ()) -> list[Plate]:
    """Return numbers that count as sums of their plates; arguments as for :func:`one_a_piece`."""
    return [
        _plate(plate, [value for value, _ in pieces])
        for plate, pieces in one_a_piece(found, destructive).items()
    ]


def _plate(plate: int, values: Sequence[float]) -> Plate:
    origin = values[0]
    mean = sum(value - origin for value in values) / len(values)
    within = sum((value - origin - mean) ** 2 for value in values)
    return Plate(plate, len(values), origin + mean, within, min(values), max(values))


def orientation_of(letters: str | None) -> str:
    """Return an orientation in words; empty where it is not recorded or makes no sense."""
    return in_words(letters) if letters else ""


def moment_of(stored: Any) -> dt.datetime:
    """Return a moment as the database has it: text in UTC, or a moment already."""
    moment = dt.datetime.fromisoformat(stored) if isinstance(stored, str) else stored
    return moment.replace(tzinfo=dt.UTC) if moment.tzinfo is None else moment


def shapes_by_plate(connection: Connection) -> dict[tuple[int, str], set[str]]:
    """Return the templates of the pieces by their job and orientation in words, where they are recorded."""
    kept = (Specimen.job_id, Specimen.orientation, Specimen.geometry)
    found: dict[tuple[int, str], set[str]] = {}
    for job, letters, shape in connection.execute(
        select(*kept).where(Specimen.geometry.is_not(None)).group_by(*kept)
    ):
        found.setdefault((job, orientation_of(letters)), set()).add(str(shape))
    return found


class Note(NamedTuple):
    """What somebody wrote beside a job, a piece or a measurement.

    Attributes:
        text: As it was written.
        job: Number of the job.
        specimen: Number of the piece; None for a note on the whole plate.
        orientation: Of the piece.
        method: Of the measurement it stands beside; None for a note on job or piece.
    """

    text: str
    job: int | None
    specimen: int | None
    orientation: str | None
    method: str | None

    def stands_beside(self, column: tuple[str, str, str]) -> bool:
        """Whether it concerns a column of quantity, orientation and group."""
        quantity, orientation, _ = column
        if self.orientation is not None and orientation_of(self.orientation) != orientation:
            return False
        return self.method is None or quantity.partition(".")[0] == self.method


def notes(connection: Connection) -> list[Note]:
    """Return the notes and remarks of all jobs, pieces and measurements."""
    of_jobs = select(Job.id, Job.note).where(Job.note.is_not(None))
    found = [Note(text, job, None, None, None) for job, text in connection.execute(of_jobs) if text]
    asked = select(Specimen.id, Specimen.job_id, Specimen.orientation, Specimen.remark, Specimen.note)
    for number, job, orientation, *texts in connection.execute(
        asked.where(or_(Specimen.remark.is_not(None), Specimen.note.is_not(None)))
    ):
        found += [Note(text, job, number, orientation, None) for text in texts if text]
    beside = select(
        Measurement.remark, Specimen.job_id, Measurement.specimen_id, Specimen.orientation, Measurement.method
    ).outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    for row in connection.execute(beside.where(Measurement.remark.is_not(None))):
        found.append(Note(str(row[0]), *row[1:]))
    return found
