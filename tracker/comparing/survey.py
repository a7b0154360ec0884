"""A whole book at once, for the look over all plates: in columns, plates together and not piece by piece.

Pieces of one plate share nearly all that is recorded of how they came to be. So the factors are read of one
piece for all that the tables show to be alike, and results of alike pieces that were tested alike make one
cell. What only places a piece on its plate (x, y, its grams) is left out, for plates are what is looked at.
Results are read some thousand plates at a time, and what is kept of them are arrays: a million results take
some hundred megabytes.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from operator import itemgetter
from types import SimpleNamespace
from typing import Any, Final

from sqlalchemy import BigInteger, Connection, Text, case, cast, func, null, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.book import Book, open_book
from tracker.comparing.asking import factor_of, in_registry, question_of, value_of
from tracker.factors import factors_of
from tracker.factors.kept import OF_DAYS, OF_PLACE, Given, Piece, columns_in_force
from tracker.factors.reading import of_spools
from tracker.factors.registry import MEASURED
from tracker.lazy_modules import np
from tracker.model import (
    FactorRecord,
    Job,
    JobInForce,
    JobSpool,
    JournalRecord,
    Material,
    Measurement,
    MeasurementRig,
    PlateSum,
    Result,
    Rig,
    SettingChange,
    Specimen,
    Spool,
)
from tracker.orientation import oriented
from tracker.plugins import Plugged
from tracker.progress import Progress, silent
from tracker.stored_rows import bare_rows, raw
from tracker.why import (
    Cells,
    Entries,
    Factor,
    Question,
    Records,
    Value,
    no_numbers,
    no_words,
)

MOST: Final = 1_000_000
"""Results that are looked over together: they take half a gigabyte. Of more those on the newest plates."""
MOST_ONE_BY_ONE: Final = 120_000
"""The same where a plugin adds factors, which it must be asked for piece by piece."""
_AT_ONCE: Final = 10_000
"""Results read together: their rows take some twenty megabytes."""
_SPOOLS_AT_ONCE: Final = 200
_APART: Final = 20_000
"""Jobs from which on their spools' days are worth a process of their own: below, its start takes longer."""


@dataclass(frozen=True)
class Survey:
    """Every counted result of one quantity and orientation.

    Attributes:
        question: The quantity.
        factors: What is recorded of any of them, one factor a cause.
        records: The results.
        looked_at: Words of what was looked over where that is not all there is; else empty.
    """

    question: Question
    factors: tuple[Factor, ...]
    records: Records
    looked_at: str = ""


def surveys(
    book: Book,
    plugged: Plugged,
    declared: Mapping[str, Any],
    names: Sequence[str],
    progress: Progress | None = None,
) -> Iterator[Survey]:
    """Yield the counted results of quantities, by quantity and orientation.

    Args:
        book: To be read.
        plugged: Plugins, which may add factors.
        declared: The quantities that methods declare, by name.
        names: Quantities to look at.
        progress: Called with the stage, the results that were read, and how many there are.
    """
    tell = progress or silent
    with book.read() as session:
        connection = session.connection()
        plates = _plates(connection, names)
        most = MOST_ONE_BY_ONE if plugged.adds_factors else MOST
        first, looked_at = _first_job(plates, most)
        of_all = sum(n for plate, n in plates if plate >= first)
        found = _Gathered(session, plugged if plugged.adds_factors else None, of_all)
        with _days_apart(book, names, first, 0 if plugged.adds_factors else len(plates)) as days:
            for span in _spans(plates, first):
                found.take(_results(connection, names, span), span)
                tell("results read", min(found.results, of_all), of_all)
            found.take(_results(connection, names, None), None)
            tell("days of spools", 0, 0)
            found.put_days(days())
    tell("looking them over", 0, 0)
    del plates
    yield from found.surveys(declared, looked_at)


def _plates(connection: Connection, names: Sequence[str]) -> list[tuple[int, int]]:
    """Return the jobs of which counted results are kept, in order, with how many."""
    table: Any = PlateSum.__table__
    asked = select(table.c.plate, func.sum(table.c.taken)).where(table.c.quantity.in_(names), table.c.counted)
    rows = connection.execute(asked.group_by(table.c.plate).order_by(table.c.plate))
    return [(plate, int(n)) for plate, n in rows]


