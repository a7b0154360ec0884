"""Results as sums of plates, kept so that a table of a million results reads no more than its plates.

The plate is the unit of every mean. :func:`plates_of` over single results is the plain rule; what is kept in
``plate_sum`` is the same arithmetic over the same results in the same order, divided by all that may put
pieces of one plate into different cells. The act that touches a result writes the sums of its plate again
(:mod:`tracker.acts.derived`); ``verify`` works them out again.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, bindparam, delete, func, or_, select, union_all
from sqlalchemy.orm import Session

from tracker.acts.act import insert_rows
from tracker.acts.derived import Touched
from tracker.model import (
    OWN_MATERIAL,
    FactorInForce,
    FactorRecord,
    Job,
    JournalRecord,
    Measurement,
    PlateSum,
    Result,
    Specimen,
    Spool,
)
from tracker.progress import Progress, silent
from tracker.stored_rows import batched, raw

OWN_SETTINGS: Final = (
    "nozzle_c", "bed_c", "chamber_c", "fan_pct", "layer_height_mm", "line_width_mm", "printer", "treatment",
    "drying", "conditioned_rh_pct", "test_water_pct",
)  # fmt: skip
"""Factors that tell conditions apart, as they may be given for a piece outright."""

_SUMS: Final[Any] = PlateSum.__table__
_COLUMNS: Final = [column.name for column in _SUMS.c]
_PLATES_AT_ONCE: Final = 1000
"""Plates worked out together: what is read of their results stays a few megabytes."""

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
    """Pieces of one plate that are in one cell of a table, as sums.

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
    """A row of ``plate_sum`` (:class:`tracker.model.PlateSum`), but for its place and entry.

    ``rh_pct`` and ``water_pct`` are rounded as conditions are told apart (:func:`rounded_test`).
    """

    plate: int
    quantity: str
    unit: str
    orientation: str | None
    group: str | None
    geometry: str | None
    rh_pct: float | None
    water_pct: float | None
    own: str | None
    counted: bool
    taken: int
    n: int
    pieces: int
    mean: float | None
    within: float | None
    low: float | None
    high: float | None
    last: Any

    @property
    def whole(self) -> bool:
        """Whether the sums say all there is: numbers alone, each of a piece of its own."""
        return self.taken == self.n and (self.plate < 0 or self.pieces == self.n)


# Moments and truth values stay as the driver gives them: to read a hundred thousand takes longer than all
# the arithmetic of the table, which needs the newest of each row alone.
_READ: Final = (
    select(
        Result.id, Result.measurement_id, Result.quantity, Result.value, Result.unit, Result.relation,
        Result.group, raw(Result.counted), raw(Measurement.at), Measurement.specimen_id, Measurement.spool_id,
        Specimen.job_id, Specimen.orientation, Specimen.geometry, Measurement.method,
        Measurement.conditioned_rh_pct, Measurement.water_pct,
    )
    .join(Measurement, Measurement.id == Result.measurement_id)
    .where(or_(Result.value.is_not(None), Result.group.is_not(None)))
)  # fmt: skip
_POINTS: Final = (
    _READ.outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
    # A result of a piece that was taken back is of nothing.
    .where(or_(Specimen.job_id.is_not(None), Measurement.spool_id.is_not(None)))
    .order_by(Result.id)
)
# Inner, for SQLite begins with no table right of an outer join: it would walk through all results.
_OF_PIECES: Final = _READ.join(Specimen, Specimen.id == Measurement.specimen_id)


_R, _M, _S, _J = (each.__table__.c for each in (Result, Measurement, Specimen, Job))
_NUMBERS: Final[Any] = bindparam("numbers", expanding=True)
# For the act, which asks this each time: over bare tables and made once, since what is made again for each
# asking costs more than the answer. A result of a job that was taken back is of nothing.
_OF_JOBS: Final[Any] = (
    select(
        _R.id, _R.measurement_id, _R.quantity, _R.value, _R.unit, _R.relation,
        _R.group, raw(_R.counted), raw(_M.at), _M.specimen_id, _M.spool_id,
        _S.job_id, _S.orientation, _S.geometry, _M.method,
        _M.conditioned_rh_pct, _M.water_pct,
    )
    .join_from(Job.__table__, Specimen.__table__, _S.job_id == _J.id)
    .join(Measurement.__table__, _M.specimen_id == _S.id)
    .join(Result.__table__, _R.measurement_id == _M.id)
    .where(
        _J.id.in_(_NUMBERS),
        _J.voided.is_(None), _S.voided.is_(None), _M.voided.is_(None), _R.voided.is_(None),
        or_(_R.value.is_not(None), _R.group.is_not(None)),
    )
)  # fmt: skip


