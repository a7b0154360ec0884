"""A column map compared with a sheet and the methods that are there: what each cell is turned into."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from tracker.api import Field, Method, Quantity, fields
from tracker.desk.importing.columnmap import Column, ColumnMap, suggestion
from tracker.desk.importing.sheet import STYLES, MapError, Sheet, Style, read_number, style_of
from tracker.errors import Refused, close_names
from tracker.plugins import Plugged
from tracker.units import factor_between

FACTOR_UNITS: Final = {
    "mm": "mm", "c": "degC", "s": "s", "min": "min", "h": "hour", "g": "g", "pct": "percent", "n": "N",
    "mpa": "MPa", "mm_s": "mm/s", "mm3_s": "mm^3/s", "g_cm3": "g/cm^3", "deg": "degree", "kg": "kg",
}  # fmt: skip
"""Unit that the ending of a factor's name stands for: ``layer_height_mm`` is in mm."""

UNCERTAIN: Final = "_u"
"""Ending of a reading that holds the standard uncertainty of another: of ``area`` it is ``area_u``."""

_MOST_MET: Final = 4096
"""Different cells of a column that are remembered as looked at."""

_SHARE: Final = re.compile(r"^(\d+(?:\.\d+)?)\s*%$")

Reader = Callable[[str], Any]


@dataclass(frozen=True)
class Bound:
    """One mapped column, found in the sheet.

    Attributes:
        index: Its place in each row.
        read: Turns a cell that is not blank into a value in the store's unit.
    """

    index: int
    read: Reader