def _first_job(plates: Sequence[tuple[int, int]], most: int) -> tuple[int, str]:
    """Return the first job that is looked at, and words for it; 0 and none where results are few enough."""
    every = sum(n for _, n in plates)
    if every <= most:
        return 0, ""
    first, count = 0, 0
    for plate, n in reversed([each for each in plates if each[0] > 0]):
        if first and count + n > most:
            break
        first, count = plate, count + n
    words = f"of {every:,} results the {count:,} on plates from {ids.job_id(first)} on were looked over"
    return first, words


_Span = tuple[int, int | None]
"""Jobs from a number up to, not including, another one; None for all that follow."""


def _spans(plates: Sequence[tuple[int, int]], first: int) -> list[_Span]:
    """Divide jobs so that each part has about as many results as are read together."""
    starts, count = [first], 0
    for plate, n in plates:
        if plate > first and count + n > _AT_ONCE:
            starts.append(plate)
            count = 0
        count += n if plate >= first else 0
    return list(zip(starts, [*starts[1:], None], strict=True))


def _within(column: Any, span: _Span) -> list[Any]:
    return [column >= span[0], *(() if span[1] is None else (column < span[1],))]


def _results(connection: Connection, names: Sequence[str], span: _Span | None) -> Sequence[Any]:
    """Return counted results of jobs, or without a span those of spools, in the order they were made."""
    read = select(func.aggregate_strings(cast(MeasurementRig.rig_id, Text), " "))
    # Led by the name of a quantity, SQLite would walk through all results of the book. PostgreSQL knows how
    # many have it, and would think them few if it were hidden.
    hidden = Result.quantity + "" if connection.dialect.name == "sqlite" else Result.quantity
    asked = (
        select(
            Result.id, Result.measurement_id, Result.quantity, Result.value, Result.unit, Result.relation,
            _moment_of(connection, Measurement.at), Measurement.specimen_id, Measurement.spool_id,
            Measurement.operator, Measurement.room_c, Measurement.room_rh_pct, Measurement.method_version,
            Specimen.job_id, Specimen.piece, Specimen.orientation, Specimen.geometry, Specimen.size_z_mm,
            _section(Specimen.plate_facts), _section(Specimen.log_facts),
            read.where(MeasurementRig.measurement_id == Measurement.id).scalar_subquery(),
        )
        .join(Measurement, Measurement.id == Result.measurement_id)
        .where(Result.counted, Result.value.is_not(None), hidden.in_(names))
    )  # fmt: skip
    if span is None:
        asked = asked.outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        asked = asked.where(Specimen.id.is_(None), Measurement.spool_id.is_not(None))
    else:
        asked = asked.join(Specimen, Specimen.id == Measurement.specimen_id)
        asked = asked.where(*_within(Specimen.job_id, span))
    return sorted(bare_rows(connection, asked), key=itemgetter(0))


_READ: Final = (
    "id", "measurement_id", "quantity", "value", "unit", "relation", "at", "specimen_id", "spool_id",
    "operator", "room_c", "room_rh_pct", "method_version", "job_id", "piece", "orientation", "geometry",
    "size_z_mm", "section", "logged", "rigs",
)  # fmt: skip
"""What :func:`_results` reads, in order."""


def _section(document: Any) -> Any:
    """Return what a document says of the gauge section, as text."""
    return case((document.is_not(None), cast(document["section"], Text)))


class _Words(dict[Any, int]):
    """Numbers for words, given as they come."""

    def __missing__(self, word: Any) -> int:
        return self.setdefault(word, len(self))

    def codes(self, words: Iterable[Any]) -> Any:
        """Return the number of each word, -1 for None, shape (m,)."""
        return np.array([-1 if word is None else self[word] for word in words], dtype=np.int32)


@dataclass
class _Column:
    """What is recorded of one factor, part by part."""

    parts: list[tuple[int, Entries]] = field(default_factory=list)
    words: _Words = field(default_factory=_Words)

    def add(self, place: int, values: Sequence[Value]) -> None:
        """Take values in from a place on."""
        part = Entries.of(values)
        if part.words:
            part = replace(part, word=self.words.codes([*part.words, None])[part.word], words=())
        self.parts.append((place, part))

    def whole(self, size: int) -> Entries:
        """Return the column of so many places; what no part speaks of is not recorded."""
        numbers = any(np.isfinite(part.low).any() for _, part in self.parts)
        bounds = any(part.high is not part.low for _, part in self.parts)
        low = np.full(size, np.nan) if numbers else no_numbers(size)
        high = np.full(size, np.nan) if bounds else low
        word = np.full(size, -1, dtype=np.int32) if self.words else no_words(size)
        for place, part in self.parts:
            own = slice(place, place + len(part.low))
            if numbers:
                low[own], high[own] = part.low, part.high
            if self.words:
                word[own] = part.word
        return Entries(low, high, word, list(self.words))