def _points_of(connection: Connection, plates: Collection[int]) -> list[Point]:
    """Return the single results of plates, in the order in which they were made."""
    found: list[Point] = []
    for some in batched(sorted(plate for plate in plates if plate > 0)):
        found += map(Point._make, connection.execute(_OF_JOBS, {"numbers": some}).all())
    spools = [-plate for plate in plates if plate < 0]
    return sorted(found + points(connection, jobs=(), spools=spools) if spools else found)


def points(
    connection: Connection,
    quantities: Sequence[str] | None = None,
    among: Collection[int] | None = None,
    *,
    jobs: Collection[int] | None = None,
    spools: Collection[int] | None = None,
    within: Within = (),
) -> list[Point]:
    """Return single results in the order in which they were made.

    Args:
        connection: To the book.
        quantities: Only these; all where None.
        among: Only results of these numbers; all where None.
        jobs: Only of pieces of these jobs; all where None.
        spools: With ``jobs``, also those of these spools, tested themselves.
        within: Conditions that a filter sets.
    """
    asked = list(within)
    if quantities is not None:
        # By job, the database begins with the job's specimens: led by the name of a quantity, it would walk
        # through all results of the book to those of one plate.
        name = Result.quantity if jobs is None else Result.quantity + ""
        asked.append(name.in_(quantities))
    if jobs is None:
        found = list(map(Point._make, connection.execute(_POINTS.where(*asked)).all()))
    else:
        parts = [
            *_parts(_OF_PIECES.where(*asked), Specimen.job_id, jobs),
            *_parts(_POINTS.where(*asked).order_by(None), Measurement.spool_id, spools or ()),
        ]
        found = sorted(Point._make(row) for part in parts for row in connection.execute(part))
    return found if among is None else [each for each in found if each.result in among]


def _parts(statement: Select[Any], column: Any, numbers: Iterable[int]) -> Iterator[Select[Any]]:
    for some in batched(sorted(numbers)):
        yield statement.where(column.in_(some))


def moment_of(stored: Any) -> dt.datetime:
    """Return a moment as the database has it: text in UTC, or a moment already."""
    moment = dt.datetime.fromisoformat(stored) if isinstance(stored, str) else stored
    return moment.replace(tzinfo=dt.UTC) if moment.tzinfo is None else moment


def rounded_test(rh_pct: float | None, water_pct: float | None) -> tuple[float | None, float | None]:
    """Return humidity and water of a piece at its test, rounded so that like goes with like."""
    return (
        None if rh_pct is None else 5.0 * round(rh_pct / 5.0),
        None if water_pct is None else round(2.0 * water_pct) / 2.0,
    )


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
    # About one of the values: sums about a far zero lose the digits that a scatter is made of.
    origin = values[0]
    mean = sum(value - origin for value in values) / len(values)
    within = sum((value - origin - mean) ** 2 for value in values)
    return Plate(plate, len(values), origin + mean, within, min(values), max(values))


def sums_of(found: Iterable[Point], own: Mapping[int, str]) -> dict[int, list[Sums]]:
    """Return single results as sums, by plate.

    Args:
        found: Results in the order in which they were made.
        own: What pieces have of their own of what tells conditions apart, by their numbers.
    """
    groups: dict[tuple[Any, ...], list[Point]] = {}
    for point in found:
        key = (
            point.plate, point.quantity, point.unit, point.orientation, point.group, point.geometry,
            *rounded_test(point.rh_pct, point.water_pct), own.get(point.specimen or 0), bool(point.counted),
        )  # fmt: skip
        groups.setdefault(key, []).append(point)
    by_plate: dict[int, list[Sums]] = {}
    for key, members in groups.items():
        by_plate.setdefault(key[0], []).append(_sums(key, members))
    return by_plate