@dataclass(frozen=True)
class BoundMethod:
    """A method and where its readings stand.

    Attributes:
        method: The method.
        values: Field to its cell.
        files: Field to the place of the cell that holds a path.
        uncertain: Field to what gives its standard uncertainty from its value, where the map states one.
    """

    method: Method
    values: Mapping[str, Bound]
    files: Mapping[str, int]
    uncertain: Mapping[str, Callable[[float], float]] = field(default_factory=dict)

    def with_uncertainties(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return readings with the standard uncertainties that the map states of them."""
        beside = {
            f"{name}{UNCERTAIN}": of(float(values[name]))
            for name, of in self.uncertain.items()
            if name in values
        }
        return {**values, **beside}


@dataclass(frozen=True)
class Binding:
    """A column map that fits a sheet.

    Attributes:
        material: Place of the material's name in each row.
        plate: Places of the cells that name a plate.
        texts: Specimen column to place.
        factors: Factor name to its cell.
        methods: Methods with readings.
        quantities: Quantities given without readings.
        unused: Columns of the sheet that the map does not name.
        notes: What was decided on the way.
    """

    material: int
    plate: tuple[int, ...]
    texts: Mapping[str, int]
    factors: Mapping[str, Bound]
    methods: tuple[BoundMethod, ...]
    quantities: tuple[tuple[Quantity, Bound], ...]
    unused: tuple[str, ...]
    notes: tuple[str, ...]


def bind(columns: ColumnMap, sheet: Sheet, plugged: Plugged) -> Binding:
    """Hold a map against a sheet and the methods that are there.

    Raises:
        MapError: A column, method, field or quantity is not there, or a unit does not fit; all are named.
    """
    return _Binder(columns, sheet, plugged).bound()


class _Binder:
    """Binds section by section and gathers what does not fit, so that all of it is said at once."""

    def __init__(self, columns: ColumnMap, sheet: Sheet, plugged: Plugged) -> None:
        self._columns = columns
        self._sheet = sheet
        self._plugged = plugged
        self._problems: list[str] = []
        self._notes: list[str] = []
        self._style: Style = "open"
        self._as_numbers: dict[int, dict[Style, bool]] = {}

    def bound(self) -> Binding:
        """Bind all sections.

        Raises:
            MapError: Something does not fit.
        """
        columns, place = self._columns, self._place
        self._missing()
        # Missing columns first: without them everything else would be said to be wrong as well.
        if self._problems:
            raise MapError(columns.name, self._problems)
        self._survey()
        binding = Binding(
            material=place(columns.material),
            plate=tuple(place(column) for column in columns.plate),
            texts={key: place(column) for key, column in columns.texts.items()},
            factors={name: self._factor(name, column) for name, column in columns.factors.items()},
            methods=tuple(self._methods()),
            quantities=tuple(self._quantities()),
            unused=self._unused(),
            notes=tuple(self._notes),
        )
        if self._problems:
            raise MapError(columns.name, self._problems)
        return binding

    def _missing(self) -> None:
        header = [word for word in self._sheet.header if word]
        self._problems += [
            f"{column.key} names the column {column.name!r}, which {self._sheet.name} has not"
            f"{''.join(f': did you mean {near!r}?' for near in close_names(column.name, header, most=1))}"
            for column in self._columns.columns()
            if column.name not in header
        ]
        if self._problems:
            # Once, at the end: a map of ten columns against the wrong sheet would say them ten times.
            self._problems.append(f"{self._sheet.name} has the columns {', '.join(header) or 'none'}")

    def _place(self, column: Column) -> int:
        return self._sheet.index(column.name)

    def _unused(self) -> tuple[str, ...]:
        named = {column.name for column in self._columns.columns()}
        return tuple(word for word in self._sheet.header if word and word not in named)

    def _survey(self) -> None:
        """Look through the sheet once: how it writes decimals, and which columns of words are numbers.

        Decimals over all number cells at once: one cell cannot say what its comma means, and a column may
        hold whole numbers only.
        """
        wanted = [column for column in self._columns.columns() if column.unit and not column.file]
        numbers = {self._place(column) for column in wanted}
        factors = self._columns.factors.items()
        numbers |= {self._place(column) for name, column in factors if unit_of_factor(name)}
        open_columns = {self._place(column) for name, column in factors if not unit_of_factor(name)}
        for place in open_columns:
            self._as_numbers[place] = dict.fromkeys(STYLES, True)

        def cells() -> Iterator[str]:
            looked_at: dict[int, set[str]] = {place: set() for place in open_columns}
            for row in self._sheet.rows:
                for place, met in looked_at.items():
                    cell = row.cells[place]
                    if cell not in met:
                        if len(met) < _MOST_MET:
                            met.add(cell)
                        self._look(cell, self._as_numbers[place])
                for place in numbers:
                    yield row.cells[place]

        found = cells()
        self._style = style_of(found)
        # Once the style is plain the rest is looked through for the columns of words alone.
        if open_columns:
            for _ in found:
                pass

    @staticmethod
    def _look(cell: str, fits: dict[Style, bool]) -> None:
        """Note in which styles a cell is no number."""
        for style, whether in fits.items():
            if whether and cell:
                try:
                    read_number(cell, style, "1", "factor")
                except Refused:
                    fits[style] = False

    def _factor(self, name: str, column: Column) -> Bound:
        index, unit = self._place(column), unit_of_factor(name)
        if column.file:
            self._problems.append(f"{column.key}.file: a factor is a number or a word, not a file")
        if unit:
            return Bound(index, self._number(column, unit, column.unit or unit))
        if column.unit:
            self._problems.append(
                f"{column.key}.unit is {column.unit!r}, and the name {name!r} does not end in the unit it is "
                f"stored in; allowed endings: {', '.join(f'_{ending}' for ending in FACTOR_UNITS)}"
            )
        return Bound(index, self._number_or_word(index))

    def _number_or_word(self, index: int) -> Reader:
        """Numbers where every cell of the column is one, else words: a lot "7" beside "7b" is a word."""
        return _numbers(self._style, "", "1", "factor") if self._as_numbers[index][self._style] else _word

    def _number(self, column: Column, unit: str, given: str) -> Reader:
        try:
            return _numbers(self._style, given, unit, column.key)
        except Refused:
            self._problems.append(
                f"{column.key}.unit {given!r} cannot be converted to {unit}; allowed is any unit of that kind"
            )
            return _word

    def _methods(self) -> Iterator[BoundMethod]:
        for method_id, columns in self._columns.readings.items():
            loaded = self._plugged.methods.get(method_id)
            if loaded is None:
                lost = "".join(f" ({problem})" for problem in self._plugged.problems)
                self._problems.append(
                    f"readings.{method_id} is no method: {suggestion(method_id, self._plugged.methods)}{lost}"
                )
            else:
                yield self._method(loaded.method, columns)

    def _method(self, method: Method, columns: Mapping[str, Column]) -> BoundMethod:
        known = {each.name: each for each in fields(method.Readings)}
        values: dict[str, Bound] = {}
        files: dict[str, int] = {}
        uncertain: dict[str, Callable[[float], float]] = {}
        for name, column in columns.items():
            if name not in known:
                self._problems.append(f"{column.key} is no reading: {suggestion(name, known)}")
            elif known[name].kind == "file" and self._is_file(column, wanted=True):
                files[name] = self._place(column)
            elif known[name].kind != "file" and self._is_file(column, wanted=False):
                values[name] = self._reading(known[name], column)
                uncertain |= self._uncertain(known, name, column, columns)
        return BoundMethod(method, values, files, uncertain)

    def _uncertain(
        self, known: Mapping[str, Field], name: str, column: Column, columns: Mapping[str, Column]
    ) -> dict[str, Callable[[float], float]]:
        """Return what gives the uncertainty of a reading; where one is wanted it must be said, or "exact"."""
        if f"{name}{UNCERTAIN}" not in known:
            if column.u:
                self._problems.append(
                    f"{column.key}.u: {name} has its uncertainty from its step and instrument"
                )
            return {}
        if f"{name}{UNCERTAIN}" in columns:
            return {}
        share = _SHARE.match(column.u)
        try:
            if column.u == "exact":
                return {name: lambda value: 0.0 * value}
            if share is not None:
                return {name: (float(share[1]) / 100).__mul__}
            scale, _ = factor_between(column.unit, known[name].unit, column.key)
            u = scale * float(column.u)
        except (ValueError, Refused):
            self._problems.append(
                f"{column.key}.u {'is missing' if not column.u else repr(column.u)}: write the standard "
                f'uncertainty, u = 0.2 in {column.unit or known[name].unit} or u = "2 %", or u = "exact"'
            )
            return {}
        return {name: lambda _: u}

    def _is_file(self, column: Column, *, wanted: bool) -> bool:
        """Whether the map says of a reading what it is, a file or not; else the problem is noted."""
        if column.file == wanted:
            return True
        form = "is a file: write file = true" if wanted else "is not a file: leave out file = true"
        self._problems.append(f"{column.key} {form}")
        return False

    def _reading(self, reading: Field, column: Column) -> Bound:
        index = self._place(column)
        if reading.kind != "number":
            if column.unit:
                self._problems.append(f"{column.key} is {reading.kind}: leave out its unit")
            return Bound(index, _word)
        unit = reading.unit or "1"
        # A unit must be written for readings even where it is ours: old tables mix kilograms and newtons
        # under one heading.
        if not column.unit:
            self._problems.append(
                f'{column.key}.unit is missing: write unit = "{unit}", or what the sheet has'
            )
            return Bound(index, _word)
        return Bound(index, self._number(column, unit, column.unit))

    def _quantities(self) -> Iterator[tuple[Quantity, Bound]]:
        declared = {
            quantity.name: quantity
            for loaded in self._plugged.methods.values()
            for quantity in loaded.method.quantities
        }
        for name, column in self._columns.quantities.items():
            if self._is_quantity(name, column, declared):
                quantity = declared.get(name, Quantity(name, column.unit))
                yield quantity, Bound(self._place(column), self._number(column, quantity.unit, column.unit))

    def _is_quantity(self, name: str, column: Column, declared: Mapping[str, Quantity]) -> bool:
        """Whether a value can be given for a quantity; else the problem is noted."""
        before = len(self._problems)
        if column.file or not column.unit:
            self._problems.append(f'{column.key} must be written as {{ column = "COLUMN", unit = "UNIT" }}')
        elif name not in declared:
            method = name.partition(".")[0]
            if method in self._plugged.methods or "." not in name.strip("."):
                self._problems.append(f"{column.key} is no quantity: {suggestion(name, declared)}")
            else:
                # Kept under its own name: a table may hold what no installed method measures, and nothing
                # of it is thrown away.
                self._notes.append(f"No method here declares {name}; its values are kept in {column.unit}")
        return len(self._problems) == before


def unit_of_factor(name: str) -> str:
    """Return the unit that the ending of a factor's name stands for, empty where it has none."""
    parts = name.split("_")
    long, short = "_".join(parts[-2:]), parts[-1]
    if len(parts) > 2 and long in FACTOR_UNITS:  # noqa: PLR2004 - a name before a unit of two words
        return FACTOR_UNITS[long]
    return FACTOR_UNITS.get(short, "") if len(parts) > 1 else ""


def _word(cell: str) -> str:
    """Return text on one line."""
    return " ".join(cell.split())


def _numbers(style: Style, given: str, unit: str, key: str) -> Reader:
    """Return what turns cells in one unit into numbers in another.

    Raises:
        Refused: The units are of different kinds, or unknown.
    """
    given = given or unit
    # Found once for a column, not for each of its cells.
    scale, offset = factor_between(given, unit, key)
    what = key.removeprefix("readings.").removeprefix("factors.").removeprefix("quantities.")
    if (scale, offset) == (1.0, 0.0):
        return lambda cell: read_number(cell, style, given, what)
    return lambda cell: scale * read_number(cell, style, given, what) + offset