@dataclass
class _Part:
    """Columns of results, or of their cells, that grow together.

    Attributes:
        room: Rows that are expected: so much is asked for at once, and takes no memory before it is filled.
        size: Rows that are there.
        columns: By name.
    """

    room: int = 0
    size: int = 0
    columns: dict[str, Any] = field(default_factory=dict)

    def add(self, **columns: Any) -> None:
        """Take more rows of each column in."""
        end = self.size
        for name, given in columns.items():
            values = np.asarray(given)
            end = self.size + len(values)
            known = self.columns.get(name)
            if known is None or end > len(known):
                grown = np.empty(max(self.room, 2 * end), values.dtype)
                grown[: self.size] = known[: self.size] if known is not None else 0
                self.columns[name] = known = grown
            known[self.size : end] = values
        self.size = end

    def whole(self) -> SimpleNamespace:
        """Return the columns."""
        return SimpleNamespace(**{name: column[: self.size] for name, column in self.columns.items()})


_WORDS_OF_TEST: Final = ("operator", "rig", "method_version")
_NUMBERS_OF_TEST: Final = ("age_h", "room_c", "room_rh")


class _Gathered:
    """Results while they are gathered, some thousand plates at a time.

    Args:
        session: To read with.
        plugged: Plugins that add factors of their own; None where there are none.
        room: Results that are expected.
    """

    def __init__(self, session: Session, plugged: Plugged | None, room: int = 0) -> None:
        self._session, self._plugged = session, plugged
        self._connection = session.connection()
        rigs = self._connection.execute(select(Rig.id, Rig.name).where(Rig.role == "rig"))
        self._rigs: dict[str, str] = {str(row.id): row.name for row in rigs}
        self._apart = _jobs_read_piece_by_piece(self._connection)
        self._groups, self._materials = _Words(), _Words()
        self._units: dict[int, tuple[int, str]] = {}
        self._results, self._cells, self._cell_count = _Part(room), _Part(room), 0
        self.results = 0
        self._words: dict[str, _Words] = defaultdict(_Words)
        # Of every kind of pieces: what is recorded of them, and the job with the spool that they had.
        self._columns: dict[str, _Column] = defaultdict(_Column)
        self._printed, self._kind_count = _Part(), 0
        self._started = _Part()
        self._given_days: list[tuple[int, Given]] = []

    def take(self, rows: Sequence[Any], span: _Span | None) -> None:
        """Take results in, in the order they were made: those of jobs of a span, or of spools."""
        if not rows:
            return
        # Column by column: a loop over a million rows costs several times as much.
        c = SimpleNamespace(**dict(zip(_READ, zip(*rows, strict=True), strict=True)))
        numbers, of_print = np.unique(c.spool_id if span is None else c.job_id, return_inverse=True)
        prints = _prints(self._connection, span, numbers.tolist())
        started, tested_from = (_microseconds([row[n] for row in prints]) for n in (0, 1))
        if span is not None:
            self._started.add(job=numbers, at=started)
        tested, started, tested_from = _microseconds(c.at), started[of_print], tested_from[of_print]
        kind = np.full(len(rows), -1) if span is None else self._kinds(c, span)
        group = [
            self._groups[name, oriented(way)] for name, way in zip(c.quantity, c.orientation, strict=True)
        ]
        self._units |= {
            number: max((row, unit), self._units.get(number, (0, "")))
            for number, row, unit in zip(group, c.id, c.unit, strict=True)
        }
        cell, first = _alike(
            group, kind.tolist(), of_print.tolist(), c.relation, c.operator, c.rigs, c.room_c, c.room_rh_pct,
            c.method_version, _days(tested, started).tolist(),
        )  # fmt: skip
        self._results.add(
            id=c.id,
            measurement=c.measurement_id,
            piece=np.array([each or 0 for each in c.piece], dtype=np.int32),
            value=np.array(c.value, dtype=np.float64),
            cell=(self._cell_count + cell).astype(np.int32),
        )
        moment = np.where(started == _NEVER, tested, started)[first]
        plate = (-numbers if span is None else numbers)[of_print]
        self._cells.add(
            group=np.array(group, dtype=np.int32)[first],
            kind=kind[first].astype(np.int32),
            plate=plate[first],
            material=self._materials.codes(row[2] or "not recorded" for row in prints)[of_print][first],
            order=np.where(moment == _NEVER, np.nan, moment / _SECOND),
            bound=[c.relation[at] in (">", "<") for at in first.tolist()],
            **self._of_test(c, first.tolist()),
            age_h=_age(tested, tested_from)[first],
        )
        self._cell_count += len(first)
        self.results += len(rows)

    def _of_test(self, c: Any, first: Sequence[int]) -> dict[str, Any]:
        """Return what is recorded of the tests of some results, by the factor's name."""
        rigs: dict[str | None, str | None] = {
            each: ", ".join(sorted(self._rigs[n] for n in (each or "").split() if n in self._rigs)) or None
            for each in set(c.rigs)
        }
        words = {
            "operator": (c.operator[at] for at in first),
            "rig": (rigs[c.rigs[at]] for at in first),
            "method_version": (c.method_version[at] for at in first),
        }
        return {
            **{name: self._words[name].codes(each) for name, each in words.items()},
            "room_c": np.array([c.room_c[at] for at in first], dtype=np.float64),
            "room_rh": np.array([c.room_rh_pct[at] for at in first], dtype=np.float64),
        }

    def _kinds(self, c: Any, span: _Span) -> Any:
        """Return the kind of each result's piece, and take in what is recorded of new ones.

        Pieces of a plate are of one kind where all that factors are read from is alike: the facts of the
        gauge section in plate and log, template, height, and what was given outright. On a plate of several
        spools, or on which a setting was changed by hand, what held for a piece depends on its layers: there
        each is a kind of its own.
        """
        given = _given_outright(self._connection, span)
        own = [given.get(number, ()) for number in c.specimen_id]
        apart = [
            number if job in self._apart else None
            for number, job in zip(c.specimen_id, c.job_id, strict=True)
        ]
        kind, first = _alike(c.job_id, c.geometry, c.size_z_mm, c.section, c.logged, own, apart)
        pieces = [Piece(c.specimen_id[at], c.job_id[at], c.geometry[at], own[at]) for at in first.tolist()]
        before = self._kind_count
        columns, spools = self._recorded(pieces)
        for name, values in columns.items():
            self._columns[name].add(before, values)
        self._printed.add(key=_keys((spool or 0 for spool in spools), (piece.job for piece in pieces)))
        self._kind_count += len(pieces)
        self._given_days += [
            (number, each)
            for number, piece in enumerate(pieces, start=before)
            for each in piece.given
            if each[0] in OF_DAYS
        ]
        return before + kind

    def _recorded(self, pieces: Sequence[Piece]) -> tuple[Mapping[str, list[Any]], Sequence[int | None]]:
        """Return the values of factors by name, one for each piece, and of which spool its days are asked."""
        if self._plugged is None:
            return columns_in_force(self._connection, pieces)
        found = factors_of(self._session, [piece.id for piece in pieces], self._plugged)
        names = dict.fromkeys(name for own in found.values() for name in own if name not in OF_PLACE)
        of_pieces = [found.get(piece.id, {}) for piece in pieces]
        columns = {
            name: [value_of(own[name]) if name in own else None for own in of_pieces] for name in names
        }
        return columns, [None] * len(pieces)

    def put_days(self, known: _Days | None) -> None:
        """Take in what follows from the days of spools; what is not known of them yet is worked out."""
        if self._plugged is not None:
            return
        if not self._kind_count:
            return
        key, started = self._printed.whole().key, self._started.whole()
        wanted = np.unique(key[key >= _OF_SPOOL])
        if known is not None:
            wanted = wanted[known.places(wanted) < 0]
        # Jobs come in order.
        starts = started.at[np.searchsorted(started.job, wanted % _OF_SPOOL)]
        days = _days_of(self._session, wanted, starts)
        if known is not None:
            days = known.with_more(days)
        # Of a kind that was printed from no spool the last place speaks.
        place = days.places(key)
        words = _Words()
        for name, (low, high, measured) in days.columns.items():
            column = Entries(low[place], high[place], np.full(len(place), -1, dtype=np.int32), ())
            for kind, (other, number, text, basis) in self._given_days:
                # What was measured stays where the given value was not.
                stays = measured[place[kind]] and basis not in (MEASURED, "imported")
                if other == name and not stays and (number is not None or text is not None):
                    column.low[kind] = column.high[kind] = np.nan if number is None else number
                    column.word[kind] = -1 if number is not None else words[text]
            exact = bool(np.array_equal(column.low, column.high, equal_nan=True))
            part = replace(column, high=column.low) if exact else column
            self._columns[name] = _Column([(0, part)], words)

    def surveys(self, declared: Mapping[str, Any], looked_at: str = "") -> Iterator[Survey]:
        """Yield what was gathered, by quantity and orientation."""
        if not self._cell_count:
            return
        results, cells = self._results.whole(), self._cells.whole()
        self._results, self._cells = _Part(), _Part()
        in_order = np.argsort(results.id, kind="stable").astype(np.int32)
        del results.id
        size = self._kind_count + 1
        columns = {name: self._columns.pop(name).whole(size) for name in [*self._columns]}
        for (name, way), group in sorted(self._groups.items()):
            rows = in_order[cells.group[results.cell[in_order]] == group]
            used, first, cell = np.unique(results.cell[rows], return_index=True, return_inverse=True)
            # Cells in the order in which they are met first.
            met = np.argsort(first)
            place = np.empty(len(met), dtype=np.intp)
            place[met] = np.arange(len(met))
            used = used[met]
            recorded = self._columns_of(cells, used, columns)
            values = results.value[rows]
            plate, plates = _named(cells.plate[used])
            own = Cells(
                values[first[met]], plate, plates, cells.material[used], list(self._materials),
                cells.bound[used], cells.order[used], recorded,
            )  # fmt: skip
            ends = [float(values.min()), float(values.max())]
            question = question_of(declared.get(name), name, self._units[group][1], way, ends)
            records = Records(values, place[cell], own, _Names(results, rows, cells).name)
            yield Survey(question, _one_a_cause(recorded), records, looked_at)
            # Of a large book two of them are not held at once.
            del rows, cell, recorded, values, plate, own, records

    def _columns_of(self, cells: Any, used: Any, columns: Mapping[str, Entries]) -> dict[str, Entries]:
        """Return the columns of some cells in which anything is recorded."""
        kind = cells.kind[used]
        found = {name: each.take(kind) for name, each in columns.items()}
        for name in _NUMBERS_OF_TEST:
            number = getattr(cells, name)[used]
            found[name] = Entries(number, number, no_words(len(used)), ())
        for name in _WORDS_OF_TEST:
            nothing = no_numbers(len(used))
            found[name] = Entries(nothing, nothing, getattr(cells, name)[used], list(self._words[name]))
        return {name: each for name, each in found.items() if each.recorded.any()}