def _sums(key: tuple[Any, ...], members: Sequence[Point]) -> Sums:
    numbers = [point for point in members if point.relation == "=" and point.value is not None]
    pieces = len({point.specimen for point in numbers})
    last = max((point.at for point in members if point.at is not None), default=None)
    if not numbers:
        return Sums._make((*key, len(members), 0, pieces, None, None, None, None, last))
    plate = _plate(key[0], [float(point.value or 0.0) for point in numbers])
    return Sums._make((*key, len(members), len(numbers), pieces, *plate[2:], last))


_GIVEN: Final[Any] = FactorRecord.__table__.c
_KEPT: Final[Any] = FactorInForce.__table__.c


def _own(of_jobs: bool) -> Any:
    """Return the statement that asks for settings of pieces: of some jobs, or of all."""
    asked = []
    for table, names, conditions in (
        (_GIVEN, OWN_SETTINGS, (_GIVEN.voided.is_(None),)),
        (_KEPT, (OWN_MATERIAL,), ()),
    ):
        # Led by the names, the database would walk through the factors of all pieces in the book for those of
        # some jobs.
        name = table.name + "" if of_jobs else table.name
        some = select(table.specimen_id, table.name, table.number, table.text).join_from(
            Specimen.__table__, table.specimen_id.table, table.specimen_id == _S.id
        )
        within = (_S.job_id.in_(_NUMBERS),) if of_jobs else ()
        asked.append(some.where(name.in_(names), *conditions, _S.voided.is_(None), *within))
    return union_all(*asked)


_OWN_OF_ALL: Final[Any] = _own(of_jobs=False)
_OWN_OF_JOBS: Final[Any] = _own(of_jobs=True)


