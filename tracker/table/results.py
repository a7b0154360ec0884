"""The results of a book as a table needs them: sums of plates as arrays, and single results where sums fail.

A table of a million results reads the sums that are kept of their plates (:mod:`tracker.plate_sums`), or has
the database sum up what a filter lets in. Single results are read where sums will not do: pieces that were
read several times, limits, grades, and whatever only Python can pick. All single results one by one are the
plain version; both give the same table.
"""

from __future__ import annotations

import copy
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from numpy.typing import NDArray
from sqlalchemy import Connection, Select, and_, case, func, null, or_, select
from sqlalchemy.sql import visitors

from tracker.lazy_modules import np
from tracker.model import Job, Measurement, PlateSum, Result, Specimen
from tracker.orientation import oriented
from tracker.plate_sums import (
    Plate,
    Point,
    Within,
    kept_sums,
    moment_of,
    own_settings,
    plates_of,
    points,
    rounded_test,
)
from tracker.selection import quantities_of
from tracker.stored_rows import batched, raw
from tracker.table.conditions import Condition, Origins

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]

_AT_ONCE: Final = 20_000
"""Rows at a time: what is read stays a few megabytes."""
_MOST_DIVIDED: Final = 5_000
"""Of more plates that a filter divides the database sums up the results."""


class Column(NamedTuple):
    """What a column of the table holds.

    Attributes:
        quantity: Its name.
        orientation: In words; empty where it is not recorded or makes no sense.
        group: Break type or the like, whose results share no mean with others; empty where there is none.
    """

    quantity: str
    orientation: str = ""
    group: str = ""


Key = tuple[str | None, str | None, Condition, Column]
"""Of a cell: material, family, condition, column."""


@dataclass
class Gathered:
    """What was found for one cell, before anything is computed.

    Attributes:
        unit: Of the figures.
        plates: Numbers that count, by plate: its number, pieces, mean, sum of squares within, least and
            greatest, shape (k, 6).
        limits: Results that count and are limits, or refused with a group alone.
        set_aside: Number of results that a verdict keeps out.
        repeats: Pieces that were read several times.
        shapes: Templates of the pieces, where they are recorded.
        sources: Every plate behind it, those too of which all is set aside; sorted.
        last: Newest moment, seconds of the epoch; NaN where none is recorded.
    """

    unit: str
    plates: Array = field(default_factory=lambda: np.zeros((0, 6)))
    limits: list[Point] = field(default_factory=list)
    set_aside: int = 0
    repeats: int = 0
    shapes: frozenset[str] = frozenset()
    sources: Numbers = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    last: float = float("nan")

    def plate(self, place: int) -> Plate:
        """Return one of the plates."""
        number, n, *figures = self.plates[place].tolist()
        return Plate(int(number), int(n), *figures)


class _Alike(NamedTuple):
    """What sums of several plates may share; ``counted`` divides what is set aside from what is not."""

    quantity: str
    unit: str
    orientation: str | None
    group: str | None
    geometry: str | None
    rh_pct: float | None
    water_pct: float | None
    own: str | None
    counted: bool

    @property
    def column(self) -> Column:
        """The column they stand in."""
        return Column(self.quantity, oriented(self.orientation), self.group or "")


@dataclass
class _Rows:
    """Sums as arrays of shape (n,): ``alike`` is the number of what they share, ``last`` in seconds."""

    plate: Numbers
    alike: Numbers
    taken: Numbers
    n: Numbers
    pieces: Numbers
    figures: Array
    last: Array

    @classmethod
    def of(cls, rows: Sequence[Any], alike: Sequence[int]) -> _Rows:
        """Return rows, as :class:`tracker.plate_sums.Sums` orders them, as arrays."""
        counts = np.array([row[10:13] for row in rows], dtype=np.int64).reshape(-1, 3)
        return cls(
            np.array([row[0] for row in rows], dtype=np.int64),
            np.array(alike, dtype=np.int64),
            counts[:, 0],
            counts[:, 1],
            counts[:, 2],
            np.array([row[13:17] for row in rows], dtype=np.float64).reshape(-1, 4),
            _seconds([row[17] for row in rows]),
        )

    @classmethod
    def together(cls, parts: Sequence[_Rows]) -> _Rows:
        """Return parts as one."""
        return cls(*(np.concatenate([getattr(each, name) for each in parts]) for name in cls.__annotations__))

    def where(self, kept: NDArray[np.bool_]) -> _Rows:
        """Return some of the rows."""
        return _Rows(*(getattr(self, name)[kept] for name in self.__annotations__))