@dataclass(frozen=True)
class _Names:
    """IDs of results, made when they are asked for."""

    results: Any
    rows: Any
    cells: Any

    def name(self, number: int) -> tuple[str, str]:
        """Return the ID of a result's measurement and of its specimen or spool."""
        row = self.rows[number]
        plate, piece = int(self.cells.plate[self.results.cell[row]]), int(self.results.piece[row])
        of = ids.spool_id(-plate) if plate < 0 else ids.specimen_id(plate, piece)
        return ids.measurement_id(int(self.results.measurement[row])), of


def _alike(*columns: Iterable[Any]) -> tuple[Any, Any]:
    """Return a number for each row, one for all alike, as they are met; and the first row of each number."""
    numbers: dict[tuple[Any, ...], int] = {}
    found = np.array([numbers.setdefault(row, len(numbers)) for row in zip(*columns, strict=True)])
    return found, np.unique(found, return_index=True)[1]


def _named(plates: Any) -> tuple[Any, list[str]]:
    numbers, plate = np.unique(plates, return_inverse=True)
    return plate, [ids.spool_id(-each) if each < 0 else ids.job_id(each) for each in numbers.tolist()]


_NEVER: Final = -(2**63)
"""A moment that is not recorded, in µs: what numpy calls no time."""
_SECOND, _HOUR, _DAY = 1e6, 3600.0, 86400.0