def own_settings(connection: Connection, jobs: Collection[int] | None = None) -> dict[int, str]:
    """Return what pieces have of their own of what tells conditions apart, as JSON by their numbers.

    Args:
        connection: To the book.
        jobs: Only pieces of these; all where None.
    """
    found: dict[int, dict[str, Any]] = {}
    rows = (
        connection.execute(_OWN_OF_ALL)
        if jobs is None
        else chain.from_iterable(
            connection.execute(_OWN_OF_JOBS, {"numbers": some}).all() for some in batched(sorted(jobs))
        )
    )
    for piece, name, number, text in rows:
        found.setdefault(piece, {})[name] = number if number is not None else text
    # Most pieces of a book have the settings of thousands of others. A whole number and the same one as a
    # float are written otherwise, so the text of the settings is their key and not they themselves.
    texts: dict[str, str] = {}
    own: dict[int, str] = {}
    for piece, known in found.items():
        key = repr(known)
        if key not in texts:
            texts[key] = json.dumps(known, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        own[piece] = texts[key]
    return own


def worked_out(connection: Connection, plates: Collection[int]) -> dict[int, list[Sums]]:
    """Return the sums of plates that follow from their results; a plate without any is left out."""
    found = _points_of(connection, plates)
    return sums_of(found, own_settings(connection, {point.plate for point in found if point.plate > 0}))


_WITHOUT: Final = delete(_SUMS).where(_SUMS.c.plate.in_(_NUMBERS))


def keep(session: Session, seq: int, touched: Touched) -> None:
    """Work out again the sums of all plates that an act touched; arguments as for the act's other keepers."""
    connection = session.connection()
    for some in batched(sorted(touched.plates_tested(connection)), _PLATES_AT_ONCE):
        connection.execute(_WITHOUT, {"numbers": some})
        _write(connection, worked_out(connection, some), seq)


def refill(connection: Connection, progress: Progress | None = None) -> None:
    """Work out all sums of a book, in the place of what there is.

    Args:
        connection: In a transaction that writes.
        progress: Called with the stage, what is done and how much it is.
    """
    tell = progress or silent
    connection.execute(delete(_SUMS))
    seq = connection.scalar(select(func.max(JournalRecord.seq))) or 0
    plates = _plates(connection)
    for done, some in enumerate(batched(sorted(plates), _PLATES_AT_ONCE), start=1):
        _write(connection, worked_out(connection, some), seq)
        tell("sums of plates", min(done * _PLATES_AT_ONCE, len(plates)), len(plates))


def differing(
    connection: Connection, progress: Progress | None = None, span: tuple[int, int] | None = None
) -> Iterator[tuple[int, str]]:
    """Yield the plates of which other sums are kept than follow from their results, each with a sentence.

    Args:
        connection: To the book.
        progress: As for :func:`refill`.
        span: Only jobs from this number up to, not including, that one; with the first, spools too.
    """
    tell = progress or silent
    plates = _plates(connection, span)
    for done, some in enumerate(batched(sorted(plates), _PLATES_AT_ONCE), start=1):
        wanted, there = worked_out(connection, some), read_sums(connection, some)
        for plate in some:
            follow, kept = (_in_order(sums.get(plate, ())) for sums in (wanted, there))
            if follow != kept:
                yield plate, _difference(follow, kept)
        tell("sums of plates", min(done * _PLATES_AT_ONCE, len(plates)), len(plates))


def stray(connection: Connection) -> Iterator[str]:
    """Yield a sentence where sums are kept of jobs or spools that are not there."""
    job, spool = (
        select(Job.id).where(Job.id == _SUMS.c.plate),
        select(Spool.id).where(Spool.id == -_SUMS.c.plate),
    )
    nothing = select(func.count()).select_from(_SUMS).where(~job.exists(), ~spool.exists())
    left = connection.scalar(nothing)
    if left:
        yield f"{left} rows of {_SUMS.name} are of no job or spool that there is"


def read_sums(connection: Connection, plates: Collection[int]) -> dict[int, list[Sums]]:
    """Return the sums that are kept of plates."""
    found: dict[int, list[Sums]] = {}
    for some in batched(sorted(plates)):
        for row in connection.execute(kept_sums().where(_SUMS.c.plate.in_(some))):
            found.setdefault(row[0], []).append(Sums._make(row))
    return found


def kept_sums() -> Select[Any]:
    """Return the statement that asks for sums as :class:`Sums` has them, truth values and moments raw."""
    return select(
        *(raw(_SUMS.c[name]) if name in ("counted", "last") else _SUMS.c[name] for name in Sums._fields)
    )


def _plates(connection: Connection, span: tuple[int, int] | None = None) -> list[int]:
    """Return jobs, and below zero the spools that were tested themselves or of which sums are kept."""
    jobs = select(Job.id).order_by(Job.id)
    if span is not None:
        jobs = jobs.where(Job.id >= span[0], Job.id < span[1])
    found = list(connection.scalars(jobs))
    if span is not None and span[0] > 1:
        return found
    tested = select(Measurement.spool_id).where(Measurement.spool_id.is_not(None)).distinct()
    kept = select(-_SUMS.c.plate).where(_SUMS.c.plate < 0).distinct()
    return sorted({-spool for each in (tested, kept) for spool in connection.scalars(each)}) + found


def _in_order(sums: Iterable[Sums]) -> list[Sums]:
    alike = (
        each._replace(counted=bool(each.counted), last=each.last and moment_of(each.last)) for each in sums
    )
    return sorted(alike, key=lambda each: [str(value) for value in each])


def _difference(follow: Sequence[Sums], kept: Sequence[Sums]) -> str:
    missing = [each for each in follow if each not in kept]
    more = [each for each in kept if each not in follow]
    return f"{_sums_text(more)} kept, {_sums_text(missing)} follows"


def _sums_text(sums: Sequence[Sums]) -> str:
    return (
        "; ".join(f"{each.quantity} n {each.n} of {each.taken} mean {each.mean}" for each in sums)
        or "nothing"
    )


def _write(connection: Connection, made: Mapping[int, Sequence[Sums]], seq: int) -> None:
    rows = []
    for sums in made.values():
        places: dict[str, int] = {}
        for each in sums:
            place = places[each.quantity] = places.get(each.quantity, 0) + 1
            row = each._asdict() | {"place": place, "last": each.last and moment_of(each.last)}
            rows.append(row)
    if rows:
        insert_rows(connection, _SUMS, _COLUMNS, rows, seq)
