"""Old spreadsheets brought in: a column map and a CSV file, planned first, then whole or not at all.

:func:`plan_import` reads and computes and writes nothing; :func:`carry_out` writes all of a plan as one
act. The order of the modules is the way of a file: ``columnmap`` and ``sheet`` read it, ``binding`` holds
map and sheet together, ``drafts`` makes a piece of a row, ``planning`` puts pieces on their plates, asks
and shows the plan, ``carrying`` writes it; ``day`` takes a day's readings for pieces that are in the book.
"""

from __future__ import annotations

from tracker.desk.importing.carrying import Imported, carry_out
from tracker.desk.importing.columnmap import Column, ColumnMap, read_map
from tracker.desk.importing.planning import (
    EarlierImport,
    Plan,
    Progress,
    counted,
    plan_import,
    plan_json,
    plan_lines,
)
from tracker.desk.importing.sheet import (
    ImportRefusedError,
    LineRefusal,
    MapError,
    Sheet,
    open_sheet,
    read_sheet,
)

__all__ = [
    "Column",
    "ColumnMap",
    "EarlierImport",
    "ImportRefusedError",
    "Imported",
    "LineRefusal",
    "MapError",
    "Plan",
    "Progress",
    "Sheet",
    "carry_out",
    "counted",
    "open_sheet",
    "plan_import",
    "plan_json",
    "plan_lines",
    "read_map",
    "read_sheet",
]
