"""The running summary: materials and conditions down, quantities, orientations and groups across.

Every mean that is shown anywhere comes from here: table, chart, ratio, page and site ask
:func:`summary_table`; ``why`` takes its means of plates from the same statistics.
"""

from __future__ import annotations

import copy
import datetime as dt
import gc
import math
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple, Protocol, overload

from sqlalchemy import Connection, func, select

from tracker.book import Book
from tracker.errors import did_you_mean
from tracker.forms import FormError
from tracker.kinds import material_named
from tracker.lazy_modules import np
from tracker.model import Choice, Material, Result, Spool
from tracker.moments import local_day
from tracker.plate_sums import Plate, Point, points
from tracker.plugins import Plugged
from tracker.selection import Filter, Term, term_without
from tracker.stating import shown
from tracker.table.cells import Cell, Ratio, cells_of, interlayer_ratio
from tracker.table.conditions import (
    ALWAYS,
    SETTINGS,
    Condition,
    SpoolsOfJobs,
    departures,
    distinguishing_settings,
    ranges,
    words,
)
from tracker.table.filtering import narrowed_by, results_where, why_nothing
from tracker.table.results import (
    BookResults,
    Column,
    Gathered,
    Key,
    Note,
    notes,
)

CAUTION: Final = (
    "Comparisons between printed pieces on home-made rigs: not design allowables, not a certification. "
    "Intervals are U with k for 95 % and hold for the material on this bench, from plate to plate; not for "
    "other lots, printers or rigs."
)

_SMALL: Final = 50_000
"""Of so many results all are gone through again to say why a filter holds of none."""
_ORIENTATIONS: Final = ("flat", "on edge", "upright")


