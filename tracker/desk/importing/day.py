"""A day's readings from a sheet onto specimens that the book has: planned first, stored whole or not at all.

The column map has a section ``[day]`` (``id``, and if the sheet has them ``at``, ``operator``, ``rig``,
``remark``, ``room_c``, ``room_rh_pct``) and ``[readings.METHOD]`` as an import has it; recordings are named
by path, and lie beside the sheet or were sent with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from tracker.api import Recording
from tracker.book import Book
from tracker.desk.importing.binding import Binding, BoundMethod, bind
from tracker.desk.importing.columnmap import ColumnMap, day_map
from tracker.desk.importing.sheet import (
    Besides,
    ImportRefusedError,
    LineRefusal,
    SentWith,
    SheetRow,
    read_sheet,
)
from tracker.desk.measuring import Measured, Wanted, measure_all
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.plugins import Plugged

Find = Callable[[str], Recording]
"""Returns the recording that a cell names."""

MOST_ROWS: Final = 5_000
"""Rows of a day's sheet: they are stored and answered one by one."""

_ABOUT: Final = ("at", "operator", "remark", "room_c", "room_rh_pct")


@dataclass(frozen=True)
class DayPlan:
    """What a sheet says was measured.

    Attributes:
        name: File name of the sheet.
        wanted: Each measurement with its line.
        refused: Lines that cannot be read.
        unused: Columns that the map does not name.
        notes: What was decided on the way.
    """

    name: str
    wanted: tuple[tuple[str, Wanted], ...]
    refused: tuple[LineRefusal, ...]
    unused: tuple[str, ...]
    notes: tuple[str, ...]


def read_day_map(data: bytes, name: str = "columns.toml") -> ColumnMap:
    """Read the column map of a day's sheet.

    Raises:
        ImportRefusedError: It is no TOML.
        MapError: A key is unknown, missing or of the wrong form; every one is named.
    """
    return day_map(data, name, (*_ABOUT, "rig"))


def plan_day(plugged: Plugged, file: Path, columns: ColumnMap) -> DayPlan:
    """Read a sheet of readings; nothing is written and no book is asked.

    Args:
        plugged: The methods.
        file: The sheet, CSV; recordings lie beside it.
        columns: Its column map.

    Raises:
        ImportRefusedError: The sheet cannot be read.
        MapError: The map does not fit the sheet.
    """
    try:
        data = read_input(file, "day sheet")
    except OSError as error:
        raise ImportRefusedError(f"{file} cannot be read", why=error.strerror or str(error)) from error
    return _planned(plugged, file.name, data, columns, Besides(file.parent).recording)


def plan_sent_day(
    plugged: Plugged, name: str, data: bytes, columns: ColumnMap, recordings: Sequence[Recording]
) -> DayPlan:
    """Read a sheet of readings that was sent together with its recordings; no file is read.

    Args:
        plugged: The methods.
        name: File name of the sheet.
        data: The sheet, CSV.
        columns: Its column map.
        recordings: Found by the last part of the path in a cell.

    Raises:
        ImportRefusedError: The sheet cannot be read, or two recordings have one name.
        MapError: The map does not fit the sheet.
    """
    files = SentWith(recordings)
    plan = _planned(plugged, name, data, columns, files.recording)
    # A file that was chosen belongs to something: a wrong name in the sheet would lose it without a word.
    left = tuple(f"{each} was sent, and no line names it." for each in files.not_named)
    return replace(plan, notes=(*plan.notes, *left))


def _planned(plugged: Plugged, name: str, data: bytes, columns: ColumnMap, find: Find) -> DayPlan:
    sheet = read_sheet(data, name, MOST_ROWS, [each.name for each in columns.columns()])
    binding = bind(columns, sheet, plugged)
    wanted: list[tuple[str, Wanted]] = []
    refused = list(sheet.refused)
    for row in sheet.rows:
        try:
            found = _measured(row, binding, find)
        except Refused as refusal:
            refused.append(LineRefusal(row.line, str(refusal)))
            continue
        if not found:
            refused.append(LineRefusal(row.line, "no reading in it"))
        wanted += [(f"line {row.line}", each) for each in found]
    return DayPlan(name, tuple(wanted), tuple(refused), binding.unused, binding.notes)


def enter_day(
    book: Book,
    who: str,
    plugged: Plugged,
    plan: DayPlan,
    *,
    source: str = "typed",
    incomplete: bool = False,
    sure: bool = False,
    rehearse: bool = False,
) -> tuple[list[Measured], list[str]]:
    """Store all measurements of a plan as one act, or say what would be stored and asked.

    Args:
        book: The book.
        who: Who enters them.
        plugged: The methods.
        plan: What the sheet says.
        source: ``typed`` or ``posted``.
        incomplete: Readings that give no result yet are kept all the same.
        sure: What is asked about is meant.
        rehearse: Write nothing, and ask nothing.

    Returns:
        What was stored, or would be, and what was asked about.

    Raises:
        Doubt: Something looks wrong; every question is named with its line.
        ImportRefusedError: A line cannot be read, so that none is stored.
        FormError: One or more cannot be stored; every one is named, and none is.
    """
    if plan.refused:
        raise ImportRefusedError(
            f"{plan.name} cannot be entered",
            why="; ".join(str(each).rstrip(".") for each in plan.refused),
            do="Nothing was stored. Correct these lines and enter all again",
        )
    wanted = [(line, replace(each, source=source, incomplete=incomplete)) for line, each in plan.wanted]
    return measure_all(book, who, plugged, wanted, sure=sure, rehearse=rehearse)


def _measured(row: SheetRow, binding: Binding, find: Find) -> list[Wanted]:
    """Return the measurements of one row, one for each method that has a reading in it.

    Raises:
        ImportRefusedError: It has no ID, or a cell or recording cannot be read.
    """
    subject = row.cells[binding.material].strip()
    if not subject:
        raise ImportRefusedError("no ID", do="Fill in its cell")
    texts = {name: row.cells[index] for name, index in binding.texts.items() if row.cells[index]}
    rigs = texts.pop("rig", "").replace(",", " ").split()
    found = []
    for bound in binding.methods:
        typed, files = _readings(row, bound, find)
        if typed or files:
            found.append(Wanted(subject, bound.method.id, typed, files, rigs, texts))
    return found


def _readings(
    row: SheetRow, bound: BoundMethod, find: Find
) -> tuple[Mapping[str, Any], Mapping[str, Recording]]:
    typed = {
        name: each.read(row.cells[each.index]) for name, each in bound.values.items() if row.cells[each.index]
    }
    files = {}
    for name, index in bound.files.items():
        if row.cells[index]:
            files[name] = find(row.cells[index])
    return bound.with_uncertainties(typed), files