def _moment_of(connection: Connection, column: Any) -> Any:
    """Return a moment as it is read quickest: of SQLite as text, of PostgreSQL in µs since 1970."""
    if connection.dialect.name == "sqlite":
        return raw(column)
    return cast(func.extract("epoch", column) * 1_000_000, BigInteger)


def _microseconds(moments: Sequence[Any]) -> Any:
    """Return moments that were read by :func:`_moment_of` in µs since 1970, UTC, shape (m,)."""
    if any(isinstance(each, int) for each in moments):
        return np.array([_NEVER if each is None else each for each in moments], dtype=np.int64)
    return np.array(moments, dtype="datetime64[us]").astype(np.int64)


def _moment(us: int) -> dt.datetime | None:
    return None if us == _NEVER else dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=us)


def _days(tested: Any, printed: Any) -> Any:
    # Ages to the day: a seventh of what age usually differs by.
    known = (tested != _NEVER) & (printed != _NEVER)
    return np.where(known, np.rint((tested - printed) / _SECOND / _DAY), np.inf)


def _age(tested: Any, printed: Any) -> Any:
    """Return hours from print to test; NaN where either is unknown, or they are the wrong way round."""
    known = (tested != _NEVER) & (printed != _NEVER) & (tested >= printed)
    return np.where(known, (tested - printed) / _SECOND / _HOUR, np.nan)