@dataclass
class TableRow:
    """A material under one condition.

    Attributes:
        material: Name.
        family: Polymer family, or None.
        condition: Settings by name, as far as recorded; measured where that is off what was set.
        words: In what it differs from the material's other rows, and its treatment and drying.
        supply: How the spools behind its figures came, each once.
        last: Day of the newest measurement.
        cells: By column.
        ratio: Interlayer ratio, of the strength that most pieces were tested for.
        published: Whether this condition was chosen to be published.
        choice: Remark and reason of the choice.
        departures: Where what was measured while printing was not what was set, in words.
        measured: Least and greatest measured temperature in °C by name of the setting.
        notes: What was written beside its jobs, pieces and measurements, each once.
        jobs: Numbers of the jobs behind its figures.
        spools: Numbers of the spools that were tested themselves.
    """

    material: str
    family: str | None
    condition: dict[str, Any]
    words: str
    supply: tuple[str, ...] = ()
    last: dt.date | None = None
    cells: dict[Column, Cell] = field(default_factory=dict)
    ratio: Ratio | None = None
    published: bool = False
    choice: str = ""
    departures: tuple[str, ...] = ()
    measured: dict[str, tuple[float, float]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    jobs: frozenset[int] = frozenset()
    spools: frozenset[int] = frozenset()

    def as_json(self) -> dict[str, Any]:
        """Return the row as plain JSON values."""
        return {
            "material": self.material, "family": self.family, "condition": self.condition,
            "words": self.words, "measured": {name: list(each) for name, each in self.measured.items()},
            "supply": list(self.supply), "departures": list(self.departures), "notes": list(self.notes),
            "last": self.last.isoformat() if self.last else None,
            "published": self.published, "choice": self.choice,
            "cells": [each.as_json() for each in self.cells.values()],
            "interlayer_ratio": self.ratio.as_json() if self.ratio else None,
        }  # fmt: skip


@dataclass
class SummaryTable:
    """The table.

    Attributes:
        rows: Sorted as asked.
        columns: In order.
        units: By quantity.
        caution: To stand at its foot.
        why_empty: Why there are no rows, a sentence; empty where there are some.
        titles: What people call the quantities, by name, where their methods say.
    """

    rows: Sequence[TableRow]
    columns: list[Column]
    units: dict[str, str]
    caution: str = CAUTION
    why_empty: str = ""
    titles: dict[str, str] = field(default_factory=dict)

    def heading(self, quantity: str) -> str:
        """Return a quantity as people read it: ``Tensile strength [MPa]``."""
        # A name without a title stays what is typed in filters.
        title, unit = self.titles.get(quantity, quantity), shown(self.units.get(quantity, ""))
        return f"{title} [{unit}]" if unit else title

    def called(self, column: Column) -> str:
        """Return what people call a column: ``Impact strength flat, C``."""
        title = self.titles.get(column.quantity, column.quantity)
        named = f"{title} {column.orientation}".strip()
        return f"{named}, {column.group}" if column.group else named

    def as_json(self) -> dict[str, Any]:
        """Return the table as plain JSON values."""
        return {
            "columns": [
                {
                    "quantity": each.quantity, "orientation": each.orientation, "lie": each.orientation,
                    "group": each.group or None, "unit": self.units[each.quantity],
                }
                for each in self.columns
            ],
            "rows": [row.as_json() for row in self.rows],
            "caution": self.caution,
            "why_empty": self.why_empty,
        }  # fmt: skip


def summary_table(
    book: Book,
    *,
    where: Filter | None = None,
    quantities: Sequence[str] | None = None,
    ordinal: Iterable[str] = (),
    sort: str | None = None,
    plugged: Plugged | None = None,
    plain: bool = False,
    held: Held | None = None,
) -> SummaryTable:
    """Return the summary of a book.

    Args:
        book: To be read.
        where: Only results of which this holds.
        quantities: Only these; all that have values where None.
        ordinal: Names of quantities that are grades.
        sort: Quantity by whose best mean materials are sorted; by name where None.
        plugged: Plugins whose factors a filter may ask of, and whose methods say what uses a piece up.
        plain: Read every result by itself, as with a filter: slower, and the same table.
        held: Holds the results of the whole book, which are only renewed then; rows are computed when they
            are looked at.

    Raises:
        FilterError: ``where`` asks of something that is recorded nowhere.
    """
    quantities = None if quantities is None else list(quantities)
    with _no_collection():
        if held is not None and where is None and not plain:
            results, beside = held.renewed(book)
        else:
            results, beside = _read(book, where, quantities, frozenset(ordinal), plugged, plain=plain)
        building = _Building(book, results, beside, plugged, quantities)
        lines = building.lines(sort)
        rows = LazyRows(len(lines), lambda places: building.rows([lines[place] for place in places]))
        summary = SummaryTable(rows if held is not None else rows[:], building.columns(), building.units)
    if plugged is not None:
        summary.titles = plugged.titles
    if not lines:
        summary.why_empty = _why_empty(book, where, quantities, plugged)
    return summary


class Held(Protocol):
    """What holds the results of a whole book in memory: :class:`tracker.table.held.HeldResults`."""

    def renewed(self, book: Book) -> tuple[BookResults, Beside]:
        """Return the results as they are now, with what is shown beside them."""
        ...


class LazyRows(Sequence[TableRow]):
    """Rows of a table that are computed when they are looked at, as many at once as are asked for.

    Args:
        count: How many there are.
        make: Makes rows of their places.
    """

    def __init__(self, count: int, make: Callable[[Sequence[int]], list[TableRow]]) -> None:
        self._made: list[TableRow | None] = [None] * count
        self._make = make

    def __len__(self) -> int:
        """Return how many rows there are."""
        return len(self._made)

    @overload
    def __getitem__(self, at: int) -> TableRow: ...
    @overload
    def __getitem__(self, at: slice) -> list[TableRow]: ...
    def __getitem__(self, at: int | slice) -> TableRow | list[TableRow]:
        """Return a row, or several in a list."""
        places = range(len(self._made))[at]
        asked = [places] if isinstance(places, int) else places
        wanted = [place for place in asked if self._made[place] is None]
        made = self._make(wanted) if wanted else []
        for place, row in zip(wanted, made, strict=True):
            self._made[place] = row
        rows = [each for place in asked if (each := self._made[place]) is not None]
        return rows[0] if isinstance(places, int) else rows

    def __iter__(self) -> Iterator[TableRow]:
        """Give all rows, made together."""
        return iter(self[:])


def _read(
    book: Book, where: Filter | None, quantities: Sequence[str] | None, ordinal: frozenset[str],
    plugged: Plugged | None, *, plain: bool,
) -> tuple[BookResults, Beside]:  # fmt: skip
    """Read results as a filter lets them in, and what is shown beside them."""
    among, within = None, None if where is None else narrowed_by(book, where, plugged)
    if within is not None and not within.whole:
        among = frozenset(row.result for row in results_where(book, where, quantities, plugged))
    conditions = () if within is None else (*within.conditions, *within.of_results)
    with book.connect() as connection:
        results = BookResults(connection, quantities, ordinal, conditions)
        if plain or among is not None:
            results.read_singly(connection, among)
        else:
            results.read_sums(connection)
        return results, Beside(connection, results)


@contextmanager
def _no_collection() -> Iterator[None]:
    """Keep the collector of cycles away while a hundred thousand plates are read: none of them is in one."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _why_empty(
    book: Book, where: Filter | None, quantities: Sequence[str] | None, plugged: Plugged | None
) -> str:
    of = f" of {', '.join(quantities)}" if quantities else ""
    with book.connect() as connection:
        large = (connection.scalar(select(func.max(Result.id))) or 0) > _SMALL
        if where is not None and large:
            return term_without(connection, where, "results")
        if not points(connection, quantities):
            return f"There are no results{of} in this book yet."
    return why_nothing(book, where, quantities, plugged) if where is not None else ""


def measured_by(plugged: Plugged) -> list[str]:
    """Return the quantities that the installed methods give."""
    return [quantity.name for each in plugged.methods.values() for quantity in each.method.quantities]


def strengths(plugged: Plugged | None) -> tuple[str, ...]:
    """Return the quantities that stand for a method of strength: its declared key, of that property."""
    if plugged is None:
        return ()
    keys = (each.method.key_quantity for each in plugged.methods.values())
    return tuple(quantity.name for quantity in keys if quantity.property == "strength")


def graded(plugged: Plugged) -> list[str]:
    """Return the quantities of the installed methods that are grades: ranked, never averaged."""
    return [
        quantity.name
        for each in plugged.methods.values()
        for quantity in each.method.quantities
        if quantity.scale == "ordinal"
    ]


class Beside:
    """What is shown beside the results of a book: spools, notes, and what was chosen to be published.

    Args:
        connection: To the book.
        results: Of the book.

    Attributes:
        spools: Spools of each job.
        notes: By job.
        supply: How each spool came, by its number.
        chosen: The choice of each material, by its name.
    """

    def __init__(self, connection: Connection, results: BookResults) -> None:
        self.spools = SpoolsOfJobs(connection)
        self.notes: dict[int, list[Note]] = {}
        self._take_notes(connection, results, None)
        self.supply = _supplies(connection)
        self.chosen = _choices(connection)

    def renew(self, connection: Connection, results: BookResults, jobs: Collection[int]) -> None:
        """Read again what acts have touched of some jobs; what this one was copied from stays as it is."""
        self.spools = copy.copy(self.spools)
        self.spools.renew(connection, jobs)
        self.notes = {job: written for job, written in self.notes.items() if job not in jobs}
        self._take_notes(connection, results, jobs)
        self.chosen = _choices(connection)

    def _take_notes(self, connection: Connection, results: BookResults, jobs: Collection[int] | None) -> None:
        written = notes(connection, jobs)
        for note in written:
            self.notes.setdefault(note.job, []).append(note)
        results.know_own(connection, {note.job for note in written if note.specimen})


class _Line(NamedTuple):
    """A row before its cells are computed: material, family, condition in data and words, and its cells."""

    material: str | None
    family: str | None
    condition: Condition
    words: str
    keys: list[Key]


class _Building:
    """Puts what was gathered for each cell into the rows of a table.

    Attributes:
        results: The results.
        beside: What is shown beside them.
        found: What was found for each cell.
        units: By quantity.
    """

    def __init__(
        self, book: Book, results: BookResults, beside: Beside, plugged: Plugged | None,
        quantities: Sequence[str] | None,
    ) -> None:  # fmt: skip
        self.book = book
        self.results = results
        self.beside = beside
        self.destructive: frozenset[str] = frozenset()
        self.positive: dict[str, bool] = {}
        self.strengths = strengths(plugged)
        if plugged is not None:
            methods = {name: each.method for name, each in plugged.methods.items()}
            self.destructive = frozenset(name for name, method in methods.items() if method.destructive)
            self.positive = {q.name: q.positive for method in methods.values() for q in method.quantities}
        self.found, self._points = results.gathered(self.destructive, quantities)
        self.units = {key[3].quantity: each.unit for key, each in self.found.items()}
        # Cells whose scatter may be compared: of one quantity, orientation and unit.
        self._alike: dict[tuple[str, str, str], dict[Key, Gathered]] = defaultdict(dict)
        for key, cell in self.found.items():
            self._alike[key[3].quantity, key[3].orientation, cell.unit][key] = cell

    def columns(self) -> list[Column]:
        """Return the columns of which there is something to say, in order."""
        return _in_order(
            key[3] for key, cell in self.found.items() if len(cell.plates) or cell.limits or cell.set_aside
        )

    def lines(self, sort: str | None) -> list[_Line]:
        """Return the rows without their cells, sorted by the best mean of a quantity, or by name."""
        by_material: dict[tuple[str | None, str | None], dict[Condition, list[Key]]] = {}
        for key in self.found:
            by_material.setdefault(key[:2], {}).setdefault(key[2], []).append(key)
        lines = []
        for (material, family), by_condition in by_material.items():
            names = distinguishing_settings(by_condition)
            lines += [
                _Line(material, family, condition, words(condition, names), keys)
                for condition, keys in by_condition.items()
            ]

        def place(line: _Line) -> tuple[float, str, str]:
            means = [self._mean(key) for key in line.keys if key[3].quantity == sort]
            best = max((mean for mean in means if mean is not None), default=float("-inf"))
            return (-best if sort else 0.0, (line.material or "not recorded").casefold(), line.words)

        return sorted(lines, key=place)

    def _mean(self, key: Key) -> float | None:
        """Return the mean of a cell, or for grades the median, as far as rows are sorted by it."""
        plates = self.found[key].plates
        if not len(plates):
            return None
        if key[3].quantity in self.results.ordinal:
            return cells_of(
                {key: self.found[key]}, {key: key[3]}, ordinal=True, relative=False, behind=self.behind,
                hint=lambda *_: (), destructive=self.destructive,
            )[key].mean  # fmt: skip
        return float(plates[:, 2].mean())

    def printed(self, note: Note) -> tuple[str, Condition]:
        """Return material and condition of what a note is shown beside."""
        material, _, condition = self.results.printed(note.job, note.specimen)
        return material or "not recorded", condition

    def behind(self, key: Key) -> Sequence[Point]:
        """Return the numbers behind a cell."""
        plates = self.found[key].sources.tolist()
        if self.results.read_whole:
            return [point for point in self._points.get(key, ()) if point.number]
        with self.book.connect() as connection:
            return self.results.points_of(connection, key, plates)

    def rows(self, lines: Sequence[_Line]) -> list[TableRow]:
        """Return rows with their cells computed and what is shown beside them."""
        wanted: dict[tuple[str, str, str], dict[Key, Column]] = defaultdict(dict)
        for line in lines:
            for key in line.keys:
                wanted[key[3].quantity, key[3].orientation, self.found[key].unit][key] = key[3]
        cells: dict[Key, Cell] = {}
        with self.book.connect() as connection:
            for alike, keys in wanted.items():
                cells |= cells_of(
                    self._alike[alike],
                    keys,
                    ordinal=alike[0] in self.results.ordinal,
                    relative=self._relative(alike[0]),
                    behind=self.behind,
                    hint=self._looker(connection),
                    destructive=self.destructive,
                )
        cells = _with_shares(cells)
        return [self._row(line, cells) for line in lines]

    def _relative(self, quantity: str) -> bool:
        unit = self.units.get(quantity, "")
        return self.positive.get(quantity, True) and unit not in ("degC", "°C")

    def _looker(self, connection: Connection) -> Callable[[Key, Plate], Sequence[Point]]:
        def look(key: Key, plate: Plate) -> Sequence[Point]:
            if self.results.read_whole:
                return [
                    point
                    for point in self._points.get(key, ())
                    if point.number and point.plate == plate.plate
                ]
            return self.results.points_of(connection, key, [plate.plate])

        return look

    def _row(self, line: _Line, cells: Mapping[Key, Cell]) -> TableRow:
        row = TableRow(line.material or "not recorded", line.family, dict(line.condition), line.words)
        row.cells = {key[3]: cells[key] for key in line.keys}
        newest = max(self.found[key].last for key in line.keys)
        if not math.isnan(newest):
            row.last = local_day(dt.datetime.fromtimestamp(newest, dt.UTC), self.book.zone)
        plates = np.unique(np.concatenate([self.found[key].sources for key in line.keys]))
        jobs = plates[plates > 0]
        row.jobs = frozenset(jobs.tolist())
        row.spools = frozenset((-plates[plates < 0]).tolist())
        row.ratio = self._ratio(line.keys, cells)
        supply = self.beside.supply
        spools = row.spools | self.beside.spools.of(jobs)
        row.supply = tuple(sorted({supply[spool] for spool in spools if spool in supply}))
        heated = self.results.origins.heated(jobs)
        row.departures, row.measured = departures(heated), ranges(heated)
        row.published, row.choice = _choice_of(row, self.beside.chosen, self.book.zone)
        self._put_notes(row, line.condition)
        return row

    def _put_notes(self, row: TableRow, condition: Condition) -> None:
        """Put what was written beside jobs, pieces and measurements to row and cells it belongs to."""
        place = row.material, _printed(condition)
        # Dictionaries as ordered sets: each text once, in the order in which they were written.
        of_row: dict[str, None] = {}
        of_cell: dict[Column, dict[str, None]] = defaultdict(dict)
        for job in sorted(row.jobs & self.beside.notes.keys()):
            for note in self.beside.notes[job]:
                material, printed = self.printed(note)
                if (material, _printed(printed)) == place:
                    of_row[note.text] = None
                    for column in filter(note.concerns, row.cells):
                        of_cell[column][note.text] = None
        row.notes = tuple(of_row)
        for column, texts in of_cell.items():
            row.cells[column] = replace(row.cells[column], remarks=tuple(texts))

    def _is_strength(self, quantity: str) -> bool:
        # Without methods nobody declares anything; the last word of a name is all there is.
        return quantity in self.strengths if self.strengths else quantity.endswith(".strength")

    def _ratio(self, keys: Sequence[Key], cells: Mapping[Key, Cell]) -> Ratio | None:
        of: dict[str, dict[str, Key]] = defaultdict(dict)
        for key in keys:
            if self._is_strength(key[3].quantity) and not key[3].group:
                of[key[3].quantity][key[3].orientation] = key
        both = [each for each in of.values() if {"upright", "flat"} <= each.keys()]
        if not both:
            return None
        # Of several strengths the one of which there is most to say.
        pairs = max(both, key=lambda each: min(cells[each["upright"]].n, cells[each["flat"]].n))
        upright, flat = pairs["upright"], pairs["flat"]
        sides = [(cells[each], self.found[each]) for each in (upright, flat)]
        return interlayer_ratio(sides[0], sides[1], self.beside.spools.of)


def _with_shares(cells: Mapping[Key, Cell]) -> dict[Key, Cell]:
    """Return cells of groups with their share of the pieces of all groups; no break counts as others do."""
    totals: dict[tuple[Any, ...], int] = defaultdict(int)
    grouped = set()
    for key, cell in cells.items():
        whole = (*key[:3], key[3].quantity, key[3].orientation)
        totals[whole] += cell.n + len(cell.limits)
        if key[3].group:
            grouped.add(whole)
    found = {}
    for key, cell in cells.items():
        whole = (*key[:3], key[3].quantity, key[3].orientation)
        if whole in grouped and totals[whole]:
            cell = replace(cell, share=(cell.n + len(cell.limits)) / totals[whole])  # noqa: PLW2901
        found[key] = cell
    return found


def _printed(condition: Iterable[tuple[str, Any]]) -> tuple[tuple[str, Any], ...]:
    """Return a condition without what belongs to the test."""
    return tuple((name, value) for name, value in condition if name not in ALWAYS[2:])


def _supplies(connection: Connection) -> dict[int, str]:
    """Return how each spool came, by its number."""
    rows = connection.execute(select(Spool.id, Spool.supplied, Spool.supplied_by))
    supplies = {spool: " by ".join(part for part in (supplied, by) if part) for spool, supplied, by in rows}
    return {spool: text for spool, text in supplies.items() if text}


def _choices(connection: Connection) -> dict[str, Any]:
    statement = (
        select(Material.name, Choice.condition, Choice.remark, Choice.reason, Choice.by, Choice.at)
        .join(Material, Material.id == Choice.material_id)
        .order_by(Choice.id)
    )
    return {row.name: row for row in connection.execute(statement)}


def _choice_of(line: TableRow, chosen: Mapping[str, Any], zone: dt.tzinfo) -> tuple[bool, str]:
    choice = chosen.get(line.material)
    if choice is None or any(line.condition.get(name) != value for name, value in choice.condition.items()):
        return False, ""
    return True, f"{choice.remark or choice.reason} ({choice.by}, {local_day(choice.at, zone)})"


def columns_of(lines: Sequence[TableRow]) -> list[Column]:
    """Return the columns of which rows have something to say, in order."""
    return _in_order(
        key for line in lines for key, each in line.cells.items() if each.n or each.limits or each.set_aside
    )


def _in_order(columns: Iterable[Column]) -> list[Column]:
    order = {each: place for place, each in enumerate(_ORIENTATIONS)}
    return sorted(
        set(columns), key=lambda key: (key.quantity, order.get(key.orientation, len(order)), key.group)
    )


@dataclass(frozen=True)
class Meant:
    """What a choice of a condition to publish means.

    Attributes:
        material: Its name as it is kept.
        settings: As they are recorded: ``nozzle_c=255.0``.
        rows: The conditions that fulfil them, in words; one, unless several are published together.
    """

    material: str
    settings: tuple[str, ...]
    rows: tuple[str, ...]


def meant_by(book: Book, material: str, settings: Sequence[str]) -> Meant:
    """Return which of a material's conditions are meant by settings.

    Args:
        book: Read only.
        material: Name of the material.
        settings: ``nozzle_c=255`` and the like; none where the material has one condition only.

    Raises:
        NotFoundError: There is no such material.
        FormError: A word is no setting, no row has it, or several rows are left where none was named.
    """
    terms = tuple(_term(each) for each in settings)
    with book.read() as session:
        name = material_named(session, material).name
    rows = summary_table(book, where=Filter((Term("material", "=", name),))).rows
    if not rows:
        raise FormError(
            f"{name} has no results to publish", do="strandbook list results shows what was tested"
        )
    kept = [row for row in rows if Filter(terms).holds(row.condition)]
    if not kept:
        raise FormError(f"{name} was not tested with {Filter(terms)}", do=_conditions(rows))
    if not terms and len(kept) > 1:
        raise FormError(f"{name} was tested under {len(rows)} conditions", do=_conditions(rows))
    recorded = tuple(f"{term.name}={kept[0].condition[term.name]}" for term in terms)
    return Meant(name, recorded, tuple(row.words for row in kept))


@dataclass(frozen=True)
class Choosable:
    """A condition of a material that can be chosen to be published.

    Attributes:
        settings: ``nozzle_c=255`` and the like: what tells it from the others; none where there is one only.
        words: It in words.
        published: Whether it is the one that is published.
    """

    settings: tuple[str, ...]
    words: str
    published: bool


def choosable(book: Book, material: str) -> list[Choosable]:
    """Return the conditions under which a material was tested, as they can be chosen to be published.

    One of which nothing is recorded is left out where there are others: no setting names it.

    Args:
        book: Read only.
        material: Name of the material.

    Raises:
        NotFoundError: There is no such material.
    """
    with book.read() as session:
        name = material_named(session, material).name
    rows = summary_table(book, where=Filter((Term("material", "=", name),))).rows
    found = [
        Choosable(
            tuple(f"{each}={_value(row, each)}" for each in _output(rows) if each in row.condition),
            row.words,
            row.published,
        )
        for row in rows
    ]
    return [each for each in found if each.settings or len(found) == 1]


def _term(text: str) -> Term:
    name, sign, value = (part.strip() for part in text.partition("="))
    if not sign or not name or not value:
        raise FormError(f"{text!r} is no setting", do="Write name=value, as in nozzle_c=255")
    if name not in SETTINGS:
        known = f"Conditions are told apart by {', '.join(SETTINGS)}"
        raise FormError(f"{name!r} tells no conditions apart", do=did_you_mean(name, SETTINGS, known))
    return Term(name, "=", value)


def _conditions(rows: Sequence[TableRow]) -> str:
    """Return what can be chosen, as it is typed."""
    names = _output(rows)
    typed = [
        " ".join(str(Term(name, "=", _value(row, name))) for name in names if name in row.condition)
        for row in rows
    ]
    return f"Choose one of: {'; '.join(typed)}" if names else "It has one condition: name no setting"


def _output(rows: Sequence[TableRow]) -> list[str]:
    """Return the settings that tell the rows of a material apart."""
    return [name for name in SETTINGS if len({row.condition.get(name) for row in rows}) > 1]


def _value(row: TableRow, name: str) -> str:
    value = row.condition[name]
    return f"{value:g}" if isinstance(value, float) else str(value)
