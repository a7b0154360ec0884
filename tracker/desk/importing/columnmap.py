"""The column map: a TOML text that says which column of a spreadsheet is what.

Sections: ``[specimen]`` (material, orientation, plate …), ``[factors]``, ``[readings.METHOD]`` and
``[quantities]``. What stands in it is checked here as far as that goes without the sheet.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from tracker.desk.importing.sheet import ImportRefusedError, MapError
from tracker.errors import close_names

SPECIMEN_TEXTS: Final = ("orientation", "name", "geometry", "outcome", "remark", "cause", "note")
"""Keys of ``[specimen]`` that name one column of text each, beside ``material`` and ``plate``."""

_SPECIMEN: Final = ("material", "plate", *SPECIMEN_TEXTS)
_SECTIONS: Final = ("specimen", "factors", "readings", "quantities")
_COLUMN: Final = ("column", "unit", "file", "u")


@dataclass(frozen=True)
class Column:
    """Where a value stands, and in which unit.

    Attributes:
        key: Its place in the map (``readings.tensile.area``), for refusals.
        name: Header word of the column.
        unit: Unit of its numbers as pint reads it; empty where none was given.
        file: The cells are paths of files, relative to the sheet.
        u: Standard uncertainty of its numbers: in ``unit``, a share as ``2 %``, or ``exact``; empty for none.
    """

    key: str
    name: str
    unit: str = ""
    file: bool = False
    u: str = ""


@dataclass(frozen=True)
class ColumnMap:
    """Which column of a spreadsheet is what.

    Attributes:
        name: File name of the map, for refusals and as attachment.
        data: Its bytes, kept with the import.
        material: Column of the material's name.
        plate: Columns whose values together name one plate; empty: each row is a plate of its own.
        texts: Specimen column (``orientation``, ``note`` …) to column of the sheet.
        factors: Factor name to column.
        readings: Method to its fields to columns.
        quantities: Quantity name to column, for values that have no raw readings.
    """

    name: str
    data: bytes
    material: Column
    plate: tuple[Column, ...]
    texts: Mapping[str, Column] = field(default_factory=dict)
    factors: Mapping[str, Column] = field(default_factory=dict)
    readings: Mapping[str, Mapping[str, Column]] = field(default_factory=dict)
    quantities: Mapping[str, Column] = field(default_factory=dict)

    def columns(self) -> Iterable[Column]:
        """Yield every column that the map names, in the order of its sections."""
        yield self.material
        yield from self.plate
        yield from self.texts.values()
        yield from self.factors.values()
        for method in self.readings.values():
            yield from method.values()
        yield from self.quantities.values()


def read_map(data: bytes, name: str = "columns.toml") -> ColumnMap:
    """Read a column map.

    Args:
        data: The TOML text, UTF-8.
        name: Its file name, for refusals.

    Raises:
        ImportRefusedError: It is no TOML.
        MapError: A key is unknown, missing or of the wrong form; every one is named.
    """
    tables = _parsed(data, name)
    reader = _MapReader()
    specimen = reader.table(tables, "specimen")
    read = ColumnMap(
        name=name,
        data=data,
        material=reader.material(specimen),
        plate=reader.plate(specimen),
        texts=reader.section(specimen, "specimen", only=SPECIMEN_TEXTS, plain=True),
        factors=reader.section(reader.table(tables, "factors"), "factors"),
        readings=reader.methods(reader.table(tables, "readings")),
        quantities=reader.section(reader.flattened(reader.table(tables, "quantities")), "quantities"),
    )
    # A misspelt key is an error: passed over, its column would silently not be taken in.
    reader.unknown(tables, _SECTIONS, "")
    reader.unknown(specimen, _SPECIMEN, "specimen.")
    if reader.problems:
        raise MapError(name, reader.problems)
    return read


def day_map(data: bytes, name: str, about: tuple[str, ...]) -> ColumnMap:
    """Read the column map of a day's sheet, whose rows name specimens that the book has.

    Args:
        data: The TOML text, UTF-8.
        name: Its file name, for refusals.
        about: Keys of ``[day]`` beside ``id`` that name one column each.

    Returns:
        The map; its ``material`` is the column of the IDs, ``texts`` are the keys of ``about``.

    Raises:
        ImportRefusedError: It is no TOML.
        MapError: A key is unknown, missing or of the wrong form; every one is named.
    """
    tables = _parsed(data, name)
    reader = _MapReader()
    day = reader.table(tables, "day")
    if "id" not in day:
        reader.problems.append("day.id is missing: name the column that holds the IDs of the specimens")
    read = ColumnMap(
        name=name,
        data=data,
        material=reader.column("day.id", day.get("id", "id"), plain=True),
        plate=(),
        texts=reader.section(day, "day", only=about, plain=True),
        readings=reader.methods(reader.table(tables, "readings")),
    )
    reader.unknown(tables, ("day", "readings"), "")
    reader.unknown(day, ("id", *about), "day.")
    if reader.problems:
        raise MapError(name, reader.problems)
    return read


def suggestion(word: str, allowed: Iterable[str]) -> str:
    """Return what was probably meant, and all that is allowed."""
    known = list(allowed)
    near = close_names(word, known, most=1)
    return f"{f'did you mean {near[0]}? ' if near else ''}allowed: {', '.join(known) or 'none'}"


def _parsed(data: bytes, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise ImportRefusedError(
            f"The column map {name} is not text",
            why=f"byte {error.start} is not UTF-8",
            do="Save it as UTF-8",
        ) from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ImportRefusedError(
            f"The column map {name} is not TOML",
            why=str(error),
            do='A line looks like: material = "name of the column"',
        ) from error


class _MapReader:
    """Reads the sections and gathers what is wrong in them, so that all of it is said at once."""

    def __init__(self) -> None:
        self.problems: list[str] = []

    def table(self, tables: Mapping[str, Any], key: str) -> dict[str, Any]:
        """Return a section, empty where it is absent or no section."""
        found = tables.get(key, {})
        if isinstance(found, dict):
            return found
        self.problems.append(f"{key} must be a section, written [{key}]")
        return {}

    def unknown(self, table: Mapping[str, Any], allowed: Iterable[str], prefix: str) -> None:
        """Note every key that means nothing."""
        known = tuple(allowed)
        self.problems += [
            f"{prefix}{key} is unknown: {suggestion(key, known)}" for key in table if key not in known
        ]

    def material(self, specimen: Mapping[str, Any]) -> Column:
        """Return the column of the material, which every map must name."""
        if "material" not in specimen:
            self.problems.append("specimen.material is missing: name the column that holds the material")
            return Column("specimen.material", "")
        return self.column("specimen.material", specimen["material"], plain=True)

    def plate(self, specimen: Mapping[str, Any]) -> tuple[Column, ...]:
        """Return the columns that name a plate, one or several."""
        # Asked for and never assumed: pieces of one plate share its luck, and every later comparison counts
        # plates.
        given = specimen.get("plate")
        if given is None:
            self.problems.append(
                "specimen.plate is missing: name the columns whose values are alike for pieces printed "
                "together, or write plate = [] where each row was a plate of its own"
            )
            return ()
        names = given if isinstance(given, list) else [given]
        return tuple(self.column("specimen.plate", name, plain=True) for name in names)

    def section(
        self, table: Mapping[str, Any], prefix: str, only: Iterable[str] | None = None, *, plain: bool = False
    ) -> dict[str, Column]:
        """Return the columns of a section by key; with ``only``, of these keys alone."""
        wanted = set(table) if only is None else set(only)
        return {
            key: self.column(f"{prefix}.{key}", value, plain=plain)
            for key, value in table.items()
            if key in wanted
        }

    def methods(self, readings: Mapping[str, Any]) -> dict[str, dict[str, Column]]:
        """Return the columns of each method's readings."""
        found = {}
        for method, table in readings.items():
            if isinstance(table, dict) and table:
                found[method] = self.section(table, f"readings.{method}")
            else:
                self.problems.append(f"readings.{method} must be a section, written [readings.{method}]")
        return found

    def flattened(self, table: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
        """Return quantities by full name: TOML reads an unquoted ``tensile.strength`` as two levels."""
        flat: dict[str, Any] = {}
        for key, value in table.items():
            if isinstance(value, dict) and "column" not in value:
                flat |= self.flattened(value, f"{prefix}{key}.")
            else:
                flat[f"{prefix}{key}"] = value
        return flat

    def column(self, key: str, value: Any, *, plain: bool = False) -> Column:
        """Return one column, given as its name or, where not ``plain``, as a table."""
        if isinstance(value, str) and value.strip():
            return Column(key, value.strip())
        if isinstance(value, dict) and not plain:
            return self._from_table(key, value)
        form = '"COLUMN"' if plain else '"COLUMN" or { column = "COLUMN", unit = "UNIT" }'
        self.problems.append(f"{key} must be written as {form}")
        return Column(key, "")

    def _from_table(self, key: str, table: Mapping[str, Any]) -> Column:
        self.unknown(table, _COLUMN, f"{key}.")
        u = table.get("u", "")
        if isinstance(u, bool) or not isinstance(u, str | int | float):
            self.problems.append(f'{key}.u must be a number, a share such as "2 %", or "exact"')
        kinds = {"column": str, "unit": str, "file": bool}
        for part, kind in kinds.items():
            if not isinstance(table.get(part, kind()), kind):
                self.problems.append(f"{key}.{part} must be {'true or false' if kind is bool else 'text'}")
                return Column(key, "")
        if not table.get("column", "").strip():
            self.problems.append(f"{key}.column is missing: name the column")
        return Column(
            key,
            table.get("column", "").strip(),
            table.get("unit", "").strip(),
            file=table.get("file", False),
            u=str(u).strip(),
        )