_OF_SPOOL: Final = 2**32
"""A spool and a job that it was printed from in are one number: so many times the spool, and the job."""


def _keys(spools: Iterable[int], jobs: Iterable[int]) -> Any:
    return np.fromiter(spools, dtype=np.int64) * _OF_SPOOL + np.fromiter(jobs, dtype=np.int64)


@dataclass(frozen=True)
class _Days:
    """What follows from the days of spools for jobs.

    Attributes:
        keys: Spool and job of each place in the columns.
        columns: Least value, greatest value and whether it was measured, by the factor's name; the last place
            is that of no spool.
    """

    keys: Any
    columns: Mapping[str, tuple[Any, Any, Any]]

    def places(self, wanted: Any) -> Any:
        """Return the place of each key, -1 where there is none."""
        if not len(self.keys):
            return np.full(len(wanted), -1)
        order = np.argsort(self.keys)
        found = order[np.minimum(np.searchsorted(self.keys, wanted, sorter=order), len(order) - 1)]
        return np.where(self.keys[found] == wanted, found, -1)

    def with_more(self, more: _Days) -> _Days:
        """Return these and more."""
        columns = {
            name: tuple(
                np.concatenate([one[:-1], two]) for one, two in zip(own, more.columns[name], strict=True)
            )
            for name, own in self.columns.items()
        }
        return _Days(np.concatenate([self.keys, more.keys]), columns)  # type: ignore[arg-type] # three each


def _days_of(session: Session, keys: Any, starts: Any) -> _Days:
    """Work out what follows from the days of spools, of some at a time: each one's are gone through once.

    Args:
        session: To read with.
        keys: Spools and jobs, in order.
        starts: When each job began, in µs.
    """
    size = len(keys) + 1
    columns = {
        name: (np.full(size, np.nan), np.full(size, np.nan), np.zeros(size, dtype=bool)) for name in OF_DAYS
    }
    spools = keys // _OF_SPOOL
    # Where another spool begins, of every so many of them; of no keys none does.
    begins = np.flatnonzero(np.diff(spools, prepend=-1))[::_SPOOLS_AT_ONCE].tolist()
    for begin, end in zip(begins, [*begins[1:], len(keys)], strict=False):
        rows = [
            SimpleNamespace(id=place, spool_id=int(spools[place]), started_at=_moment(int(starts[place])))
            for place in range(begin, end)
        ]
        for place, factors in of_spools(session, rows, water=True).items():
            for name, factor in factors.items():
                low, high, measured = columns[name]
                value: Any = value_of(factor)
                low[place], high[place] = value if isinstance(value, tuple) else (value, value)
                measured[place] = factor.basis == MEASURED
    return _Days(keys, columns)