def _seconds(moments: Sequence[Any]) -> Array:
    """Return moments as the database has them in seconds of the epoch; NaN for None."""
    texts = [each for each in moments if each is not None]
    if texts and isinstance(texts[0], str):
        read = np.array(texts, dtype="datetime64[us]").astype(np.int64) / 1e6
    else:
        read = np.array([moment_of(each).timestamp() for each in texts])
    found = np.full(len(moments), np.nan)
    found[[each is not None for each in moments]] = read
    return found


class BookResults:
    """The results of a book, or of what a filter lets in, that a table is made of.

    They can be renewed plate by plate after an act, so that a page need not read the whole book again.

    Args:
        connection: To the book.
        quantities: Only these; all where None.
        ordinal: Quantities that are grades, which have no sums.
        within: Conditions that a filter sets.

    Attributes:
        origins: Where they come from.
        read_whole: Whether every result was read by itself.
    """

    def __init__(
        self, connection: Connection, quantities: Sequence[str] | None = None,
        ordinal: Collection[str] = (), within: Within = (),
    ) -> None:  # fmt: skip
        self.quantities = None if quantities is None else list(quantities)
        self.ordinal = frozenset(ordinal)
        self.within = within
        self.origins = Origins(connection)
        self._alike: list[_Alike] = []
        self._places: dict[tuple[Any, ...], int] = {}
        self._rows = _Rows.of([], [])
        self._singly: set[tuple[str, int]] = set()
        self._points: list[Point] = []
        self._own: dict[int, str] = {}
        self.read_whole = False

    def read_sums(self, connection: Connection) -> None:
        """Read all sums, and single results of the plates of which sums do not say all."""
        divided = _jobs_divided(connection, self.within)
        kept = not self.within or divided is not None
        statements = [self._asked(kept_sums())] if kept else self._summed_up(connection)
        self._rows = _Rows.together([_Rows.of([], []), *self._read(connection, statements)])
        if divided is not None:
            self._rows = self._rows.where(np.isin(self._rows.plate, list(divided[0])))
        self._divide(connection, kept=kept)
        if divided is not None:
            self._own |= own_settings(connection, divided[1])
            spools = connection.scalars(
                select(Measurement.spool_id).where(Measurement.spool_id.is_not(None)).distinct()
            )
            self._points += points(
                connection,
                self.quantities,
                jobs=divided[1],
                spools=[each for each in spools if each],
                within=self.within,
            )

    def read_singly(self, connection: Connection, among: Collection[int] | None = None) -> None:
        """Read every result by itself: slower, and the same table.

        Args:
            connection: To the book.
            among: Only results of these numbers; all where None.
        """
        self._points = points(connection, self.quantities, among, within=self.within)
        self._own = own_settings(connection)
        self.read_whole = True

    def renew(self, connection: Connection, plates: Collection[int], *, days: bool) -> None:
        """Read again what acts have touched; what this one was copied from stays as it is.

        Args:
            connection: To the book.
            plates: Jobs, and below zero spools, whose results or records are others.
            days: Whether storage periods or dryings are others.
        """
        self.origins = copy.copy(self.origins)
        self._alike, self._places, self._own = [*self._alike], dict(self._places), dict(self._own)
        self.origins.renew(connection, [plate for plate in plates if plate > 0], days=days)
        kept = self._rows.where(~np.isin(self._rows.plate, list(plates)))
        table: Any = PlateSum.__table__
        parts = [self._asked(kept_sums()).where(table.c.plate.in_(some)) for some in batched(sorted(plates))]
        self._rows = _Rows.together([kept, *self._read(connection, parts)])
        self._points = [point for point in self._points if point.plate not in plates]
        self._singly = {each for each in self._singly if each[1] not in plates}
        self._divide(connection, kept=True)

    def _asked(self, statement: Select[Any]) -> Select[Any]:
        table: Any = PlateSum.__table__
        return (
            statement if self.quantities is None else statement.where(table.c.quantity.in_(self.quantities))
        )

    def _summed_up(self, connection: Connection) -> Iterator[Select[Any]]:
        for quantity in quantities_of(connection) if self.quantities is None else self.quantities:
            origin = connection.scalar(_ONE.where(Result.quantity == quantity)) or 0.0
            yield _summed_up(quantity, origin).where(*self.within)

    def _read(self, connection: Connection, statements: Iterable[Select[Any]]) -> Iterator[_Rows]:
        places, alike = self._places, self._alike
        options = {"stream_results": True, "max_row_buffer": _AT_ONCE}
        for statement in statements:
            for rows in connection.execute(statement, execution_options=options).partitions(_AT_ONCE):
                numbers = []
                for row in rows:
                    key = row[1:10]
                    place = places.get(key)
                    if place is None:
                        place = places[key] = len(alike)
                        alike.append(_Alike._make((*key[:5], *rounded_test(*key[5:7]), *key[7:])))
                    numbers.append(place)
                yield _Rows.of(rows, numbers)

    def _divide(self, connection: Connection, *, kept: bool) -> None:
        """Take out the plates of which sums do not say all, and read those one by one.

        Args:
            connection: To the book.
            kept: The sums are those that are kept, which know what pieces have of their own.
        """
        rows = self._rows
        if not len(rows.plate):
            return
        counted = np.array([bool(each.counted) for each in self._alike])[rows.alike]
        names = list(dict.fromkeys(each.quantity for each in self._alike))
        quantity = np.array([names.index(each.quantity) for each in self._alike])[rows.alike]
        grades = np.array([name in self.ordinal for name in names])[quantity]
        # A plate is taken whole from sums or whole one by one.
        odd = grades | (rows.taken != rows.n) | (counted & (rows.plate > 0) & (rows.pieces != rows.n))
        if not kept:
            odd |= np.isin(rows.plate, self._plates_with_own(connection))
        if not odd.any():
            return
        pair = rows.plate * len(names) + quantity
        alone = np.isin(pair, pair[odd])
        wanted: dict[str, set[int]] = defaultdict(set)
        for place in np.flatnonzero(alone).tolist():
            wanted[names[quantity[place]]].add(int(rows.plate[place]))
        self._rows = rows.where(~alone)
        jobs = {plate for plates in wanted.values() for plate in plates if plate > 0}
        self._own |= own_settings(connection, jobs)
        for name, plates in wanted.items():
            spools = [-plate for plate in plates if plate < 0]
            of_jobs = [plate for plate in plates if plate > 0]
            self._points += points(connection, [name], jobs=of_jobs, spools=spools, within=self.within)
            self._singly.update((name, plate) for plate in plates)

    def _plates_with_own(self, connection: Connection) -> list[int]:
        table: Any = PlateSum.__table__
        return list(connection.scalars(select(table.c.plate).where(table.c.own.is_not(None)).distinct()))

    def know_own(self, connection: Connection, jobs: Collection[int]) -> None:
        """Read what pieces of some jobs have of their own of what tells conditions apart."""
        if not self.read_whole:
            self._own |= own_settings(connection, jobs)

    def printed(self, job: int, specimen: int | None) -> tuple[str | None, str | None, Condition]:
        """Return material, family and condition of a piece, or of a plate, as printed."""
        return self.origins.of(self.origins.of_plate(job), self._own.get(specimen or 0), None, None)

    def key_of(self, point: Point) -> Key:
        """Return the cell that a single result belongs to."""
        own = self._own.get(point.specimen or 0)
        alike = _Alike(
            point.quantity, point.unit, point.orientation, point.group, point.geometry,
            *rounded_test(point.rh_pct, point.water_pct), own, bool(point.counted),
        )  # fmt: skip
        return self._key(self.origins.of_plate(point.plate), alike)

    def _key(self, origin: int, alike: _Alike) -> Key:
        return (*self.origins.of(origin, alike.own, alike.rh_pct, alike.water_pct), alike.column)

    def points_of(self, connection: Connection, key: Key, plates: Iterable[int]) -> list[Point]:
        """Return the numbers that count of a cell, from some of its plates, in the order they were made."""
        jobs, spools = [plate for plate in plates if plate > 0], [-plate for plate in plates if plate < 0]
        found = points(connection, [key[3].quantity], jobs=jobs, spools=spools, within=self.within)
        self._own |= own_settings(connection, jobs)
        return [point for point in found if point.number and self.key_of(point) == key]

    def gathered(
        self, destructive: Collection[str] = (), quantities: Collection[str] | None = None
    ) -> tuple[dict[Key, Gathered], dict[Key, list[Point]]]:
        """Return what there is for each cell, and the single results that were read for it.

        Args:
            destructive: Ids of methods that use a piece up.
            quantities: Only these; all where None.
        """
        found: dict[Key, Gathered] = {}
        self._gather_sums(found, quantities)
        singly = defaultdict(list)
        keys: dict[tuple[Any, ...], Key] = {}
        for point in self._points:
            if quantities is not None and point.quantity not in quantities:
                continue
            quick = (point.plate, *point[2:3], *point[4:5], *point[6:7], *point[12:14], *point[15:],
                     self._own.get(point.specimen or 0))  # fmt: skip
            key = keys.get(quick)
            if key is None:
                key = keys[quick] = self.key_of(point)
            singly[key].append(point)
        for key, members in singly.items():
            _take_points(found, key, members, destructive)
        return found, dict(singly)

    def _gather_sums(self, found: dict[Key, Gathered], quantities: Collection[str] | None) -> None:
        rows = self._rows
        if quantities is not None:
            asked = np.array([each.quantity in quantities for each in self._alike], dtype=bool)
            rows = rows.where(asked[rows.alike])
        if not len(rows.plate):
            return
        # Few pairs of origin and what sums share stand for many rows.
        pair = self.origins.codes(rows.plate) * len(self._alike) + rows.alike
        pairs, place = np.unique(pair, return_inverse=True)
        cells: dict[Key, int] = {}
        numbers = np.zeros(len(pairs), dtype=np.int64)
        shares = [self._alike[each % len(self._alike)] for each in pairs.tolist()]
        for at, each in enumerate(pairs.tolist()):
            key = self._key(each // len(self._alike), shares[at])
            numbers[at] = cells.setdefault(key, len(cells))
        counted = np.array([bool(each.counted) for each in shares])
        shapes: list[set[str]] = [set() for _ in cells]
        units: dict[int, str] = {}
        for at, share in enumerate(shares):
            units.setdefault(int(numbers[at]), share.unit)
            if share.counted and share.geometry is not None:
                shapes[numbers[at]].add(share.geometry)
        cell, counts = numbers[place], counted[place]
        order = np.lexsort((rows.plate, cell))
        bounds = np.searchsorted(cell[order], np.arange(len(cells) + 1))
        aside = np.bincount(cell[~counts], weights=rows.taken[~counts], minlength=len(cells))
        table = np.column_stack([rows.plate, rows.n, rows.figures])[order]
        counts, last = counts[order], rows.last[order]
        for key, number in cells.items():
            part = slice(bounds[number], bounds[number + 1])
            known = last[part][~np.isnan(last[part])]
            found[key] = Gathered(
                units[number], _merged(table[part][counts[part]]), set_aside=int(aside[number]),
                shapes=frozenset(shapes[number]), sources=_distinct(table[part][:, 0].astype(np.int64)),
                last=float(known.max()) if len(known) else float("nan"),
            )  # fmt: skip


def _distinct(plates: Numbers) -> Numbers:
    """Return sorted numbers each once."""
    first: NDArray[np.bool_] = np.diff(plates, prepend=plates[:1] - 1) != 0
    return np.asarray(plates[first])


def _merged(plates: Array) -> Array:
    """Put the sums of one plate together; rows sorted by plate, shape (k, 6)."""
    first = np.diff(plates[:, 0], prepend=np.nan) != 0
    if first.all():
        return plates
    starts = np.flatnonzero(first)
    row = np.cumsum(first) - 1
    n = np.add.reduceat(plates[:, 1], starts)
    # About the first of them: a sum about zero would lose the digits of a small scatter.
    off = plates[:, 2] - plates[starts, 2][row]
    mean = np.add.reduceat(plates[:, 1] * off, starts) / n
    within = np.add.reduceat(plates[:, 3] + plates[:, 1] * (off - mean[row]) ** 2, starts)
    low, high = np.minimum.reduceat(plates[:, 4], starts), np.maximum.reduceat(plates[:, 5], starts)
    return np.column_stack([plates[starts, 0], n, plates[starts, 2] + mean, within, low, high])


def _take_points(
    found: dict[Key, Gathered], key: Key, members: Sequence[Point], destructive: Collection[str]
) -> None:
    """Take single results of a cell, in the order in which they were made."""
    cell = found.setdefault(key, Gathered(members[0].unit))
    numbers = [point for point in members if point.number]
    made = np.array(plates_of(numbers, destructive), dtype=np.float64).reshape(-1, 6)
    plates = np.concatenate([cell.plates, made])
    cell.plates = _merged(plates[np.argsort(plates[:, 0], kind="stable")])
    cell.limits.extend(point for point in members if point.counted and not point.number)
    cell.set_aside += sum(1 for point in members if not point.counted and point.value is not None)
    cell.repeats += _repeats(numbers)
    cell.shapes |= {point.geometry for point in members if point.counted and point.geometry is not None}
    cell.sources = np.unique(np.concatenate([cell.sources, [point.plate for point in members]])).astype(
        np.int64
    )
    moments = [moment_of(point.at).timestamp() for point in members if point.at is not None]
    if moments:
        cell.last = float(np.fmax(cell.last, max(moments)))


def _repeats(numbers: Sequence[Point]) -> int:
    """Return how many pieces were read several times."""
    pieces = [point.specimen for point in numbers if point.specimen is not None]
    if len(set(pieces)) == len(pieces):
        return 0
    return sum(1 for piece in set(pieces) if pieces.count(piece) > 1)


_ONE: Final = select(Result.value).where(Result.counted, Result.value.is_not(None)).limit(1)


def _jobs_divided(connection: Connection, within: Within) -> tuple[set[int], list[int]] | None:
    """Return the jobs of which a filter lets every piece in, and those of which it lets some in.

    Most filters are of how a plate was printed: what is kept of plates then says all, and to sum up a million
    results again takes longer than the rest of the table.

    Args:
        connection: To the book.
        within: Conditions that the filter sets.

    Returns:
        None where it asks of measurements or results, or divides so many plates that to read their results
        one by one would take longer.
    """
    told = (each for condition in within for each in visitors.iterate(condition))
    tables = {getattr(getattr(each, "table", None), "name", None) for each in told}
    if not within or tables & {Measurement.__tablename__, Result.__tablename__}:
        return None
    passed = func.sum(case((and_(*within), 1), else_=0))
    asked = select(Specimen.job_id, func.count(), passed).group_by(Specimen.job_id).having(passed > 0)
    whole, part = set(), []
    with connection.execute(asked, execution_options={"stream_results": True}) as rows:
        for job, pieces, let_in in rows:
            if pieces == let_in:
                whole.add(job)
            else:
                part.append(job)
            if len(part) > _MOST_DIVIDED:
                return None
    return whole, part


def _summed_up(quantity: str, origin: float) -> Select[Any]:
    """Return the statement that sums results up as a filter lets them in, in the order of ``Sums``.

    Args:
        quantity: Its name.
        origin: One of the values: sums of squares about a far zero lose the digits that a scatter is made of.
    """
    number = case((Result.relation == "=", Result.value - origin))
    n, total = func.count(number), func.sum(number)
    shared = (
        Result.unit, Specimen.orientation, Result.group, Specimen.geometry, Measurement.conditioned_rh_pct,
        Measurement.water_pct,
    )  # fmt: skip
    plate = func.coalesce(Specimen.job_id, -Measurement.spool_id)
    # A mean of squares less the square of a mean may come out below zero by rounding.
    within = func.sum(number * number) - total * total / func.nullif(n, 0)
    return (
        select(
            plate, Result.quantity, *shared, null(), raw(Result.counted),
            func.count(), n, func.count(func.distinct(Measurement.specimen_id)),
            origin + total / func.nullif(n, 0), case((within < 0, 0.0), else_=within),
            func.min(Result.value), func.max(Result.value), func.max(raw(Measurement.at)),
        )
        .select_from(Result)
        .join(Measurement, Measurement.id == Result.measurement_id)
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .where(
            Result.quantity == quantity,
            or_(Result.value.is_not(None), Result.group.is_not(None)),
            or_(Specimen.job_id.is_not(None), Measurement.spool_id.is_not(None)),
        )
        .group_by(plate, Result.quantity, *shared, Result.counted)
    )  # fmt: skip


class Note(NamedTuple):
    """What somebody wrote beside a job, a piece or a measurement.

    Attributes:
        text: As it was written.
        job: Number of the job.
        specimen: Number of the piece; None for a note on the whole plate.
        orientation: Of the piece.
        method: Of the measurement it is shown beside; None for a note on job or piece.
    """

    text: str
    job: int
    specimen: int | None
    orientation: str | None
    method: str | None

    def concerns(self, column: tuple[str, str, str]) -> bool:
        """Whether it concerns a column of quantity, orientation and group."""
        quantity, orientation, _ = column
        if self.orientation is not None and oriented(self.orientation) != orientation:
            return False
        return self.method is None or quantity.partition(".")[0] == self.method


def notes(connection: Connection, jobs: Collection[int] | None = None) -> list[Note]:
    """Return the notes and remarks of jobs, their pieces and measurements; of all where none are named."""
    parts = [None] if jobs is None else batched(sorted(jobs))
    return [note for some in parts for note in _notes(connection, some)]


def _notes(connection: Connection, jobs: Sequence[int] | None) -> Iterator[Note]:
    of_jobs = select(Job.id, Job.note).where(Job.note.is_not(None))
    of_pieces = select(
        Specimen.id, Specimen.job_id, Specimen.orientation, Specimen.remark, Specimen.note
    ).where(or_(Specimen.remark.is_not(None), Specimen.note.is_not(None)))
    beside = (
        select(
            Measurement.remark, Specimen.job_id, Measurement.specimen_id, Specimen.orientation,
            Measurement.method,
        )
        .join(Specimen, Specimen.id == Measurement.specimen_id)
        .where(Measurement.remark.is_not(None))
    )  # fmt: skip
    if jobs is not None:
        of_jobs = of_jobs.where(Job.id.in_(jobs))
        of_pieces, beside = (
            of_pieces.where(Specimen.job_id.in_(jobs)),
            beside.where(Specimen.job_id.in_(jobs)),
        )
    for job, text in connection.execute(of_jobs):
        if text:
            yield Note(text, job, None, None, None)
    for number, job, orientation, *texts in connection.execute(of_pieces):
        yield from (Note(text, job, number, orientation, None) for text in texts if text)
    for row in connection.execute(beside):
        yield Note(str(row[0]), *row[1:])