@contextmanager
def _days_apart(
    book: Book, names: Sequence[str], first: int, jobs: int
) -> Iterator[Callable[[], _Days | None]]:
    """Have the days of the spools of many jobs worked out by a process of its own; gives what it found.

    That is None of few jobs, where the process fails, and where something was entered meanwhile.
    """
    if jobs < _APART:
        yield lambda: None
        return
    # Started anew and not forked: threads and connections of this process must not come along.
    pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"))
    try:
        with book.connect() as connection:
            head = _head(connection)
        future = pool.submit(_days_there, book.place, names, first, head)

        def found() -> _Days | None:
            try:
                return future.result()
            except (BrokenProcessPool, OSError):
                return None

        yield found
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _days_there(place: str, names: Sequence[str], first: int, head: str | None) -> _Days | None:
    with open_book(place) as book, book.read() as session:
        connection = session.connection()
        if _head(connection) != head:
            return None
        kept: Any = JobInForce.__table__
        asked = select(kept.c.spool_id, Job.id, _moment_of(connection, Job.started_at)).join(
            kept, kept.c.job_id == Job.id
        )
        rows = bare_rows(connection, asked.where(kept.c.spool_id.is_not(None), Job.id >= first))
        tested = {plate for plate, _ in _plates(connection, names)}
        rows = [row for row in rows if row[1] in tested]
        keys = _keys((row[0] for row in rows), (row[1] for row in rows))
        order = np.argsort(keys)
        return _days_of(session, keys[order], _microseconds([row[2] for row in rows])[order])


def _head(connection: Connection) -> str | None:
    asked = select(JournalRecord.hash).order_by(JournalRecord.seq.desc()).limit(1)
    return connection.scalar(asked)


def _prints(connection: Connection, span: _Span | None, numbers: Sequence[int]) -> list[Any]:
    """Return of jobs, or of spools, in order: start, from when on ages count, and material."""
    if span is None:
        asked = select(null(), null(), Material.name, Spool.id).join(
            Material, Material.id == Spool.material_id
        )
        asked = asked.where(Spool.id.in_(numbers))
    else:
        ended = func.coalesce(Job.ended_at, Job.started_at)
        kept: Any = JobInForce.__table__
        begun, ended = (_moment_of(connection, each) for each in (Job.started_at, ended))
        asked = select(begun, ended, Material.name, Job.id).outerjoin(kept, kept.c.job_id == Job.id)
        asked = asked.outerjoin(Material, Material.id == kept.c.material_id).where(*_within(Job.id, span))
    found = {row[3]: row for row in connection.execute(asked).all()}
    return [found[number] for number in numbers]


def _given_outright(connection: Connection, span: _Span) -> dict[int, tuple[Given, ...]]:
    """Return what was given outright of each piece of some jobs."""
    asked = (
        select(
            FactorRecord.specimen_id, FactorRecord.name, FactorRecord.number, FactorRecord.text,
            FactorRecord.basis,
        )
        .join(Specimen, Specimen.id == FactorRecord.specimen_id)
        .where(FactorRecord.name.not_in(OF_PLACE), *_within(Specimen.job_id, span))
    )  # fmt: skip
    found: dict[int, tuple[Given, ...]] = {}
    for piece, *own in sorted(bare_rows(connection, asked), key=itemgetter(0, 1)):
        found[piece] = (*found.get(piece, ()), tuple(own))
    return found


def _one_a_cause(columns: Mapping[str, Entries]) -> tuple[Factor, ...]:
    """Return the factors; of several that measure one cause the one recorded most often."""
    count = {name: int(np.count_nonzero(each.recorded)) for name, each in columns.items()}
    names = in_registry(name for name in columns if count[name] and name != "material")
    factors = [factor_of(name, _values_like(columns[name])) for name in names]
    best: dict[str, str] = {}
    for factor in factors:
        taken = best.setdefault(factor.same_cause, factor.name)
        if count[factor.name] > count[taken]:
            best[factor.same_cause] = factor.name
    return tuple(
        replace(each, same_cause="")
        for each in factors
        if not each.same_cause or best[each.same_cause] == each.name
    )


def _values_like(column: Entries) -> list[Any]:
    """Return few values that are of the kind and range of a column's."""
    if (column.word >= 0).any():
        return [""]
    low, high = float(np.nanmin(column.low)), float(np.nanmax(column.high))
    return [low, high] if column.high is column.low else [(low, high)]


def _jobs_read_piece_by_piece(connection: Connection) -> set[int]:
    several = select(JobSpool.job_id).group_by(JobSpool.job_id).having(func.count() > 1)
    # Without layers on record a change by hand holds for all pieces alike.
    changed = (
        select(SettingChange.job_id)
        .join(Specimen, Specimen.job_id == SettingChange.job_id)
        .where(Specimen.plate_facts.is_not(None))
        .distinct()
    )
    return {*connection.scalars(several), *connection.scalars(changed)}
